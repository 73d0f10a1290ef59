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
}

_SPELLINGS: Final[dict[str, str]] = {
    "l": "L", "liter": "L", "liters": "L", "litre": "L", "litres": "L", "ml": "mL", "cl": "cL", "cc": "mL",
    "gallon": "gal", "gallons": "gal", "us gal": "gal", "quart": "qt", "quarts": "qt", "pint": "pt",
    "pints": "pt", "floz": "fl oz", "fl. oz": "fl oz", "fl.oz": "fl oz", "fluid ounces": "fl oz",
    "inch": "in", "inches": "in", '"': "in", "foot": "ft", "feet": "ft", "'": "ft", "yards": "yd",
    "metre": "m", "metres": "m", "meter": "m", "meters": "m", "mile": "mi", "miles": "mi",
    "sec": "s", "second": "s", "seconds": "s", "minute": "min", "minutes": "min", "hour": "h", "hr": "h",
    "hours": "h", "acre": "ac", "acres": "ac", "hectare": "ha", "hectares": "ha",
    "sq ft": "ft2", "m²": "m2", "ft²": "ft2", "m³": "m3", "sq m": "m2",
    "kmh": "km/h", "kph": "km/h", "mi/h": "mph", "knots": "kn", "knot": "kn", "fps": "ft/s",
    "gpm": "gal/min", "l/min": "L/min", "lpm": "L/min", "ml/min": "mL/min", "l/s": "L/s", "l/h": "L/h",
    "gpa": "gal/ac", "gal/acre": "gal/ac", "gallons/acre": "gal/ac", "l/ha": "L/ha", "l/ac": "L/ac",
    "floz/min": "fl oz/min", "floz/ac": "fl oz/ac", "kpa": "kPa", "pa": "Pa", "mpa": "MPa",
    "pulses/l": "1/L", "pulses/gal": "1/gal", "1/l": "1/L",
}  # fmt: skip

# Where only a volume can be meant, a bare ounce is a fluid ounce, as people write it on catch-test sheets.
_FLUID_OUNCE_IN: Final[dict[str, dict[str, str]]] = {
    "volume": {"oz": "fl oz", "ounces": "fl oz"},
    "flow": {"oz/min": "fl oz/min"},
}

_QUANTITY: Final = re.compile(r"^\s*([+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?)\s*(.*?)\s*$")


class UnitError(UsageError):
    """A quantity that cannot be read: what was typed, and what would be right."""


def factor(unit: str, dimension: str) -> Fraction:
    """Carried units in one `unit` of `dimension`, exact. Raises UnitError for a unit not of the dimension."""
    table = UNITS[dimension]
    name = " ".join(unit.split())
    if name in table:
        return table[name]
    lower = name.lower()
    name = _FLUID_OUNCE_IN.get(dimension, {}).get(lower) or _SPELLINGS.get(lower, lower)
    if name in table:
        return table[name]
    raise UnitError(f"'{unit}' is not a unit of {dimension}; use one of: {', '.join(table)}")


def parse(text: str, dimension: str) -> float:
    """Read a quantity such as '20 gal/ac' into the carried unit of `dimension`.

    Raises UnitError when there is no number, no unit (a bare number is ambiguous), or the wrong unit.
    """
    match = _QUANTITY.match(text)
    example = f"'20 {SHOWN.get(dimension, ('1/L', '1/L'))[0]}' or '20 {SHOWN.get(dimension, ('', '1/L'))[1]}'"
    if not match:
        raise UnitError(f"'{text}' is not a number with a unit of {dimension}, such as {example}")
    number, unit = match.groups()
    if not unit:
        raise UnitError(f"'{text}' has no unit of {dimension}; write it with one, such as {example}")
    return float(Fraction(number) * factor(unit, dimension))


def convert(value: float, dimension: str, unit: str) -> float:
    """A carried `value` in `unit`, with one rounding."""
    return float(Fraction(value) / factor(unit, dimension))


def shown_unit(dimension: str, system: str) -> str:
    """The unit that readers of `system` ('us' or 'metric') see for `dimension`."""
    return SHOWN[dimension][0 if system == "us" else 1]


def show(value: float | None, dimension: str, system: str, digits: int = 1, unknown: str = "--") -> str:
    """Format a carried value for a reader, with its unit; None reads as `unknown`."""
    unit = shown_unit(dimension, system)
    if value is None:
        return f"{unknown} {unit}"
    return f"{convert(value, dimension, unit):.{digits}f} {unit}"
