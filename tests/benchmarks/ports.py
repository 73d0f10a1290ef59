"""A pseudo-terminal to feed a daemon through, and the processes that read it."""

import os
import subprocess
import sys
import time
import tty
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from tests.benchmarks.floors import BARE_IMPORTS

TOP: Final = Path(__file__).resolve().parents[2]


class Port:
    """A pseudo-terminal in raw mode; `name` is what a program opens, `send` writes what it will read."""

    def __init__(self) -> None:
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.name = os.ttyname(self._slave)

    def send(self, data: bytes) -> int:
        """Write at once; returns the monotonic time [ns] just before, 0 when there was no room for all."""
        before = time.monotonic_ns()
        try:
            written = os.write(self._master, data)
        except BlockingIOError:
            return 0
        return before if written == len(data) else 0

    def close(self) -> None:
        os.close(self._master)
        os.close(self._slave)


def start(arguments: Sequence[str], output: int | None = subprocess.PIPE) -> "subprocess.Popen[str]":
    """A new Python at the top of the clone, with these arguments."""
    return subprocess.Popen(
        [sys.executable, *arguments], cwd=TOP, stdout=output, stderr=subprocess.PIPE, text=True
    )


#: what the console script `rigmon` does
RIGMON: Final = ("-c", "import sys; from rigmon.cli import main; sys.exit(main())")


def finish(process: "subprocess.Popen[str]", timeout_s: float = 60.0) -> str:
    """Wait for the end; returns what it printed. Raises RuntimeError when it failed."""
    out, err = process.communicate(timeout=timeout_s)
    if process.returncode:
        raise RuntimeError(f"{process.args} ended with {process.returncode}: {err[-2000:]}")
    return out or ""


def bare(then: str) -> list[str]:
    """Arguments of a Python that imports the edge's libraries and then does something."""
    return ["-c", f"{BARE_IMPORTS}\n{then}"]


def status_kib(pid: int | str, key: str) -> int:
    """A field of /proc/<pid>/status that is given in kB: VmHWM is the peak resident memory."""
    for line in Path(f"/proc/{pid}/status").read_text(encoding="ascii").splitlines():
        if line.startswith(key + ":"):
            return int(line.split()[1])
    raise RuntimeError(f"/proc/{pid}/status has no {key}")


def io_bytes(pid: int | str) -> tuple[int, int]:
    """(bytes handed to write calls, bytes that went to the storage layer) of a process so far."""
    fields = dict(
        line.split(": ") for line in Path(f"/proc/{pid}/io").read_text(encoding="ascii").splitlines()
    )
    return int(fields["wchar"]), int(fields["write_bytes"])
