"""Lines damaged on the way, as real cables and busy ports damage them.

bit_flip     one bit of the sentence is wrong; the line ends stay
truncated    the rest of the line is missing
junk_before  binary bytes stand before an intact sentence
merged       the end of a line is lost with its line end, so the next sentence follows on the same line
"""

from typing import Final

import numpy as np

from rigmon.simulate.noise import stream
from rigmon.simulate.receiver import during
from rigmon.simulate.scenario import Scenario

KINDS: Final = ("bit_flip", "truncated", "junk_before", "merged")
#: a flipped bit must not make a line end or a mark of the framing: then it would be another kind of damage
_MARKS: Final = b"\r\n$!*\\"

Line = tuple[int, bytes]


def garble(scenario: Scenario, lines: list[Line]) -> tuple[list[Line], dict[str, int]]:
    """The lines (ms from the start, bytes without line end) after damage, and how many of each kind."""
    counts = dict.fromkeys(KINDS, 0)
    events = scenario.of_kind("garbled")
    if not events:
        return lines, counts
    rng = stream(scenario.seed, "damage")
    out: list[Line] = []
    lost_end: bytes | None = None
    for number, (ms, line) in enumerate(lines):
        if lost_end is not None:
            out.append((ms, lost_end + line))
            lost_end = None
            continue
        event = during(events, ms)
        if event is None or rng.random_sample() >= (event.size or 0):
            out.append((ms, line))
            continue
        kind = KINDS[rng.randint(len(KINDS))]
        if kind == "merged" and number == len(lines) - 1:
            kind = "truncated"
        counts[kind] += 1
        if kind == "bit_flip":
            out.append((ms, _flip(rng, line)))
        elif kind == "truncated":
            out.append((ms, line[: rng.randint(1, len(line))]))
        elif kind == "junk_before":
            out.append((ms, _junk(rng) + line))
        else:
            lost_end = line[: len(line) - rng.randint(0, 7)]
    return out, counts


def _flip(rng: np.random.RandomState, line: bytes) -> bytes:
    """One bit wrong between '$' and '*': the checksum always tells."""
    while True:
        at = rng.randint(line.index(b"$") + 1, line.rindex(b"*"))
        flipped = line[at] ^ (1 << rng.randint(8))
        if flipped not in _MARKS:
            return line[:at] + bytes([flipped]) + line[at + 1 :]


def _junk(rng: np.random.RandomState) -> bytes:
    junk = rng.randint(0, 256, rng.randint(1, 21)).tolist()
    return bytes(byte for byte in junk if byte not in _MARKS) or b"\x00"
