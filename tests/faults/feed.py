"""The field's side of a live run: numbered epochs sent to a port at 10 Hz, with a record of its own."""

import os
import sys
import threading
import time
from importlib import resources
from pathlib import Path
from typing import Final

from tests.benchmarks.epochs import epoch

HZ: Final = 10
TOP: Final = Path(__file__).resolve().parents[2]
#: what the console script `rigmon` does
RIGMON: Final = (sys.executable, "-c", "import sys; from rigmon.cli import main; sys.exit(main())")
#: alerts without delay, so that there are many, and each takes the computed rows to the disk
BUSY_ALERTS: Final = """
[alerts.speed_fast]
on_delay = "0 s"
off_delay = "0 s"
[alerts.run_log_trouble]
on_delay = "0 s"
off_delay = "0 s"
"""
#: speeds that change every second, one in the band and one far out of it [m/s]
_SPEEDS: Final = (1.56, 2.6)


def rig_file(folder: Path, port: str) -> Path:
    """An invented rig's file (the demo's) that listens to `port`."""
    path = folder / f"rig-{Path(port).name}-{os.urandom(3).hex()}.toml"
    demo = (resources.files("rigmon") / "data" / "demo.rig.toml").read_text(encoding="utf-8")
    path.write_text(demo.replace('"/dev/serial0"', f'"{port}"') + BUSY_ALERTS, encoding="utf-8")
    return path


def lines_of(k: int) -> list[bytes]:
    """Epoch `k` as sent: RMC, VTG, GGA and the sensors' XDR."""
    return epoch(k, HZ, _SPEEDS[k // HZ % 2])


class Feeder:
    """Sends epochs through a descriptor from a thread. `sent` is the record: (monotonic s, line)."""

    def __init__(self, descriptor: int) -> None:
        self.sent: list[tuple[float, bytes]] = []
        self._descriptor = descriptor
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join()

    def _run(self) -> None:
        begin, k = time.monotonic(), 0
        while not self._stop.wait(max(0.0, begin + k / HZ - time.monotonic())):
            for line in lines_of(k):
                now = time.monotonic()
                try:
                    if os.write(self._descriptor, line) != len(line):
                        return
                except OSError:  # nobody reads any more
                    return
                self.sent.append((now, line.rstrip()))
            k += 1
