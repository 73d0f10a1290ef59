// The crew's page. Words and figures come from the rig, in its units; here it is only decided where they stand.
// Nothing is done twice and nothing by itself: what got no answer is said, never sent again.
import { follow } from "./feed.js";
import { FieldMap, sample } from "./map.js";

const UNKNOWN = "--";
const ANSWER_MS = 8000; // an act's answer takes milliseconds; one that hangs is told of
const HOLD_MS = 2000; // after an act all buttons wait, so that a double tap is one
const SENSORS = { gps: "GPS", flow: "flowmeter", pressure: "pressure", boom_switch: "boom switch", run_log: "run log",
  wind: "wind", air: "air" };
const STATES = { ok: "well", silent: "silent", implausible: "not believable", waiting: "waiting", not_fitted: "not fitted" };
const VERDICTS = { in_tolerance: "in tolerance", out_of_tolerance: "out of tolerance" };
const ENDS = { ended: "ended", cut_off: "cut off", going_on: "going on", unreadable: "cannot be read" };

const root = document.documentElement;
const $ = (id) => document.getElementById(id);
const put = (element, text) => {
  if (element.textContent !== text) element.textContent = text;
};
const set = (element, name, value) => {
  if (element[name] !== value) element[name] = value;
};
const make = (name, text = "", kind = "") => {
  const element = document.createElement(name);
  if (text !== "") element.textContent = text;
  if (kind !== "") element.className = kind;
  return element;
};
const clock = (seconds) => {
  if (seconds == null) return UNKNOWN;
  const s = Math.max(0, Math.floor(seconds));
  return `${Math.floor(s / 3600)}:${String(Math.floor(s / 60) % 60).padStart(2, "0")}:${String(s % 60).padStart(2, "0")}`;
};
const utc = (text, seconds = true) => {
  const found = /^(\d{4}-\d{2}-\d{2})T(\d{2}:\d{2})(:\d{2})/.exec(text || "");
  return found === null ? "UTC unknown" : `${found[1]} ${found[2]}${seconds ? found[3] : ""} UTC`;
};
// Draw a list anew only when what it shows has changed, so that a finger finds its button.
const shownBy = new WeakMap();
const fill = (list, data, build) => {
  const key = JSON.stringify(data);
  if (shownBy.get(list) === key) return;
  shownBy.set(list, key);
  list.replaceChildren(...build());
};

// -- what the rig says --------------------------------------------------------------------------------------

let status = null; // the newest `status`; it is shown only while the feed lives
let epoch = 0; // of the map that is drawn
let have = 0; // points of it
let run; // the run on the page: undefined before the first status

const map = new FieldMap($("field"), (mark) => {
  put($("mark-said"), mark === undefined ? "" : `${mark.words}, at ${clock(mark.t_s)} of the run`);
});

const feed = follow({
  url: () => `/feed?epoch=${epoch}&from=${have}`,
  take: { status: takeStatus, track: takeTrack },
  draw,
});

function takeStatus(newest) {
  status = newest;
  if (newest.run.id !== run) {
    run = newest.run.id;
    if (newest.live) askRuns();
  }
  if (newest.marks !== marksHave) askMarks(newest.marks);
  if (newest.live) askOnce();
}

function takeTrack(newest) {
  if (newest.epoch !== epoch || newest.from === 0 || newest.from !== have) {
    if (newest.from !== 0) { // not what follows ours: begin anew
      epoch = have = 0;
      feed.again();
      return;
    }
    map.clear(newest.origin);
    have = 0;
  }
  epoch = newest.epoch;
  map.origin = newest.origin;
  if (newest.points.length) map.add(newest.points);
  have = map.n;
  map.open = newest.open;
  map.ask();
}

let marksHave = null;
async function askMarks(n) {
  marksHave = n;
  const found = await get("/api/marks");
  if (found === null) marksHave = null;
  else map.setMarks(found.marks);
}

async function get(path) {
  try {
    const answer = await fetch(path);
    return answer.ok ? await answer.json() : null;
  } catch {
    return null; // the feed says that the link is lost
  }
}

// -- drawing ------------------------------------------------------------------------------------------------

function draw(from) {
  const is = from.state;
  const live = is === "live" && status !== null;
  const logged = status !== null && !status.live;
  root.dataset.is = live && logged ? "replay" : is;
  drawHead(is, live, from.message);
  drawAlerts(live);
  drawFigures(live);
  drawSensors(live);
  drawMap(live, is, from.message);
  drawActs(live, is);
  set($("play"), "hidden", !logged);
  if (logged) drawPlay(live ? from.message : null);
  if (from.otherSoftware && !busy && !typed()) location.reload();
}

function drawHead(is, live, message) {
  if (status !== null) put($("rig-name"), status.rig);
  let words = { no_link: "no link, trying again", no_data: "no readings from the rig", live: "waiting" }[is];
  if (live && !status.live) words = "REPLAY of a logged run";
  else if (live) words = status.run.state === "running" ? "run going on" : "between runs";
  put($("state"), words);
  if (live) put($("so-far-head"), status.live && status.run.state !== "running" ? "The last run" : "This run");
  put($("clock"), live && message !== null ? utc(message.utc) : UNKNOWN);
}

function drawAlerts(live) {
  const alerts = live ? status.alerts : null;
  // the seconds that it has been up are not part of it, or it would be built anew all the time
  const acts = live && status.live && paired;
  const key = [live, acts, alerts && alerts.map((one) => [one.code, one.words, one.acknowledged, one.now, one.shown])];
  fill($("alert-list"), key, () => {
    if (alerts === null) return [make("li", "unknown: nothing is heard from the rig", "none")];
    if (alerts.length === 0) return [make("li", "none", "quiet")];
    return alerts.map((alert) => alertRow(alert, acts));
  });
  for (const button of $("alert-list").querySelectorAll("button")) set(button, "disabled", !mayAct());
  const findings = live ? status.findings : [];
  fill($("finding-list"), findings.map((one) => [one.code, one.nozzles, one.change_pct]), () => findings.map(findingRow));
}

function alertRow(alert, acts) {
  const row = make("li", "", alert.acknowledged ? "seen" : alert.now ? "now" : "");
  row.append(make("b", alert.words));
  if (alert.shown) row.append(make("span", alert.shown));
  row.append(make("span", alert.acknowledged ? "acknowledged, still up" : alert.now ? "NOW" : ""));
  if (!alert.acknowledged && acts) {
    const button = make("button", "acknowledge");
    button.type = "button";
    button.setAttribute("aria-label", `acknowledge: ${alert.words}`);
    button.addEventListener("click", () => act({ act: "acknowledge", code: alert.code }));
    row.append(button);
  }
  return row;
}

function findingRow(finding) {
  const row = make("li");
  row.append(make("b", finding.words));
  if (finding.nozzles) row.append(` (${finding.nozzles})`);
  const list = make("dl");
  for (const [name, text] of [["seen by", finding.evidence], ["most likely", finding.cause], ["look at", finding.check]]) {
    if (text) list.append(make("dt", name), make("dd", text));
  }
  if (list.childElementCount) row.append(list);
  row.append(make("p", "Before you look: boom off, pump stopped, pressure gone; wear what the label asks for.", "small"));
  return row;
}

function drawFigures(live) {
  const of = (part) => (live ? status[part].shown : {});
  const tank = of("tank"), totals = of("totals"), target = of("target");
  const on = (id, text) => put($(id), text || UNKNOWN);
  on("tank-level", tank.level);
  on("tank-time", tank.time_left);
  on("tank-distance", tank.distance_left);
  on("tank-area", tank.area_left);
  on("tank-capacity", tank.capacity);
  put($("tank-note"), !live ? "" : status.tank.level_l === null
    ? "The level is unknown until a refill says that the tank is full."
    : status.tank.at_most ? "Some of what flowed was not measured: there is less." : "");
  on("area", totals.area);
  on("volume", totals.volume);
  on("distance", totals.distance);
  on("mean-rate", totals.rate);
  on("target", live ? `${target.rate} \u00b1 ${target.tolerance}` : "");
  on("target-speed", target.speed);
  on("duration", live ? clock(status.run.duration_s) : "");
  on("unknown-time", live ? clock(status.totals.unknown_time_s) : "");
  const weather = live ? status.weather : null;
  set($("weather"), "hidden", status === null || (status.weather === null && $("weather").hidden));
  const air = weather ? weather.shown : {};
  on("wind", air.wind);
  on("wind-from", air.wind_from);
  on("gust", air.gust);
  on("temperature", air.temperature);
  on("humidity", air.humidity);
  fill($("calibration"), status && [status.calibration, status.target.record], calibrationRows);
}

// What the rig file says does not go stale.
function calibrationRows() {
  if (status === null) return [];
  const rows = [];
  const add = (name, text) => {
    if (!text) return;
    const row = make("div");
    row.append(make("dt", name), make("dd", text));
    rows.push(row);
  };
  const in_use = status.calibration;
  if (in_use === null) add("calibration", "none: nothing is known of the nozzles' output");
  else {
    add("nozzles", in_use.nozzles);
    add("boom's output", `${in_use.shown.flow} at ${in_use.shown.pressure}`);
    add("uncertainty", in_use.shown.uncertainty);
    add("taken on", in_use.taken_on || "date unknown");
    add("record", in_use.record || "none: typed into the rig file");
  }
  add("target's record", status.target.record);
  return rows;
}

function drawSensors(live) {
  const sensors = status === null ? [] : status.sensors;
  fill($("sensors"), [live, sensors.map((one) => [one.name, one.state, one.detail, one.state === "ok" ? 0 : Math.floor(one.age_s)])], () =>
    sensors.map((sensor) => {
      const row = make("tr");
      const name = make("th", SENSORS[sensor.name] || sensor.name);
      name.scope = "row";
      const bad = live && (sensor.state === "silent" || sensor.state === "implausible");
      const age = bad && sensor.age_s !== null ? `, well ${clock(sensor.age_s)} ago` : "";
      const words = !live && sensor.state !== "not_fitted" ? UNKNOWN
        : `${STATES[sensor.state] || sensor.state}${age}${sensor.detail ? `: ${sensor.detail}` : ""}`;
      row.append(name, make("td", words, bad ? "bad" : ""));
      return row;
    }));
}

// -- map ------------------------------------------------------------------------------------------------------

function drawMap(live, is, message) {
  map.show({
    rig: message === null ? keptRig : (keptRig = { lat_deg: message.lat_deg, lon_deg: message.lon_deg, track_deg: message.track_deg }),
    out: live ? status.tank.runs_out : null,
    stale: !live || message === null || message.lat_deg === null,
    theme: root.dataset.theme,
    units: status === null ? "us" : status.units,
  });
  const note = !live ? (have ? "as it was: nothing is heard now" : "")
    : message !== null && message.lat_deg === null ? "the place now is unknown" : "";
  put($("map-note"), note);
  set($("map-note"), "hidden", note === "");
  const target = status === null ? null : status.target.shown;
  fill($("legend"), [root.dataset.theme, target], () => legend(target));
}

let keptRig = null;

function legend(target) {
  const [e0, e1, e2, e3] = target === null ? [UNKNOWN, UNKNOWN, UNKNOWN, UNKNOWN] : target.edges;
  const unit = target === null ? "" : target.rate_unit;
  const rows = [[3, `below ${e0} ${unit}`], [4, `${e0} to ${e1}`], [5, `${e1} to ${e2}, in tolerance`], [6, `${e2} to ${e3}`],
    [7, `above ${e3} ${unit}`], [2, "dose unknown"], [1, "boom off"]];
  return rows.map(([code, words]) => {
    const row = make("li");
    const line = make("canvas");
    line.setAttribute("aria-hidden", "true");
    sample(line, code, root.dataset.theme);
    row.append(line, make("span", words));
    return row;
  });
}

for (const [id, does] of [["nearer", () => map.zoom(1.6)], ["further", () => map.zoom(1 / 1.6)],
  ["look-whole", () => map.look("whole")], ["look-rig", () => map.look("rig")]]) {
  $(id).addEventListener("click", does);
}
$("field").addEventListener("look", (event) => {
  $("look-whole").setAttribute("aria-pressed", String(event.detail === "whole"));
  $("look-rig").setAttribute("aria-pressed", String(event.detail === "rig"));
});

// -- doing: only when the rig stands, only from a browser that is paired --------------------------------------

let paired = null; // null: not known yet
let busy = false;
let heldUntil = 0;
let asked = false;

// Once the rig is known to be live: is this browser paired, and what may be chosen.
async function askOnce() {
  if (asked) return;
  asked = true;
  const found = await get("/api/pair");
  if (found === null) asked = false;
  else isPaired(found.paired);
}

function isPaired(is) {
  if (is && paired !== true) askTargets();
  paired = is;
}

function mayAct() {
  return feed.state === "live" && status !== null && status.may_act && paired === true && !waiting();
}

function waiting() {
  return busy || performance.now() < heldUntil;
}

function drawActs(live, is) {
  set($("acts"), "hidden", status === null || !status.live);
  if (status === null || !status.live) return;
  let why = "";
  if (!live) why = is === "no_link" ? "Nothing can be done: the link is lost." : "Nothing can be done: nothing is heard from the rig.";
  else if (!status.may_act) why = `Not now: ${status.why_not}.`;
  else if (busy) why = "Waiting for the answer.";
  else if (waiting()) why = "One moment.";
  put($("why"), why);
  set($("pair"), "hidden", paired !== false);
  set($("deeds"), "hidden", paired !== true);
  const may = mayAct();
  const running = live && status.run.state === "running";
  for (const form of $("deeds").querySelectorAll("form")) {
    const button = form.querySelector("button");
    const fits = { begin_run: !running, end_run: running, retarget: $("target-choice").options.length > 0 }[form.dataset.act];
    set(button, "disabled", !may || fits === false);
  }
  set($("pair").querySelector("button"), "disabled", !live || !status.may_act || busy);
}

function typed() {
  return [...document.querySelectorAll("#acts input, #acts textarea")].some((one) => one.type !== "checkbox" && one.value !== "");
}

function say(words) {
  put($("said-words"), words);
  set($("said"), "hidden", words === "");
}

// One request at a time; the answer as [HTTP status, JSON], or null when none came.
async function post(path, body) {
  busy = true;
  heldUntil = performance.now() + HOLD_MS;
  say("");
  draw(feed);
  const giveUp = new AbortController();
  const timer = setTimeout(() => giveUp.abort(), ANSWER_MS);
  try {
    const answer = await fetch(path, {
      method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body), signal: giveUp.signal,
    });
    return [answer.status, await answer.json()];
  } catch {
    return null;
  } finally {
    clearTimeout(timer);
    busy = false;
  }
}

async function act(body) {
  if (!mayAct()) return false;
  // Browsers send a request again by themselves when a connection breaks: the rig knows it by this.
  const once = Array.from(crypto.getRandomValues(new Uint32Array(4)), (part) => part.toString(36)).join("-");
  const answer = await post("/api/act", { ...body, once });
  if (answer === null) {
    say("No answer came. Look at the page whether it was done before you do it again.");
  } else if (answer[0] === 200) {
    say(`Done: ${answer[1].words || "it is in the run log"}`);
  } else {
    if (answer[0] === 403) paired = false;
    say(`Not done: ${answer[1].error || `answer ${answer[0]}`}`);
  }
  draw(feed);
  return answer !== null && answer[0] === 200;
}

$("pair").addEventListener("submit", async (event) => {
  event.preventDefault();
  if (busy || feed.state !== "live" || !status.may_act) return;
  const answer = await post("/api/pair", { code: $("code").value });
  heldUntil = 0;
  if (answer === null) say("No answer came. Try again.");
  else if (answer[0] === 200) {
    isPaired(true);
    $("code").value = "";
    say("Paired: this browser may do things when the rig stands.");
  } else say(`Not paired: ${answer[1].error}`);
  draw(feed);
});

const BODIES = {
  note: () => ({ text: $("note-text").value }),
  refill: () => {
    const volume = $("refill-volume").value.trim();
    return { full: $("refill-full").checked, ...(volume === "" ? {} : { volume: `${volume} ${$("refill-unit").value}` }) };
  },
  retarget: () => ({ record: $("target-choice").value }),
  begin_run: () => ({}),
  end_run: () => ({ why: $("end-why").value }),
};
for (const form of document.querySelectorAll("#deeds form")) {
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    if (waiting()) return;
    const name = form.dataset.act;
    const done = await act({ act: name, ...BODIES[name]() });
    if (done && name !== "retarget") {
      form.reset();
      unitOfRefill();
    }
    if (done && name === "retarget") setTimeout(askTargets, 6000); // the rig keeps its list for 5 s
    draw(feed);
  });
}
$("said-ok").addEventListener("click", () => say(""));

function unitOfRefill() {
  if (status !== null) $("refill-unit").value = status.units === "us" ? "gal" : "L";
}

let unitIsSet = false;
async function askTargets() {
  if (!unitIsSet && status !== null) {
    unitIsSet = true;
    unitOfRefill();
  }
  const found = await get("/api/targets");
  if (found === null) return;
  const choice = $("target-choice");
  const rows = found.targets.map((target) => {
    const shown = target.shown;
    const option = make("option", `${shown.rate} at ${shown.speed}, \u00b1 ${shown.tolerance}, ${target.taken_on}${target.in_use ? " (in use)" : ""}`);
    option.value = target.name;
    return option;
  });
  const own = make("option", "the rig file's own target");
  own.value = "";
  choice.replaceChildren(...rows, own);
  set($("retarget"), "hidden", rows.length === 0);
  set($("no-target"), "hidden", rows.length > 0);
}

// -- last runs --------------------------------------------------------------------------------------------------

let runsTimer = 0;
async function askRuns() {
  clearTimeout(runsTimer);
  const found = await get("/api/runs");
  const working = found !== null && found.runs.some((one) => one.scoring);
  runsTimer = setTimeout(() => document.hidden || askRuns(), working ? 2000 : 60000);
  if (found === null) return;
  set($("runs"), "hidden", false);
  put($("runs-note"), found.error ? found.error : found.runs.length === 0 ? "No run log is in the run folder yet."
    : found.more ? `and ${found.more} older ones in the run folder` : "");
  fill($("run-list"), found.runs, () => found.runs.map(runRow));
}

function runRow(one) {
  const row = make("li");
  row.dataset.run = one.id;
  const head = make("p");
  head.append(make("b", one.started_utc ? utc(one.started_utc, false) : one.id));
  const end = ENDS[one.state] || one.state;
  head.append(`, ${one.duration_s === null ? "" : `${clock(one.duration_s)} long, `}${end}${one.error ? `: ${one.error}` : ""}`);
  row.append(head);
  if (one.score !== null) {
    const shown = one.score.shown;
    row.append(make("p", `${VERDICTS[one.score.verdict] || "verdict unknown"}: ${shown.in_tolerance} of the area in tolerance, ${shown.rate}, ${shown.area}`));
  }
  if (one.state === "ended" || one.state === "cut_off") {
    const acts = make("div", "", "acts");
    if (one.score === null) acts.append(maker(one, "score", one.scoring));
    acts.append(maker(one, "report", false));
    row.append(acts);
  }
  return row;
}

// A button that has a score or a report made, and says how that went.
function maker(one, kind, working) {
  const path = `/api/runs/${encodeURIComponent(one.id)}/${kind}`;
  const button = make("button", working ? `making the ${kind} ...` : kind);
  button.type = "button";
  button.disabled = working;
  button.setAttribute("aria-label", `${kind} of ${one.started_utc ? utc(one.started_utc) : one.id}`);
  button.addEventListener("click", async () => {
    button.disabled = true;
    put(button, `making the ${kind} ...`);
    const why = await made(path);
    if (why !== "") {
      button.replaceWith(make("span", `no ${kind}: ${why}`));
    } else if (kind === "score") {
      askRuns();
    } else {
      const link = make("a", "open the report");
      link.href = path;
      link.target = "_blank";
      link.rel = "noopener";
      button.replaceWith(link);
      link.focus();
    }
  });
  return button;
}

// "" when it is there, else why it is not.
async function made(path) {
  for (;;) {
    let answer;
    try {
      answer = await fetch(path);
      if (answer.status === 200) {
        await answer.body.cancel();
        return "";
      }
      if (answer.status !== 202) return (await answer.json()).error || `answer ${answer.status}`;
      await answer.json();
    } catch {
      return "the link was lost";
    }
    await new Promise((resolve) => setTimeout(resolve, 1000));
  }
}

// -- replay ----------------------------------------------------------------------------------------------------

let play = null; // as the rig says it: {paused, pace, t_s, duration_s, seeking, trouble}
let sliding = false;
let playAsked = 0;

function drawPlay(message) {
  if (performance.now() - playAsked > 1000) {
    playAsked = performance.now();
    get("/api/play").then(takePlay);
  }
  if (play === null) return;
  set($("play-pause"), "disabled", false);
  put($("play-pause"), play.paused ? "play" : "pause");
  if (document.activeElement !== $("play-pace")) set($("play-pace"), "value", String(play.pace));
  const slider = $("play-at");
  const long = String(Math.max(1, Math.ceil(play.duration_s)));
  if (slider.max !== long) slider.max = long;
  // before the first sample there is only the controls' own time
  const shown = message === null ? null : message.t_s === null ? play.t_s : message.t_s;
  if (!sliding && shown !== null) slider.value = String(shown);
  const at = sliding ? Number(slider.value) : shown;
  slider.setAttribute("aria-valuetext", `${clock(at)} of ${clock(play.duration_s)}`);
  put($("play-time"), play.trouble || (play.seeking ? "reading ..." : `${clock(at)} of ${clock(play.duration_s)}`));
}

function takePlay(newest) {
  if (newest !== null) play = newest;
}

async function tellPlay(change) {
  try {
    const answer = await fetch("/api/play", {
      method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(change),
    });
    if (answer.ok) takePlay(await answer.json());
  } catch { /* the feed says that the link is lost */ }
  draw(feed);
}

$("play-pause").addEventListener("click", () => play !== null && tellPlay({ paused: !play.paused }));
$("play-pace").addEventListener("change", () => tellPlay({ pace: Number($("play-pace").value) }));
$("play-at").addEventListener("input", () => { sliding = true; });
$("play-at").addEventListener("change", async () => {
  await tellPlay({ t_s: Number($("play-at").value) });
  sliding = false;
});

// -- light and dark --------------------------------------------------------------------------------------------

const dark = matchMedia("(prefers-color-scheme: dark)");
const keep = {
  // private windows may refuse to keep anything
  get: (key) => { try { return localStorage.getItem(key); } catch { return null; } },
  set: (key, value) => { try { localStorage.setItem(key, value); } catch { /* then not */ } },
};

function theme(chosen) {
  root.dataset.theme = chosen;
  put($("theme"), `screen: ${chosen}`);
  draw(feed);
}

theme(keep.get("theme") || (dark.matches ? "dark" : "light"));
dark.addEventListener("change", () => theme(keep.get("theme") || (dark.matches ? "dark" : "light")));
$("theme").addEventListener("click", () => {
  const chosen = root.dataset.theme === "dark" ? "light" : "dark";
  keep.set("theme", chosen);
  theme(chosen);
});

// for whoever measures how long a frame takes
if (new URLSearchParams(location.search).has("marks")) {
  map.onframe = (detail) => performance.mark("map-frame", { detail });
}
feed.start();
