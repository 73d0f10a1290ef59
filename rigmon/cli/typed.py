"""Quantities as people type them, where a unit may be left out after the first of its kind."""

import re
from contextlib import suppress
from typing import TYPE_CHECKING, Final

from rigmon import units
from rigmon.errors import UsageError

if TYPE_CHECKING:
    from rigmon.calibration.result import System

_BARE: Final = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)")
_NUMBER: Final = re.compile(r"\s*[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?\s*")


class Typed:
    """Reads what is typed in one session, and remembers the unit of each dimension."""

    def __init__(self, system: "System") -> None:
        self.system: Final = system
        self._units: dict[str, str] = {}

    def unit(self, dimension: str) -> str | None:
        """The unit that a bare number of `dimension` has now; None: none was typed yet."""
        return self._units.get(dimension)

    def read(
        self,
        text: str,
        dimension: str,
        low: float | None = None,
        high: float | None = None,
        zero: bool = True,
        example: str = "",
    ) -> float:
        """A quantity in the carried unit. Raises UnitError or UsageError: what is wrong, what would be right.

        `low` and `high` bound it, in carried units, inclusive; `zero` False: it must be above zero. `example`
        is what to write where a unit is missing.
        """
        unit = self._units.get(dimension)
        bare = _BARE.fullmatch(text.strip())
        if bare and unit is None and example:
            raise UsageError(f"'{text}' has no unit; the first time give it one, such as '{example}'")
        value = units.parse(f"{text} {unit}" if bare and unit else text, dimension)
        shown = f"{text.strip()} {unit}" if bare and unit else text.strip()
        if value < 0 or (value == 0 and not zero):
            raise UsageError(f"{shown}: must be {'zero or more' if zero else 'above zero'}")
        if (low is not None and value < low) or (high is not None and value > high):
            raise UsageError(f"{shown}: must be {self._bounds(dimension, low, high)}; check number and unit")
        if not bare:
            self._remember(text, dimension)
        return value

    def _remember(self, text: str, dimension: str) -> None:
        """Keep the unit typed, by its standard name; '1:23' says its units itself and leaves none."""
        with suppress(units.UnitError):
            self._units[dimension] = units.unit_name(_NUMBER.sub("", text, count=1), dimension)

    def _bounds(self, dimension: str, low: float | None, high: float | None) -> str:
        unit = units.shown_unit(dimension, self.system)
        least, most = (
            None if bound is None else f"{_short(units.convert(bound, dimension, unit))} {unit}"
            for bound in (low or None, high)
        )
        if least is None:
            return f"at most {most}"
        return f"at least {least}" if most is None else f"between {least} and {most}"


def option(
    typed: Typed,
    name: str,
    text: str,
    dimension: str,
    low: float | None = None,
    high: float | None = None,
) -> float:
    """`Typed.read` of what was given by the option `name`, above zero; errors begin with that name."""
    try:
        return typed.read(text, dimension, low, high, zero=False)
    except UsageError as error:
        raise UsageError(f"{name}: {error}") from error


def items(text: str) -> list[str]:
    """The items of a list as people type it: between semicolons where there are any, else between commas."""
    return [item.strip() for item in text.split(";" if ";" in text else ",")]


def _short(number: float) -> str:
    """About three digits, without an exponent."""
    return f"{number:.3g}" if 0.001 <= number < 1000 else f"{number:.0f}"
