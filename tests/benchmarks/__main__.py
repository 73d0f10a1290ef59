"""python -m tests.benchmarks [NAME ...] [--quick] [--json FILE]

Exit code 0: every goal is met; 1: one is missed; 2: bad input.
"""

import argparse
import os
import sys
import tempfile
import time
from importlib import import_module
from pathlib import Path
from platform import python_version
from typing import Final

from tests.benchmarks.harness import Figure, as_json, table

#: in the order in which they run
NAMES: Final = (
    "import_weight",
    "daemon_start",
    "daemon_memory",
    "live_latency",
    "pages_latency",
    "pages_cost",
    "pages_soak",
    "glass_latency",
    "map_frames",
    "gpio_cost",
    "bytes_written",
    "replay_flat",
    "replay_logged",
    "score_8h",
    "analysis_8h",
    "report_8h",
    "season_speedup",
    "accuracy",
    "alarm_load",
)


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("names", nargs="*", metavar="NAME", help=f"of {', '.join(NAMES)}; left out: all")
    parser.add_argument("--quick", action="store_true", help="smaller inputs and fewer rounds")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the figures there too")
    options = parser.parse_args()
    for name in options.names:
        if name not in NAMES:
            parser.error(f"no benchmark is called '{name}'; there are: {', '.join(NAMES)}")
    print(f"Python {python_version()}, {os.cpu_count()} processors, load {os.getloadavg()[0]:.1f}")
    # all of them first: nobody's edits during a run make it half old and half new
    modules = {name: import_module(f"tests.benchmarks.{name}") for name in options.names or NAMES}
    results: dict[str, list[Figure]] = {}
    for name, module in modules.items():
        print(f"\n== {name}: {(module.__doc__ or '').strip().splitlines()[0]}", flush=True)
        start = time.monotonic()
        with tempfile.TemporaryDirectory(prefix="rigmon-benchmark-") as folder:
            results[name] = module.run(options.quick, Path(folder))
        print(table(results[name]))
        for figure in results[name]:
            if figure.note:
                print(f"   {figure.what}: {figure.note}")
        print(f"   took {time.monotonic() - start:.0f} s", flush=True)
    figures = [figure for some in results.values() for figure in some]
    print(f"\n== all\n{table(figures)}")
    if options.json is not None:
        options.json.write_text(as_json(results) + "\n", encoding="utf-8")
    missed = [figure.what for figure in figures if figure.met is False]
    print(f"\n{len(missed)} goals missed: {'; '.join(missed)}" if missed else "\nEvery goal is met.")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
