"""Pages: four hours at 10 Hz, forty times as fast, with both pages open: does memory stay flat?

A simulated run goes through the real daemon (hub, core, run log, link) into the pages' real process. Headless
Chromium has the driver's page and the crew's open; one client follows the feed, and another asks for it and
never reads: it is cut off, and a new one takes its place. So paced every sample comes to the pages' process,
and of those that come together a page is sent the newest; flat out, the link would leave most of them out, as
it is made to. What is measured after the first hour (by then every library is loaded and caches are full) is
the slope of a line through it, per hour of the run:

daemon    resident memory of the daemon's process
pages     proportional set size of the pages' process; the map that it keeps is part of it
tab       JavaScript's heap after its garbage was collected, of each page; and its nodes and listeners
glass     the map of all of it drawn anew, ten times, on this machine without a graphics processor
"""

import http.client
import json
import re
import socket
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from statistics import linear_regression, median
from typing import Any, Final, NamedTuple

from tests.benchmarks.glass_latency import CHROMIUM
from tests.benchmarks.harness import Figure
from tests.benchmarks.inputs import demo_toml, drive
from tests.benchmarks.pages_cost import _pss_mib
from tests.benchmarks.pages_latency import free_port
from tests.benchmarks.ports import finish, start, status_kib
from tests.helpers.served import with_web

HOURS: Final = 4.0
HZ: Final = 10
PACE: Final = 40.0
#: MiB per hour of run: ten hours at it would cost a board of 512 MiB less than a fiftieth. Over a short time
#: one block of memory more makes the line steep: twice that for --quick
GOAL_MIB_PER_H: Final = 1.0
#: nodes and listeners come and go with alerts; a leak of one a second would be 3600 an hour
GOAL_PER_H: Final = 100.0
#: [h]
_WARM: Final = 1.0

# Counts what reaches the page, whatever connection it comes over.
_COUNT: Final = """
  window.heard = 0;
  const Plain = EventSource;
  window.EventSource = class extends Plain {
    constructor(...given) { super(...given); this.addEventListener("now", () => { window.heard += 1; }); }
  };
"""


class Mark(NamedTuple):
    """What was measured at a time of the run."""

    hour: float
    daemon_mib: float
    pages_mib: float
    tabs: dict[str, "Tab"]


class Tab(NamedTuple):
    heap_mib: float
    nodes: float
    listeners: float


def run(quick: bool, folder: Path) -> list[Figure]:
    if not CHROMIUM.exists():
        raise RuntimeError(f"there is no Chromium at {CHROMIUM} (apt install chromium)")
    hours = 1.75 if quick else HOURS
    number = free_port()
    recording, rig_file = folder / "soak.nmea", folder / "soak.toml"
    simulation = drive(hours, HZ)
    recording.write_bytes(simulation.recording_bytes())
    del simulation
    rig_file.write_text(with_web(demo_toml(), number, '[sample]\nstep = "0.1 s"\n'), encoding="utf-8")
    arguments = [str(recording), str(rig_file), str(folder / "soak.sqlite"), str(PACE)]
    daemon = start(["-m", "tests.benchmarks.soak_daemon", *arguments])
    try:
        assert daemon.stdout is not None
        said = daemon.stdout.readline().split()
        if said[:1] != ["READY"]:
            raise RuntimeError(f"the daemon did not start: {daemon.stderr and daemon.stderr.read()[-2000:]}")
        pages = int(said[1])
        _answers(number)
        with _reader(number) as read, _never_reads(number) as renew, _tabs(number) as tabs:
            marks = list(_marks(daemon.pid, pages, number, tabs, renew, hours))
            heard = {name: int(page.evaluate("window.heard")) for name, (page, _) in tabs.items()}
            points, drawn_ms = _draw(number, next(iter(tabs.values()))[0].context.browser)
            samples = read[0]
        skipped, starts, readings = json.loads(finish(daemon).splitlines()[-1])
    finally:
        daemon.kill()
        daemon.wait()
    note = f"{readings} readings; {samples} samples came to the feed's reader, "
    note += ", ".join(f"{n} to the {name} page" for name, n in heard.items())
    note += f"; left out by the link: {skipped}; starts of the pages: {starts}"
    return [
        *_figures(marks, note, 2 * GOAL_MIB_PER_H if quick else GOAL_MIB_PER_H),
        Figure(
            f"map of {points} points drawn anew, median",
            median(drawn_ms),
            "ms",
            note=f"slowest of {len(drawn_ms)}: {max(drawn_ms):.1f} ms",
        ),
    ]


def _figures(marks: Sequence[Mark], note: str, goal_mib_per_h: float) -> list[Figure]:
    warm = [mark for mark in marks if mark.hour >= _WARM]
    hours = [mark.hour for mark in warm]

    def slope(what: str, values: list[float], unit: str, goal: float, note: str = "") -> Figure:
        per_h = linear_regression(hours, values).slope
        first_last = f"{values[0]:.2f} at {hours[0]:.2f} h, {values[-1]:.2f} at {hours[-1]:.2f} h"
        return Figure(
            f"growth of {what}",
            per_h,
            f"{unit}/h",
            goal=goal,
            note="; ".join(filter(None, (first_last, note))),
        )

    figures = [
        slope("the daemon", [mark.daemon_mib for mark in warm], "MiB", goal_mib_per_h, note),
        slope("the pages' process", [mark.pages_mib for mark in warm], "MiB", goal_mib_per_h),
    ]
    for name in warm[0].tabs:
        tabs = [mark.tabs[name] for mark in warm]
        figures += [
            slope(f"the {name} page's heap", [tab.heap_mib for tab in tabs], "MiB", goal_mib_per_h),
            slope(f"the {name} page's nodes", [tab.nodes for tab in tabs], "1", GOAL_PER_H),
            slope(f"the {name} page's listeners", [tab.listeners for tab in tabs], "1", GOAL_PER_H),
        ]
    return figures


def _marks(
    daemon: int, pages: int, number: int, tabs: dict[str, tuple[Any, Any]], renew: Any, hours: float
) -> Iterator[Mark]:
    """One in about six minutes of the run, until a little before its end."""
    step = hours / 40
    due = step
    while due < hours * 0.97:
        hour = (json.loads(_get(number, "/api/now"))["t_s"] or 0.0) / 3600
        if hour < due:
            next(iter(tabs.values()))[0].wait_for_timeout(200)
            continue
        renew()
        measured = {name: _tab(session) for name, (_, session) in tabs.items()}
        yield Mark(hour, status_kib(daemon, "VmRSS") / 1024, _pss_mib(pages), measured)
        due = hour + step


def _tab(session: Any) -> Tab:
    session.send("HeapProfiler.collectGarbage")
    found = {one["name"]: one["value"] for one in session.send("Performance.getMetrics")["metrics"]}
    return Tab(found["JSHeapUsedSize"] / 2**20, found["Nodes"], found["JSEventListeners"])


@contextmanager
def _tabs(number: int) -> Iterator[dict[str, tuple[Any, Any]]]:
    """Both pages in tabs of their own: their page and a session for debugging it."""
    from tests.web.browser import Watched, chromium

    with chromium() as browser:
        watched = {
            "driver": Watched(browser, f"http://127.0.0.1:{number}/"),
            "crew": Watched(browser, f"http://127.0.0.1:{number}/crew", width=800, height=900),
        }
        tabs = {}
        for name, one in watched.items():
            one.page.add_init_script(_COUNT)
            one.open()
            session = one.context.new_cdp_session(one.page)
            session.send("Performance.enable")
            session.send("HeapProfiler.enable")
            tabs[name] = one.page, session
        yield tabs
        faults = [fault for one in watched.values() for fault in one.faults]
        if faults:
            raise RuntimeError(f"the pages complained: {faults[:5]}")


def _draw(number: int, browser: Any) -> tuple[int, list[float]]:
    """(points of the map, ms of ten draws of all of it) in a tab of its own, in which draws leave marks."""
    page = browser.new_page(viewport={"width": 800, "height": 900})
    page.goto(f"http://127.0.0.1:{number}/crew?marks")
    entries = "performance.getEntriesByName('map-frame').map((mark) => mark.detail)"
    lowest = json.loads(_get(number, "/api/track"))["n"]
    page.wait_for_function(f"() => {entries}.some((one) => one.points >= {lowest})", timeout=60_000)
    page.evaluate("performance.clearMarks()")
    page.locator("canvas").first.focus()
    for k in range(10):
        page.keyboard.press("+" if k % 2 == 0 else "-")
        page.wait_for_function(f"() => {entries}.filter((one) => one.all).length > {k}", timeout=30_000)
    drawn = [one for one in page.evaluate(entries) if one["all"]]
    page.close()
    return drawn[-1]["points"], [one["ms"] for one in drawn]


@contextmanager
def _reader(number: int) -> Iterator[list[int]]:
    """One that takes all of the feed: a list with how many samples it was told of."""
    feed = socket.create_connection(("127.0.0.1", number))
    feed.sendall(f"GET /feed HTTP/1.1\r\nHost: 127.0.0.1:{number}\r\n\r\n".encode())
    heard = [0]

    def take() -> None:
        rest = b""
        with suppress(OSError):
            while data := feed.recv(1 << 20):
                *lines, rest = (rest + data).split(b"\n")
                heard[0] += sum(line == b"event: now" for line in lines)

    thread = threading.Thread(target=take, daemon=True)
    thread.start()
    yield heard
    with suppress(OSError):
        feed.shutdown(socket.SHUT_RDWR)
    thread.join()
    feed.close()


@contextmanager
def _never_reads(number: int) -> Iterator[Any]:
    """A function that puts another client that never reads into the place of the one before."""
    held: list[socket.socket] = []

    def renew() -> None:
        while held:
            held.pop().close()
        sock = socket.socket()
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        sock.connect(("127.0.0.1", number))
        sock.sendall(f"GET /feed HTTP/1.1\r\nHost: 127.0.0.1:{number}\r\n\r\n".encode())
        held.append(sock)

    renew()
    yield renew
    while held:
        held.pop().close()


def _answers(number: int) -> None:
    until_s = time.monotonic() + 30
    while True:
        try:
            _get(number, "/api/now")
        except OSError:
            if time.monotonic() > until_s:
                raise
            time.sleep(0.1)
        else:
            return


def _get(number: int, path: str) -> bytes:
    connection = http.client.HTTPConnection("127.0.0.1", number, timeout=30.0)
    try:
        connection.request("GET", path)
        answer = connection.getresponse()
        body = answer.read()
    finally:
        connection.close()
    if answer.status != 200:
        raise RuntimeError(
            f"{path} was answered with {answer.status}: {re.sub(rb'[^ -~]', b'?', body[:200])!r}"
        )
    return body
