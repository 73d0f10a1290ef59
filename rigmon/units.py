"""Units: exact conversion factors, one parser for what people type, one formatter for what they read.

Inside rigmon every quantity is carried in one unit per dimension: m/s, L/min, kPa, L, m, m2, s, L/ha.
The factors are exact rationals (Fraction), so a value converts with a single rounding.

Sources of the definitions: NIST SP 811 (2008) Appendix B and NIST HB 44 Appendix C: international foot
0.3048 m, inch 0.0254 m, statute mile 5280 ft, nautical mile 1852 m, US gallon 231 in3, US fluid ounce
gal/128, avoirdupois pound 0.45359237 kg, standard gravity 9.80665 m/s2, bar 100 kPa. The acre is the
international one (43 560 ft2); the survey acre, 4 ppm larger, is not used.
"""

import re
from fractions import Fraction
from typing import Final

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
    "rate": {
        "L/ha": Fraction(1),
        "gal/ac": US_GALLON_L * HECTARE_M2 / ACRE_M2,
        "imp gal/ac": IMPERIAL_GALLON_L * HECTARE_M2 / ACRE_M2,
        "L/ac": HECTARE_M2 / ACRE_M2,
        "fl oz/ac": US_FLUID_OUNCE_L * HECTARE_M2 / ACRE_M2,
        "pt/ac": US_GALLON_L / 8 * HECTARE_M2 / ACRE_M2,
        "qt/ac": US_GALLON_L / 4 * HECTARE_M2 / ACRE_M2,
    },
    "pulses per volume": {"1/L": Fraction(1), "1/gal": 1 / US_GALLON_L},
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
    "rate": ("gal/ac", "L/ha"),
    "pulses per volume": ("1/gal", "1/L"),
}

# Lower-case spellings, each of one unit without a division; a bare gallon, quart or pint is the US one.
_SPELLINGS: Final[dict[str, str]] = {
    "l": "L", "liter": "L", "liters": "L", "litre": "L", "litres": "L", "ml": "mL", "cl": "cL", "cc": "mL",
    "gallon": "gal", "gallons": "gal", "us gal": "gal", "us gallon": "gal", "us gallons": "gal",
    "imperial gal": "imp gal", "imperial gallon": "imp gal", "imperial gallons": "imp gal",
    "uk gal": "imp gal",
    "quart": "qt", "quarts": "qt", "pint": "pt", "pints": "pt", "m³": "m3",
    "floz": "fl oz", "fl. oz": "fl oz", "fl.oz": "fl oz", "fluid ounce": "fl oz", "fluid ounces": "fl oz",
    "inch": "in", "inches": "in", '"': "in", "″": "in", "foot": "ft", "feet": "ft", "'": "ft", "′": "ft",
    "yard": "yd", "yards": "yd", "metre": "m", "metres": "m", "meter": "m", "meters": "m",
    "mile": "mi", "miles": "mi", "sec": "s", "second": "s", "seconds": "s", "minute": "min", "minutes": "min",
    "hour": "h", "hours": "h", "hr": "h", "acre": "ac", "acres": "ac", "hectare": "ha", "hectares": "ha",
    "sq ft": "ft2", "ft²": "ft2", "sq m": "m2", "m²": "m2",
    "kpa": "kPa", "pa": "Pa", "mpa": "MPa", "pulse": "1", "pulses": "1",
}  # fmt: skip

# Lower-case short forms of a whole quotient.
_QUOTIENTS: Final[dict[str, str]] = {
    "kmh": "km/h", "kph": "km/h", "mi/h": "mph", "knot": "kn", "knots": "kn", "fps": "ft/s",
    "gpm": "gal/min", "lpm": "L/min", "gpa": "gal/ac",
}  # fmt: skip

# Where only a volume can be meant, a bare ounce is a fluid ounce, as people write it on catch-test sheets.
_FLUID_OUNCE_IN: Final[dict[str, dict[str, str]]] = {
    "volume": {"oz": "fl oz", "ounce": "fl oz", "ounces": "fl oz"},
    "flow": {"oz": "fl oz", "ounce": "fl oz", "ounces": "fl oz"},
}

# Capitals that say another prefix (milli for mega, mega for milli): refused, never folded to the near one.
_OTHER_PREFIX: Final = re.compile(r"mPa|ML(/.*)?|Mm(/.*)?")

# ASCII digits only, and bounded, so that no typed number can make the exact arithmetic slow or overflow.
_QUANTITY: Final = re.compile(
    r"\s*([+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)(.*)", re.DOTALL
)
_LONGEST_NUMBER: Final = 40
_LARGEST_EXPONENT: Final = 99
_LONGEST_QUOTE: Final = 40


class UnitError(UsageError):
    """A quantity that cannot be read: what was typed, and what would be right."""


def factor(unit: str, dimension: str) -> Fraction:
    """Carried units in one `unit` of `dimension`, exact. Raises UnitError for a unit not of the dimension."""
    table = UNITS[dimension]
    name = " ".join(unit.split())
    if name in table:
        return table[name]
    if not _OTHER_PREFIX.fullmatch(name):
        name = _standard_name(name.lower(), dimension)
        if name in table:
            return table[name]
    raise UnitError(f"{quoted(unit)} is not a unit of {dimension}; use one of: {', '.join(table)}")


def _standard_name(lower: str, dimension: str) -> str:
    ounces = _FLUID_OUNCE_IN.get(dimension, {})
    parts = lower.replace(" per ", "/").split("/")
    known = []
    for part in parts:
        word = part.strip()
        word = word if word in _SPELLINGS else word.removesuffix(".")
        known.append(ounces.get(word) or _SPELLINGS.get(word, word))
    name = "/".join(known)
    return _QUOTIENTS.get(name, name)


def quoted(text: str) -> str:
    """`text` in quotes as an error shows it: cut to a line's length, control characters escaped."""
    return repr(text if len(text) <= _LONGEST_QUOTE else text[:_LONGEST_QUOTE] + "...")


def parse(text: str, dimension: str) -> float:
    """Read a quantity such as '20 gal/ac' into the carried unit of `dimension`.

    Raises UnitError when there is no number, no unit (a bare number is ambiguous), the wrong unit, or a
    number out of all reason.
    """
    us, metric = SHOWN[dimension]
    example = f"'20 {us}'" if us == metric else f"'20 {us}' or '20 {metric}'"
    match = _QUANTITY.fullmatch(text)
    if not match:
        raise UnitError(f"{quoted(text)} is not a number with a unit of {dimension}, such as {example}")
    number, unit = match.group(1), match.group(2).strip()
    if not unit:
        raise UnitError(f"{quoted(text)} has no unit of {dimension}; write it with one, such as {example}")
    if unit not in UNITS[dimension] and (unit[0] in ",/_½¼¾" or unit[0].isdecimal()):
        raise UnitError(
            f"{quoted(text)}: write the number with a decimal point, without commas, spaces or fractions, "
            f"such as '1000 {metric}' or '2.5 {metric}'"
        )
    exponent = number.lower().partition("e")[2].lstrip("+-0")
    if len(number) > _LONGEST_NUMBER or int(exponent[:3] or "0") > _LARGEST_EXPONENT:
        raise UnitError(f"{quoted(text)} has too many digits to be a {dimension}; write it like {example}")
    try:
        return float(Fraction(number) * factor(unit, dimension))
    except UnitError as error:
        raise UnitError(f"{quoted(text)}: {error}") from error


def convert(value: float, dimension: str, unit: str) -> float:
    """A carried `value` in `unit`, with one rounding."""
    return float(Fraction(value) / factor(unit, dimension))


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
