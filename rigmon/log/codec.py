"""Readings <-> blocks: the raw readings of about a second as one row.

Each block's CRC goes on from the one before, so that a changed, a missing and a misplaced block all show.

A block's text is a JSON array with one item per reading: [ns after the block's t_ns, source, payload], the
payload being a line as text with one character per byte, or [kind, field, ...]. Integers, floats, strings
and bytes come back exactly as they went in.
"""

import json
import zlib
from collections.abc import Sequence
from json import JSONDecodeError
from operator import itemgetter
from typing import Any, Final

from rigmon.log.schema import inflate
from rigmon.model import (
    Acknowledge,
    AdcCount,
    BeginRun,
    Carried,
    EndRun,
    NmeaLine,
    Note,
    Payload,
    PulseCount,
    Reading,
    Refill,
    Retarget,
    Source,
    SourceFault,
    SwitchState,
    Tick,
)

#: A damaged block costs no more readings than this, however many are written at once.
BLOCK_READINGS: Final = 250

Block = tuple[int, int, int, int, int, int, bytes]  #: the columns of reading_block

# Names in the file format: never change or reuse one.
_KINDS: Final[dict[str, type[Any]]] = {
    "pulses": PulseCount,
    "adc": AdcCount,
    "switch": SwitchState,
    "tick": Tick,
    "fault": SourceFault,
    "note": Note,
    "refill": Refill,
    "acknowledge": Acknowledge,
    "begin_run": BeginRun,
    "end_run": EndRun,
    "retarget": Retarget,
    "carried": Carried,
}
_NAMES: Final[dict[type[Any], str]] = {kind: name for name, kind in _KINDS.items()}
_SOURCES: Final[dict[int, Source]] = {int(source): source for source in Source}

# the fastest level is enough: 35 % or 40 % of the raw size comes to the same number of pages
_LEVEL: Final = 1
_to_json: Final = json.JSONEncoder(separators=(",", ":"), check_circular=False, allow_nan=False).encode
_from_json: Final = json.JSONDecoder().decode
_seq_of: Final = itemgetter(0)


class DamagedBlockError(Exception):
    """A block that is not what was written."""


class UnknownReadingError(DamagedBlockError):
    """A sound block that holds a kind of reading which this rigmon does not know: a newer one wrote it."""


def blocks(readings: Sequence[Reading], after: int | None = None, chain: int = 0) -> list[Block]:
    """Pack readings into as few blocks as their numbers and size allow.

    `after` is the number of the reading before them, `chain` the CRC of the block before them (0: none).
    Raises ValueError where `seq` does not ascend, and TypeError or ValueError for a reading that no block
    can hold.
    """
    packed: list[Block] = []
    numbers = list(map(_seq_of, readings))
    if not numbers:
        return packed
    if after is not None and numbers[0] <= after:
        raise ValueError(f"reading {numbers[0]} came after reading {after}")
    count = len(numbers)
    if numbers == list(range(numbers[0], numbers[0] + count)):
        for i in range(0, count, BLOCK_READINGS):
            packed.append(_pack(readings[i : i + BLOCK_READINGS], chain))
            chain = packed[-1][4]
        return packed
    begin = 0
    for end in range(1, count + 1):
        if end == count or numbers[end] != numbers[end - 1] + 1:
            packed += blocks(readings[begin:end], after, chain)
            begin, after, chain = end, numbers[end - 1], packed[-1][4]
    return packed


def _pack(readings: Sequence[Reading], chain: int) -> Block:
    seq, t_ns, _, _ = readings[0]
    # +source: the plain integer, which JSON and SQLite take without a detour through its class
    items = [
        [t - t_ns, +source, payload[0].decode("latin-1") if type(payload) is NmeaLine else _fields(payload)]
        for _, t, source, payload in readings
    ]
    text = _to_json(items).encode()
    n, end_ns = len(readings), readings[-1][1]
    deflated = zlib.compress(text, _LEVEL)
    body = deflated if len(deflated) < len(text) else text
    return seq, n, t_ns, end_ns, _crc(chain, seq, n, t_ns, end_ns, text), len(text), body


def _fields(payload: Payload) -> list[object]:
    name = _NAMES.get(type(payload))
    if name is None:
        raise TypeError(f"{type(payload).__name__} is not a payload that a run log holds")
    return [name, *payload]


def _crc(chain: int, seq: int, n: int, t_ns: int, end_ns: int, text: bytes) -> int:
    return zlib.crc32(text, zlib.crc32(b"%d %d %d %d " % (seq, n, t_ns, end_ns), chain))


def unpack(block: Block, chain: int = 0) -> list[Reading]:
    """The readings of a block. `chain` is the CRC of the block before it (0: none).

    Raises DamagedBlockError, saying why, when this block is not what was written, or not in its place, and
    UnknownReadingError when it was written by a newer rigmon.
    """
    seq, n, t_ns, end_ns, crc, size, body = block
    try:
        text = inflate(body, size)
        if len(text) != size or _crc(chain, seq, n, t_ns, end_ns, text) != crc:
            raise DamagedBlockError("the checksum does not fit")
        return [
            Reading(
                number,
                t_ns + offset_ns,
                _SOURCES[source],
                NmeaLine(payload.encode("latin-1")) if type(payload) is str else _payload(payload),
            )
            for number, (offset_ns, source, payload) in enumerate(_from_json(text.decode()), seq)
        ]
    except (zlib.error, JSONDecodeError, UnicodeError) as error:
        raise DamagedBlockError(str(error)) from error
    except UnknownReadingError:
        raise
    except KeyError as error:
        raise UnknownReadingError(f"a source of number {error} is not known to this rigmon") from error
    except (TypeError, ValueError) as error:  # other fields than this version's
        raise UnknownReadingError(f"it holds what this rigmon does not know: {error}") from error


def _payload(fields: list[Any]) -> Payload:
    name = fields[0]
    kind = _KINDS.get(name) if type(name) is str else None
    if kind is None:
        raise UnknownReadingError(f"a reading of kind {str(name)[:40]!r} is not known to this rigmon")
    made: Payload = kind(*fields[1:])
    return made
