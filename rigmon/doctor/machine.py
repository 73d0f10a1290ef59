"""The machine as the doctor reads it: files below a root, commands, groups, and the kernel's GPIO lines.

Every look at the machine goes through here, so that a test can show a tree of its own as the machine.
"""

import errno
import fcntl
import glob
import grp
import os
import platform
import shutil
import socket
import struct
import subprocess
import sys
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from importlib.util import find_spec
from pathlib import Path
from typing import Final, NamedTuple

#: linux/gpio.h: GPIO_GET_CHIPINFO_IOCTL, _IOR(0xB4, 0x01, struct gpiochip_info)
_CHIP_INFO: Final = 0x8044B401
_CHIP_FORMAT: Final = struct.Struct("32s32sI")
#: linux/gpio.h: GPIO_V2_GET_LINEINFO_IOCTL, _IOWR(0xB4, 0x05, struct gpio_v2_line_info). It looks at a line
#: without taking it.
_LINE_INFO: Final = 0xC100B405
_LINE_FORMAT: Final = struct.Struct("32s32sIIQ160s16s")
_LINE_USED: Final = 1


class Ran(NamedTuple):
    """How a command ended."""

    code: int
    out: str
    err: str


class Chip(NamedTuple):
    """One GPIO chip: its device, its name and label by the kernel, and how many lines it has."""

    device: str
    name: str
    label: str
    lines: int


class Line(NamedTuple):
    """One GPIO line: its name, and who uses it ('' for nobody)."""

    name: str
    consumer: str
    used: bool


class Holder(NamedTuple):
    """A process that has a device open."""

    pid: int
    command: str


class Space(NamedTuple):
    """Of a file system, in bytes; `free` is what an ordinary user may take."""

    total: int
    free: int


class Machine:
    """This machine. `root` is put before every absolute name."""

    def __init__(self, root: Path = Path("/")) -> None:
        self.root: Final = root
        self.python: tuple[int, int, int] = sys.version_info[:3]
        self.bits: int = 64 if sys.maxsize > 2**32 else 32  #: of this Python
        self.kernel: str = platform.machine()  #: aarch64, armv7l, x86_64, ...
        self.executable: str = sys.executable

    # -- files -----------------------------------------------------------------------------------------

    def path(self, name: str) -> Path:
        """The file of an absolute name on this machine."""
        return self.root / name.lstrip("/") if name.startswith("/") else Path(name)

    def name(self, path: Path | str) -> str:
        """The machine's own name of a file below the root."""
        text, root = str(path), str(self.root)
        return "/" + text.removeprefix(root).lstrip("/") if text.startswith(root) else text

    def text(self, name: str) -> str | None:
        """A small file's text without the blanks and zero bytes around it; None: it cannot be read."""
        try:
            with self.path(name).open("rb") as file:
                return file.read(65536).decode("utf-8", "replace").strip("\0 \t\r\n")
        except OSError:
            return None

    def exists(self, name: str) -> bool:
        return os.path.exists(self.path(name))

    def may(self, name: str) -> bool:
        """Whether this user may read and write it."""
        return os.access(self.path(name), os.R_OK | os.W_OK)

    def names(self, pattern: str) -> list[str]:
        """Names that fit a shell pattern, sorted."""
        return sorted(self.name(found) for found in glob.glob(str(self.path(pattern))))

    def resolved(self, name: str) -> str:
        """The device behind a name, through its links."""
        return self.name(os.path.realpath(self.path(name)))

    # -- packages and network --------------------------------------------------------------------------

    def missing(self, packages: Iterable[str]) -> list[str]:
        """Those of these packages that this Python does not have."""
        missing = []
        for name in packages:
            try:
                found = find_spec(name) is not None
            except ImportError:
                found = False
            if not found:
                missing.append(name)
        return missing

    def port_trouble(self, address: str, port: int) -> str:
        """Why nobody could listen there now: 'taken', 'no address', or the system's words; '': it is free."""
        family = socket.AF_INET6 if ":" in address else socket.AF_INET
        try:
            with socket.socket(family, socket.SOCK_STREAM) as tried:
                tried.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
                tried.bind((address, port))
        except OSError as error:
            words = {errno.EADDRINUSE: "taken", errno.EADDRNOTAVAIL: "no address"}
            return words.get(error.errno or 0, error.strerror or "it cannot be tried")
        return ""

    def addresses(self) -> list[str] | None:
        """This machine's IP addresses but for its own loopback; None: nobody says."""
        ran = self.run("hostname", "-I", timeout_s=3.0)
        return None if ran is None or ran.code != 0 else ran.out.split()

    # -- people and processes --------------------------------------------------------------------------

    def groups(self) -> set[str]:
        """Groups that this process is in."""
        found = set()
        for number in {os.getegid(), *os.getgroups()}:
            with suppress(KeyError):
                found.add(grp.getgrgid(number).gr_name)
        return found

    def holders(self, name: str) -> list[Holder]:
        """Processes, other than this one, that have a device open or hold a lock on it.

        Another user's open files are hidden from an ordinary user; its locks are not, nor is a device that
        its command line names: 'gpsd /dev/ttyACM0', 'agetty ttyS0'.
        """
        found: dict[int, Holder] = {}
        device = os.path.realpath(self.path(name))
        for pid in self._processes():
            try:
                entries = list(os.scandir(self.path(f"/proc/{pid}/fd")))
            except OSError:
                if self._names(pid, device):
                    found[pid] = Holder(pid, self._command(pid))
                continue
            for entry in entries:
                with suppress(OSError):
                    if os.readlink(entry.path) == device:
                        found[pid] = Holder(pid, self._command(pid))
        for pid in self._lockers(device):
            found.setdefault(pid, Holder(pid, self._command(pid)))
        found.pop(os.getpid(), None)
        return [found[pid] for pid in sorted(found)]

    def rigmon_runs(self) -> list[Holder]:
        """The daemons that run on this machine: 'rigmon run', also by 'python -m' or a script's path."""
        return [
            Holder(pid, self._command(pid))
            for pid in self._processes()
            if self._words(pid)[:2] == ["rigmon", "run"] and pid != os.getpid()
        ]

    def _processes(self) -> list[int]:
        return sorted(int(Path(entry).name) for entry in glob.glob(str(self.path("/proc/[0-9]*"))))

    def _names(self, pid: int, device: str) -> bool:
        """Whether a command line names the device: by its name in /dev, or by a link to it."""
        words = (self.text(f"/proc/{pid}/cmdline") or "").split("\0")[1:]
        paths = [word if word.startswith("/") else f"/dev/{word}" for word in words if word]
        return any(os.path.realpath(self.path(path)) == device for path in paths)

    def _lockers(self, device: str) -> Iterator[int]:
        """By /proc/locks: '1: FLOCK  ADVISORY  WRITE 1234 00:06:123 0 EOF', device and inode of the file."""
        with suppress(OSError):
            status = os.stat(device)
            place = f"{os.major(status.st_dev):02x}:{os.minor(status.st_dev):02x}:{status.st_ino}"
            for line in (self.text("/proc/locks") or "").splitlines():
                words = line.split()
                if place in words and words[4].isdecimal():
                    yield int(words[4])

    def _words(self, pid: int) -> list[str]:
        """A process's command line without folders, and without the interpreter, which says less."""
        line = self.text(f"/proc/{pid}/cmdline") or ""
        words = [Path(word).name for word in line.split("\0") if word]
        if words and words[0].startswith("python"):
            script = next((n for n, word in enumerate(words) if n and not word.startswith("-")), 0)
            words = words[script:]
        return words

    def _command(self, pid: int) -> str:
        return " ".join(self._words(pid))[:40] or self.text(f"/proc/{pid}/comm") or "?"

    def run(self, *command: str, cwd: Path | None = None, timeout_s: float = 10.0) -> Ran | None:
        """Run a program to its end; None: there is no such program, or it did not end in time."""
        program = shutil.which(command[0])
        if program is None:
            return None
        try:
            done = subprocess.run(
                [program, *command[1:]],
                cwd=cwd,
                capture_output=True,
                text=True,
                errors="replace",
                timeout=timeout_s,
                check=False,
                stdin=subprocess.DEVNULL,
            )
        except (OSError, subprocess.TimeoutExpired):
            return None
        return Ran(done.returncode, done.stdout.strip(), done.stderr.strip())

    # -- time and space --------------------------------------------------------------------------------

    def wall_ns(self) -> int:
        """Unix time by this machine's clock."""
        return time.time_ns()

    def space(self, folder: Path) -> Space:
        """Raises OSError."""
        found = os.statvfs(folder)
        return Space(found.f_blocks * found.f_frsize, found.f_bavail * found.f_frsize)

    # -- GPIO ------------------------------------------------------------------------------------------

    def gpio_chip(self, device: str) -> Chip | None:
        """What the kernel says of a chip; None: it may not be opened, or is none."""
        with self._opened(device) as fd:
            if fd is not None:
                with suppress(OSError):
                    data = fcntl.ioctl(fd, _CHIP_INFO, bytes(_CHIP_FORMAT.size))
                    name, label, lines = _CHIP_FORMAT.unpack(data)
                    return Chip(device, _word(name), _word(label), lines)
        return None

    def gpio_line(self, device: str, number: int) -> Line | None:
        """What the kernel says of a line; None: there is no such line, or it may not be asked."""
        with self._opened(device) as fd:
            if fd is not None:
                with suppress(OSError):
                    asked = _LINE_FORMAT.pack(b"", b"", number, 0, 0, b"", b"")
                    name, consumer, _, _, flags, _, _ = _LINE_FORMAT.unpack(
                        fcntl.ioctl(fd, _LINE_INFO, asked)
                    )
                    return Line(_word(name), _word(consumer), bool(flags & _LINE_USED))
        return None

    @contextmanager
    def _opened(self, device: str) -> Iterator[int | None]:
        try:
            fd = os.open(self.path(device), os.O_RDWR | os.O_CLOEXEC)
        except OSError:
            yield None
            return
        try:
            yield fd
        finally:
            os.close(fd)


def _word(field: bytes) -> str:
    return field.split(b"\0", 1)[0].decode("utf-8", "replace")
