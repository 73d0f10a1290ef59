"""What a person may write into an element: no value that cannot be.

Free text stays free; only what is plainly a date, a time, a quantity, a percentage or a code is looked at,
for a slip of the keyboard would otherwise stand in a book that is never changed.
"""

import re
from collections.abc import Callable
from contextlib import suppress
from datetime import date
from typing import Final

from rigmon import units
from rigmon.analysis.record.elements import BY_KEY
from rigmon.errors import UsageError

LONGEST: Final = 500
_MAY_HAVE_LINES: Final = ("customer", "place", "remarks")
#: no application is made in it [m/s]: 100 mph, a hurricane of category 2 (from memory)
_STORM_M_S: Final = 44.704
#: temperatures of weather in which somebody works [F, C]; from memory
_COLDEST_F, _HOTTEST_F = -60.0, 140.0
_TIME: Final = re.compile(r"(?:(\S+) )?(?:[01]?\d|2[0-3]):[0-5]\d(?::[0-5]\d)?(?: ?[A-Za-z+][\w/+:-]*)?")
_QUANTITY: Final = re.compile(r"\s*([+-]?[\d.]+\s*[A-Za-z/]+\d?)")
#: numbers with a unit of temperature; a minus sign belongs to it where no digit is before
_DEGREES: Final = re.compile(r"((?:(?<![\d.])-)?\d+(?:\.\d+)?)\s*(?:°|deg)?\s*([FC])\b")
_PERCENT: Final = re.compile(r"((?:(?<![\d.])-)?\d+(?:\.\d+)?)\s*%")
_DIRECTION: Final = re.compile(r"(\d+(?:\.\d+)?)\s*(?:°|deg(?:rees)?\b)")


def read_answer(key: str, text: str) -> str:
    """The text of the element `key` as it is kept; '' leaves it blank.

    Raises UsageError that names the element, the value, and what would be right.
    """
    if key not in BY_KEY:
        raise UsageError(f"{key!r} is no element of a record; elements are: {', '.join(BY_KEY)}")
    text = text.strip()
    if not text:
        return ""
    lines = text.splitlines() if key in _MAY_HAVE_LINES else [text]
    if not all(line.isprintable() for line in lines):
        raise UsageError(f"{key} = {text[:40]!r} must be one line of text without control characters")
    if len(text) > LONGEST:
        raise UsageError(f"{key} = '{text[:40]}...' is too long: {LONGEST} characters at most")
    read = _READ.get(key)
    return text if read is None else read(key, text)


def _date(key: str, text: str) -> str:
    with suppress(ValueError):
        if re.fullmatch(r"\d{4}-\d\d-\d\d", text):
            date.fromisoformat(text)
            return text
    raise UsageError(f"{key} = '{text}' must be a date, year-month-day, such as 2026-06-01")


def _time(key: str, text: str) -> str:
    found = _TIME.fullmatch(text)
    if found is None:
        raise UsageError(f"{key} = '{text}' must be a time of day, such as '14:30 UTC' or '08:30 MDT'")
    if found[1] is not None:
        _date(key, found[1])
    return text


def stated_quantity(text: str, dimension: str) -> float | None:
    """The quantity that a text begins with, in the carried unit: '1.5 ac, measured'. None: there is none."""
    found = _QUANTITY.match(text)
    if found is not None:
        with suppress(UsageError):
            return units.parse(found[1], dimension)
    return None


def _quantity(dimension: str, such_as: str) -> Callable[[str, str], str]:
    def read(key: str, text: str) -> str:
        value = stated_quantity(text, dimension)
        if value is None or not value > 0:
            raise UsageError(f"{key} = '{text}' must begin with a number above zero and its unit, {such_as}")
        return text

    return read


def _code(key: str, text: str) -> str:
    if not re.fullmatch(r"[0-9A-Za-z]{5,6}", text):
        raise UsageError(f"{key} = '{text}' must be a code of 5 or 6 letters or digits, such as ZEAMX")
    return text.upper()


def _stage(key: str, text: str) -> str:
    # the BBCH scale has the principal stages 0 to 9, each with 0 to 9 (from memory)
    if any(len(digits) > 2 for digits in re.findall(r"\d+", text)) or re.match(r"-\s*\d", text):
        raise UsageError(f"{key} = '{text}' must be a BBCH stage, 00 to 99, such as 14 or 12-14")
    return text


def _wind(key: str, text: str) -> str:
    number = re.match(r"[+-]?[\d.]+", text)
    speed = stated_quantity(text, "speed")
    if (number is not None and number[0].startswith("-")) or (speed is not None and speed > _STORM_M_S):
        raise UsageError(f"{key} = '{text}' cannot be: a speed from 0 to 100 mph, such as '4 mph from N'")
    if any(float(degrees) > 360 for degrees in _DIRECTION.findall(text)):
        raise UsageError(f"{key} = '{text}' cannot be: a direction is 0 to 360 degrees")
    return text


def _weather(key: str, text: str) -> str:
    for number, scale in _DEGREES.findall(text):
        fahrenheit = float(number) if scale == "F" else float(number) * 1.8 + 32
        if not _COLDEST_F <= fahrenheit <= _HOTTEST_F:
            raise UsageError(f"{key} = '{text}' cannot be: {number} {scale}; such as '62 F, 45 %, clear'")
    if any(not 0 <= float(percent) <= 100 for percent in _PERCENT.findall(text)):
        raise UsageError(f"{key} = '{text}' cannot be: humidity is 0 to 100 %, such as '62 F, 45 %, clear'")
    return text


_READ: Final[dict[str, Callable[[str, str], str]]] = {
    "date": _date,
    "start_time": _time,
    "end_time": _time,
    "area_treated": _quantity("area", "such as '1.5 ac' or '0.6 ha'"),
    "plot_size": _quantity("area", "such as '12 ac' or '5 ha'"),
    "spray_volume": _quantity("volume", "such as '25 gal' or '95 L'"),
    "eppo_code": _code,
    "growth_stage": _stage,
    "wind": _wind,
    "weather": _weather,
}
