"""Which baud is right? Judged by sentences with good checksums: pure, over the bytes heard at each one.

A UART that samples at the wrong rate still hands over bytes, but no sentence of them has a good checksum:
one needs a '$', an address, a '*' and two right digits in a row.
"""

from collections.abc import Mapping
from typing import Final, Literal, NamedTuple

from rigmon.core.nmea import Decoder, LineFramer, Rejected
from rigmon.rig import Rig

#: in the order they are tried: NMEA 0183 is 4800 by the standard; receivers come set to 9600, 38400 or 115200
RATES: Final = (9600, 115200, 38400, 4800, 57600, 19200, 230400, 460800)
#: so many sound sentences settle it
ENOUGH: Final = 2
#: a sentence's checksum is right, though a field in it is not
_SOUND_REASONS: Final = ("bad_field", "too_long")
_BITS_PER_BYTE: Final = 10  #: start, eight data bits, stop

Kind = Literal["nmea", "no checksums", "binary", "garbage", "silent"]


class Judged(NamedTuple):
    """What bytes heard at one baud are."""

    bytes: int
    sound: int  #: sentences with a good checksum
    bare: int  #: sentences that come without checksum
    binary: str  #: what binary messages in them begin with, in hexadecimal; ''

    @property
    def kind(self) -> Kind:
        if self.sound:
            return "nmea"
        if self.bare:
            return "no checksums"
        if self.binary:
            return "binary"
        return "garbage" if self.bytes else "silent"


def judge(data: bytes, rig: Rig) -> Judged:
    """What `data` is. A sentence cut off at either end is not counted."""
    decoder, framer = Decoder(rig), LineFramer()
    sound = bare = 0
    for line in framer.feed(data):
        decoded = decoder.decode(line)
        if not isinstance(decoded, Rejected):
            # where the rig takes sentences without checksum these count as what they are
            sound, bare = (sound + 1, bare) if b"*" in line else (sound, bare + 1)
        elif decoded.reason in _SOUND_REASONS:
            sound += 1
        elif decoded.reason == "no_checksum":
            bare += 1
    binary = "" if sound else binary_head(data)
    return Judged(len(data), sound, bare if bare > len(data) // 500 else 0, binary)


def binary_head(data: bytes) -> str:
    """What the messages of a receiver's binary protocol begin with, in hexadecimal; '': there are none.

    Only messages whose length and end fit together count, so garbage is not taken for one. Of the protocols
    that receivers are often found set to: B5 62 (length little-endian, Fletcher checksum), A0 A2 (ends in B0
    B3) and A0 A1 (ends in 0D 0A), both with a big-endian length.
    """
    for head, whole in ((b"\xb5\x62", _is_b562), (b"\xa0\xa2", _is_a0a2), (b"\xa0\xa1", _is_a0a1)):
        found, place = 0, data.find(head)
        while place >= 0 and found < ENOUGH:
            found += whole(data, place)
            place = data.find(head, place + 2)
        if found >= ENOUGH:
            return head.hex(" ").upper()
    return ""


def _is_b562(data: bytes, start: int) -> bool:
    end = start + 6 + int.from_bytes(data[start + 4 : start + 6], "little")
    a = b = 0
    for byte in data[start + 2 : end]:
        a = (a + byte) & 0xFF
        b = (b + a) & 0xFF
    return data[end : end + 2] == bytes((a, b))


def _is_a0a2(data: bytes, start: int) -> bool:
    end = start + 4 + int.from_bytes(data[start + 2 : start + 4], "big")
    return data[end + 2 : end + 4] == b"\xb0\xb3"


def _is_a0a1(data: bytes, start: int) -> bool:
    end = start + 4 + int.from_bytes(data[start + 2 : start + 4], "big")
    return data[end + 1 : end + 3] == b"\r\n"


def best(heard: Mapping[int, Judged]) -> int | None:
    """The baud at which most sound sentences were heard; None: none was at any. With none, one at which
    most sentences without checksum were."""
    for count in ("sound", "bare"):
        numbers = {baud: int(getattr(judged, count)) for baud, judged in heard.items()}
        if numbers and max(numbers.values()):
            return max(numbers, key=lambda baud: numbers[baud])
    return None


def line_load_pct(bytes_per_s: float, baud: int) -> float:
    """Share of what the line can carry, %."""
    return 100 * bytes_per_s * _BITS_PER_BYTE / baud


def transfer_s(size: float, baud: int) -> float:
    """How long so many bytes take on the line, s."""
    return size * _BITS_PER_BYTE / baud
