"""Pages: the last byte of a sentence to ten followers of the feed, and what they cost the core.

A daemon in a process of its own (hub, serial port, run log on the disk, terminal and pages) reads a real
pseudo-terminal, to which whole epochs are written ten times a second, with a sample step of 0.1 s; another
process follows the feed over real connections on loopback. By the monotonic clock, which all share:

page    from just before the write of the RMC that closes a sample to that sample's event at each client
core    from that same write to the sample in the daemon's last feedback: one run, in which 20 clients come
        for three seconds and are gone for three, in turn; the median with them against the median without

The floor of the page is the core's own p99 in that run: what the daemon and the machine take before the pages
have heard of the sample.
"""

import json
import signal
import socket
import time
from itertools import pairwise
from pathlib import Path
from statistics import median
from typing import Final, NamedTuple

from rigmon.log.reader import RunLog
from rigmon.model import NmeaLine
from tests.benchmarks.epochs import epoch
from tests.benchmarks.harness import Figure, percentile
from tests.benchmarks.inputs import rig_toml
from tests.benchmarks.ports import Port, finish, start

GOAL_MS: Final = 150.0
GOAL_RATIO: Final = 1.10
CLIENTS: Final = 10
MANY: Final = 20
_HZ: Final = 10
_WARM_S: Final = 1.5
_PERIOD_S: Final = 3.0
#: after clients have come, and before they go, so much is left out
_SETTLED_NS: Final = 300_000_000


class Took(NamedTuple):
    core: list[tuple[int, float]]  #: (monotonic ns of the write, ms to its sample)
    page_ms: list[float]
    spans: list[tuple[int, int]]  #: when all clients were there, where they came and went


def run(quick: bool, folder: Path) -> list[Figure]:
    seconds = 8.0 if quick else 40.0
    followed = _measure(folder, "pages", CLIENTS, seconds)
    pages, floor = followed.page_ms, percentile([ms for _, ms in followed.core], 99)
    took = _measure(folder, "core", MANY, 30.0 if quick else 120.0, _PERIOD_S)
    spans = [(a + _SETTLED_NS, b - _SETTLED_NS) for a, b in took.spans]
    there = [ms for at, ms in took.core if any(a < at < b for a, b in spans)]
    gaps = [(b + 2 * _SETTLED_NS, a - 2 * _SETTLED_NS) for (_, b), (a, _) in pairwise(spans)]
    alone = [ms for at, ms in took.core if any(a < at < b for a, b in gaps)]
    with_ms, without_ms = median(there), median(alone)
    return [
        Figure(
            f"sentence to {CLIENTS} clients at {_HZ} Hz, p99",
            percentile(pages, 99),
            "ms",
            floor,
            goal=GOAL_MS,
            note=f"{len(pages)} events, median {median(pages):.2f} ms, worst {max(pages):.2f} ms",
        ),
        Figure(
            f"sentence to its sample, median, {MANY} clients against none",
            with_ms,
            "ms",
            without_ms,
            with_ms / without_ms,
            GOAL_RATIO,
            note=f"{len(there)} samples with, {len(alone)} without; p99 {percentile(there, 99):.2f} and "
            f"{percentile(alone, 99):.2f} ms; clients came {len(spans)} times",
        ),
    ]


def _measure(folder: Path, name: str, clients: int, seconds: float, period_s: float | None = None) -> Took:
    port, number = Port(), free_port()
    rig_file, log_path, times_path, events_path = (
        folder / f"{name}.{end}" for end in ("toml", "sqlite", "json", "events.json")
    )
    rig_file.write_text(rig_toml(port.name, web_toml(number)), encoding="utf-8")
    daemon = start(["-m", "tests.benchmarks.live_child", str(rig_file), str(log_path), str(times_path)])
    following = None
    try:
        wait_for(number)
        arguments = ["-m", "tests.benchmarks.pages_clients", str(number), str(clients), str(events_path)]
        following = start([*arguments, *([] if period_s is None else [str(period_s)])])
        assert following.stdout is not None
        if following.stdout.readline() != "READY\n":
            raise RuntimeError("the clients did not come up")
        sent = feed(port, seconds + _WARM_S)
        time.sleep(0.5)
        daemon.send_signal(signal.SIGTERM)
        finish(daemon)
        finish(following)
    finally:
        for process in (daemon, following):
            if process is not None:
                process.kill()
                process.wait()
        port.close()
    stamped = _stamped(sent, log_path)
    times = json.loads(times_path.read_text(encoding="ascii"))
    core = [(stamped[t], (out - stamped[t]) / 1e6) for out, t in times["samples"] if t in stamped]
    by_s = {t_ns / 1e9: at_ns for t_ns, at_ns in stamped.items()}
    events = json.loads(events_path.read_text(encoding="ascii"))
    if period_s is not None:
        return Took(core, [], events)
    page = [(came - by_s[t_s]) / 1e6 for came, t_s in events if t_s in by_s]
    if len(core) < 5 * seconds or len(page) < 5 * seconds * clients:
        raise RuntimeError(f"{len(core)} samples and {len(page)} events are too few")
    return Took(core, page, [])


def web_toml(number: int) -> str:
    return (
        f'\n[web]\nenabled = true\naddress = "127.0.0.1"\nport = {number}\nmax_clients = {MANY + 4}\n'
        '\n[sample]\nstep = "0.1 s"\n'
    )


def free_port() -> int:
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        number: int = sock.getsockname()[1]
        return number


def wait_for(number: int, patience_s: float = 30.0) -> None:
    """Until somebody listens there."""
    end_s = time.monotonic() + patience_s
    while time.monotonic() < end_s:
        with socket.socket() as sock:
            if sock.connect_ex(("127.0.0.1", number)) == 0:
                return
        time.sleep(0.02)
    raise RuntimeError("the pages' process did not come up")


def feed(port: Port, seconds: float) -> list[tuple[int, bytes]]:
    """Write epochs at their pace: (when, RMC) of each."""
    sent = []
    begin_s = time.monotonic()
    for k in range(round(_HZ * seconds)):
        time.sleep(max(0.0, begin_s + k / _HZ - time.monotonic()))
        for sentence in epoch(k, _HZ):
            at_ns = port.send(sentence)
            if sentence[3:6] == b"RMC":
                sent.append((at_ns, sentence.strip()))
    return sent


def _stamped(sent: list[tuple[int, bytes]], log_path: Path) -> dict[int, int]:
    """The daemon's stamp of each RMC -> when it was written, without the warm-up."""
    warm_ns = sent[0][0] + round(_WARM_S * 1e9)
    with RunLog.open(log_path) as log:
        stamps = {
            reading.payload.raw: reading.t_ns
            for reading in log.readings()
            if isinstance(reading.payload, NmeaLine)
        }
    return {stamps[raw]: at_ns for at_ns, raw in sent if at_ns > warm_ns and raw in stamps}
