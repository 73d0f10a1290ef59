// The map of the passes. Dose is told by colour, by width (the more, the wider) and at both ends by a pattern.
// What is drawn stays drawn: new pieces go on top of it, and all of it is drawn anew only when the view changes.

const GAP = 0, OFF = 1, UNKNOWN = 2, FAR_LOW = 3, LOW = 4, IN = 5, HIGH = 6, FAR_HIGH = 7;
// what must be seen is drawn last
const ORDER = [OFF, IN, LOW, HIGH, UNKNOWN, FAR_LOW, FAR_HIGH];
const WIDTH = [0, 1.5, 3, 3, 3.5, 4, 6, 9];
const DASH = [[], [2, 5], [7, 5], [3, 5], [], [], [], []];
// Blue to red by way of grey: told apart with any kind of colour vision, also by lightness against the paper
export const COLOURS = {
  light: ["", "#767676", "#000000", "#08306b", "#2171b5", "#6a6a6a", "#c65102", "#8b0000"],
  dark: ["", "#8c8c8c", "#ffffff", "#3f8cff", "#a6d0ff", "#8f8f8f", "#ffb066", "#ff6a5a"],
};
const INK = { light: ["#000", "#fff"], dark: ["#fff", "#000"] };

const DM_PER_DEG = (6371000 * Math.PI * 10) / 180; // as the rig's own map has it
const FOOT_DM = 3.048;
const NEAREST = 4, FURTHEST = 0.0002; // pixels a decimetre
const STEP_PX = 0.7; // pieces shorter than this on the glass are joined

export class FieldMap {
  constructor(canvas, said) {
    this.canvas = canvas;
    this.said = said; // called with words for a mark that was touched, "" none
    this.base = document.createElement("canvas"); // the passes alone
    this.view = { x: 0, y: 0, scale: 0.05 }; // decimetres in the middle, pixels a decimetre
    this.mode = "whole"; // whole | rig | free
    this.theme = "light";
    this.units = "us";
    this.stale = true;
    this.rig = this.out = null;
    this.marks = [];
    this.chosen = -1;
    this.asked = false;
    this.drawn = 0; // points that are on the base
    this.whole = true; // the base must be drawn anew
    this.frames = 0;
    this.clear(null);
    this.hands();
    new ResizeObserver(() => this.resized()).observe(canvas);
  }

  // -- what comes in ------------------------------------------------------------------------------------

  clear(origin) {
    this.points = new Int32Array(3 * 1024);
    this.n = 0;
    this.open = null;
    this.origin = origin;
    this.box = null;
    this.redraw();
  }

  // Points follow those that are there: x, y, code, x, y, code ...
  add(points) {
    const need = 3 * this.n + points.length;
    if (need > this.points.length) {
      const more = new Int32Array(Math.max(need, 2 * this.points.length));
      more.set(this.points.subarray(0, 3 * this.n));
      this.points = more;
    }
    this.points.set(points, 3 * this.n);
    this.n += points.length / 3;
    for (let i = 0; i < points.length; i += 3) this.reach(points[i], points[i + 1]);
    this.ask();
  }

  reach(x, y) {
    const box = this.box;
    if (box === null) this.box = [x, y, x, y];
    else {
      box[0] = Math.min(box[0], x); box[1] = Math.min(box[1], y);
      box[2] = Math.max(box[2], x); box[3] = Math.max(box[3], y);
    }
  }

  // Decimetres east and north of the origin; null: unknown.
  place(lat, lon) {
    if (this.origin === null || lat == null || lon == null) return null;
    const [lat0, lon0] = this.origin;
    const east = ((lon - lon0 + 540) % 360) - 180;
    return [
      east * DM_PER_DEG * Math.max(0.01, Math.cos((lat0 * Math.PI) / 180)),
      (lat - lat0) * DM_PER_DEG,
    ];
  }

  // `rig`: {lat_deg, lon_deg, track_deg}; `out`: where the tank runs out; both null where unknown.
  show({ rig, out, stale, theme, units }) {
    const at = rig === null ? null : this.place(rig.lat_deg, rig.lon_deg);
    const next = at === null ? null : [...at, rig.track_deg];
    const ends = out === null ? null : this.place(out.lat_deg, out.lon_deg);
    if (theme !== this.theme) this.whole = true;
    const same = String([next, ends, stale, theme, units]) === this.showing;
    this.showing = String([next, ends, stale, theme, units]);
    Object.assign(this, { rig: next, out: ends, stale, theme, units });
    if (next !== null && !stale) this.reach(next[0], next[1]);
    if (!same) this.ask();
  }

  setMarks(marks) {
    this.marks = marks;
    this.chosen = -1;
    this.ask();
  }

  // -- the view -------------------------------------------------------------------------------------------

  resized() {
    const ratio = window.devicePixelRatio || 1;
    this.width = this.canvas.clientWidth;
    this.height = this.canvas.clientHeight;
    for (const canvas of [this.canvas, this.base]) {
      canvas.width = Math.round(this.width * ratio);
      canvas.height = Math.round(this.height * ratio);
    }
    this.ratio = ratio;
    this.redraw();
  }

  redraw() {
    this.whole = true;
    this.ask();
  }

  // Once a frame, whatever comes.
  ask() {
    if (this.asked) return;
    this.asked = true;
    requestAnimationFrame(() => {
      this.asked = false;
      this.draw();
    });
  }

  look(mode) {
    this.mode = mode;
    if (mode !== "free") this.fitted = null;
    this.ask();
    this.canvas.dispatchEvent(new CustomEvent("look", { detail: mode }));
  }

  move(dx, dy) {
    this.view.x -= dx / this.view.scale;
    this.view.y += dy / this.view.scale;
    this.look("free");
    this.redraw();
  }

  // `times` nearer about a point of the glass, the middle where it is left out.
  zoom(times, px = this.width / 2, py = this.height / 2) {
    const view = this.view;
    const scale = Math.min(NEAREST, Math.max(FURTHEST, view.scale * times));
    const by = 1 / view.scale - 1 / scale;
    view.x += (px - this.width / 2) * by;
    view.y -= (py - this.height / 2) * by;
    view.scale = scale;
    if (this.mode === "whole") this.look("free");
    this.redraw();
  }

  // All of the passes, or the rig, come back into the view when they have left it; not at every step.
  fit() {
    const { view, box, rig } = this;
    if (this.mode === "whole" && box !== null) {
      const [wide, high] = [box[2] - box[0], box[3] - box[1]];
      const left = (box[0] - view.x) * view.scale + this.width / 2;
      const right = (box[2] - view.x) * view.scale + this.width / 2;
      const top = this.height / 2 - (box[3] - view.y) * view.scale;
      const bottom = this.height / 2 - (box[1] - view.y) * view.scale;
      const fits = left >= 8 && right <= this.width - 8 && top >= 8 && bottom <= this.height - 8;
      if (fits && this.fitted === "whole") return;
      this.fitted = "whole";
      view.x = (box[0] + box[2]) / 2;
      view.y = (box[1] + box[3]) / 2;
      // not nearer than 60 m across, so that a run's first metres do not fill the glass
      view.scale = Math.min(this.width / Math.max(600, 1.35 * wide), this.height / Math.max(600, 1.35 * high));
      view.scale = Math.min(NEAREST, Math.max(FURTHEST, view.scale));
      this.whole = true;
    } else if (this.mode === "rig" && rig !== null) {
      const near = Math.min(this.width, this.height) * 0.3;
      const far = Math.hypot(rig[0] - view.x, rig[1] - view.y) * view.scale;
      if (this.fitted === "rig" && far < near) return;
      if (this.fitted !== "rig") view.scale = Math.max(view.scale, Math.min(this.width, this.height) / 1500);
      this.fitted = "rig";
      view.x = rig[0];
      view.y = rig[1];
      this.whole = true;
    }
  }

  toGlass(x, y) {
    return [(x - this.view.x) * this.view.scale + this.width / 2, this.height / 2 - (y - this.view.y) * this.view.scale];
  }

  // -- drawing --------------------------------------------------------------------------------------------

  draw() {
    if (!this.width || !this.height) return;
    const began = performance.now();
    this.fit();
    if (this.whole) {
      const pen = this.base.getContext("2d");
      pen.setTransform(1, 0, 0, 1, 0, 0);
      pen.clearRect(0, 0, this.base.width, this.base.height);
      this.drawn = 0;
    }
    this.drawPieces(this.base.getContext("2d"), this.drawn, this.n);
    this.drawn = this.n;
    const pen = this.canvas.getContext("2d");
    pen.setTransform(1, 0, 0, 1, 0, 0);
    pen.clearRect(0, 0, this.canvas.width, this.canvas.height);
    pen.drawImage(this.base, 0, 0);
    pen.setTransform(this.ratio, 0, 0, this.ratio, 0, 0);
    this.drawOpen(pen);
    this.drawMarks(pen);
    this.drawOut(pen);
    this.drawRig(pen);
    this.drawScale(pen);
    this.frames += 1;
    const all = this.whole;
    this.whole = false;
    if (this.onframe) {
      pen.getImageData(0, 0, 1, 1); // until then it may only have been noted down
      this.onframe({ all, points: this.n, ms: performance.now() - began });
    }
  }

  // Points from `first` up to `last`: one path a code, so that 40 000 pieces are seven strokes.
  drawPieces(pen, first, last) {
    if (first >= last) return;
    const { points, width, height, ratio } = this;
    const { x: vx, y: vy, scale } = this.view;
    const paths = ORDER.reduce((found, code) => ({ ...found, [code]: new Path2D() }), {});
    const at = Math.max(1, first);
    let fromX = (points[3 * at - 3] - vx) * scale + width / 2;
    let fromY = height / 2 - (points[3 * at - 2] - vy) * scale;
    let going = GAP;
    for (let i = at; i < last; i += 1) {
      const code = points[3 * i + 2];
      const x = (points[3 * i] - vx) * scale + width / 2;
      const y = height / 2 - (points[3 * i + 1] - vy) * scale;
      const short = Math.abs(x - fromX) < STEP_PX && Math.abs(y - fromY) < STEP_PX;
      // the next piece of this colour reaches over it
      if (short && code === going && i + 1 < last && points[3 * i + 5] === code) continue;
      const seen = code !== GAP && Math.max(x, fromX) > -10 && Math.min(x, fromX) < width + 10
        && Math.max(y, fromY) > -10 && Math.min(y, fromY) < height + 10;
      if (seen) {
        const path = paths[code] || paths[UNKNOWN];
        if (code !== going) path.moveTo(fromX, fromY);
        path.lineTo(x, y);
      }
      going = seen ? code : GAP;
      fromX = x;
      fromY = y;
    }
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    for (const code of ORDER) this.stroke(pen, paths[code], code);
  }

  stroke(pen, path, code) {
    pen.lineJoin = "round";
    pen.lineCap = DASH[code].length ? "butt" : "round";
    pen.setLineDash(DASH[code]);
    pen.lineWidth = WIDTH[code];
    pen.strokeStyle = COLOURS[this.theme][code];
    pen.stroke(path);
    if (code === FAR_HIGH) {
      pen.setLineDash([4, 4]);
      pen.lineCap = "butt";
      pen.lineWidth = 2.5;
      pen.strokeStyle = INK[this.theme][1];
      pen.stroke(path);
    }
    pen.setLineDash([]);
  }

  drawOpen(pen) {
    if (this.open === null || this.n === 0 || this.open[2] === GAP) return;
    const path = new Path2D();
    path.moveTo(...this.toGlass(this.points[3 * this.n - 3], this.points[3 * this.n - 2]));
    path.lineTo(...this.toGlass(this.open[0], this.open[1]));
    this.stroke(pen, path, WIDTH[this.open[2]] ? this.open[2] : UNKNOWN);
  }

  drawRig(pen) {
    if (this.rig === null) return;
    const [x, y] = this.toGlass(this.rig[0], this.rig[1]);
    const [ink, paper] = INK[this.theme];
    pen.save();
    pen.translate(x, y);
    pen.beginPath();
    if (this.rig[2] == null) pen.arc(0, 0, 9, 0, 2 * Math.PI);
    else {
      pen.rotate((this.rig[2] * Math.PI) / 180);
      pen.moveTo(0, -15); pen.lineTo(10, 11); pen.lineTo(0, 6); pen.lineTo(-10, 11); pen.closePath();
    }
    pen.fillStyle = this.stale ? paper : ink;
    pen.fill();
    pen.lineWidth = 3;
    pen.strokeStyle = this.stale ? ink : paper;
    pen.stroke();
    pen.restore();
  }

  drawMarks(pen) {
    const [ink, paper] = INK[this.theme];
    this.marks.forEach((mark, i) => {
      const at = this.place(mark.lat_deg, mark.lon_deg);
      if (at === null) return;
      const [x, y] = this.toGlass(...at);
      pen.beginPath();
      pen.moveTo(x, y); pen.lineTo(x - 9, y - 18); pen.lineTo(x + 9, y - 18); pen.closePath();
      pen.fillStyle = i === this.chosen ? ink : paper;
      pen.fill();
      pen.lineWidth = 2;
      pen.strokeStyle = ink;
      pen.stroke();
      this.letter(pen, "!", x, y - 7, i === this.chosen ? paper : ink, 12, "center");
    });
  }

  drawOut(pen) {
    if (this.out === null || this.stale) return;
    const [x, y] = this.toGlass(...this.out);
    const [ink, paper] = INK[this.theme];
    pen.fillStyle = paper;
    pen.strokeStyle = ink;
    pen.lineWidth = 2;
    pen.beginPath();
    pen.rect(x - 8, y - 8, 16, 16);
    pen.fill();
    pen.moveTo(x - 8, y - 8); pen.lineTo(x + 8, y + 8); pen.moveTo(x + 8, y - 8); pen.lineTo(x - 8, y + 8);
    pen.stroke();
    this.letter(pen, "tank empty", x + 13, y + 5, ink, 14, "left");
  }

  letter(pen, text, x, y, ink, size, align) {
    pen.font = `700 ${size}px Roboto, Arial, Helvetica, sans-serif`;
    pen.textAlign = align;
    if (size > 12) {
      pen.lineWidth = 4;
      pen.lineJoin = "round";
      pen.strokeStyle = INK[this.theme][1];
      pen.strokeText(text, x, y);
    }
    pen.fillStyle = ink;
    pen.fillText(text, x, y);
  }

  // North is up. The bar is 1, 2 or 5 of the rig's units long, times ten.
  drawScale(pen) {
    const [ink] = INK[this.theme];
    const right = this.width - 16;
    pen.fillStyle = ink;
    pen.beginPath();
    pen.moveTo(right, 8); pen.lineTo(right + 8, 28); pen.lineTo(right, 23); pen.lineTo(right - 8, 28); pen.closePath();
    pen.fill();
    this.letter(pen, "N", right, 44, ink, 15, "center");
    if (this.origin === null) return;
    const unit = this.units === "us" ? FOOT_DM : 10;
    const most = Math.min(160, this.width / 2.5) / (this.view.scale * unit);
    const ten = 10 ** Math.floor(Math.log10(most));
    const long = [5, 2, 1].find((times) => times * ten <= most) * ten;
    const px = long * unit * this.view.scale;
    const y = this.height - 12;
    pen.lineWidth = 3;
    pen.strokeStyle = ink;
    pen.beginPath();
    pen.moveTo(12, y - 8); pen.lineTo(12, y); pen.lineTo(12 + px, y); pen.lineTo(12 + px, y - 8);
    pen.stroke();
    this.letter(pen, `${long} ${this.units === "us" ? "ft" : "m"}`, 12 + px + 8, y + 2, ink, 15, "left");
  }

  // -- fingers, mouse and keys ----------------------------------------------------------------------------

  hands() {
    const canvas = this.canvas;
    const held = new Map(); // pointers that are down
    let moved = 0;
    canvas.addEventListener("pointerdown", (event) => {
      canvas.setPointerCapture(event.pointerId);
      held.set(event.pointerId, event);
      if (held.size === 1) moved = 0;
    });
    canvas.addEventListener("pointermove", (event) => {
      const before = held.get(event.pointerId);
      if (before === undefined) return;
      const [dx, dy] = [event.clientX - before.clientX, event.clientY - before.clientY];
      moved += Math.abs(dx) + Math.abs(dy);
      if (held.size === 1 && moved > 6) this.move(dx, dy);
      if (held.size === 2) {
        const other = [...held.entries()].find(([id]) => id !== event.pointerId)[1];
        const apart = (one) => Math.max(10, Math.hypot(one.clientX - other.clientX, one.clientY - other.clientY));
        const box = canvas.getBoundingClientRect();
        this.move(dx / 2, dy / 2);
        this.zoom(apart(event) / apart(before),
          (event.clientX + other.clientX) / 2 - box.left, (event.clientY + other.clientY) / 2 - box.top);
      }
      held.set(event.pointerId, event);
    });
    const up = (event) => {
      if (held.delete(event.pointerId) && event.type === "pointerup" && moved <= 6) this.touch(event);
    };
    canvas.addEventListener("pointerup", up);
    canvas.addEventListener("pointercancel", up);
    canvas.addEventListener("wheel", (event) => {
      event.preventDefault();
      const box = canvas.getBoundingClientRect();
      this.zoom(Math.exp(-event.deltaY / 400), event.clientX - box.left, event.clientY - box.top);
    }, { passive: false });
    const keys = {
      ArrowLeft: () => this.move(60, 0), ArrowRight: () => this.move(-60, 0),
      ArrowUp: () => this.move(0, 60), ArrowDown: () => this.move(0, -60),
      "+": () => this.zoom(1.5), "=": () => this.zoom(1.5), "-": () => this.zoom(1 / 1.5),
      0: () => this.look("whole"), r: () => this.look("rig"), m: () => this.choose(this.chosen + 1),
    };
    canvas.addEventListener("keydown", (event) => {
      if (event.ctrlKey || event.metaKey || event.altKey || keys[event.key] === undefined) return;
      event.preventDefault();
      keys[event.key]();
    });
  }

  touch(event) {
    const box = this.canvas.getBoundingClientRect();
    const [px, py] = [event.clientX - box.left, event.clientY - box.top];
    let nearest = -1, least = 24;
    this.marks.forEach((mark, i) => {
      const at = this.place(mark.lat_deg, mark.lon_deg);
      if (at === null) return;
      const [x, y] = this.toGlass(...at);
      const far = Math.hypot(x - px, y - 10 - py);
      if (far < least) [nearest, least] = [i, far];
    });
    this.choose(nearest, false);
  }

  choose(i, go = true) {
    this.chosen = this.marks.length === 0 || i < 0 ? -1 : i % this.marks.length;
    const mark = this.marks[this.chosen];
    const at = mark === undefined ? null : this.place(mark.lat_deg, mark.lon_deg);
    if (go && at !== null) {
      [this.view.x, this.view.y] = at;
      this.look("free");
      this.redraw();
    }
    this.said(mark);
    this.ask();
  }
}

// A sample of each line for the legend.
export function sample(canvas, code, theme) {
  const ratio = window.devicePixelRatio || 1;
  canvas.width = 44 * ratio;
  canvas.height = 14 * ratio;
  const pen = canvas.getContext("2d");
  pen.setTransform(ratio, 0, 0, ratio, 0, 0);
  pen.clearRect(0, 0, 44, 14);
  const path = new Path2D();
  path.moveTo(5, 7);
  path.lineTo(39, 7);
  FieldMap.prototype.stroke.call({ theme }, pen, path, code);
}
