"""NMEA 0183: bytes -> framed lines (bounded) -> decoded sentences.

pynmea2's grammar recognises the sentence and takes it apart. The rest is done here: its `parse` goes on to
an object whose converters hand back unconverted strings, accept 'nan' and '1_0', and raise from attribute
access, so the fields are read strictly instead, and the checksum is folded, which takes a fifth of the time.
A test holds what is taken and what is refused to `pynmea2.parse(check=True)`, line by line.
Whatever is refused comes back as `Rejected(reason)`: data to be counted, never an exception.
"""

from functools import lru_cache
from typing import Final, NamedTuple

import pynmea2

from rigmon.rig import Rig

#: a line longer than this is cut, so that an endless line cannot grow the buffer
MAX_LINE_BYTES: Final = 512
#: a sentence longer than this is refused; NMEA 0183 allows 82, receivers send up to about 120
MAX_SENTENCE_BYTES: Final = 200

#: 2000-01-01: a date before it comes from a receiver whose week number has rolled over, or has no date yet
EARLIEST_DAYS: Final = 10_957

_KN_M_S: Final = 1852 / 3600
_KM_H_M_S: Final = 1000 / 3600


class LineFramer:
    """Cuts a byte stream into lines at CR or LF. Any chunking of the stream gives the same lines.

    Empty lines are skipped. A run without line end is cut at MAX_LINE_BYTES, or before the last '$' in
    it, so that binary in front does not spoil a sentence.
    """

    __slots__ = ("_rest",)

    def __init__(self) -> None:
        self._rest = b""

    def feed(self, data: bytes) -> list[bytes]:
        """Add bytes; returns the lines they complete, without line ends."""
        parts = (self._rest + data).replace(b"\r", b"\n").split(b"\n")
        lines: list[bytes] = []
        for index, part in enumerate(parts):
            start = 0
            while len(part) - start > MAX_LINE_BYTES:
                cut = part.rfind(b"$", start + 1, start + MAX_LINE_BYTES)
                cut = cut if cut > 0 else start + MAX_LINE_BYTES
                lines.append(part[start:cut])
                start = cut
            run = part[start:] if start else part
            if index == len(parts) - 1:
                self._rest = run
            elif run:
                lines.append(run)
        return lines

    def flush(self) -> list[bytes]:
        """The unfinished rest at the end of the input, if any."""
        rest, self._rest = self._rest, b""
        return [rest] if rest else []


class Rejected(NamedTuple):
    reason: str


class Rmc(NamedTuple):
    """RMC: `valid` says whether position, speed and track may be used."""

    time_ms: int | None  #: of the UTC day
    date_days: int | None  #: days since 1970-01-01; None: absent; below `EARLIEST_DAYS`: not believable
    valid: bool
    lat_deg: float | None
    lon_deg: float | None
    speed_m_s: float | None
    track_deg: float | None


class Vtg(NamedTuple):
    valid: bool | None  #: None: the sentence does not say
    speed_m_s: float | None
    track_deg: float | None


class Gga(NamedTuple):
    time_ms: int | None
    valid: bool
    lat_deg: float | None
    lon_deg: float | None


class Zda(NamedTuple):
    time_ms: int | None
    date_days: int | None


class Transducers(NamedTuple):
    """The values of an XDR sentence that the rig asked for: (channel, value in the carried unit).

    Boom switches come first, the others in the order of the sentence.
    """

    values: tuple[tuple[str, float], ...]
    rejected: int  #: how many of the asked-for values could not be read


class Wind(NamedTuple):
    """MWV: where the wind comes from, clockwise from the sensor's zero, and how fast it is."""

    valid: bool  #: the sensor's own status
    relative: bool  #: to the sensor, which may be moving; else over the ground
    angle_deg: float | None
    speed_m_s: float | None


class Meteo(NamedTuple):
    """MDA: a weather station's composite. The wind is where it comes from."""

    air_pressure_kpa: float | None
    air_temperature_c: float | None
    humidity_pct: float | None
    dew_point_c: float | None
    wind_true_deg: float | None
    wind_magnetic_deg: float | None
    wind_speed_m_s: float | None


class Other(NamedTuple):
    """A sound sentence of a kind that is not used."""


OTHER: Final = Other()
_BAD_FIELD: Final = Rejected("bad_field")

Decoded = Rmc | Vtg | Gga | Zda | Transducers | Wind | Meteo | Other | Rejected

#: channel -> XDR type -> unit -> factor to the carried unit (kPa, L/min, L, 0/1, °C, %)
_XDR_UNITS: Final[dict[str, dict[str, dict[str, float]]]] = {
    "pressure": {"P": {"B": 100.0, "P": 0.001}},
    "flow": {"R": {"l": 60.0, "L": 60.0}},
    "volume": {"V": {"M": 1000.0}},
    "boom": {"S": {"": 1.0}},
    "temperature": {"C": {"C": 1.0}},
    "humidity": {"H": {"P": 1.0}},
}

#: units of MWV -> m/s: km/h, m/s, knots, statute miles per hour
_WIND_UNITS: Final[dict[str, float]] = {"K": _KM_H_M_S, "M": 1.0, "N": _KN_M_S, "S": 0.44704}
#: conventional inch of mercury, NIST SP 811 (2008), B.8
_IN_HG_KPA: Final = 3.386389


#: the grammar that `pynmea2.parse` goes by
_sentence: Final = pynmea2.NMEASentence.sentence_re.match


class _BadFieldError(ValueError):
    pass


class Decoder:
    """Decodes framed lines for one rig. Get it from `decoder_for`."""

    __slots__ = ("_check", "_newest", "_read", "_xdr")

    def __init__(self, rig: Rig) -> None:
        #: the newest line and what it was: a recording's timeline and the pipeline ask for the same one
        self._newest: tuple[bytes, Decoded] = (b"", Rejected("not_nmea"))
        self._check = not rig.gps.accept_missing_checksum
        #: (XDR type, transducer name) -> (channel, unit -> factor)
        self._xdr: dict[tuple[str, str], tuple[str, dict[str, float]]] = {}
        wanted: list[tuple[str, str]] = []
        if rig.flow.source == "xdr":
            wanted += [("flow", rig.flow.xdr_name), ("volume", rig.flow.xdr_name)]
        if rig.pressure.source == "xdr":
            wanted.append(("pressure", rig.pressure.xdr_name))
        if rig.boom_switch.source == "xdr":
            wanted.append(("boom", rig.boom_switch.xdr_name))
        weather = rig.weather
        if weather.air == "xdr":
            wanted += [("temperature", weather.temperature_name), ("humidity", weather.humidity_name)]
        #: a sentence that nothing is taken from is only checked, so that it cannot be refused for its fields
        self._read = dict(_READ)
        if weather.wind in ("relative", "true"):
            self._read["MWV,"] = Decoder._wind
        if "mda" in (weather.wind, weather.air):
            self._read["MDA,"] = Decoder._meteo
        for channel, name in wanted:
            for kind, table in _XDR_UNITS[channel].items():
                self._xdr[(kind, name)] = (channel, table)

    def decode(self, raw: bytes) -> Decoded:
        """Decode one framed line. Never raises."""
        newest = self._newest
        if raw == newest[0]:
            return newest[1]
        decoded = self._decode(raw)
        self._newest = (raw, decoded)
        return decoded

    def _decode(self, raw: bytes) -> Decoded:
        start = raw.rfind(b"$")
        if start < 0:
            start = raw.rfind(b"!")  # encapsulated sentences (AIS) share the stream on some boxes
            if start < 0:
                return Rejected("not_nmea")
        # A TAG block ends where the sentence begins; other things with a '\' first are binary in front.
        if start and raw[0] == 0x5C == raw[start - 1] and tag_block_time_ms(raw) is False:
            return Rejected("tag_checksum")
        text = (raw[start:] if start else raw).decode("latin-1").rstrip()
        # An address with 'P' first is proprietary, whatever follows: $PGRMC is not an RMC.
        read = self._read.get(text[3:7]) if text[1:2] not in "Pp" and text[0] == "$" else None
        if read is None:
            return self._unused(text)
        if len(text) > MAX_SENTENCE_BYTES:
            return Rejected("too_long")
        match = _sentence(text)
        if match is None or not text[:3].isascii():
            return Rejected("malformed")
        body, fields, digits = match.group("nmea_str", "data", "checksum")
        if digits is None:
            if self._check:
                return Rejected("checksum" if "*" in text else "no_checksum")
        elif int(digits, 16) != _checksum(body):
            return Rejected("checksum")
        try:
            return read(self, fields.split(","))
        except _BadFieldError:
            return _BAD_FIELD

    def _unused(self, text: str) -> Decoded:
        body, star, digits = text[1:].partition("*")
        given = _hex_byte(digits)
        if given == _checksum(body):
            return OTHER
        address = body.partition(",")[0]
        if not (address.isascii() and address.isalnum()):
            return Rejected("not_nmea")  # a '$' that happened to be in binary or in plain text
        if not star and self._check:
            return Rejected("no_checksum")
        if not star and len(address) < len(body):
            return OTHER
        return Rejected("malformed" if given is None else "checksum")

    def _rmc(self, data: list[str]) -> Decoded:
        if len(data) < 9:
            raise _BadFieldError
        mode = data[11] if len(data) > 11 else ""
        status = data[1]
        if status not in ("A", "V"):
            raise _BadFieldError
        # The status and mode decide, not pynmea2's is_valid: NMEA 4.1 receivers put 'V' (not provided)
        # into the navigational status of good fixes. E, M and S are estimated, manual and simulated.
        valid = status == "A" and mode not in ("N", "E", "M", "S")
        speed = data[6]
        return Rmc(
            _time_ms(data[0]),
            _date_days(data[8]),
            valid,
            _degrees(data[2], data[3], "N", "S", 90) if valid else None,
            _degrees(data[4], data[5], "E", "W", 180) if valid else None,
            _number(speed) * _KN_M_S if valid and speed else None,
            _track(data[7]) if valid else None,
        )

    def _vtg(self, data: list[str]) -> Decoded:
        # A receiver without fix may leave all empty, unit letters too; else the letter tells a cut
        # sentence, or the form before NMEA 2.3 without them.
        if len(data) < 8 or (data[1] != "T" and any(data[:8])):
            raise _BadFieldError
        mode = data[8] if len(data) > 8 else ""
        valid = None if not mode else mode not in ("N", "E", "M", "S")
        if valid is False:
            return Vtg(False, None, None)
        speed = None
        if data[4]:
            speed = _number(data[4]) * _KN_M_S
        elif data[6]:
            speed = _number(data[6]) * _KM_H_M_S
        return Vtg(valid, speed, _track(data[0]))

    def _gga(self, data: list[str]) -> Decoded:
        if len(data) < 12 or len(data[5]) > 1:
            raise _BadFieldError
        # 6, 7 and 8 are estimated, manual and simulated
        valid = data[5] != "" and data[5] in "123459"
        return Gga(
            _time_ms(data[0]),
            valid,
            _degrees(data[1], data[2], "N", "S", 90) if valid else None,
            _degrees(data[3], data[4], "E", "W", 180) if valid else None,
        )

    def _zda(self, data: list[str]) -> Decoded:
        if len(data) < 4:
            raise _BadFieldError
        day, month, year = data[1:4]
        if not (day and month and year):
            return Zda(_time_ms(data[0]), None)
        if not (day.isdecimal() and month.isdecimal() and year.isdecimal() and len(year) == 4):
            raise _BadFieldError
        return Zda(_time_ms(data[0]), _days(int(year), int(month), int(day)))

    def _wind(self, data: list[str]) -> Decoded:
        if len(data) < 5 or data[1] not in ("R", "T") or data[4] not in ("A", "V"):
            raise _BadFieldError
        relative = data[1] == "R"
        if data[4] == "V":
            return Wind(False, relative, None, None)
        speed = None
        if data[2]:
            factor = _WIND_UNITS.get(data[3])
            if factor is None:
                raise _BadFieldError
            speed = _number(data[2]) * factor
        return Wind(True, relative, _track(data[0]), speed)

    def _meteo(self, data: list[str]) -> Decoded:
        if len(data) < 20:
            raise _BadFieldError
        pressure = _stated(data, 2, "B", 100.0)
        if pressure is None:
            pressure = _stated(data, 0, "I", _IN_HG_KPA)
        speed = _stated(data, 18, "M", 1.0)
        if speed is None:
            speed = _stated(data, 16, "N", _KN_M_S)
        return Meteo(
            pressure,
            _stated(data, 4, "C", 1.0),
            _signed(data[8]) if data[8] else None,
            _stated(data, 10, "C", 1.0),
            _track(data[12]) if _stated(data, 12, "T", 1.0) is not None else None,
            _track(data[14]) if _stated(data, 14, "M", 1.0) is not None else None,
            speed,
        )

    def _transducers(self, data: list[str]) -> Decoded:
        values: list[tuple[str, float]] = []
        rejected = 0
        for i in range(0, len(data) - 3, 4):
            wanted = self._xdr.get((data[i], data[i + 3]))
            if wanted is None or not data[i + 1]:
                continue
            channel, factors = wanted
            factor = factors.get(data[i + 2])
            text = data[i + 1]
            magnitude = text[1:] if text[0] == "-" else text
            if factor is None or not magnitude.replace(".", "", 1).isdecimal():
                rejected += 1
                continue
            value = float(text) * factor
            if channel == "boom" and value not in (0.0, 1.0):
                rejected += 1
                continue
            # The switch first: it ends the interval to which the values until now belong.
            values.insert(0 if channel == "boom" else len(values), (channel, value))
        return Transducers(tuple(values), rejected)


_READ: Final = {
    "RMC,": Decoder._rmc,
    "VTG,": Decoder._vtg,
    "GGA,": Decoder._gga,
    "ZDA,": Decoder._zda,
    "XDR,": Decoder._transducers,
}


def _checksum(body: str) -> int:
    """Exclusive-or of all characters, by folding: most sentences of a stream are not used, only checked."""
    folded = int.from_bytes(body.encode("latin-1"))
    bits = 8 << len(body).bit_length()  # a power of two, and no fewer bits than there are
    while bits > 8:
        bits //= 2
        folded ^= folded >> bits
    return folded & 0xFF


@lru_cache(maxsize=4)
def decoder_for(rig: Rig) -> Decoder:
    """The decoder of a rig."""
    return Decoder(rig)


def tag_block_time_ms(raw: bytes) -> int | bool | None:
    r"""The unix time [ms] of an NMEA 4 TAG block `\c:<s or ms>*hh\` in front of a sentence.

    None: no TAG block, or one without time. False: its checksum is wrong or missing.
    """
    if raw[:1] != b"\\":
        return None
    end = raw.find(b"\\", 1)
    if end < 0:
        return False
    block, star, digits = raw[1:end].decode("latin-1").partition("*")
    if not star or _hex_byte(digits) != pynmea2.NMEASentence.checksum(block):
        return False
    for part in block.split(","):
        if part.startswith("c:"):
            stamp = part[2:]
            if not stamp.isdecimal() or len(stamp) > 13:
                return False
            # ten digits are seconds until the year 2286; milliseconds have thirteen
            return int(stamp) if len(stamp) > 10 else int(stamp) * 1000
    return None


def _hex_byte(digits: str) -> int | None:
    """Two hexadecimal digits; None for anything else. int() alone would take signs, blanks and '_'."""
    try:
        return int(digits, 16) if len(digits) == 2 and digits.isalnum() else None
    except ValueError:
        return None


# The sentences of one epoch repeat its time, date and place to the letter, so the newest few are remembered.


def _number(text: str) -> float:
    if not text.replace(".", "", 1).isdecimal():
        raise _BadFieldError
    return float(text)


def _signed(text: str) -> float:
    return -_number(text[1:]) if text[:1] == "-" else _number(text)


def _stated(data: list[str], at: int, letter: str, factor: float) -> float | None:
    """A value with its letter of a unit behind it; None where it is blank, and the letter may be too."""
    if not data[at]:
        return None
    if data[at + 1] != letter:
        raise _BadFieldError
    return _signed(data[at]) * factor


@lru_cache(maxsize=8)
def _track(text: str) -> float | None:
    if not text:
        return None
    degrees = _number(text)
    if degrees > 360:
        raise _BadFieldError
    return degrees


@lru_cache(maxsize=8)
def _time_ms(text: str) -> int | None:
    """hhmmss.sss of the day in ms; a leap second (60) is let through."""
    if not text:
        return None
    if len(text) < 6 or not text[:6].isdecimal():
        raise _BadFieldError
    hour, minute, second = int(text[:2]), int(text[2:4]), int(text[4:6])
    if hour > 23 or minute > 59 or second > 60:
        raise _BadFieldError
    ms = 0
    if len(text) > 6:
        digits = text[7:]
        if text[6] != "." or (digits and not digits.isdecimal()):
            raise _BadFieldError
        ms = int((digits + "000")[:3])
    return ((hour * 60 + minute) * 60 + second) * 1000 + ms


@lru_cache(maxsize=8)
def _date_days(text: str) -> int | None:
    """ddmmyy; years 80..99 are 19xx, before `EARLIEST_DAYS`: then whatever the day, 0."""
    if not text:
        return None
    if len(text) != 6 or not text.isdecimal():
        raise _BadFieldError
    year = int(text[4:6])
    if year >= 80:
        return 0
    return _days(2000 + year, int(text[2:4]), int(text[:2]))


def _days(year: int, month: int, day: int) -> int:
    """Days from 1970-01-01 to a date of the Gregorian calendar."""
    long_month = 29 if year % 4 == 0 and (year % 100 != 0 or year % 400 == 0) else 28
    lengths = (31, long_month, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)
    if not (1 <= month <= 12 and 1 <= day <= lengths[month - 1] and year >= 1):
        raise _BadFieldError
    before = year - 1
    days = before * 365 + before // 4 - before // 100 + before // 400
    return days + sum(lengths[: month - 1]) + day - 1 - 719162


@lru_cache(maxsize=8)
def _degrees(text: str, hemisphere: str, plus: str, minus: str, limit: int) -> float | None:
    """ddmm.mmmm or dddmm.mmmm and its hemisphere letter, in signed degrees."""
    if not text and not hemisphere:
        return None
    dot = text.find(".")
    if dot < 0:
        dot = len(text)
    if dot < 3 or not text.replace(".", "", 1).isdecimal() or hemisphere not in (plus, minus):
        raise _BadFieldError
    minutes = float(text[dot - 2 :])
    degrees = int(text[: dot - 2]) + minutes / 60
    if minutes >= 60 or degrees > limit:
        raise _BadFieldError
    return degrees if hemisphere == plus else -degrees
