"""The daemon of `pages_soak`: python -m tests.benchmarks.soak_daemon RECORDING RIG LOG PACE

A recording at so many times its pace through the daemon's own loop, with its run log and its pages. Says
READY and the process id of the pages once they are there; at the end [batches that the pages were not given,
how often their process was started, readings].
"""

import json
import sys
import threading
import time
from pathlib import Path

from rigmon import config, daemon
from tests.helpers.served import bench

#: the log's thread would not keep up with this pace: written by the readings' own time [ns]
_COMMIT_NS = 60_000_000_000


def main(recording: Path, rig_file: Path, log_path: Path, pace: float) -> None:
    rig, rig_toml = config.load(rig_file)
    hub, source, link = bench(rig, rig_toml, recording, pace)

    def tell() -> None:
        while link.child_pid is None:
            time.sleep(0.05)
        print("READY", link.child_pid, flush=True)

    threading.Thread(target=tell, daemon=True).start()
    link.began(log_path.stem)
    outcome = daemon.run(
        rig, rig_toml, log_path, [source], hub, link, source_name="bench", commit_by_time_ns=_COMMIT_NS
    )
    print(json.dumps([link.skipped, link.starts, outcome.readings]), flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]), Path(sys.argv[3]), float(sys.argv[4]))
