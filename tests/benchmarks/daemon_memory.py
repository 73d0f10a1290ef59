"""Peak resident memory of the daemon, and whether it stays flat over a day.

Peak: VmHWM of a real `rigmon run` on a pseudo-terminal at 10 Hz, run log and terminal lines on, from start
to a clean stop. Floor: VmHWM of a bare Python that has imported pyserial, pynmea2 and gpiozero.
Flat: the daemon's parts fed with a simulated day of 5 Hz readings flat out (see `long_run`); resident memory
at its end against that after the first twelfth of it, and the slope of a straight line through what follows.
"""

import json
import signal
import subprocess
import time
from contextlib import suppress
from pathlib import Path
from statistics import linear_regression
from typing import Final

from tests.benchmarks.epochs import epoch
from tests.benchmarks.harness import Figure, take_turns
from tests.benchmarks.inputs import demo_rig_file, rig_toml
from tests.benchmarks.ports import RIGMON, Port, bare, finish, start, status_kib

GOAL: Final = 1.5
#: "flat": what a day may add
GOAL_FLAT_PCT: Final = 5.0
_HZ: Final = 10


def run(quick: bool, folder: Path) -> list[Figure]:
    seconds = 3.0 if quick else 8.0
    logs = iter(range(100))
    took = take_turns(lambda: _daemon(seconds, folder, next(logs)), _bare, 2 if quick else 3)
    return [
        took.figure(f"peak memory of rigmon run, {seconds:g} s at {_HZ} Hz", "MiB", GOAL),
        _flat(1 if quick else 24, folder),
    ]


def _bare() -> float:
    print_peak = "print(*[x.split()[1] for x in open('/proc/self/status') if x.startswith('VmHWM')])"
    return int(finish(start(bare(print_peak)))) / 1024


def _daemon(seconds: float, folder: Path, n: int) -> float:
    port = Port()
    rig_file = folder / "memory.toml"
    rig_file.write_text(rig_toml(port.name), encoding="utf-8")
    process = start([*RIGMON, "run", "--rig", str(rig_file), "--log", str(folder / f"memory_{n}.sqlite")])
    try:
        begin = time.monotonic()
        for k in range(round(seconds * _HZ)):
            time.sleep(max(0.0, begin + k / _HZ - time.monotonic()))
            for sentence in epoch(k, _HZ):
                port.send(sentence)
        process.send_signal(signal.SIGTERM)
        peak = _peak_until_it_ends(process)
        finish(process)
    finally:
        process.kill()
        process.wait()
        port.close()
    return peak / 1024


def _peak_until_it_ends(process: "subprocess.Popen[str]") -> int:
    peak = status_kib(process.pid, "VmHWM")
    while process.poll() is None:
        with suppress(OSError, RuntimeError):  # it has just ended
            peak = max(peak, status_kib(process.pid, "VmHWM"))
        time.sleep(0.002)
    return peak


def _flat(hours: float, folder: Path) -> Figure:
    arguments = [f"{hours}", str(demo_rig_file(folder)), str(folder / "long.sqlite")]
    resident = json.loads(finish(start(["-m", "tests.benchmarks.long_run", *arguments]), 900.0))
    warm = [(hour, kib / 1024) for hour, kib in resident if hour >= hours / 12]
    slope, _ = linear_regression(*zip(*warm, strict=True))
    first, last = warm[0][1], warm[-1][1]
    return Figure(
        f"growth of memory in a simulated run of {hours:g} h",
        100 * (last / first - 1),
        "%",
        goal=GOAL_FLAT_PCT,
        note=f"from {first:.1f} MiB after {warm[0][0]:.2g} h to {last:.1f} MiB, most "
        f"{max(mib for _, mib in warm):.1f} MiB; slope {1024 * slope:.1f} KiB an hour",
    )
