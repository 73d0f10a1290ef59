"""The report of an eight-hour, 10 Hz run log, from its file to the page.

`rigmon report` as a process of its own, its start and imports included: processor time, which is judged since
other programs on the machine do not count in it, wall time and peak memory. The log is simulated and replayed
onto once (one hour with --quick).
"""

import os
import subprocess
import sys
import time
from pathlib import Path
from typing import Final

from tests.benchmarks.harness import Figure
from tests.benchmarks.inputs import demo_rig_file, drive
from tests.benchmarks.replay_logged import replay_onto

GOAL_S: Final = 10.0
GOAL_MB: Final = 3.0


def run(quick: bool, folder: Path) -> list[Figure]:
    hours = 1 if quick else 8
    recording, log, page = folder / "long.nmea", folder / "long.sqlite", folder / "long.html"
    recording.write_bytes(drive(hours, 10, sentences=("RMC",)).recording_bytes())
    replay_onto(recording, demo_rig_file(folder), log, 10_000_000_000)
    recording.unlink()
    took = []
    for _ in range(3):
        page.unlink(missing_ok=True)
        took.append(_report(log, page))
    cpu_s, wall_s, kib = min(took)
    what = f"report of {hours} h at 10 Hz"
    return [
        Figure(f"{what}, processor time", cpu_s, "s", goal=GOAL_S, note="least of 3"),
        Figure(f"{what}, wall time", wall_s, "s"),
        Figure(f"{what}, peak memory", kib / 1024, "MiB"),
        Figure(f"{what}, page", page.stat().st_size / 1e6, "MB", goal=GOAL_MB),
    ]


#: the program, which says at its end how much memory it had at most [KiB]; wait4's figure would be the
#: larger of its own and this process's
_PROGRAM: Final = """
import atexit, pathlib, re
from rigmon.cli import main
status = pathlib.Path("/proc/self/status")
atexit.register(lambda: print(re.findall("VmHWM:\\s*(\\d+)", status.read_text())[0]))
main()
"""


def _report(log: Path, page: Path) -> tuple[float, float, int]:
    """Processor time [s], wall time [s] and peak resident memory [KiB] of one report."""
    before, begin_s = os.times(), time.perf_counter()
    ran = subprocess.run(
        [sys.executable, "-c", _PROGRAM, "report", str(log), "-o", str(page)],
        check=True, capture_output=True, text=True,
    )  # fmt: skip
    wall_s, after = time.perf_counter() - begin_s, os.times()
    cpu_s = after.children_user - before.children_user + after.children_system - before.children_system
    return cpu_s, wall_s, int(ran.stdout.split()[-1])
