"""What the daemon imports, and how long that takes.

`python -X importtime` of `rigmon run --help` and of a real, short `rigmon run`: every module it loads, and
its own time of import, added up. Floor: the same for a bare import of pyserial, pynmea2 and gpiozero. None of
numpy, pandas and pyproj may be among the daemon's modules.
"""

import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from statistics import median
from typing import Final

from tests.benchmarks.floors import BARE_IMPORTS
from tests.benchmarks.harness import Figure
from tests.benchmarks.inputs import rig_toml
from tests.benchmarks.ports import RIGMON, TOP, Port

FORBIDDEN: Final = ("numpy", "pandas", "pyproj", "matplotlib")


def run(quick: bool, folder: Path) -> list[Figure]:
    port = Port()
    rig_file = folder / "imports.toml"
    rig_file.write_text(rig_toml(port.name), encoding="utf-8")
    real_run = [*RIGMON, "run", "--rig", str(rig_file), "--for", "0.2", "--no-log", "--quiet"]
    cases: list[tuple[str, Sequence[str], bool]] = [
        ("import rigmon.daemon", ["-c", "import rigmon.daemon"], True),
        ("rigmon run --help", [*RIGMON, "run", "--help"], True),
        ("rigmon run", real_run, True),
        ("import serial, pynmea2, gpiozero", ["-c", BARE_IMPORTS], False),
    ]
    figures = []
    for what, arguments, judged in cases:
        rounds = [imports(arguments) for _ in range(2 if quick else 5)]
        names = [name for name, _ in rounds[-1]]
        took = median(sum(us for _, us in some) for some in rounds) / 1e3
        heavy = sorted({name.partition(".")[0] for name in names} & set(FORBIDDEN))
        ours = sum(name.partition(".")[0] == "rigmon" for name in names)
        slowest = sorted(rounds[-1], key=lambda item: -item[1])[:4]
        note = f"{len(names)} modules, {ours} of them rigmon's; slowest " + ", ".join(
            f"{name} {us / 1e3:.1f} ms" for name, us in slowest
        )
        figures.append(Figure(f"{what}: time in imports", took, "ms", note=note))
        if judged:
            note = f"of {', '.join(FORBIDDEN)}: {', '.join(heavy) or 'none'}"
            figures.append(Figure(f"{what}: heavy packages", len(heavy), "", goal=0, note=note))
    port.close()
    return figures


def imports(arguments: Sequence[str]) -> list[tuple[str, int]]:
    """(module, own time of import [us]) of all that a fresh Python with these arguments imports."""
    command = [sys.executable, "-X", "importtime", *arguments]
    done = subprocess.run(command, cwd=TOP, capture_output=True, text=True, check=True, timeout=60)
    imports = []
    for line in done.stderr.splitlines():
        own, _, name = (part.strip() for part in line.removeprefix("import time:").split("|"))
        if own.isdecimal():
            imports.append((name, int(own)))
    return imports
