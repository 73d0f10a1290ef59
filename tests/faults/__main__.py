"""python -m tests.faults [--only NAME] [--quick]

Provokes every fault in full count (--quick: as the suite does) and prints a table. Exit code 0: all held;
1: one did not; 2: bad input.
"""

import argparse
import os
import sys
import tempfile
import time
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from platform import python_version
from typing import Any, Final

from tests.faults.table import Done, table

#: name -> (module, counts of the suite, full counts)
FAULTS: Final[dict[str, tuple[str, dict[str, Any], dict[str, Any]]]] = {
    "kill": (
        "kill",
        {"kills": 10, "floods": 2, "parallel": 10, "goal_s": 2.0, "longest_s": 2.5},
        {"kills": 300, "floods": 100},
    ),
    "torn": ("torn", {"seconds": 6, "inside": 0, "flips": 40}, {"seconds": 40, "inside": 8, "flips": 3000}),
    "disk": (
        "disk",
        {"rounds": 1, "fault_s": 1.0},
        {"rounds": 5, "fault_s": 6.0, "goal_ms": 10.0, "ext4": True},
    ),
    "unplug": (
        "unplug",
        {"cycles": 6, "longest_out_s": 0.2, "goal_s": 10.0},
        {"cycles": 200, "longest_out_s": 1.5},
    ),
    "clock": ("clock", {"steps": 8, "boots": 1, "dates": 8}, {"steps": 200, "boots": 20, "dates": 400}),
    "day": ("day", {"hours": 0.2}, {"hours": 24.0, "growth_pct": 5.0}),
    "mutate": ("mutate", {"lines": 20_000, "counted": 100}, {"lines": 1_000_000, "counted": 5_000}),
}


def provoke(name: str, folder: Path, *, full: bool) -> list[Done]:
    """One fault, as often as the suite does or in full."""
    module, reduced, counts = FAULTS[name]
    run: Callable[..., list[Done]] = import_module(f"tests.faults.{module}").run
    return run(folder=folder, **(counts if full else reduced))


def say(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.faults", description=__doc__)
    parser.add_argument("--only", action="append", metavar="NAME", help=f"of {', '.join(FAULTS)}")
    parser.add_argument("--quick", action="store_true", help="the suite's counts")
    options = parser.parse_args()
    names = options.only or list(FAULTS)
    for name in names:
        if name not in FAULTS:
            parser.error(f"no fault is called '{name}'; there are: {', '.join(FAULTS)}")
    say(f"Python {python_version()}, {os.cpu_count()} processors, load {os.getloadavg()[0]:.1f}")
    for name in names:  # all of them first: nobody's edits meanwhile make it half old and half new
        import_module(f"tests.faults.{FAULTS[name][0]}")
    rows: list[Done] = []
    for name in names:
        start = time.monotonic()
        with tempfile.TemporaryDirectory(prefix="rigmon-faults-") as folder:
            some = provoke(name, Path(folder), full=not options.quick)
        say(f"\n== {name}, {time.monotonic() - start:.0f} s\n{table(some)}")
        rows += some
    say(f"\n== all\n{table(rows)}")
    return 1 if any(row.failures for row in rows) else 0


if __name__ == "__main__":
    sys.exit(main())
