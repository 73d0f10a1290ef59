"""Replay of a long recording, flat out: decode, estimate, alerts, samples.

Subject: what `rigmon replay` does, from the files to the last sample, everything kept. Floor: pynmea2.parse
and reading the fields used, alone, on the same sentences, in memory. Processor time of one process; every
sentence of the recording counts, those of the GPS (RMC, VTG, GGA) and of the sensors (XDR) alike.
"""

from collections.abc import Callable
from pathlib import Path
from typing import Final

from rigmon.replay import Opened
from tests.benchmarks.floors import parse_and_read, parse_and_read_what_can_be
from tests.benchmarks.harness import Figure, Rounds, take_turns, timed
from tests.benchmarks.inputs import demo_rig_file, drive, gps_rig_file, real_path, real_sentences

GOAL: Final = 1.6
#: long ones of a boat: at 1 Hz, so that each RMC closes a sample; and between many other instruments
_REAL: Final = ("avnav--20130801.nmea", "boat-a-2014.nmea")


def run(quick: bool, folder: Path) -> list[Figure]:
    rounds = 3 if quick else 7
    figures = []
    for hz in (5, 10):
        simulation = drive(0.3 if quick else 0.9, hz)
        path = folder / f"replay_{hz}_hz.nmea"
        path.write_bytes(simulation.recording_bytes())
        sentences = [line.decode() for line in simulation.lines]
        took = _measure(path, demo_rig_file(folder), sentences, rounds)
        figures.append(took.figure(f"replay, {hz} Hz, {len(sentences)} sentences", "s", GOAL))
    for name in _REAL[:1] if quick else _REAL:
        found = real_sentences(name)
        if found is None:
            print(f"   no recording at {real_path(name)}: left out")
            continue
        took = _measure(real_path(name), gps_rig_file(folder), found, 3, parse_and_read_what_can_be)
        what = f"replay, real {name}, {len(found)} lines"
        figures.append(took.figure(what, "s", None, "floor: what pynmea2 cannot read is skipped"))
    return figures


def _measure(
    path: Path,
    rig_file: Path,
    sentences: list[str],
    rounds: int,
    read: Callable[[list[str]], None] = parse_and_read,
) -> Rounds:
    def subject() -> object:
        with Opened(path, rig_file) as opened:
            return opened.replay()

    return take_turns(timed(subject), timed(lambda: read(sentences)), rounds)
