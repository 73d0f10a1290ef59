"""What SQLite does not say of a write-ahead log: whether it stops short of what lies in it.

After a cut SQLite takes the log's whole commits up to the first frame that does not fit, and is silent
about what follows. Layout and checksum: sqlite.org/fileformat2.html, section 4.
"""

import time
from array import array
from pathlib import Path
from sys import byteorder
from typing import Final, NamedTuple

_HEADER_BYTES: Final = 32
_FRAME_HEADER_BYTES: Final = 24
_MAGIC: Final = 0x377F0682  #: its last bit says whether checksums are over big-endian words
_MASK: Final = 0xFFFFFFFF
#: so long, and so often at most, a log that looks torn is given to look whole
SETTLE_S: Final = 0.02
_LOOKS: Final = 5


class WalState(NamedTuple):
    """Frames (pages) by what becomes of them. What an earlier use of the file left behind is not counted."""

    whole: int  #: in whole commits
    unfinished: int  #: of a newest commit that was cut off half-way
    damaged: int  #: from the first frame that does not fit to the last one that was written


def inspect(path: Path) -> WalState:
    """Look at a write-ahead log file. Raises OSError."""
    data = path.read_bytes()
    if len(data) < _HEADER_BYTES:
        return WalState(0, 0, 0)
    magic, page_bytes = _number(data, 0), _number(data, 8)
    if magic | 1 != _MAGIC | 1 or page_bytes < 512 or page_bytes & (page_bytes - 1) or page_bytes > 65536:
        return WalState(0, 0, _frames(len(data), 512))
    big_endian = bool(magic & 1)
    salts = data[16:24]
    sums = _checksum(data[:24], (0, 0), big_endian)
    frame_bytes = _FRAME_HEADER_BYTES + page_bytes
    total = _frames(len(data), page_bytes)
    if sums != (_number(data, 24), _number(data, 28)):
        return WalState(0, 0, total)
    good = whole = 0
    for index in range(total):
        start = _HEADER_BYTES + index * frame_bytes
        if data[start + 8 : start + 16] != salts:
            break
        sums = _checksum(data[start : start + 8], sums, big_endian)
        sums = _checksum(data[start + _FRAME_HEADER_BYTES : start + frame_bytes], sums, big_endian)
        if sums != (_number(data, start + 16), _number(data, start + 20)):
            break
        good = index + 1
        if _number(data, start + 4):
            whole = good
    # Frames of this use of the file carry its salts, whatever else became of them.
    newest = good
    for index in range(good, total):
        start = _HEADER_BYTES + index * frame_bytes
        if data[start + 8 : start + 16] == salts:
            newest = index + 1
    return WalState(whole, 0, newest - whole) if newest > good else WalState(whole, good - whole, 0)


def settled(path: Path) -> WalState:
    """`inspect`, but for what only looks torn because another process is writing it in this moment: a commit
    takes milliseconds, so damage is believed when it is still the same a little later. Raises OSError.
    """
    state = inspect(path)
    for _ in range(_LOOKS):
        if not (state.unfinished or state.damaged):
            break
        time.sleep(SETTLE_S)
        before, state = state, inspect(path)
        if state == before:
            break
    return state


def _frames(size: int, page_bytes: int) -> int:
    return max(0, size - _HEADER_BYTES) // (_FRAME_HEADER_BYTES + page_bytes)


def _number(data: bytes, at: int) -> int:
    return int.from_bytes(data[at : at + 4], "big")


def _checksum(data: bytes, sums: tuple[int, int], big_endian: bool) -> tuple[int, int]:
    words = array("I", data)
    if big_endian != (byteorder == "big"):
        words.byteswap()
    first, second = sums
    pairs = iter(words)
    for word in pairs:
        first = (first + word + second) & _MASK
        second = (second + next(pairs) + first) & _MASK
    return first, second
