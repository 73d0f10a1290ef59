"""Units: exact conversion factors, one parser for what people type, one formatter for what they read.

Inside rigmon every quantity is carried in one unit per dimension: m/s, L/min, kPa, L, kg, m, m2, s, L/ha;
kg/ha for a dose by mass, % for a concentration by volume, °C. The factors are exact rationals (Fraction), so
a value converts with a single rounding.

A temperature has a zero of its own besides its degree (`ZEROS`): 50 °F is 10 °C. A difference of temperatures
is another dimension, which has none: 18 °F warmer is 10 °C warmer.

Sources of the definitions: NIST SP 811 (2008) Appendix B and NIST HB 44 Appendix C: international foot
0.3048 m, inch 0.0254 m, statute mile 5280 ft, nautical mile 1852 m, US gallon 231 in3, US fluid ounce
gal/128, avoirdupois pound 0.45359237 kg, standard gravity 9.80665 m/s2, bar 100 kPa, conventional inch of
mercury 3386.389 Pa, t/°C = (t/°F - 32)/1.8 = T/K - 273.15. The acre is the
international one (43 560 ft2); the survey acre, 4 ppm larger, is not used. The ounce of weight is 1/16 lb.

An ounce, 'oz', may be one of volume or of weight. It is read only where nothing but a volume can be meant, as
on a catch-test sheet; on a label it must say which: 'fl oz/ac' or 'oz wt/ac'.
"""

import re
from collections.abc import Container
from fractions import Fraction
from typing import Final, Literal, NamedTuple

from rigmon.errors import UsageError

FOOT_M: Final = Fraction(3048, 10000)
INCH_M: Final = FOOT_M / 12
MILE_M: Final = 5280 * FOOT_M
NAUTICAL_MILE_M: Final = Fraction(1852)
ACRE_M2: Final = 43560 * FOOT_M**2
HECTARE_M2: Final = Fraction(10000)
US_GALLON_L: Final = 231 * INCH_M**3 * 1000
IMPERIAL_GALLON_L: Final = Fraction(454609, 100000)
US_FLUID_OUNCE_L: Final = US_GALLON_L / 128
POUND_KG: Final = Fraction(45359237, 100000000)
OUNCE_KG: Final = POUND_KG / 16
PSI_KPA: Final = POUND_KG * Fraction(980665, 100000) / INCH_M**2 / 1000

_VOLUME: Final[dict[str, Fraction]] = {
    "L": Fraction(1),
    "mL": Fraction(1, 1000),
    "cL": Fraction(1, 100),
    "m3": Fraction(1000),
    "gal": US_GALLON_L,
    "imp gal": IMPERIAL_GALLON_L,
    "qt": US_GALLON_L / 4,
    "pt": US_GALLON_L / 8,
    "fl oz": US_FLUID_OUNCE_L,
}
_LENGTH: Final[dict[str, Fraction]] = {
    "m": Fraction(1),
    "cm": Fraction(1, 100),
    "mm": Fraction(1, 1000),
    "km": Fraction(1000),
    "in": INCH_M,
    "ft": FOOT_M,
    "yd": 3 * FOOT_M,
    "mi": MILE_M,
}
_TIME: Final[dict[str, Fraction]] = {
    "s": Fraction(1),
    "ms": Fraction(1, 1000),
    "min": Fraction(60),
    "h": Fraction(3600),
}
_AREA: Final[dict[str, Fraction]] = {"m2": Fraction(1), "ha": HECTARE_M2, "ac": ACRE_M2, "ft2": FOOT_M**2}
_MASS: Final[dict[str, Fraction]] = {
    "kg": Fraction(1),
    "g": Fraction(1, 1000),
    "lb": POUND_KG,
    "oz wt": OUNCE_KG,
}
_DEGREES: Final[dict[str, Fraction]] = {"°C": Fraction(1), "°F": Fraction(5, 9), "K": Fraction(1)}
_PER_ACRE: Final = HECTARE_M2 / ACRE_M2
_PER_1000_FT2: Final = HECTARE_M2 / (1000 * FOOT_M**2)
_RATE: Final[dict[str, Fraction]] = {
    "L/ha": Fraction(1),
    "gal/ac": US_GALLON_L * _PER_ACRE,
    "imp gal/ac": IMPERIAL_GALLON_L * _PER_ACRE,
    "L/ac": _PER_ACRE,
    "fl oz/ac": US_FLUID_OUNCE_L * _PER_ACRE,
    "pt/ac": US_GALLON_L / 8 * _PER_ACRE,
    "qt/ac": US_GALLON_L / 4 * _PER_ACRE,
    "gal/1000 ft2": US_GALLON_L * _PER_1000_FT2,
}

#: dimension -> unit name -> how many carried units one of it is
UNITS: Final[dict[str, dict[str, Fraction]]] = {
    "length": _LENGTH,
    "area": _AREA,
    "volume": _VOLUME,
    "time": _TIME,
    "speed": {
        "m/s": Fraction(1),
        "km/h": Fraction(1000, 3600),
        "mph": MILE_M / 3600,
        "ft/s": FOOT_M,
        "ft/min": FOOT_M / 60,
        "kn": NAUTICAL_MILE_M / 3600,
    },
    "flow": {
        "L/min": Fraction(1),
        "mL/min": Fraction(1, 1000),
        "L/s": Fraction(60),
        "L/h": Fraction(1, 60),
        "gal/min": US_GALLON_L,
        "imp gal/min": IMPERIAL_GALLON_L,
        "fl oz/min": US_FLUID_OUNCE_L,
    },
    "pressure": {
        "kPa": Fraction(1),
        "Pa": Fraction(1, 1000),
        "bar": Fraction(100),
        "MPa": Fraction(1000),
        "psi": PSI_KPA,
    },
    "air pressure": {
        "kPa": Fraction(1),
        "hPa": Fraction(1, 10),
        "mbar": Fraction(1, 10),
        "bar": Fraction(100),
        "inHg": Fraction(3386389, 1000000),
    },
    "temperature": _DEGREES,
    "temperature difference": _DEGREES,
    "rate": _RATE,
    "dose by volume": {
        **_RATE,
        "mL/ha": Fraction(1, 1000),
        "mL/ac": Fraction(1, 1000) * _PER_ACRE,
        "fl oz/1000 ft2": US_FLUID_OUNCE_L * _PER_1000_FT2,
    },
    "dose by mass": {
        "kg/ha": Fraction(1),
        "g/ha": Fraction(1, 1000),
        "lb/ac": POUND_KG * _PER_ACRE,
        "oz wt/ac": OUNCE_KG * _PER_ACRE,
        "kg/ac": _PER_ACRE,
        "g/ac": Fraction(1, 1000) * _PER_ACRE,
        "lb/1000 ft2": POUND_KG * _PER_1000_FT2,
        "oz wt/1000 ft2": OUNCE_KG * _PER_1000_FT2,
    },
    "concentration": {
        "% v/v": Fraction(1),
        "mL/L": Fraction(1, 10),
        "mL/100 L": Fraction(1, 1000),
        "L/100 L": Fraction(1),
        "fl oz/gal": Fraction(100, 128),
        "fl oz/100 gal": Fraction(1, 128),
        "pt/100 gal": Fraction(1, 8),
        "qt/100 gal": Fraction(1, 4),
        "gal/100 gal": Fraction(1),
    },
    "mass": _MASS,
    "density": {
        "kg/L": Fraction(1),
        "g/mL": Fraction(1),
        "kg/m3": Fraction(1, 1000),
        "lb/gal": POUND_KG / US_GALLON_L,
    },
    "pulses per volume": {"1/L": Fraction(1), "1/gal": 1 / US_GALLON_L},
}

#: dimension -> unit name -> what its zero is in the carried unit, where that is not zero
ZEROS: Final[dict[str, dict[str, Fraction]]] = {
    "temperature": {"°F": Fraction(-160, 9), "K": Fraction(-27315, 100)},
}

#: dimension -> (US customary, metric): the unit that screens and reports show
SHOWN: Final[dict[str, tuple[str, str]]] = {
    "length": ("ft", "m"),
    "area": ("ac", "ha"),
    "volume": ("gal", "L"),
    "time": ("s", "s"),
    "speed": ("mph", "km/h"),
    "flow": ("gal/min", "L/min"),
    "pressure": ("psi", "kPa"),
    "air pressure": ("inHg", "hPa"),
    "temperature": ("°F", "°C"),
    "temperature difference": ("°F", "°C"),
    "rate": ("gal/ac", "L/ha"),
    "dose by volume": ("fl oz/ac", "L/ha"),
    "dose by mass": ("lb/ac", "kg/ha"),
    "concentration": ("% v/v", "% v/v"),
    "mass": ("lb", "kg"),
    "density": ("lb/gal", "kg/L"),
    "pulses per volume": ("1/gal", "1/L"),
}

# Lower-case spellings, each of one unit without a division; a bare gallon, quart or pint is the US one.
_SPELLINGS: Final[dict[str, str]] = {
    "l": "L", "liter": "L", "liters": "L", "litre": "L", "litres": "L", "ml": "mL", "cl": "cL", "cc": "mL",
    "gallon": "gal", "gallons": "gal", "us gal": "gal", "us gallon": "gal", "us gallons": "gal",
    "imperial gal": "imp gal", "imperial gallon": "imp gal", "imperial gallons": "imp gal",
    "uk gal": "imp gal",
    "quart": "qt", "quarts": "qt", "pint": "pt", "pints": "pt",
    "floz": "fl oz", "fl. oz": "fl oz", "fl.oz": "fl oz", "fluid ounce": "fl oz", "fluid ounces": "fl oz",
    "inch": "in", "inches": "in", '"': "in", "″": "in", "foot": "ft", "feet": "ft", "'": "ft", "′": "ft",
    "yard": "yd", "yards": "yd", "metre": "m", "metres": "m", "meter": "m", "meters": "m",
    "mile": "mi", "miles": "mi", "sec": "s", "second": "s", "seconds": "s", "minute": "min", "minutes": "min",
    "hour": "h", "hours": "h", "hr": "h", "acre": "ac", "acres": "ac", "hectare": "ha", "hectares": "ha",
    "sq ft": "ft2", "ft²": "ft2", "square feet": "ft2", "sq m": "m2", "m²": "m2",
    "1000 sq ft": "1000 ft2", "1000 ft²": "1000 ft2", "1000 square feet": "1000 ft2",
    "gram": "g", "grams": "g", "kilogram": "kg", "kilograms": "kg", "kgs": "kg",
    "pound": "lb", "pounds": "lb", "lbs": "lb",
    "oz. wt": "oz wt", "oz weight": "oz wt", "ounce wt": "oz wt", "ounces wt": "oz wt",
    "ounce weight": "oz wt", "ounces weight": "oz wt", "ounces by weight": "oz wt", "wt oz": "oz wt",
    "dry oz": "oz wt", "oz dry": "oz wt", "dry ounce": "oz wt", "dry ounces": "oz wt",
    "m³": "m3", "100 l": "100 L", "100 liters": "100 L", "100 litres": "100 L",
    "100 us gal": "100 gal", "100 gallons": "100 gal",
    "%v": "% v", "percent v": "% v", "pct v": "% v",
    "°c": "°C", "c": "°C", "degc": "°C", "deg c": "°C", "celsius": "°C", "degrees c": "°C",
    "°f": "°F", "f": "°F", "degf": "°F", "deg f": "°F", "fahrenheit": "°F", "degrees f": "°F",
    "k": "K", "kelvin": "K", "hpa": "hPa", "mb": "mbar", "inhg": "inHg", "in hg": "inHg",
    "kpa": "kPa", "pa": "Pa", "mpa": "MPa", "pulse": "1", "pulses": "1",
}  # fmt: skip

# Lower-case short forms of a whole quotient.
_QUOTIENTS: Final[dict[str, str]] = {
    "kmh": "km/h", "kph": "km/h", "mi/h": "mph", "knot": "kn", "knots": "kn", "fps": "ft/s",
    "gpm": "gal/min", "lpm": "L/min", "gpa": "gal/ac",
    "%": "% v/v", "percent": "% v/v", "% by volume": "% v/v", "percent by volume": "% v/v", "vol %": "% v/v",
}  # fmt: skip

_OUNCES: Final = ("oz", "ounce", "ounces")
# Where only a volume can be meant, a bare ounce is a fluid ounce, as people write it on catch-test sheets.
_FLUID_OUNCE_IN: Final = ("volume", "flow")
# Where a weight could be meant as well it is refused; here, where to look for what would be right.
_EITHER_OUNCE_IN: Final[dict[str, tuple[str, ...]]] = {
    "mass": ("mass",),
    "rate": ("rate",),
    "dose by volume": ("dose by volume", "dose by mass"),
    "dose by mass": ("dose by volume", "dose by mass"),
    "concentration": ("concentration",),
}

DoseKind = Literal["dose by volume", "dose by mass", "concentration"]
_DOSE_KINDS: Final[tuple[DoseKind, ...]] = ("dose by volume", "dose by mass", "concentration")
_DOSE_EXAMPLES: Final = "'2 pt/ac', '1.5 oz wt/ac', '1.5 L/ha', '30 g/ha' or '0.5 % v/v'"

# Capitals that say another prefix (milli for mega, mega for milli): refused, never folded to the near one.
_OTHER_PREFIX: Final = re.compile(r"mPa|ML(/.*)?|Mm(/.*)?")

# ASCII digits only, and bounded, so that no typed number can make the exact arithmetic slow or overflow.
_QUANTITY: Final = re.compile(
    r"\s*([+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)(.*)", re.DOTALL
)
# A time as a watch shows it: minutes and seconds, or hours, minutes and seconds.
_WATCH: Final = re.compile(r"(?:([0-9]{1,3}):(?=[0-5][0-9]:))?([0-9]{1,4}):([0-5][0-9](?:\.[0-9]{1,9})?)")
_LONGEST_NUMBER: Final = 40
_LARGEST_EXPONENT: Final = 99
_LONGEST_QUOTE: Final = 40


_NO_ZEROS: Final[dict[str, Fraction]] = {}
_NOUGHT: Final = Fraction(0)


class UnitError(UsageError):
    """A quantity that cannot be read: what was typed, and what would be right."""


def unit_name(unit: str, dimension: str) -> str:
    """The standard name of `unit` as typed. Raises UnitError for one that is not of the dimension."""
    name = _find(unit, dimension)
    if name is not None:
        return name
    raise UnitError(
        _which_ounce(unit, dimension)
        or f"{quoted(unit)} is not a unit of {dimension}; use one of: {', '.join(UNITS[dimension])}"
    )


def factor(unit: str, dimension: str) -> Fraction:
    """Carried units in one `unit` of `dimension`, exact; of a temperature the size of a degree, not its zero.

    Raises UnitError for a unit not of the dimension.
    """
    return UNITS[dimension][unit_name(unit, dimension)]


def _find(unit: str, dimension: str) -> str | None:
    table = UNITS[dimension]
    name = " ".join(unit.split())
    if name in table:
        return name
    if not _OTHER_PREFIX.fullmatch(name):
        name = _standard_name(name.lower(), "fl oz" if dimension in _FLUID_OUNCE_IN else None)
        if name in table:
            return name
    return None


def _standard_name(lower: str, ounce: str | None) -> str:
    """A spelling's standard name; `ounce` is what a bare ounce is, None leaves it bare."""
    known = []
    for part in lower.replace(" per ", "/").split("/"):
        word = part.strip()
        word = word if word in _SPELLINGS else word.removesuffix(".")
        known.append(ounce if ounce and word in _OUNCES else _SPELLINGS.get(word, word))
    name = "/".join(known)
    return _QUOTIENTS.get(name, name)


def _which_ounce(unit: str, dimension: str) -> str | None:
    """What to say of a bare ounce that may be one of volume or of weight; None: there is no such."""
    lower = " ".join(unit.lower().split())
    meant = [
        name
        for kind in _EITHER_OUNCE_IN.get(dimension, ())
        for ounce in ("fl oz", "oz wt")
        if (name := _standard_name(lower, ounce)) in UNITS[kind] and name != _standard_name(lower, None)
    ]
    if not meant:
        return None
    right = " or ".join(f"'{name}'" for name in meant)
    if len(meant) > 1:
        right += ", whichever the label means"
    return f"{quoted(unit)} is not clear: an ounce is one of volume or of weight; write {right}"


def quoted(text: str) -> str:
    """`text` in quotes as an error shows it: cut to a line's length, control characters escaped."""
    return repr(text if len(text) <= _LONGEST_QUOTE else text[:_LONGEST_QUOTE] + "...")


def parse(text: str, dimension: str) -> float:
    """Read a quantity such as '20 gal/ac' into the carried unit of `dimension`; a time also as '1:23'.

    Raises UnitError when there is no number, no unit (a bare number is ambiguous), the wrong unit, or a
    number out of all reason.
    """
    if dimension == "time" and ":" in text:
        return _parse_watch(text)
    us, metric = SHOWN[dimension]
    example = f"'20 {us}'" if us == metric else f"'20 {us}' or '20 {metric}'"
    number, unit = _split(text, dimension, example, metric, UNITS[dimension])
    try:
        return float(number * factor(unit, dimension) + _zero(unit_name(unit, dimension), dimension))
    except UnitError as error:
        raise UnitError(f"{quoted(text)}: {error}") from error


class Dose(NamedTuple):
    """A product's dose as a label states it."""

    kind: DoseKind  #: the dimension of `value`
    value: float  #: carried: L/ha, kg/ha, or % of the spray liquid by volume


def parse_dose(text: str) -> Dose:
    """Read a label's dose and say of which kind it is: per area by volume or by mass, or a concentration.

    '2 pt/ac' -> ('dose by volume', L/ha); '1.5 oz wt/ac' -> ('dose by mass', kg/ha); '0.5 %' ->
    ('concentration', % v/v). Raises UnitError as `parse` does, and for a bare 'oz', which may be fluid or
    weight.
    """
    number, unit = _split(text, "label dose", _DOSE_EXAMPLES, "L/ha")
    for kind in _DOSE_KINDS:
        if _find(unit, kind) is not None:
            return Dose(kind, float(number * factor(unit, kind)))
    trouble = next(filter(None, (_which_ounce(unit, kind) for kind in _DOSE_KINDS)), None)
    if trouble is None:
        trouble = (
            f"{quoted(unit)} is neither a dose per area nor a concentration by volume; "
            f"write it like {_DOSE_EXAMPLES}"
        )
    raise UnitError(f"{quoted(text)}: {trouble}")


def _split(
    text: str, what: str, example: str, metric: str, known: Container[str] = ()
) -> tuple[Fraction, str]:
    """The number, exact, and the unit as typed. Raises UnitError that says what a right text looks like.

    `known` units may begin with a digit; any other that does is the rest of a number.
    """
    match = _QUANTITY.fullmatch(text)
    if not match:
        raise UnitError(f"{quoted(text)} is not a number with a unit of {what}, such as {example}")
    number, unit = match.group(1), match.group(2).strip()
    if not unit:
        raise UnitError(f"{quoted(text)} has no unit of {what}; write it with one, such as {example}")
    if unit not in known and (unit[0] in ",/_½¼¾" or unit[0].isdecimal()):
        raise UnitError(
            f"{quoted(text)}: write the number with a decimal point, without commas, spaces or fractions, "
            f"such as '1000 {metric}' or '2.5 {metric}'"
        )
    exponent = number.lower().partition("e")[2].lstrip("+-0")
    if len(number) > _LONGEST_NUMBER or int(exponent[:3] or "0") > _LARGEST_EXPONENT:
        raise UnitError(f"{quoted(text)} has too many digits to be a {what}; write it like {example}")
    return Fraction(number), unit


def _parse_watch(text: str) -> float:
    match = _WATCH.fullmatch(text.strip())
    if not match:
        raise UnitError(
            f"{quoted(text)} is not a time; write minutes and seconds such as '1:23' or '1:23.4', hours such "
            "as '1:02:03', or one number with its unit, such as '83 s' or '2 min'"
        )
    hours, minutes, seconds = match.groups(default="0")
    return float((Fraction(hours) * 60 + Fraction(minutes)) * 60 + Fraction(seconds))


def convert(value: float, dimension: str, unit: str) -> float:
    """A carried `value` in `unit`, with one rounding."""
    carried = Fraction(value) - _zero(unit_name(unit, dimension), dimension)
    return float(carried / factor(unit, dimension))


def _zero(name: str, dimension: str) -> Fraction:
    return ZEROS.get(dimension, _NO_ZEROS).get(name, _NOUGHT)


_POINTS: Final = (
    *("N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE"),
    *("S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW"),
)


def compass_point(bearing_deg: float) -> str:
    """The nearest of the sixteen points of the compass, such as 'WSW'."""
    return _POINTS[int(bearing_deg / 22.5 + 0.5) % 16]


def shown_unit(dimension: str, system: str) -> str:
    """The unit that readers of `system` ('us' or 'metric') see for `dimension`; ValueError for another."""
    if system not in ("us", "metric"):
        raise ValueError(f"system {system!r} is neither 'us' nor 'metric'")
    return SHOWN[dimension][0 if system == "us" else 1]


def show(value: float | None, dimension: str, system: str, digits: int = 1, unknown: str = "--") -> str:
    """Format a carried value for a reader, with its unit; None reads as `unknown`."""
    unit = shown_unit(dimension, system)
    if value is None:
        return f"{unknown} {unit}"
    return f"{convert(value, dimension, unit):z.{digits}f} {unit}"
