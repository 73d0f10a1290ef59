"""NMEA 0183 fields and sentences, as text."""

from datetime import datetime, timedelta

from pynmea2 import NMEASentence


def sentence(body: str) -> str:
    """`body` between '$' and its checksum."""
    return f"${body}*{NMEASentence.checksum(body):02X}"


def tag_block(unix_ms: int) -> str:
    """NMEA 4 TAG block with the unix time in ms."""
    body = f"c:{unix_ms}"
    return f"\\{body}*{NMEASentence.checksum(body):02X}\\"


def angle(degrees: float, whole_digits: int, letters: str, decimals: int) -> str:
    """Latitude (2 digits, 'NS') or longitude (3 digits, 'EW') as ddmm.mmm,letter.

    Rounded as a whole number of the last decimal, so that 59.99999 minutes carry into the degrees.
    """
    scale = 10**decimals
    total = round(abs(degrees) * 60 * scale)
    whole, minutes = divmod(total, 60 * scale)
    letter = letters[0] if degrees >= 0 else letters[1]
    return f"{whole:0{whole_digits}d}{minutes // scale:02d}.{minutes % scale:0{decimals}d},{letter}"


def time_and_date(start: datetime, after_ms: int, decimals: int) -> tuple[str, str]:
    """'hhmmss.ss' and 'ddmmyy' of a time (to `decimals`, 2 or 3) after `start` (UTC, a whole second)."""
    seconds, ms = divmod(after_ms, 1000)
    at = start + timedelta(seconds=seconds)
    fraction = f"{ms // 10:02d}" if decimals == 2 else f"{ms:03d}"
    return f"{at:%H%M%S}.{fraction}", f"{at:%d%m%y}"
