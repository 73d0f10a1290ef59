// Follows the rig's feed, and knows whether what it last said is still true: nothing is, a second after
// silence. It comes back by itself, whatever ended the connection.

const WATCH_MS = 50; // how often silence is looked for
const SILENCE_MS = 900; // no event of any kind (a beat is due every 250 ms), or no reading
const OVERDUE_MS = 250; // a slow receiver's reading may be so much later than usual
const LONGEST_MS = 1350; // but nothing is shown for longer than this without a new one
const RETRY_MS = 1000; // between attempts to connect
const CONNECT_MS = 3000; // an attempt that takes longer is given up for a new one

const now = () => performance.now(); // monotonic: the phone's clock may be set while we look

// `url()` gives where to ask, anew for each attempt; `take` has a function for each kind of event that is
// used beside `now` and `beat`; `draw(feed)` is called whenever something may have changed. Begins with `start`.
export function follow({ url, take, draw }) {
  let source = null; // the EventSource, or null between attempts
  let message = null; // the newest `now` of this connection
  let beat = null; // the newest `beat` of this connection
  let beatAt = 0;
  let messageAt = 0;
  let heardAt = 0; // any event
  let retryAt = 0;
  let watchedAt = now();
  let gaps = [1000, 1000, 1000, 1000, 1000]; // between the newest messages [ms]: what this receiver is used to
  let software = null;

  const feed = {
    otherSoftware: false, // the rig has meanwhile been given another
    // "live", "no_data" or "no_link"
    get state() {
      if (document.hidden || source === null || beat === null || now() - heardAt > SILENCE_MS) return "no_link";
      const age = typeof beat.age_ms === "number" ? beat.age_ms + now() - beatAt : Infinity;
      const silent = message === null || now() - messageAt > patience() || age > patience();
      return silent || !beat.connected ? "no_data" : "live";
    },
    get message() { return message; },
  };

  function open() {
    close();
    heardAt = now();
    source = new EventSource(url());
    const mine = source; // events of a connection that was given up are not ours any more
    const on = (name, taken) => mine.addEventListener(name, (event) => {
      if (mine === source) hear(taken, event.data);
    });
    on("now", takeNow);
    on("beat", takeBeat);
    for (const [name, taken] of Object.entries(take)) on(name, taken);
    // EventSource itself gives up for good on an HTTP error; so each error ends it, and we try again
    mine.addEventListener("error", () => {
      if (mine === source) retryLater();
    });
  }

  function close() {
    if (source !== null) source.close();
    source = message = beat = null;
  }

  function retryLater() {
    close();
    retryAt = now() + RETRY_MS;
    draw(feed);
  }

  function hear(taken, data) {
    const at = now();
    // We were held up, or the network was: what comes now may have waited for long. Only a new connection
    // is sure to bring what is new.
    if (at - watchedAt > SILENCE_MS || (beat !== null && at - heardAt > SILENCE_MS)) open();
    else {
      heardAt = at;
      taken(JSON.parse(data), at);
    }
    draw(feed);
  }

  function takeNow(newest, at) {
    // what this page does not understand is no reading
    if (typeof newest.advice !== "string" || typeof (newest.shown || 0) !== "object") newest = null;
    if (message !== null) gaps = [...gaps.slice(1), at - messageAt];
    message = newest;
    messageAt = at;
  }

  function takeBeat(newest, at) {
    beat = newest;
    beatAt = at;
    if (newest.software === undefined) return;
    if (software !== null && software !== newest.software) feed.otherSoftware = true;
    software = newest.software;
  }

  // How long a reading may be under way: what is usual for this receiver and a little more.
  function patience() {
    const usual = [...gaps].sort((a, b) => a - b)[2];
    return Math.min(LONGEST_MS, Math.max(SILENCE_MS, usual + OVERDUE_MS));
  }

  function watch() {
    const at = now();
    const held = at - watchedAt > SILENCE_MS;
    watchedAt = at;
    if (document.hidden) return;
    if (source === null) {
      if (at >= retryAt) open();
    } else if (held || at - heardAt > (beat === null ? CONNECT_MS : SILENCE_MS)) {
      open(); // silent: a new connection comes back sooner than an old one that has lost packets
    }
    draw(feed);
  }

  // What is hidden is blanked before it is hidden, so that no old figure is there when it is seen again.
  function hide() {
    close();
    draw(feed);
  }

  function show() {
    if (document.hidden) return;
    watchedAt = now();
    open();
    draw(feed);
  }

  document.addEventListener("visibilitychange", () => (document.hidden ? hide() : show()));
  document.addEventListener("freeze", hide);
  document.addEventListener("resume", show);
  addEventListener("pagehide", hide);
  addEventListener("pageshow", (event) => event.persisted && show());
  addEventListener("online", show);
  feed.start = () => {
    setInterval(watch, WATCH_MS);
    show();
  };
  feed.again = open; // from the start: what came does not fit what is there
  return feed;
}
