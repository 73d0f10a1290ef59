// The driver's page. It shows what the feed says and nothing older: every figure goes to "--" within a second
// of silence. All words and figures come from the rig; here it is only decided how they look.
import { follow } from "./feed.js";

(() => {
  // -- what it goes by ----------------------------------------------------------------------------------

  const WORDS = {
    hold: "HOLD", faster: "FASTER", slower: "SLOWER", stopped: "STOPPED", boom_off: "BOOM OFF",
    no_flow: "NO FLOW", flow_unknown: "FLOW ?", speed_unknown: "SPEED ?", no_data: "NO DATA", no_link: "NO LINK",
  };
  const BASIS = { flowmeter: "meter", pressure: "gauge", calibration: "catch", none: "" };
  const UNKNOWN = "--";

  // Times on and off in turn [s], as the rig's buzzer has them; and a pitch each, as a second way to tell [Hz].
  const RHYTHM = {
    "too fast": { hz: 2200, times: [0.08, 0.12, 0.08, 0.12, 0.08, 0.12, 0.08, 2.32] },
    "too slow": { hz: 1100, times: [0.25, 0.35, 0.25, 2.15] },
    flow: { hz: 1600, times: [0.9, 2.1] },
  };

  const root = document.documentElement;
  const $ = (id) => document.getElementById(id);
  const put = (element, text) => {
    if (element.textContent !== text) element.textContent = text;
  };
  const mark = (element, name, value) => {
    if (element.dataset[name] !== value) element.dataset[name] = value;
  };

  // -- the glance -----------------------------------------------------------------------------------------

  let place = 0; // of the left card: -3 to 3 in the band, 4 above, -4 below
  let warned = false; // "eyes on the ground" has been seen and the rig has moved since
  let said = ""; // the word on the glass

  const feed = follow({ url: () => "/feed?only=now", take: {}, draw });
  let message = null; // that was drawn last

  function draw() {
    const is = feed.state;
    const arrived = feed.message !== message && feed.message !== null;
    message = feed.message;
    if (feed.otherSoftware && arrived && message.advice === "stopped") location.reload();
    const live = is === "live" ? message : null;
    const say = live === null ? is : live.advice;
    mark(root, "say", say);
    if (say !== said) put($("word"), WORDS[say] || UNKNOWN);
    said = say;
    drawSpeed(live, say);
    drawWrong(live, is);
    drawDose(live);
    sound(live === null ? "none" : live.sound);
    if (live !== null && arrived) stampPainted(live);
  }

  // with a minus as wide as the plus
  function signed(text) {
    return text.replace(/^-(?=\d)/, "\u2212");
  }

  function figure(id, text) {
    put($(id), text);
    mark($(id), "glyphs", String(Math.min(6, Math.max(3, text.length))));
  }

  function drawSpeed(live, say) {
    const shown = live === null ? {} : live.shown;
    figure("speed", shown.speed || UNKNOWN);
    figure("hold", shown.hold || UNKNOWN);
    put($("high"), shown.high || UNKNOWN);
    put($("low"), shown.low || UNKNOWN);
    // with the boom off there is a speed to hold and no band
    mark($("at").parentElement, "band", shown.low === UNKNOWN && shown.hold !== UNKNOWN ? "none" : "some");
    for (const unit of document.querySelectorAll(".speed-unit")) put(unit, shown.speed_unit || "");
    place = live === null ? 0 : placed(live);
    mark($("now").parentElement, "place", String(place));
    const acts = say === "faster" || say === "slower";
    const off = acts || say === "hold" ? shown.off || UNKNOWN : "";
    // the arrow says the way; a sign would say the opposite of it
    figure("off-figure", acts ? off.replace(/^[+-]/, "") : signed(off));
  }

  // Where the left card stands: higher than the right one when it goes faster than that, in every state.
  // It leaves a place only a little beyond its border, so that it does not tremble.
  function placed({ advice, share, off_m_s, hold_m_s }) {
    if (advice === "slower") return 4;
    if (advice === "faster") return -4;
    if (share == null || advice === "stopped") {
      // there is no band: a tenth off is near
      return off_m_s == null || Math.abs(off_m_s) <= 0.1 * hold_m_s ? 0 : 4 * Math.sign(off_m_s);
    }
    const steps = share * 3.5;
    if (Math.abs(place) < 4 && Math.abs(steps - place) <= 0.85) return place;
    return Math.max(-3, Math.min(3, Math.round(steps)));
  }

  function drawWrong(live, is) {
    const wrong = (live === null ? null : live.wrong) || null;
    if (live !== null && !["stopped", "speed_unknown"].includes(live.advice)) warned = true;
    let kind = "none", words = "", more = "";
    if (is === "no_link") [kind, words] = ["know", "link lost, trying again"];
    else if (is === "no_data") [kind, words] = ["know", "no readings from the rig"];
    else if (wrong !== null) {
      kind = wrong.acknowledged ? "seen" : wrong.now ? "hand" : "know";
      words = wrong.words;
      more = wrong.more > 0 ? `+${wrong.more}` : "";
    } else if (feed.otherSoftware) [kind, words] = ["say", "stop: new software"];
    else if (!warned) [kind, words] = ["say", "Eyes on the ground"];
    mark($("wrong"), "kind", kind);
    put($("words"), words);
    mark($("wrong"), "long", words.length > 20 ? "yes" : "no");
    put($("more"), more);
  }

  function drawDose(live) {
    const shown = live === null ? {} : live.shown;
    put($("basis"), live === null ? "" : live.live ? BASIS[live.basis] || "" : "REPLAY");
    put($("rate"), shown.rate || UNKNOWN);
    put($("rate-unit"), shown.rate_unit || "");
    put($("rate-off"), signed(shown.rate_off || UNKNOWN));
    mark($("dose"), "long", $("dose").textContent.length > 23 ? "yes" : "no");
  }

  // Some phones' letters are wider than those the sizes were chosen for.
  function fitLetters() {
    const pen = document.createElement("canvas").getContext("2d");
    pen.font = `700 100px ${getComputedStyle(document.body).fontFamily}`;
    root.classList.toggle("wide", pen.measureText("SLOWER 0").width > 545);
  }

  // -- how long it took: with ?marks in the address, each message leaves a mark when it is on the glass ------

  const marks = new URLSearchParams(location.search).has("marks");
  const afterPaint = new MessageChannel();
  let painting = [];
  afterPaint.port1.onmessage = () => {
    for (const t_s of painting) performance.mark("glass", { detail: t_s });
    painting = [];
  };

  function stampPainted(live) {
    if (!marks) return;
    // the callback runs before the paint; a message posted from it comes after
    requestAnimationFrame(() => {
      painting.push(live.t_s);
      afterPaint.port2.postMessage(null);
    });
  }

  // -- light and dark -------------------------------------------------------------------------------------

  const dark = matchMedia("(prefers-color-scheme: dark)");
  const keep = {
    // private windows may refuse to keep anything
    get: (key) => { try { return localStorage.getItem(key); } catch { return null; } },
    set: (key, value) => { try { localStorage.setItem(key, value); } catch { /* then not */ } },
  };

  function theme() {
    const chosen = keep.get("theme") || (dark.matches ? "dark" : "light");
    mark(root, "theme", chosen);
    put($("theme-is"), chosen);
  }

  function otherTheme() {
    keep.set("theme", root.dataset.theme === "dark" ? "light" : "dark");
    mark(root, "theme", root.dataset.theme === "dark" ? "light" : "dark");
    put($("theme-is"), root.dataset.theme);
  }

  // -- tones: off until touched ----------------------------------------------------------------------------

  let audio = null; // { context, gain, tone } once it was switched on
  let sounding = "none";
  let again = 0; // timer of the next round

  function tonesTouched() {
    if (audio !== null) return tonesOff();
    const context = new AudioContext();
    const tone = new OscillatorNode(context, { type: "square", frequency: 1600 });
    const gain = new GainNode(context, { gain: 0 });
    tone.connect(gain).connect(context.destination);
    tone.start();
    audio = { context, gain, tone };
    context.onstatechange = tonesSay;
    context.resume().then(tonesSay, tonesSay);
    play(1600, [0.15]); // heard now: they work
    tonesSay();
  }

  function tonesOff() {
    clearTimeout(again);
    audio.context.onstatechange = null;
    audio.context.close();
    audio = null;
    sounding = "none";
    tonesSay();
  }

  function tonesSay() {
    const is = audio === null ? "off" : audio.context.state === "running" ? "on" : "no: touch";
    put($("tones-are"), is);
    $("tones").setAttribute("aria-pressed", String(is === "on"));
  }

  function play(hz, times) {
    const gain = audio.gain.gain;
    let at = audio.context.currentTime + 0.01;
    gain.cancelScheduledValues(0);
    audio.tone.frequency.setValueAtTime(hz, at);
    times.forEach((length, i) => {
      gain.setValueAtTime(i % 2 === 0 ? 0.8 : 0, at);
      at += length;
    });
    gain.setValueAtTime(0, at);
  }

  function sound(which) {
    if (audio === null || which === sounding) return;
    clearTimeout(again);
    audio.gain.gain.cancelScheduledValues(0);
    audio.gain.gain.setValueAtTime(0, audio.context.currentTime);
    sounding = which;
    repeat();
  }

  function repeat() {
    const pattern = RHYTHM[sounding];
    if (pattern === undefined) return;
    play(pattern.hz, pattern.times);
    again = setTimeout(repeat, 1000 * pattern.times.reduce((sum, length) => sum + length, 0));
  }

  // -- the screen stays on ---------------------------------------------------------------------------------

  // The wake lock exists only over https or on the device itself; over the rig's network by http there is
  // none. Then a film plays behind the page. The button says which of them it is, or that it is neither.
  let lock = null;
  const AWAKE = { lock: "yes", film: "by film", none: "no: touch", never: "no" };

  async function keepAwake(touch) {
    if (document.hidden) return;
    if (lock !== null || (await askLock())) return awakeSay("lock");
    if (await playFilm()) return awakeSay("film");
    awakeSay(touch === undefined ? "none" : "never");
  }

  async function askLock() {
    if (!("wakeLock" in navigator)) return false;
    try {
      lock = await navigator.wakeLock.request("screen");
    } catch {
      return false; // a battery saver may refuse
    }
    $("film").pause();
    lock.addEventListener("release", () => {
      lock = null;
      awakeSay("none");
      keepAwake();
    });
    return true;
  }

  async function playFilm() {
    const film = $("film");
    film.muted = true;
    if (!film.hasAttribute("src")) film.src = "/static/awake.mp4";
    try {
      await film.play();
      return true;
    } catch {
      return false; // without a touch some phones play nothing
    }
  }

  function filmEnded() {
    $("film").load();
    keepAwake();
  }

  function filmPaused() {
    if (lock === null) awakeSay("none");
  }

  function awakeSay(how) {
    mark($("awake"), "how", how);
    put($("awake-is"), AWAKE[how]);
  }

  // -- start -----------------------------------------------------------------------------------------------

  theme();
  fitLetters();
  feed.start();
  keepAwake();
  dark.addEventListener("change", theme);
  $("theme").addEventListener("click", otherTheme);
  $("tones").addEventListener("click", tonesTouched);
  $("awake").addEventListener("click", keepAwake);
  $("film").addEventListener("ended", filmEnded);
  $("film").addEventListener("pause", filmPaused);
  for (const back of ["visibilitychange", "resume"]) document.addEventListener(back, () => keepAwake());
  for (const back of ["pageshow", "online"]) addEventListener(back, () => keepAwake());
  addEventListener("resize", fitLetters);
})();
