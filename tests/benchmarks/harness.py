"""What the benchmarks share: a figure with its goal, and rounds in which subject and floor take turns."""

import gc
import json
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass
from math import ceil
from statistics import median
from typing import Any, Final

#: a ratio this close to its goal is worth a look
CLOSE: Final = 0.9


@dataclass(frozen=True, slots=True)
class Figure:
    """One measured quantity. With `goal_ratio` the ratio is judged, with `goal` the measured value itself;
    with neither it is only reported.

    `ratio` is the median over the rounds, each round's own floor under it; so it need not be the quotient of
    `measured` and `floor`, which are medians too.
    """

    what: str
    measured: float
    unit: str
    floor: float | None = None
    ratio: float | None = None
    goal_ratio: float | None = None
    goal: float | None = None
    note: str = ""

    @property
    def met(self) -> bool | None:
        """None: there is no goal."""
        if self.goal_ratio is not None:
            return self.ratio is not None and self.ratio <= self.goal_ratio
        return None if self.goal is None else self.measured <= self.goal

    @property
    def verdict(self) -> str:
        if self.met is None:
            return "reported"
        if not self.met:
            return "MISSED"
        value, goal = (self.measured, self.goal) if self.goal_ratio is None else (self.ratio, self.goal_ratio)
        return "met, close" if value is not None and goal and value > CLOSE * goal else "met"

    def cells(self) -> tuple[str, ...]:
        goal = "-"
        if self.goal_ratio is not None:
            goal = f"{self.goal_ratio:g} x"
        elif self.goal is not None:
            goal = f"{self.goal:g} {self.unit}"
        return (
            self.what,
            f"{_short(self.measured)} {self.unit}",
            "-" if self.floor is None else f"{_short(self.floor)} {self.unit}",
            "-" if self.ratio is None else f"{self.ratio:.2f}",
            goal,
            self.verdict,
        )

    def as_dict(self) -> dict[str, Any]:
        return {**asdict(self), "met": self.met}


HEADINGS: Final = ("what", "measured", "floor", "ratio", "goal", "")


def _short(value: float) -> str:
    return f"{value:.0f}" if abs(value) >= 1000 else f"{value:.3g}"


def table(figures: Iterable[Figure]) -> str:
    """The figures as lines of aligned columns."""
    rows = [HEADINGS, *(figure.cells() for figure in figures)]
    widths = [max(len(row[i]) for row in rows) for i in range(len(HEADINGS))]
    lines = [
        "  ".join(cell.ljust(width) if i in (0, 5) else cell.rjust(width)
                  for i, (cell, width) in enumerate(zip(row, widths, strict=True))).rstrip()
        for row in rows
    ]  # fmt: skip
    lines.insert(1, "-" * max(map(len, lines)))
    return "\n".join(lines)


def as_json(results: dict[str, list[Figure]]) -> str:
    return json.dumps({name: [f.as_dict() for f in figures] for name, figures in results.items()}, indent=1)


# -- rounds --------------------------------------------------------------------------------------------


def cpu_s() -> float:
    """Processor time of this process: what other programs on the machine take does not count."""
    return time.process_time()


def wall_s() -> float:
    return time.perf_counter()


@dataclass(frozen=True, slots=True)
class Rounds:
    """What each round took, subject and floor."""

    subject: tuple[float, ...]
    floor: tuple[float, ...]

    @property
    def ratio(self) -> float:
        """Median of the rounds' own ratios: a disturbance hits a round, not a side."""
        return median(s / f for s, f in zip(self.subject, self.floor, strict=True))

    @property
    def note(self) -> str:
        ratios = [s / f for s, f in zip(self.subject, self.floor, strict=True)]
        best = min(self.subject) / min(self.floor)
        return f"{len(ratios)} rounds, ratios {min(ratios):.2f} to {max(ratios):.2f}, best to best {best:.2f}"

    def figure(self, what: str, unit: str, goal_ratio: float | None, note: str = "") -> Figure:
        return Figure(
            what, median(self.subject), unit, median(self.floor), self.ratio, goal_ratio,
            note=f"{note}; {self.note}" if note else self.note,
        )  # fmt: skip


def take_turns(subject: Callable[[], float], floor: Callable[[], float], rounds: int) -> Rounds:
    """Run both `rounds` times; each returns its figure. Who goes first changes from round to round."""
    took: tuple[list[float], list[float]] = ([], [])
    for i in range(rounds):
        for side in (0, 1) if i % 2 == 0 else (1, 0):
            took[side].append((subject, floor)[side]())
    return Rounds(tuple(took[0]), tuple(took[1]))


def timed(work: Callable[[], object], clock: Callable[[], float] = cpu_s) -> Callable[[], float]:
    """`work` as a function that returns what one call took [s].

    What was there before is put out of the garbage collector's sight, as if the process were fresh: the
    benchmarks' own data must not slow down one side's collections more than the other's.
    """

    def once() -> float:
        gc.collect()
        gc.freeze()
        start = clock()
        result = work()
        took = clock() - start
        del result
        gc.unfreeze()
        return took

    return once


def percentile(values: Sequence[float], percent: float) -> float:
    """The smallest of the values that `percent` of them do not exceed."""
    ordered = sorted(values)
    return ordered[max(0, ceil(len(ordered) * percent / 100) - 1)]
