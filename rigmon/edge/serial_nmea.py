"""A serial port (or any pyserial URL) that speaks NMEA 0183: bytes -> lines -> hub, on a thread of its own.

The thread only reads, stamps and enqueues. A port that is missing, unplugged, refused or held by another
program is a row in the run and a retry, never the end of the run.
"""

import errno
import os
import re
import select
import threading
from typing import Any, Final

import serial

from rigmon.core.nmea import LineFramer
from rigmon.edge.hub import Hub
from rigmon.errors import UsageError
from rigmon.model import NmeaLine, Source, SourceFault

#: as much as a terminal's buffer in the kernel holds: one read empties it
_READ_BYTES: Final = 4096
#: ports without a file descriptor (loop://, rfc2217://) are read with this timeout
_POLL_S: Final = 0.2
_FIRST_RETRY_S: Final = 0.1
_LONGEST_RETRY_S: Final = 1.0
#: a port that is silent for so long is looked at: has its name been given to another device?
_QUIET_S: Final = 1.0
#: so many bytes, over so long, without the beginning of a sentence: a port at another speed, or binary alone
_UNREADABLE_BYTES: Final = 300
_UNREADABLE_NS: Final = 5_000_000_000
_SENTENCE: Final = re.compile(rb"[$!][A-Z]{2}[A-Z0-9]{2,6},", re.IGNORECASE)
_HINTS: Final[dict[int, str]] = {
    errno.ENOENT: "is it plugged in?",
    errno.EACCES: "is this user in the group 'dialout'?",
    errno.EAGAIN: "another program holds it",
    errno.EBUSY: "another program holds it",
    errno.EIO: "unplugged?",
    errno.ENXIO: "unplugged?",
    errno.ENODEV: "unplugged?",
}
_ERRNO: Final = re.compile(r"\[Errno (\d+)\]")


def check_url(url: str, baud: int, key: str) -> None:
    """Raise UsageError, naming `key`, for a URL or speed that no retry can make right. Opens nothing."""
    try:
        try:
            port = serial.serial_for_url(url, baud, do_not_open=True)
        except serial.SerialException:
            return  # hwgrep:// finds no such device yet
        if url.lower().startswith(("socket://", "rfc2217://", "loop://")):
            port.from_url(url)
    except Exception as error:  # some handlers raise TypeError or KeyError for a port they dislike
        why = f": {error}" if type(error) is ValueError else ""
        raise UsageError(
            f"{key} = '{url}' at {baud} baud cannot be used{why}; it must be a serial port "
            "such as '/dev/serial0' or a pyserial URL such as 'socket://192.0.2.7:10110'"
        ) from error


class SerialNmea:
    """Reads one port into a hub. start() returns at once; the port may come, go and come back."""

    def __init__(self, hub: Hub, source: Source, url: str, baud: int) -> None:
        self.source: Final = source
        self.url: Final = url
        self._hub = hub
        self._baud = baud
        self._stopping = threading.Event()
        self._wake_r, self._wake_w = -1, -1
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Start the thread."""
        self._wake_r, self._wake_w = os.pipe()
        self._thread = threading.Thread(target=self._run, name=f"serial {self.url}", daemon=True)
        self._thread.start()

    def stop(self, timeout_s: float = 6.0) -> None:
        """Close the port and end the thread; at once, unless a socket:// URL is waiting for its host."""
        if self._thread is None:
            return
        self._stopping.set()
        os.write(self._wake_w, b"x")
        self._thread.join(timeout_s)
        if not self._thread.is_alive():
            os.close(self._wake_r)
            os.close(self._wake_w)
            self._thread = None

    # -- the thread --------------------------------------------------------------------------------

    def _run(self) -> None:
        told: SourceFault | None = None
        retry_s = _FIRST_RETRY_S
        while not self._stopping.is_set():
            try:
                # Opened anew each time: a name under /dev/serial/by-id may lead to another device now.
                port = serial.serial_for_url(self.url, self._baud, timeout=0, exclusive=True)
            except (
                Exception
            ) as error:  # pyserial's handlers raise OSError, ValueError, KeyError, termios.error
                fault = SourceFault("failed", f"{self.url}: {_plain(error)}", 0)
                if fault != told:
                    self._put(fault)
                told = fault
            else:
                told = SourceFault("opened", f"{self.url} at {self._baud} baud", 0)
                self._put(told)
                try:
                    got_bytes, failure = self._read(port)
                finally:
                    port.close()
                if failure is not None:
                    told = SourceFault("closed", f"{self.url}: {_plain(failure)}", 0)
                    self._put(told)
                if got_bytes:
                    retry_s = _FIRST_RETRY_S
            self._stopping.wait(retry_s)
            retry_s = min(2 * retry_s, _LONGEST_RETRY_S)

    def _read(self, port: Any) -> tuple[bool, Exception | None]:
        """Read until stopped or the port fails. Returns whether anything came, and the failure."""
        hub, source, framer = self._hub, self.source, LineFramer()
        t_ns: int | None = None
        failure: Exception | None = None
        unreadable = _Unreadable()
        try:
            fd = _descriptor(port)
            if fd is None:
                port.timeout = _POLL_S
            while not self._stopping.is_set():
                if fd is None:
                    data = port.read(max(1, port.in_waiting))
                else:
                    # pyserial's own wait cannot be woken on every kind of port; this one can.
                    if not select.select([fd, self._wake_r], [], [], _QUIET_S)[0]:
                        if _leads_elsewhere(self.url, fd):
                            raise OSError("the name leads to another device now")
                        continue
                    data = port.read(_READ_BYTES)
                now_ns = hub.clock.now_ns()
                if data:
                    t_ns = now_ns
                    for line in framer.feed(data):
                        hub.put(t_ns, source, NmeaLine(line))
                        if unreadable.with_line(line, t_ns):
                            detail = f"{self.url} at {self._baud} baud: no NMEA sentence comes; wrong baud?"
                            self._put(SourceFault("unreadable", detail, 0))
        except Exception as error:  # whatever a handler raises, the port is opened anew
            failure = error
        if t_ns is not None:
            for line in framer.flush():
                hub.put(t_ns, source, NmeaLine(line))
        return t_ns is not None, failure

    def _put(self, fault: SourceFault) -> None:
        self._hub.put(self._hub.clock.now_ns(), self.source, fault)


class _Unreadable:
    """Notices that a port says nothing that can be read."""

    def __init__(self) -> None:
        self._since_ns = self._bytes = 0
        self._told = False

    def with_line(self, line: bytes, t_ns: int) -> bool:
        """Whether it is to be told, with this line, that nothing was readable for long; once, until it is."""
        if _SENTENCE.search(line):
            self._bytes, self._told = 0, False
            return False
        if not self._bytes:
            self._since_ns = t_ns
        self._bytes += len(line)
        if self._told or self._bytes < _UNREADABLE_BYTES or t_ns - self._since_ns < _UNREADABLE_NS:
            return False
        self._told = True
        return True


def _descriptor(port: Any) -> int | None:
    """The port's file descriptor; None for ports that have none."""
    try:
        return int(port.fileno())
    except (AttributeError, OSError, ValueError):
        return None


def _leads_elsewhere(url: str, fd: int) -> bool:
    """Whether a port's name leads to another device than the open one: a stick that came back under another
    number behind its name in /dev/serial/by-id, while the driver never said that the old one is gone."""
    try:
        return os.stat(url).st_rdev != os.fstat(fd).st_rdev
    except OSError:  # a URL, or a name that is not there just now
        return False


def _plain(error: Exception) -> str:
    """The reason in a few words. pyserial often hides the errno in its text."""
    number = getattr(error, "errno", None)
    match = _ERRNO.search(str(error))
    if number is None and match:
        number = int(match.group(1))
    if number is not None:
        hint = _HINTS.get(number)
        return os.strerror(number) + (f"; {hint}" if hint else "")
    if "returned no data" in str(error):
        return "unplugged, or another program reads it too"
    return str(error)
