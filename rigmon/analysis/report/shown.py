"""Figures for the reader: each is taken from the report's object by its name there, which it carries along.

<data value="158.97" data-json="rate.mean_l_ha">17.0 gal/ac</data>
"""

from html import escape
from math import floor, log10
from typing import Any, Final

from rigmon.units import convert, shown_unit

_NO_BREAK: Final = "\u00a0"
UNKNOWN: Final = "unknown"
#: areas smaller than this of the usual unit are told in square feet or metres
_SMALL_AREA: Final = 0.1
#: lengths from this many feet or metres on in miles or kilometres
_LONG: Final = 10_000


class Html(str):
    """Text that is HTML already; the template leaves it as it is."""

    __slots__ = ()

    def __html__(self) -> str:
        return self


class Shown:
    """Looks figures up in `data` and writes them in the units of `system`, 'us' or 'metric'."""

    def __init__(self, data: dict[str, Any], system: str) -> None:
        self.data = data
        self.system = system

    def get(self, name: str) -> Any:
        """The value of a dotted name such as 'stretches.0.area_m2'. Raises KeyError, IndexError."""
        value: Any = self.data
        for part in name.split("."):
            value = value[int(part)] if isinstance(value, list) else value[part]
        return value

    def __call__(
        self, name: str, kind: str, digits: int | None = None, *, sign: bool = False, unit: bool = True
    ) -> Html:
        """The figure `name`. `kind`: a dimension of rigmon.units, '%', 's', 'clock', 'n' or 'deg'."""
        value = self.get(name)
        if value is None:
            return Html(UNKNOWN)
        text = text_of(value, kind, self.system, digits, sign=sign, unit=unit)
        return Html(f'<data value="{value!r}" data-json="{escape(name)}">{escape(text)}</data>')

    def text(self, value: float | None, kind: str, digits: int | None = None, *, unit: bool = True) -> str:
        """A bare value, for drawings and their descriptions."""
        return UNKNOWN if value is None else text_of(value, kind, self.system, digits, unit=unit)

    def convert(self, value: float, dimension: str) -> float:
        return convert(value, dimension, shown_unit(dimension, self.system))

    def unit(self, dimension: str) -> str:
        return shown_unit(dimension, self.system)


def text_of(
    value: float, kind: str, system: str, digits: int | None = None, *, sign: bool = False, unit: bool = True
) -> str:
    """A carried value as text; areas, volumes and rates get three significant figures unless told."""
    plus = "+" if sign else ""
    if kind == "clock":
        return clock(value)
    if kind == "n":
        return f"{value:,.0f}".replace(",", _NO_BREAK)
    if kind == "deg":
        return f"{value:.{5 if digits is None else digits}f}"
    if kind == "s":
        return f"{value:.{1 if digits is None else digits}f}{_NO_BREAK}s" if value < 100 else clock(value)
    if kind == "%":
        shown, name = value, "%"
        digits = 1 if digits is None else digits
    else:
        name = shown_unit(kind, system)
        shown = convert(value, kind, name)
        if kind == "length" and abs(shown) >= _LONG:
            name = "mi" if system == "us" else "km"
            return f"{convert(value, kind, name):.1f}{_NO_BREAK}{name}"
        if kind == "area" and abs(shown) < _SMALL_AREA:
            name = "ft²" if system == "us" else "m²"
            return f"{text_of(convert(value, kind, name), 'n', system)}{_NO_BREAK}{name}"
        if digits is None:
            digits = _digits(shown, kind)
    text = f"{shown:{plus}z.{digits}f}"
    return f"{text}{_NO_BREAK}{name}" if unit else text


def _digits(shown: float, kind: str) -> int:
    if kind == "speed":
        return 2
    if kind == "length":
        return 0 if abs(shown) >= 10 else 1
    if kind == "rate":
        return 1 if abs(shown) < 100 else 0
    if shown == 0:
        return 0
    return min(max(2 - floor(log10(abs(shown))), 0), 4)


def clock(seconds: float) -> str:
    """Hours, minutes, seconds into the run, as the driver's lines have them."""
    whole = int(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"
