"""Hostile input: lines of real receivers and of the simulator, mutated, through the whole pipeline.

Bytes flipped, cut, doubled, swapped between lines, fields emptied, grown or filled with what no receiver
sends, checksums mended so that the damage gets past them, lines without end. They go as a stream in odd
chunks through framer, decoder, core and run log, as those of a port do. No exception may come of any, no row
may be refused, and the work per line is bounded: function calls are counted, for a time says more about the
machine; the times are reported.
"""

import random
import sys
import time
from collections.abc import Callable
from functools import partial
from heapq import heappushpop
from pathlib import Path
from statistics import median
from typing import Any, Final

from rigmon import config, replay
from rigmon.core.nmea import MAX_LINE_BYTES, LineFramer, decoder_for
from rigmon.core.pipeline import Pipeline
from rigmon.core.timeline import Timeline
from rigmon.edge.feedback import alert_line, driver_line
from rigmon.log.header import run_header
from rigmon.log.reader import RunLog
from rigmon.log.writer import RunLogWriter
from rigmon.model import Alert, NmeaLine, Reading, Sample, Source, Tick
from tests.faults.feed import lines_of, rig_file
from tests.faults.table import Done

#: recordings of real receivers, not part of the project
_REAL: Final = Path(__file__).resolve().parents[3] / "shared" / "nmea"
#: function calls that one line may cost: its decoding, a sample, every alert, its words
CALLS: Final = 1_000
_KEPT_LINES: Final = 40_000
#: of the slowest lines so many are timed again, so often
_LOOKED_AT: Final = 50
_TRIES: Final = 5
_ODD: Final = (
    b"",
    b"nan",
    b"inf",
    b"-1",
    b"1e309",
    b"9" * 40,
    b"\xff\xfe",
    b"1_0",
    b"0" * 90,
    b"\x00",
    b" ",
    b"-0",
)


def corpus(chance: random.Random) -> tuple[list[bytes], int]:
    """Lines to mutate, and how many of them are real receivers'."""
    real: list[bytes] = []
    if _REAL.is_dir():
        for path in sorted(_REAL.iterdir()):
            if path.suffix not in (".csv", ".md") and path.is_file():
                lines = path.read_bytes().splitlines()
                real += chance.sample(lines, min(len(lines), 600))
    real = real[:_KEPT_LINES]
    own = [line.rstrip() for k in range(0, 20_000, 7) for line in lines_of(k)]
    own += [b"$YXXDR,V,%d.%04d,M,FLOW*00" % (k // 10_000, k % 10_000) for k in range(500)]
    own += [rb"\c:1780315200,s:x*5A\$GPZDA,120000.00,01,06,2026,00,00*60", b"!AIVDM,1,1,,A,15M67F,0*00"]
    return real + own, len(real)


def mutate(line: bytes, chance: random.Random, others: list[bytes]) -> bytes:
    """One line, damaged in up to three ways; often with a checksum that fits."""
    data = bytearray(line)
    for _ in range(chance.choice((0, 1, 1, 1, 2, 3))):
        _WAYS[chance.randrange(len(_WAYS))](data, chance, others)
    if chance.random() < 0.6:
        start, star = data.rfind(b"$"), data.rfind(b"*")
        if 0 <= start < star:
            value = 0
            for byte in data[start + 1 : star]:
                value ^= byte
            data[star + 1 :] = b"%02X" % value
    return bytes(data)


def _flip(data: bytearray, chance: random.Random, _others: list[bytes]) -> None:
    if data:
        data[chance.randrange(len(data))] ^= 1 << chance.randrange(8)


def _cut(data: bytearray, chance: random.Random, _others: list[bytes]) -> None:
    del data[chance.randrange(len(data) + 1) :]


def _cut_front(data: bytearray, chance: random.Random, _others: list[bytes]) -> None:
    del data[: chance.randrange(len(data) + 1)]


def _splice(data: bytearray, chance: random.Random, others: list[bytes]) -> None:
    other = others[chance.randrange(len(others))]
    data[chance.randrange(len(data) + 1) :] = other[chance.randrange(len(other) + 1) :]


def _insert(data: bytearray, chance: random.Random, _others: list[bytes]) -> None:
    at = chance.randrange(len(data) + 1)
    data[at:at] = chance.randbytes(chance.randrange(1, 9))


def _field(data: bytearray, chance: random.Random, others: list[bytes]) -> None:
    """A field emptied, or filled with what no receiver sends, or with one of another line."""
    fields = bytes(data).split(b",")
    other = others[chance.randrange(len(others))].split(b",")
    fields[chance.randrange(len(fields))] = chance.choice((*_ODD, chance.choice(other)))
    data[:] = b",".join(fields)


def _fields(data: bytearray, chance: random.Random, _others: list[bytes]) -> None:
    """A field left out, or doubled many times."""
    fields = bytes(data).split(b",")
    at = chance.randrange(len(fields))
    fields[at : at + 1] = fields[at : at + 1] * chance.choice((0, 2, 5, 60))
    data[:] = b",".join(fields)


def _long(data: bytearray, chance: random.Random, _others: list[bytes]) -> None:
    """No line end for kilobytes, or the same character very often: what makes patterns slow."""
    at = chance.randrange(len(data) + 1)
    data[at:at] = chance.choice((b"\r", b"$", b",", b"*", b"\\", b"A", b"0", b".")) * chance.choice(
        (9, 99, 2000)
    )


_WAYS: Final[tuple[Callable[[bytearray, random.Random, list[bytes]], None], ...]] = (
    _flip, _flip, _flip, _cut, _cut_front, _splice, _insert, _field, _field, _field, _fields, _long,
)  # fmt: skip


class _Through:
    """The whole way of a line, as in the daemon; what people are shown of it is made too."""

    def __init__(self, folder: Path) -> None:
        self.rig, text = config.load(rig_file(folder, "/dev/null"))
        self.path = folder / "mutated.sqlite"
        self.writer = RunLogWriter(
            self.path, run_header("mutated", "live", text), commit_by_time_ns=20 * 10**9
        )
        self.pipeline = Pipeline(self.rig)
        self.timeline = Timeline(decoder_for(self.rig))
        self.seq = self.seq_line = 0
        self.outputs = 0

    def log(self, raw: bytes) -> Reading:
        """Number it and hand it to the log first, behind the ticks that are due."""
        t_ns = self.seq_line * 25_000_000
        self.seq_line += 1
        while t_ns > self.pipeline.deadline_ns:
            self.core(self._next(self.pipeline.deadline_ns, Source.HUB, Tick()))
        return self._next(t_ns, Source.GPS, NmeaLine(raw))

    def _next(self, t_ns: int, source: Source, payload: NmeaLine | Tick) -> Reading:
        reading = Reading(self.seq, t_ns, source, payload)
        self.seq += 1
        self.writer.reading(reading)
        return reading

    def core(self, reading: Reading) -> None:
        outputs = self.pipeline.feed(reading)
        if isinstance(reading.payload, NmeaLine):
            self.timeline.stamp_ns(reading.payload.raw)  # as a recording would be timed
        self.writer.outputs(outputs)
        for output in outputs:
            self.outputs += 1
            if isinstance(output, Sample):
                driver_line(output, self.rig, ("gps_lost",), "0:00:00")
            elif isinstance(output, Alert):
                alert_line(output, self.rig, "0:00:00")

    def close(self) -> None:
        ended_ns = self.seq_line * 25_000_000
        self.writer.outputs(self.pipeline.finish(ended_ns))
        self.writer.close(ended_ns, "done")


def run(folder: Path, lines: int, counted: int, seed: int = 5) -> list[Done]:
    """`counted`: of so many lines, the longest among them, the function calls are counted."""
    chance = random.Random(seed)
    others, real = corpus(chance)
    through, framer = _Through(folder), LineFramer()
    done = Done("mutated lines through the pipeline", 0)
    took: list[int] = []
    slowest: list[tuple[int, bytes]] = [(0, b"")] * _LOOKED_AT
    most_waiting = most_calls = 0
    counts_every = max(1, lines // counted)
    stream = bytearray()
    while done.count < lines:
        for _ in range(200):
            stream += mutate(others[chance.randrange(len(others))], chance, others)
            stream += chance.choice((b"\r\n", b"\r\n", b"\r\n", b"\n", b"\r", b"\n\n", b""))
        while stream:
            size = chance.randrange(1, 5000)
            data, stream = bytes(stream[:size]), stream[size:]
            for raw in framer.feed(data):
                if len(raw) > MAX_LINE_BYTES:
                    done.failures.append(f"a line of {len(raw)} bytes came out of the framer")
                try:
                    reading = through.log(raw)
                    if done.count % counts_every == 0:
                        calls = _count_calls(partial(through.core, reading))
                        most_calls = max(most_calls, calls)
                        if calls > CALLS:
                            done.failures.append(f"{calls} function calls for {raw!r}")
                    else:
                        begin = time.thread_time_ns()
                        through.core(reading)
                        took.append(time.thread_time_ns() - begin)
                        if took[-1] > slowest[0][0]:
                            heappushpop(slowest, (took[-1], raw))
                except Exception as error:
                    done.failures.append(f"{type(error).__name__}: {error}: {raw!r}")
                    through = _again(through, folder, done)
                done.count += 1
            most_waiting = max(most_waiting, len(framer._rest))
    if most_waiting > MAX_LINE_BYTES:
        done.failures.append(f"the framer kept {most_waiting} bytes waiting for a line's end")
    again = max(_time_again(through, raw) for _, raw in slowest)
    through.close()
    _look(through, done)
    middle = median(took)
    slow = sorted(took)[-max(1, len(took) // 1000)]
    done.worst = (
        f"{through.outputs:,} outputs, corpus of {real:,} real lines and {len(others) - real:,} of our own; "
        f"{most_calls} calls at most for a line; processor time to the median of {middle / 1000:.0f} us: "
        f"1 in 1000 {slow / middle:.0f} x, worst {max(took) / middle:.0f} x; "
        f"the slowest {_LOOKED_AT} once more, best of {_TRIES}: {again / middle:.0f} x"
    )
    return [done]


def _time_again(through: _Through, raw: bytes) -> int:
    """A line's time without what else came between, such as the collector of the whole heap."""
    times = []
    for _ in range(_TRIES):
        through.core(through.log(b"$"))  # or the decoder would know the line
        reading = through.log(raw)
        begin = time.thread_time_ns()
        through.core(reading)
        times.append(time.thread_time_ns() - begin)
    return min(times)


def _again(through: _Through, folder: Path, done: Done) -> _Through:
    """Go on after an exception, which is counted, with everything new."""
    at = folder / f"again-{len(done.failures)}"
    at.mkdir()
    return _Through(at) if len(done.failures) < 50 else through


def _count_calls(call: Callable[[], None]) -> int:
    calls = 0

    def count(_frame: Any, event: str, _argument: Any) -> None:
        nonlocal calls
        calls += event in ("call", "c_call")

    sys.setprofile(count)
    try:
        call()
    finally:
        sys.setprofile(None)
    return calls


def _look(through: _Through, done: Done) -> None:
    with RunLog.open(through.path) as log:
        if log.gaps or log.problems():
            done.failures.append(f"rows were refused or lost: {log.gaps[:3]} {log.problems()}")
        if log.readings_count != through.seq or log.outputs_count < through.outputs:
            done.failures.append(f"{log.readings_count} readings of {through.seq} are in the log")
        if through.seq <= 100_000 and not replay.check(log).same:
            done.failures.append("check differs")
