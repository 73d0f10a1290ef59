"""A film that shows nothing, so that a phone keeps its screen on: python -m rigmon.web.awake_video FILE

Browsers give a page the screen wake lock only over https or on the device itself. Over the rig's network by
plain http there is none, but a phone does not darken its screen while a film plays. This one is made here,
byte by byte: still grey pictures of 160 x 144, each shown for minutes, without sound, as long as a day.

Formats: ITU-T H.264 (baseline profile, level 1) in ISO/IEC 14496-12 and 14496-15 (MP4); from memory.
"""

import sys
from pathlib import Path
from struct import pack
from typing import Final

WIDTH: Final = 160
HEIGHT: Final = 144
PICTURES: Final = 72
PICTURE_S: Final = 600

_MACROBLOCKS: Final = (WIDTH // 16) * (HEIGHT // 16)


class _Bits:
    """A bit string as H.264 writes it."""

    def __init__(self) -> None:
        self._bits = ""

    def u(self, value: int, bits: int) -> "_Bits":
        self._bits += format(value, f"0{bits}b")
        return self

    def ue(self, *values: int) -> "_Bits":
        """Unsigned Exp-Golomb codes (H.264, 9.1). A signed 0 is the same as an unsigned one."""
        for value in values:
            code = format(value + 1, "b")
            self._bits += "0" * (len(code) - 1) + code
        return self

    def unit(self, header: int) -> bytes:
        """As a NAL unit: with its stop bit, filled up to whole bytes."""
        bits = self._bits + "1"
        bits += "0" * (-len(bits) % 8)
        body = int(bits, 2).to_bytes(len(bits) // 8, "big")
        if any(bytes((0, 0, last)) in body for last in range(4)):
            raise ValueError("the picture needs emulation prevention bytes, which are not written here")
        return bytes((header,)) + body


def _sequence() -> bytes:
    bits = _Bits().u(66, 8).u(0b11000000, 8).u(10, 8)  # baseline, constrained; level 1
    bits.ue(0, 0, 2, 1).u(0, 1)  # id, 4-bit frame numbers, order as decoded, one reference picture
    bits.ue(WIDTH // 16 - 1, HEIGHT // 16 - 1)
    return bits.u(1, 1).u(1, 1).u(0, 1).u(0, 1).unit(0x67)  # frames only, 8x8 inference, no crop, no VUI


def _picture_set() -> bytes:
    bits = _Bits().ue(0, 0).u(0, 2).ue(0, 0, 0).u(0, 3)  # CAVLC, one slice group, no weights
    return bits.ue(0, 0, 0).u(0, 3).unit(0x68)


def _first() -> bytes:
    """An intra picture: each macroblock as the mean of what is around it, which is grey."""
    bits = _Bits().ue(0, 7, 0).u(0, 4).ue(0).u(0, 2).ue(0)
    for _ in range(_MACROBLOCKS):
        bits.ue(3, 0, 0).u(1, 1)  # 16 x 16 by the mean, chroma likewise, same quantiser, no coefficients
    return bits.unit(0x65)


def _same_again(number: int) -> bytes:
    """A picture in which every macroblock is skipped: as the one before."""
    return _Bits().ue(0, 5, 0).u(number % 16, 4).u(0, 3).ue(0).ue(_MACROBLOCKS).unit(0x41)


def _box(kind: bytes, *parts: bytes) -> bytes:
    body = b"".join(parts)
    return pack(">I4s", 8 + len(body), kind) + body


def _full(kind: bytes, *parts: bytes, flags: int = 0) -> bytes:
    return _box(kind, pack(">I", flags), *parts)


def video() -> bytes:
    """The whole file."""
    frames = [_first(), *(_same_again(number) for number in range(1, PICTURES))]
    samples = [pack(">I", len(frame)) + frame for frame in frames]
    length_s = PICTURES * PICTURE_S
    kind = _box(b"ftyp", b"isom", pack(">I", 0x200), b"isomiso2avc1mp41")
    moov = _moov(length_s, [len(sample) for sample in samples], 0)
    moov = _moov(length_s, [len(sample) for sample in samples], len(kind) + len(moov) + 8)
    return kind + moov + _box(b"mdat", *samples)


def _moov(length_s: int, sizes: list[int], offset: int) -> bytes:
    matrix = pack(">9I", 0x10000, 0, 0, 0, 0x10000, 0, 0, 0, 0x40000000)
    movie = _full(
        b"mvhd", pack(">4I", 0, 0, 1, length_s), pack(">IHHII", 0x10000, 0x100, 0, 0, 0), matrix, bytes(24),
        pack(">I", 2),
    )  # fmt: skip
    track = _full(
        b"tkhd", pack(">5I", 0, 0, 1, 0, length_s), bytes(16), matrix, pack(">II", WIDTH << 16, HEIGHT << 16),
        flags=3,
    )  # fmt: skip
    media = _box(
        b"mdia",
        _full(b"mdhd", pack(">4IHH", 0, 0, 1, length_s, 0x55C4, 0)),
        _full(b"hdlr", pack(">I4s", 0, b"vide"), bytes(12), b"\0"),
        _box(
            b"minf",
            _full(b"vmhd", bytes(8), flags=1),
            _box(b"dinf", _full(b"dref", pack(">I", 1), _full(b"url ", flags=1))),
            _samples(sizes, offset),
        ),
    )
    return _box(b"moov", movie, _box(b"trak", track, media))


def _samples(sizes: list[int], offset: int) -> bytes:
    sequence, pictures = _sequence(), _picture_set()
    decoder = _box(
        b"avcC",
        bytes((1, *sequence[1:4], 0xFF, 0xE1)), pack(">H", len(sequence)), sequence,
        bytes((1,)), pack(">H", len(pictures)), pictures,
    )  # fmt: skip
    entry = _box(
        b"avc1", bytes(6), pack(">H", 1), bytes(16), pack(">HHIIIH", WIDTH, HEIGHT, 0x480000, 0x480000, 0, 1),
        bytes(32), pack(">Hh", 24, -1), decoder,
    )  # fmt: skip
    return _box(
        b"stbl",
        _full(b"stsd", pack(">I", 1), entry),
        _full(b"stts", pack(">3I", 1, len(sizes), PICTURE_S)),
        _full(b"stss", pack(">II", 1, 1)),
        _full(b"stsc", pack(">4I", 1, 1, len(sizes), 1)),
        _full(b"stsz", pack(">II", 0, len(sizes)), *(pack(">I", size) for size in sizes)),
        _full(b"stco", pack(">II", 1, offset)),
    )


if __name__ == "__main__":
    Path(sys.argv[1]).write_bytes(video())
