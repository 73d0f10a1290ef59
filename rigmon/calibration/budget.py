"""Uncertainty budgets after JCGM 100:2008 (GUM).

4.2     Type A: from the scatter of repeats. Pooled over groups: the squares add, so do the degrees of
        freedom (4.2.4).
4.3.7   Type B: bounds -a..+a and nothing known between them: u = a / sqrt(3); 4.3.9: most likely in the
        middle (triangular): a / sqrt(6); 4.3.10: no effect is counted twice, see `repeatability`
5.1.2   eq. (10): squares of (sensitivity x standard uncertainty) add, where inputs are independent
5.2.2   eq. (16), note 1: where they are fully correlated, sensitivity x uncertainty add as they stand. So an
        error that several measurements share is one component here: its sensitivity is the sum of theirs.
6.2.1   expanded uncertainty U = k u, here with k = 2
G.4.1   eq. (G.2b), Welch-Satterthwaite: effective degrees of freedom. With few, k = 2 covers less than 95 %.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import fsum, isfinite, sqrt
from typing import Any, Final, Literal, NamedTuple

COVERAGE_FACTOR: Final = 2.0

Kind = Literal["A", "B"]


@dataclass(frozen=True, slots=True)
class Component:
    """One line of a budget. Raises ValueError for numbers that cannot be one.

    `u` is a standard uncertainty (k = 1) in `unit`; `sensitivity` is how far the result moves for one `unit`,
    so that sensitivity x u is in the result's unit. `dof` None: infinite, as for Type B (G.4.2).
    """

    name: str
    kind: Kind
    u: float
    unit: str
    sensitivity: float = 1.0
    dof: float | None = None
    note: str = ""

    def __post_init__(self) -> None:
        if self.kind not in ("A", "B"):
            raise ValueError(f"{self.name}: kind {self.kind!r} is neither 'A' nor 'B'")
        if not (isfinite(self.u) and self.u >= 0):
            raise ValueError(f"{self.name}: u = {self.u!r} is no standard uncertainty")
        if not isfinite(self.sensitivity):
            raise ValueError(f"{self.name}: sensitivity = {self.sensitivity!r} is not finite")
        if self.dof is not None and not self.dof > 0:
            raise ValueError(f"{self.name}: dof = {self.dof!r} must be above zero, or None for infinite")

    @property
    def contribution(self) -> float:
        """|sensitivity| x u, in the unit of the result."""
        return abs(self.sensitivity) * self.u

    def to_json(self) -> dict[str, Any]:
        return {
            "name": self.name,
            "kind": self.kind,
            "u": self.u,
            "unit": self.unit,
            "sensitivity": self.sensitivity,
            "contribution": self.contribution,
            "dof": self.dof,
            "note": self.note,
        }


@dataclass(frozen=True, slots=True)
class Budget:
    """The components of a result's uncertainty. `value` is the result, in `unit`."""

    components: Sequence[Component]
    value: float
    unit: str

    def __post_init__(self) -> None:
        object.__setattr__(self, "components", tuple(self.components))
        if not isfinite(self.value):
            raise ValueError(f"value = {self.value!r} is not finite")

    @property
    def combined(self) -> float:
        """Combined standard uncertainty (k = 1), in `unit`: JCGM 100 eq. (10)."""
        return root_sum(part.contribution for part in self.components)

    @property
    def expanded(self) -> float:
        """Expanded uncertainty (k = 2), in `unit`."""
        return COVERAGE_FACTOR * self.combined

    @property
    def relative_pct(self) -> float | None:
        """Combined standard uncertainty in % of the value; None for a value of zero."""
        return 100 * self.combined / abs(self.value) if self.value else None

    @property
    def expanded_pct(self) -> float | None:
        """Expanded uncertainty (k = 2) in % of the value; None for a value of zero."""
        return None if self.relative_pct is None else COVERAGE_FACTOR * self.relative_pct

    @property
    def effective_dof(self) -> float | None:
        """Welch-Satterthwaite; None: infinite."""
        total = self.combined
        if not total:
            return None
        # shares, so that no power of a small contribution underflows
        weight = fsum(
            (part.contribution / total) ** 4 / part.dof for part in self.components if part.dof is not None
        )
        return 1 / weight if weight else None

    def to_json(self) -> dict[str, Any]:
        """Plain data; `unit` is that of value, combined, expanded and the contributions."""
        total = self.combined
        parts = []
        for part in self.components:
            share = 100 * (part.contribution / total) ** 2 if total else 0.0
            parts.append({**part.to_json(), "share_of_variance_pct": share})
        return {
            "value": self.value,
            "unit": self.unit,
            "combined": total,
            "expanded": self.expanded,
            "coverage_factor": COVERAGE_FACTOR,
            "relative_pct": self.relative_pct,
            "expanded_pct": self.expanded_pct,
            "effective_dof": self.effective_dof,
            "components": parts,
        }


def rectangular(half_width: float) -> float:
    """Standard uncertainty of something within +-`half_width`, anywhere alike: JCGM 100, 4.3.7."""
    return half_width / sqrt(3)


def triangular(half_width: float) -> float:
    """Standard uncertainty of something within +-`half_width`, most likely in the middle: 4.3.9."""
    return half_width / sqrt(6)


def root_sum(parts: Iterable[float]) -> float:
    """Square root of the sum of squares."""
    return sqrt(fsum(part * part for part in parts))


def mean(values: Sequence[float]) -> float:
    """Arithmetic mean; ZeroDivisionError of nothing."""
    return fsum(values) / len(values)


def sample_sd(values: Sequence[float]) -> float | None:
    """Standard deviation of the sample (n - 1): JCGM 100 eq. (4). None below two values."""
    return pooled_sd([values])[0]


def pooled_sd(groups: Iterable[Sequence[float]]) -> tuple[float | None, int]:
    """(standard deviation, degrees of freedom) pooled over groups, each about its own mean.

    Groups of one say nothing. (None, 0) when no group has two values.
    """
    squares: list[float] = []
    dof = 0
    for group in groups:
        if len(group) > 1:
            middle = mean(group)
            squares += [(value - middle) ** 2 for value in group]
            dof += len(group) - 1
    return (sqrt(fsum(squares) / dof), dof) if dof else (None, 0)


class Repeatability(NamedTuple):
    """How far one measurement scatters, and how much of its reading errors that leaves to count."""

    kind: Kind  #: 'A': as the repeats have it; 'B': a stated prior
    sd: float  #: standard deviation of one measurement, beside what is still to be counted
    dof: float | None
    not_shown: float  #: factor, 0 to 1, on the standard uncertainties of reading errors
    total: float  #: standard deviation of one measurement, reading errors included

    def about(self, seen_dof: int) -> str:
        """Where it is from, for a budget's note."""
        if self.kind == "A":
            return f"pooled over repeats, {seen_dof} degrees of freedom"
        return f"stated, not measured: {'too few' if seen_dof else 'no'} repeats"


def repeatability(
    seen_sd: float | None, dof: int, reading_u: float, prior: float, enough: int
) -> Repeatability:
    """What repeats say of one measurement, beside known reading errors.

    Errors of reading scatter from repeat to repeat, so the repeats show them. JCGM 100, 4.3.10: they count
    apart only as far as they are larger than what the repeats scattered. With fewer than `enough` degrees of
    freedom the stated `prior` (scatter beside reading) stands in, if it is larger. All relative, or all in
    one unit; `seen_sd` is None without repeats.
    """
    prior2, reading2 = prior * prior, reading_u * reading_u
    if seen_sd is not None:
        seen2 = seen_sd * seen_sd
        if dof >= enough or seen2 > prior2 + reading2:
            left = max(0.0, 1 - seen2 / reading2) if reading2 else 0.0
            return Repeatability("A", seen_sd, float(dof), sqrt(left), sqrt(max(seen2, reading2)))
    return Repeatability("B", prior, None, 1.0, sqrt(prior2 + reading2))
