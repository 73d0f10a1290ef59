"""Listening to a port for some seconds, at the rig's baud and, where that makes no sentences, at others."""

import time
from collections.abc import Callable
from typing import Final, NamedTuple

import serial

from rigmon.doctor.baud import ENOUGH, RATES, Judged, best, judge
from rigmon.doctor.machine import Machine
from rigmon.edge.serial_nmea import check_url
from rigmon.errors import UsageError
from rigmon.rig import Rig

#: three fixes of a 1 Hz receiver, and a bit
LISTEN_S: Final = 3.3
#: one burst of a 1 Hz receiver for certain
_TRY_S: Final = 1.15
_READ_BYTES: Final = 4096
#: longer than a 1 Hz receiver is silent between two bursts
_LATE_S: Final = 1.2
_POLL_S: Final = 0.05

Tell = Callable[[str], None]


class Chunk(NamedTuple):
    """Bytes as they came, with the monotonic stamp of their arrival."""

    t_ns: int
    data: bytes


class Heard(NamedTuple):
    """What a port said."""

    chunks: tuple[Chunk, ...]
    seconds: float
    wall_minus_monotonic_ns: int
    trouble: str = ""  #: why listening ended early; ''

    @property
    def data(self) -> bytes:
        return b"".join(chunk.data for chunk in self.chunks)


class Listened(NamedTuple):
    """What a port said at the baud that is right, or at the rig's where none is."""

    heard: Heard
    baud: int  #: of `heard`
    judged: dict[int, Judged]  #: every baud tried


def listen(
    machine: Machine, port: str, baud: int, seconds: float, enough: Callable[[bytes], bool] | None = None
) -> Heard:
    """Everything that comes in `seconds`, or until `enough` says so. Never raises for a port's trouble.

    A line that is silent at first is given as long again: opening a port resets many a microcontroller. Time
    counts from its first word then.
    """
    chunks: list[Chunk] = []
    offset_ns = machine.wall_ns() - time.monotonic_ns()
    start = time.monotonic()
    name = port if "://" in port else str(machine.path(port))
    try:
        check_url(name, baud, "port")
        with serial.serial_for_url(name, baud, timeout=_POLL_S, exclusive=True) as line:
            start = time.monotonic()
            if "://" not in port:
                line.reset_input_buffer()  # what came before was sampled at another baud
            end, patience = start + seconds, enough is None
            while (left := end - time.monotonic()) > 0 or (patience and not chunks):
                if left <= 0:
                    end, patience = end + seconds, False
                    continue
                line.timeout = min(_POLL_S, left)
                # one byte, and with it what has come meanwhile
                data = line.read(1)
                if data:
                    t_ns = time.monotonic_ns()
                    data += line.read(min(line.in_waiting, _READ_BYTES))
                    if not chunks and t_ns / 1e9 - start > _LATE_S:
                        start, end = t_ns / 1e9, t_ns / 1e9 + seconds
                    chunks.append(Chunk(t_ns, data))
                    if enough is not None and enough(b"".join(chunk.data for chunk in chunks)):
                        break
    except UsageError as error:
        return Heard((), 0.0, offset_ns, str(error))
    except Exception as error:  # pyserial's handlers raise OSError, ValueError, KeyError, termios.error
        return Heard(tuple(chunks), time.monotonic() - start, offset_ns, str(error))
    return Heard(tuple(chunks), time.monotonic() - start, offset_ns)


def find(
    machine: Machine, rig: Rig, port: str, baud: int, real_baud: bool, tell: Tell, seconds: float = LISTEN_S
) -> Listened:
    """Listen at `baud`; where it gives bytes but no sound sentences, at the others too.

    `real_baud` False: the port's baud means nothing, and others are not tried.
    """
    tell(f"listening to {port} at {baud} baud")
    heard = listen(machine, port, baud, seconds)
    judged = {baud: judge(heard.data, rig)}
    if heard.trouble or judged[baud].kind not in ("garbage", "binary") or not real_baud:
        return Listened(heard, baud, judged)
    for other in RATES:
        if other == baud:
            continue
        tell(f"listening to {port} at {other} baud")
        tried = listen(machine, port, other, _TRY_S, lambda data: judge(data, rig).sound >= ENOUGH)
        judged[other] = judge(tried.data, rig)
        if judged[other].sound >= ENOUGH:
            break
    right = best(judged)
    if right is None or right == baud:
        return Listened(heard, baud, judged)
    tell(f"listening to {port} at {right} baud")
    return Listened(listen(machine, port, right, seconds), right, judged)
