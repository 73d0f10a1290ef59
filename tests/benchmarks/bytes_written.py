"""Bytes that the run log costs the card, write-ahead log and folding at the end included.

The live RunLogWriter in fast motion (see `fast_run`): real time and the writer's intervals are shortened by
the same factor, so that there are as many commits, of as many readings, as in a live run. Against the raw
bytes received, line ends included. Two counts of /proc/<pid>/io: `wchar`, the bytes that the process writes,
which is judged; and `write_bytes`, what that comes to in whole pages of 4096 bytes, as the file system hands
them on. One page is the least that a commit can cost there, whatever is in it.
"""

import json
from pathlib import Path
from typing import Final

from tests.benchmarks.fast_run import COMMIT_EVERY_S
from tests.benchmarks.harness import Figure
from tests.benchmarks.inputs import demo_rig_file
from tests.benchmarks.ports import finish, start

GOAL: Final = 4.0
_FACTOR: Final = 60.0
_ALL: Final = "RMC,VTG,GGA,XDR"


def run(quick: bool, folder: Path) -> list[Figure]:
    figures = []
    rig_file = demo_rig_file(folder)
    hour = 3600.0
    for hz, kinds, whole_s, goal in (
        (5, _ALL, hour, GOAL),
        (10, _ALL, hour / 4, GOAL),
        (5, "RMC,XDR", hour / 4, None),
    ):
        seconds = whole_s / 6 if quick else whole_s
        log_path = folder / f"bytes_{hz}_{len(kinds)}.sqlite"
        arguments = [f"{seconds}", f"{hz}", kinds, f"{_FACTOR}", str(rig_file), str(log_path)]
        took = json.loads(finish(start(["-m", "tests.benchmarks.fast_run", *arguments]), 300.0))
        per_hour = hour / seconds / 2**20
        raw = took["received"] * per_hour
        expected = seconds / COMMIT_EVERY_S
        note = (
            f"over {seconds / 60:.3g} min; {took['commits']} commits of {expected:.0f} in real time; "
            f"the log itself {took['size'] / took['received']:.2f} x; "
            f"one page a commit would be {4096 * took['commits'] / took['received']:.2f} x"
        )
        what = f"{hz} Hz {kinds.replace(',', '+')}"
        for count, words, judged in (
            ("written", "bytes written", goal),
            ("stored", "the same in pages", None),
        ):
            mib = took[count] * per_hour
            figures.append(Figure(f"{what}: {words}", mib, "MiB/h", raw, mib / raw, judged, note=note))
            note = ""
    return figures
