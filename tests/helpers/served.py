"""A simulated run in the real pages, paced in real time, over and over: for working on the pages.

python -m tests.helpers.served [RECORDING RIG_FILE] [--port 8088] [--pace 1]
"""

# ruff: noqa: T201

import argparse
import sys
from pathlib import Path

from rigmon import config, daemon, replay
from rigmon.edge.bench import BenchSource
from rigmon.edge.hub import BenchClock, Hub
from rigmon.edge.pages import PagesLink
from rigmon.rig import Rig

DATA = Path(__file__).parents[2] / "rigmon" / "data"


def bench(rig: Rig, rig_toml: str, recording: Path, pace: float | None) -> tuple[Hub, BenchSource, PagesLink]:
    """What `daemon.run` needs to play a recording with pages."""
    clock = BenchClock()
    hub = Hub(clock)
    return hub, BenchSource(hub, clock, replay.recording(recording, rig), pace), PagesLink(rig, rig_toml, hub)


def with_web(rig_toml: str, port: int, more: str = "") -> str:
    """A rig file's text with pages at this port of this machine alone."""
    return f'{rig_toml}\n[web]\nenabled = true\naddress = "127.0.0.1"\nport = {port}\n{more}'


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("recording", nargs="?", type=Path, default=DATA / "demo.nmea")
    parser.add_argument("rig", nargs="?", type=Path, default=DATA / "demo.rig.toml")
    parser.add_argument("--port", type=int, default=8088)
    parser.add_argument("--pace", type=float, default=1.0)
    given = parser.parse_args()
    rig_toml = with_web(given.rig.read_text(encoding="utf-8"), given.port)
    rig = config.parse(rig_toml, str(given.rig))
    print(f"http://127.0.0.1:{given.port}/ and /crew; Ctrl-C ends it", flush=True)
    while True:
        hub, source, link = bench(rig, rig_toml, given.recording, given.pace)
        link.began("dev")
        outcome = daemon.run(rig, rig_toml, None, [source], hub, link, source_name="bench")
        if outcome.ended_why.startswith("stopped"):
            sys.exit()


if __name__ == "__main__":
    main()
