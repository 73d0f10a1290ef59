"""Live: the last byte of a sentence to the figure on the glass of a browser, at 10 Hz with 10 clients.

`rigmon run` with its pages reads a real pseudo-terminal, to which whole epochs are written ten times a
second, sentence by sentence, with a sample step of 0.1 s. A headless Chromium shows the driver's page; nine
more clients read the feed. The clock starts just before the write of the RMC that closes a sample. It stops
when the page has painted the frame with that sample: it leaves a mark then (?marks in its address). The
clocks are set against each other over the browser's debugging connection, to half of its fastest round trip.

The browser draws 60 frames a second, so up to 17 ms of it are the wait for the next frame. It shares the
machine's processors with the daemon, the writer and the other clients, which a phone does not.
"""

import os
import signal
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from statistics import median
from typing import Any, Final

from rigmon.log.reader import RunLog
from rigmon.model import NmeaLine
from tests.benchmarks.epochs import SPEED_M_S, epoch
from tests.benchmarks.harness import Figure, percentile
from tests.benchmarks.inputs import rig_toml
from tests.benchmarks.ports import RIGMON, Port, finish, start

GOAL_MS: Final = 150.0
HZ: Final = 10
_OTHERS: Final = 9
_WARM_S: Final = 3.0
CHROMIUM: Final = Path("/usr/bin/chromium")


def run(quick: bool, folder: Path) -> list[Figure]:
    if not CHROMIUM.exists():
        raise RuntimeError(f"there is no Chromium at {CHROMIUM} (apt install chromium)")
    port = Port()
    number = _free_port()
    rig_file, log_path = folder / "rig.toml", folder / "run.sqlite"
    web = f'\n[web]\nenabled = true\naddress = "127.0.0.1"\nport = {number}\n\n[sample]\nstep = "0.1 s"\n'
    rig_file.write_text(rig_toml(port.name, web), encoding="utf-8")
    child = start([*RIGMON, "run", "--rig", str(rig_file), "--log", str(log_path)])
    try:
        _listening(number)
        with _followers(number), _page(number) as page:
            sent = _pace(port, 15.0 if quick else 120.0)
            time.sleep(0.5)
            round_trip_ms, marks = _marks(page)
        child.send_signal(signal.SIGTERM)
        finish(child)
    finally:
        child.kill()
        child.wait()
        port.close()
    took = _took(sent, log_path, marks)
    note = f"{len(took)} of them, median {median(took):.1f} ms, worst {max(took):.1f} ms; clocks to within "
    note += f"{round_trip_ms / 2:.1f} ms"
    return [
        Figure(f"{HZ} Hz, closing fix to the glass, p50", percentile(took, 50), "ms", note=note),
        Figure(f"{HZ} Hz, closing fix to the glass, p99", percentile(took, 99), "ms", goal=GOAL_MS),
    ]


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _listening(number: int) -> None:
    """Wait until the pages are served."""
    until_s = time.monotonic() + 20
    while True:
        try:
            socket.create_connection(("127.0.0.1", number), 1).close()
        except OSError:
            if time.monotonic() > until_s:
                raise
            time.sleep(0.1)
        else:
            return


@contextmanager
def _followers(number: int) -> Iterator[None]:
    """Further clients that take everything the feed sends."""
    feeds = []
    for _ in range(_OTHERS):
        feed = socket.create_connection(("127.0.0.1", number))
        feed.sendall(f"GET /feed HTTP/1.1\r\nHost: 127.0.0.1:{number}\r\n\r\n".encode())
        threading.Thread(target=_drain, args=(feed,), daemon=True).start()
        feeds.append(feed)
    yield
    for feed in feeds:
        feed.shutdown(socket.SHUT_RDWR)
        feed.close()


def _drain(feed: socket.socket) -> None:
    try:
        while feed.recv(65536):
            pass
    except OSError:
        pass


@contextmanager
def _page(number: int) -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    sandbox = ["--no-sandbox"] if os.geteuid() == 0 else []
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=str(CHROMIUM), args=[*sandbox, "--disable-gpu"])
        page = browser.new_page(viewport={"width": 360, "height": 640})
        page.goto(f"http://127.0.0.1:{number}/?marks")
        yield page
        browser.close()


def _pace(port: Port, seconds: float) -> list[tuple[int, bytes]]:
    """Write epochs in real time: (monotonic ns just before, sentence)."""
    sent = []
    begin_s = time.monotonic()
    for k in range(round(HZ * (seconds + _WARM_S))):
        time.sleep(max(0.0, begin_s + k / HZ - time.monotonic()))
        # a figure that changes each time: the page has something to paint
        speed_m_s = SPEED_M_S * (1.0 + 0.05 * (k // 5 % 2))
        sent += [(port.send(sentence), sentence) for sentence in epoch(k, HZ, speed_m_s)]
    return sent


def _marks(page: Any) -> tuple[float, dict[int, int]]:
    """Round trip to the page [ms], and stamp of a sample -> monotonic ns when it was painted."""
    best, offset = 1e9, 0.0
    for _ in range(100):
        before = time.monotonic_ns()
        page_ms = page.evaluate("performance.now()")
        after = time.monotonic_ns()
        if after - before < best:
            best, offset = after - before, (before + after) / 2 - page_ms * 1e6
    found = page.evaluate("performance.getEntriesByName('glass').map(mark => [mark.detail, mark.startTime])")
    return best / 1e6, {round(t_s * 1e9): round(ms * 1e6 + offset) for t_s, ms in reversed(found)}


def _took(sent: list[tuple[int, bytes]], log_path: Path, marks: dict[int, int]) -> list[float]:
    """Milliseconds from the write of a closing RMC to its sample on the glass, without the warm-up.

    Raises RuntimeError where too few can be told.
    """
    with RunLog.open(log_path) as log:
        stamps = [(r.t_ns, r.payload.raw) for r in log.readings() if isinstance(r.payload, NmeaLine)]
    count = min(len(stamps), len(sent))
    pairs = list(zip(sent[-count:], stamps[-count:], strict=True))
    if count < len(sent) / 2 or any(s[1].strip() != raw for s, (_, raw) in pairs):
        raise RuntimeError("the run log does not hold what was sent")
    warm_ns = sent[0][0] + round(_WARM_S * 1e9)
    first_sent = {t_ns: s[0] for s, (t_ns, _) in reversed(pairs) if s[0] > warm_ns}
    took = [(painted - first_sent[t_ns]) / 1e6 for t_ns, painted in marks.items() if t_ns in first_sent]
    if len(took) < 50:
        raise RuntimeError(f"only {len(took)} samples were seen on the glass of {len(marks)} marks")
    return took
