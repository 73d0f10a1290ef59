"""The shim: built with the machine's C compiler, told what to do through a shared control file."""

import ctypes
import mmap
import os
import shutil
import subprocess
from pathlib import Path
from typing import Any, Final

_SOURCE: Final = Path(__file__).with_name("shim.c")


class _Control(ctypes.Structure):
    _fields_ = (
        ("offset_s", ctypes.c_int64),
        ("error", ctypes.c_int32),
        ("sync_ms", ctypes.c_int32),
        ("syncing", ctypes.c_int32),
        ("refused", ctypes.c_int32),
        ("prefix", ctypes.c_char * 256),
    )


def missing() -> str:
    """Why there can be no shim here; empty: there can."""
    return (
        "" if shutil.which("gcc") or shutil.which("cc") else "needs a C compiler (gcc) for the preload shim"
    )


class Shim:
    """One process' disk and wall clock. `control` has the fields of struct control in shim.c."""

    def __init__(self, folder: Path) -> None:
        compiler = shutil.which("gcc") or shutil.which("cc") or "gcc"
        self._library = folder / "shim.so"
        if not self._library.exists():
            subprocess.run(
                [compiler, "-shared", "-fPIC", "-O1", "-o", str(self._library), str(_SOURCE), "-ldl"],
                check=True,
            )
        self._file = folder / f"control-{os.urandom(4).hex()}"
        self._file.write_bytes(bytes(ctypes.sizeof(_Control)))
        with self._file.open("r+b") as file:
            self._memory = mmap.mmap(file.fileno(), 0)
        self.control: Any = _Control.from_buffer(self._memory)

    @property
    def environment(self) -> dict[str, str]:
        """For the process that is to run under it."""
        return {**os.environ, "LD_PRELOAD": str(self._library), "FAULTS": str(self._file)}
