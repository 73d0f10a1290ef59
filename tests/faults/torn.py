"""A card that wrote half, or wrote wrong: the write-ahead log torn at and inside every frame, bits flipped in
it and in the file, the file cut short. What opens again is a prefix of what was acknowledged, and the reader
says where something is known to be missing.

The log is a real run's: the demo's rig at 10 Hz through the core, a commit a second, with a checkpoint on the
way, so that the write-ahead log starts anew over what it held before.
"""

import random
import struct
from collections.abc import Sequence
from pathlib import Path
from typing import Final
from unittest.mock import patch

from rigmon import config, replay
from rigmon.core.pipeline import Pipeline
from rigmon.errors import LogError
from rigmon.log import wal
from rigmon.log.header import run_header
from rigmon.log.reader import RunLog
from rigmon.log.schema import PAGE_BYTES
from rigmon.log.store import Store
from rigmon.model import NmeaLine, Output, Reading, Source
from tests.benchmarks.epochs import XDR
from tests.faults.feed import lines_of, rig_file
from tests.faults.table import Done

# sqlite.org/fileformat2.html, 4.1: a header of 32 bytes, then frames of 24 bytes and a page each; bytes 4 to
# 7 of a frame are 0, or the size of the database in pages where the frame ends a commit
_HEADER: Final = 32
_FRAME: Final = 24 + PAGE_BYTES
_CHECK_EVERY: Final = 25


class _Made:
    """A run of so many seconds as its files lay on the card when it was cut, and what was acknowledged."""

    def __init__(self, folder: Path, seconds: int) -> None:
        rig, text = config.load(rig_file(folder, "/dev/null"))
        path = folder / "made.sqlite"
        store = Store(path, run_header("torn", "live", text))
        pipeline = Pipeline(rig)
        self.readings: list[Reading] = []
        self.outputs: list[Output] = []
        #: readings and outputs in the file before, and after each commit in the write-ahead log
        self.acknowledged: list[tuple[int, int]] = []
        for second in range(seconds):
            readings: list[Reading] = []
            outputs: list[Output] = []
            for k in range(10 * second, 10 * second + 10):
                for line in lines_of(k):
                    seq = len(self.readings) + len(readings)
                    # the same each time but for this: lines that repeat would hide a block in a wrong place
                    raw = line.rstrip() if line != XDR else line.rstrip() + b" %d" % seq
                    readings.append(Reading(seq, k * 100_000_000, Source.GPS, NmeaLine(raw)))
                    outputs += pipeline.feed(readings[-1])
            first = len(self.outputs) + 1
            store.commit(readings, list(enumerate(outputs, first)), [])
            self.readings += readings
            self.outputs += outputs
            self.acknowledged.append((len(self.readings), len(self.outputs)))
            if second == seconds // 2:
                assert store._connection is not None
                store._connection.execute("PRAGMA wal_checkpoint(PASSIVE)")
                self.acknowledged = self.acknowledged[-1:]
        self.file = path.read_bytes()
        self.wal = path.with_name("made.sqlite-wal").read_bytes()
        store.close()
        salts = self.wal[16:24]
        used = [at for at in range(_HEADER, len(self.wal), _FRAME) if self.wal[at + 8 : at + 16] == salts]
        self.frames = len(used)
        self.ends = [at + _FRAME for at in used if struct.unpack_from(">I", self.wal, at + 4)[0]]
        assert len(self.ends) == len(self.acknowledged) - 1
        # what the file held before lies behind: SQLite must not take it for its own
        assert len(self.wal) > _HEADER + self.frames * _FRAME

    def safe(self, size: int) -> tuple[int, int]:
        """Readings and outputs of the commits that lie whole in the first `size` bytes."""
        return self.acknowledged[sum(end <= size for end in self.ends)]

    def frames_safe(self, size: int) -> int:
        """Frames of those commits."""
        return max(((end - _HEADER) // _FRAME for end in self.ends if end <= size), default=0)


class _Damage:
    """Opens damaged copies and compares."""

    def __init__(self, made: _Made, folder: Path) -> None:
        self._made = made
        self._path = folder / "torn" / "run.sqlite"
        self._path.parent.mkdir()
        self._tries = 0
        self.failures: list[str] = []
        self.told = 0

    def wal(self, what: str, wal: bytes, size: int, note: str) -> None:
        """Open with this write-ahead log, of which `size` bytes are as they were; `note` must be told."""
        made = self._made
        self._write(made.file, wal)
        readings, outputs = made.safe(size)
        self._tries += 1
        try:
            with RunLog.open(self._path) as log:
                kept = list(log.readings())
                if kept != made.readings[:readings]:
                    self.failures.append(f"{what}: {len(kept)} readings, acknowledged were {readings}")
                if list(log.outputs()) != made.outputs[:outputs]:
                    self.failures.append(f"{what}: other outputs than the {outputs} acknowledged")
                if self._tries % _CHECK_EVERY == 0 and (log.problems() or not replay.check(log).same):
                    self.failures.append(f"{what}: {log.problems()}, or check fails")
                if note and not any(note in told for told in log.notes):
                    self.failures.append(f"{what}: '{note}' is not told, but {log.notes}")
                self.told += bool(note)
        except LogError as error:
            self.failures.append(f"{what}: does not open: {error}")

    def file(self, what: str, data: bytes, whole: Sequence[Reading]) -> None:
        """Open a damaged file that ended cleanly: the same readings, or a prefix and a word about it."""
        self._write(data, b"")
        try:
            with RunLog.open(self._path) as log:
                kept = list(log.readings(salvage=True))
                notes = log.notes
        except LogError:
            self.told += 1
            return
        if kept != whole[: len(kept)]:
            self.failures.append(f"{what}: other readings than were written")
        elif len(kept) < len(whole):
            self.told += 1
            if not any("left out" in note for note in notes):
                self.failures.append(f"{what}: {len(kept)} of {len(whole)} readings, and not a word")

    def _write(self, file: bytes, wal: bytes) -> None:
        for beside in self._path.parent.iterdir():
            beside.unlink()
        self._path.write_bytes(file)
        if wal:
            self._path.with_name("run.sqlite-wal").write_bytes(wal)


def run(folder: Path, seconds: int, inside: int, flips: int, seed: int = 2) -> list[Done]:
    """`inside`: places within each frame at which it is torn; `flips`: bits flipped in either file."""
    made = _Made(folder, seconds)
    with patch.object(wal, "SETTLE_S", 0.0):  # nobody writes these
        return [
            _torn(made, folder / "a", inside, seed),
            _flipped(made, folder / "b", flips, seed),
            _file(made, folder / "c", flips, seed),
        ]


def _torn(made: _Made, folder: Path, inside: int, seed: int) -> Done:
    folder.mkdir()
    damage, chance = _Damage(made, folder), random.Random(seed)
    sizes = [0, 1, _HEADER - 1]
    for begin in range(_HEADER, _HEADER + made.frames * _FRAME, _FRAME):
        sizes += [begin, *(begin + offset for offset in (1, 23, 24, _FRAME - 1))]
        sizes += [begin + chance.randrange(2, _FRAME - 1) for _ in range(inside)]
    for size in sizes:
        half = (size - _HEADER) // _FRAME > made.frames_safe(size)
        damage.wal(f"torn at {size}", made.wal[:size], size, "cut off half-way" if half else "")
        # and the same with what lay on the card before behind it
        stale = chance.randbytes(len(made.wal) - size)
        damage.wal(f"torn at {size}, noise behind", made.wal[:size] + stale, size, "")
    rows = Done("write-ahead log torn", 2 * len(sizes), failures=damage.failures)
    rows.worst = f"{made.frames} frames; a half commit told {damage.told} times"
    return rows


def _flipped(made: _Made, folder: Path, flips: int, seed: int) -> Done:
    folder.mkdir()
    damage, chance = _Damage(made, folder), random.Random(seed)
    used = _HEADER + made.frames * _FRAME
    for _ in range(flips):
        at, bit = chance.randrange(used), chance.randrange(8)
        wal = bytearray(made.wal)
        wal[at] ^= 1 << bit
        frame = (at - _HEADER) // _FRAME if at >= _HEADER else 0
        begin = _HEADER + frame * _FRAME if at >= _HEADER else 0
        # salts flipped in the last frame: as if that frame had never been written
        last = frame == made.frames - 1 and 8 <= (at - _HEADER) % _FRAME < 16
        told = "" if last else "damaged"
        damage.wal(f"bit {bit} of byte {at} flipped", bytes(wal), begin, told)
    return Done("write-ahead log, a bit flipped", flips, f"damage told {damage.told} times", damage.failures)


def _file(made: _Made, folder: Path, flips: int, seed: int) -> Done:
    folder.mkdir()
    store = Store(folder / "ended.sqlite", run_header("ended", "live", config.load(rig_file(folder, "x"))[1]))
    store.commit(made.readings, list(enumerate(made.outputs, 1)), [])
    store.end(made.readings[-1].t_ns, "done")
    store.fold()
    store.close()
    whole = (folder / "ended.sqlite").read_bytes()
    damage, chance = _Damage(made, folder), random.Random(seed)
    for _ in range(flips):
        at, bit = chance.randrange(len(whole)), chance.randrange(8)
        data = bytearray(whole)
        data[at] ^= 1 << bit
        damage.file(f"bit {bit} of byte {at} of the file flipped", bytes(data), made.readings)
    cuts = range(PAGE_BYTES, len(whole), PAGE_BYTES * max(1, len(whole) // PAGE_BYTES // max(1, flips)))
    for size in cuts:
        damage.file(f"file cut to {size} bytes", whole[:size], made.readings)
    worst = (
        f"told {damage.told} times, harmless {flips + len(cuts) - damage.told - len(damage.failures)} times"
    )
    return Done("file flipped or cut short", flips + len(cuts), worst, damage.failures)
