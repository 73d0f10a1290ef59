"""Pages: what they take of the memory, and what a phone has to load.

memory   the proportional set size (what is shared is counted by halves) of `rigmon run` with its pages and of
         their process together, ten clients following, less that of `rigmon run` without pages; after the
         metrics were read once, which loads their library
day      the same of the pages' process alone, fed flat out with the samples of a day of passes at 10 Hz while
         two clients follow: what it has grown by from the first twelfth of the day to its end
weight   every byte that the driver's page, or the crew's, loads: itself, its style, script and pictures
"""

import http.client
import json
import os
import re
import signal
import time
from collections.abc import Iterator
from pathlib import Path
from statistics import median
from typing import Final

from rigmon.model import Sample
from rigmon.web.static_files import PAGES, table
from tests.benchmarks.harness import Figure
from tests.benchmarks.inputs import rig_toml
from tests.benchmarks.pages_latency import CLIENTS, feed, free_port, wait_for, web_toml
from tests.benchmarks.ports import RIGMON, Port, finish, start
from tests.helpers.pages import Child

GOAL_MIB: Final = 30.0
GOAL_KB: Final = 100.0
GOAL_DAY_MIB: Final = 4.0
_HZ: Final = 10


def run(quick: bool, folder: Path) -> list[Figure]:
    seconds, rounds = (4.0, 1) if quick else (15.0, 3)
    extra, child, weights = [], [], {}
    for k in range(rounds):
        without, _, _ = _measure(folder, f"without_{k}", False, seconds)
        alone, own, weights = _measure(folder, f"with_{k}", True, seconds)
        extra.append(alone + own - without)
        child.append(own)
    note = f"their process {median(child):.1f} MiB; rounds {', '.join(f'{mib:.1f}' for mib in extra)}"
    figures = [Figure("memory that pages take", median(extra), "MiB", goal=GOAL_MIB, note=note)]
    figures.append(_day(0.5 if quick else 10.0, folder))
    for page, kb in weights.items():
        figures.append(Figure(f"weight of {page}", kb, "kB", goal=GOAL_KB))
    return figures


def _measure(folder: Path, name: str, pages: bool, seconds: float) -> tuple[float, float, dict[str, float]]:
    """(PSS of the daemon, PSS of the pages' process [MiB], weight of each page [kB])."""
    port, number = Port(), free_port()
    rig_file = folder / f"{name}.toml"
    extra = web_toml(number) if pages else '\n[sample]\nstep = "0.1 s"\n'
    rig_file.write_text(rig_toml(port.name, extra), encoding="utf-8")
    environment = os.environ.get("XDG_RUNTIME_DIR")
    os.environ["XDG_RUNTIME_DIR"] = str(folder)
    daemon = start([*RIGMON, "run", "--rig", str(rig_file), "--log", str(folder / f"{name}.sqlite")])
    if environment is None:
        del os.environ["XDG_RUNTIME_DIR"]
    else:
        os.environ["XDG_RUNTIME_DIR"] = environment
    following = None
    weights: dict[str, float] = {}
    own = 0.0
    try:
        if pages:
            wait_for(number)
            events = str(folder / f"{name}.events.json")
            following = start(["-m", "tests.benchmarks.pages_clients", str(number), str(CLIENTS), events])
            assert following.stdout is not None
            following.stdout.readline()
        feed(port, seconds)
        if pages:
            _get(number, "/metrics")
            weights = {page: _weight(number, page) for page in PAGES if page in table()}
            time.sleep(0.5)
            child = json.loads((folder / "rigmon" / f"pair-{number}.json").read_text())["pid"]
            own = _pss_mib(child)
        alone = _pss_mib(daemon.pid)
        daemon.send_signal(signal.SIGTERM)
        finish(daemon)
        if following is not None:
            finish(following)
    finally:
        for process in (daemon, following):
            if process is not None:
                process.kill()
                process.wait()
        port.close()
    return alone, own, weights


def _day(hours: float, folder: Path) -> Figure:
    """Passes of 200 m at 1.5 m/s and their turns, on the demo's rig."""
    number = free_port()
    rig = rig_toml("/dev/null", web_toml(number))
    child = Child(rig, folder).ready()
    events = str(folder / "day.events.json")
    following = start(["-m", "tests.benchmarks.pages_clients", str(number), "2", events])
    try:
        assert following.stdout is not None
        following.stdout.readline()
        child.send({"k": "begin", "run": "day", "started_utc": None, "o": []})
        count = round(hours * 3600 * _HZ)
        marks = []
        for k, one in enumerate(_passes(count)):
            child.publish(one)
            if k in (count // 12, count - 1):
                _read_up_to(number, one.t_ns / 1e9)
                marks.append(_pss_mib(child.process.pid))
        points = json.loads(_get(number, "/api/track"))["n"]
        child.hang_up()
        finish(following)
    finally:
        child.close()
        following.kill()
        following.wait()
    first, last = marks
    return Figure(
        f"growth of the pages' process in a day of {hours:g} h",
        last - first,
        "MiB",
        goal=GOAL_DAY_MIB,
        note=f"from {first:.1f} to {last:.1f} MiB; {count} samples, {points} points of the map",
    )


def _passes(count: int) -> Iterator[Sample]:
    """Samples up and down a field, 6 m from pass to pass, the boom off for the last and first 10 m."""
    per_deg = 111_195.0
    for k in range(count):
        way = 1.5 * k / _HZ
        lap, along = divmod(way, 200.0)
        north = along if lap % 2 == 0 else 200.0 - along
        on = 10.0 <= along <= 190.0
        yield Sample(
            (k + 1) * 1_000_000_000 // _HZ, 1_000_000_000 // _HZ, 40.0 + north / per_deg,
            -40.0 + 6.0 * lap / per_deg, 0.0 if lap % 2 == 0 else 180.0, 1.5, 0.03, 9.0 if on else 0.0, 275.0,
            int(on), 160.0 if on else None, 5.0, 1, 0.15, 0.9 if on else 0.0,
            (0.014 + 0.002 * (k // 100 % 3)) if on else 0.0, 0,
        )  # fmt: skip


def _read_up_to(number: int, t_s: float) -> None:
    """Until the process has taken the sample of that stamp."""
    while (json.loads(_get(number, "/api/now"))["t_s"] or 0.0) < t_s:
        time.sleep(0.02)


def _pss_mib(pid: int) -> float:
    text = Path(f"/proc/{pid}/smaps_rollup").read_text(encoding="ascii")
    found = re.search(r"^Pss: +(\d+) kB", text, re.MULTILINE)
    if found is None:
        raise RuntimeError(f"/proc/{pid}/smaps_rollup has no Pss")
    return int(found[1]) / 1024


def _get(number: int, path: str) -> bytes:
    connection = http.client.HTTPConnection("127.0.0.1", number, timeout=30.0)
    connection.request("GET", path)
    answer = connection.getresponse()
    body = answer.read()
    connection.close()
    if answer.status != 200:
        raise RuntimeError(f"{path} was answered with {answer.status}")
    return body


def _weight(number: int, page: str) -> float:
    """What is loaded, followed through the texts by its address [kB]."""
    loaded: dict[str, int] = {}
    waiting = [page]
    while waiting:
        path = waiting.pop()
        if path in loaded:
            continue
        body = _get(number, path)
        loaded[path] = len(body)
        if not path.endswith((".mp4", ".png", ".woff2")):
            text = body.decode("utf-8")
            waiting += re.findall(r"[\"'(](/static/[A-Za-z0-9_.-]+)[\"')]", text)
            waiting += [f"/static/{name}" for name in re.findall(r"[\"'(]\./([A-Za-z0-9_.-]+)[\"')]", text)]
    return sum(loaded.values()) / 1000
