"""What a measuring cup or a scale shows of an amount, rounded down, so that it never exceeds what was asked.

The marks are those of common vessels and kitchen scales (common practice), so fine that rounding down loses
little; whoever has another cup says what its marks are.
"""

from fractions import Fraction
from math import floor
from typing import Final, Literal, NamedTuple

from rigmon import units
from rigmon.calibration.result import System

Kind = Literal["volume", "mass"]

#: amounts that differ by less than this part are the same: the rounding of carried floating point values
_SAME: Final = Fraction(1, 10**9)


class _Scale(NamedTuple):
    """How amounts of a kind are measured and written in a unit system."""

    unit: str  #: of the marks
    large: str  #: the unit above it
    marks: tuple[tuple[int | None, Fraction], ...]  #: (below so many units, step), the last one above all


_SCALES: Final[dict[tuple[Kind, System], _Scale]] = {
    ("volume", "us"): _Scale(
        "fl oz",
        "gal",
        (
            (2, Fraction(1, 20)),
            (16, Fraction(1, 10)),
            (32, Fraction(1, 4)),
            (64, Fraction(1, 2)),
            (640, Fraction(1)),
            (None, Fraction(4)),
        ),
    ),
    ("volume", "metric"): _Scale(
        "mL",
        "L",
        (
            (50, Fraction(1, 2)),
            (250, Fraction(1)),
            (1000, Fraction(5)),
            (5000, Fraction(10)),
            (None, Fraction(50)),
        ),
    ),
    ("mass", "us"): _Scale(
        "oz wt",
        "lb",
        ((2, Fraction(1, 100)), (160, Fraction(1, 10)), (800, Fraction(1)), (None, Fraction(4))),
    ),
    ("mass", "metric"): _Scale(
        "g", "kg", ((50, Fraction(1, 10)), (5000, Fraction(1)), (50_000, Fraction(10)), (None, Fraction(50)))
    ),
}


class Measured(NamedTuple):
    """An amount as it can be measured. Carried units: L or kg."""

    amount: Fraction  #: never more than what was asked, to a part in 10^9
    mark: Fraction  #: the step of the cup or scale
    text: str  #: '2 gal 45 fl oz', '950 mL', '3 lb 4.5 oz wt'; 'under 0.5 mL' where no mark is so low


def measure(exact: Fraction, kind: Kind, system: System, mark: Fraction | None = None) -> Measured:
    """Round `exact` (L or kg, not negative) down to the marks of a cup or scale; `mark` is another step."""
    scale = _SCALES[kind, system]
    one = units.factor(scale.unit, kind)
    if mark is None:
        in_units = exact / one
        mark = one * next(step for below, step in scale.marks if below is None or in_units < below)
    down = whole(exact / mark) * mark
    text = written(down, kind, system) if down or not exact else f"under {written(mark, kind, system)}"
    return Measured(down, mark, text)


def whole(quotient: Fraction) -> int:
    """The whole part of a quotient that is not negative; just below a whole number counts as it."""
    return floor(quotient * (1 + _SAME))


def written(carried: Fraction, kind: Kind, system: System) -> str:
    """An amount in the units of cups and scales: gal and fl oz, lb and oz wt, L or mL, kg or g."""
    scale = _SCALES[kind, system]
    one, large = units.factor(scale.unit, kind), units.factor(scale.large, kind)
    count = whole(carried / large)
    if not count:
        return f"{_plain(carried / one)} {scale.unit}"
    if system == "metric":
        return f"{_plain(carried / large)} {scale.large}"
    rest = _plain(max(Fraction(), carried - count * large) / one)
    return f"{count} {scale.large}" + ("" if rest == "0" else f" {rest} {scale.unit}")


def _plain(number: Fraction) -> str:
    """At most four decimals, without the zeros at their end; cut, not rounded up."""
    cut = whole(number * 10_000)
    return f"{cut // 10_000}.{cut % 10_000:04d}".rstrip("0").rstrip(".")
