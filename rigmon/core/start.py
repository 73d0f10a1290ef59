"""The start of a run: is C what the catch test and earlier runs say, and if not, since when?

Against the newest run a sudden change shows, such as a nozzle that plugged overnight; against the first run
since the catch test a slow one that hid from run to run, as wear does; against the catch test what was wrong
from the first run on. The sensors' own errors are in all runs alike, so runs are compared more closely.
"""

from math import sqrt
from typing import Final, NamedTuple

from rigmon.core.coefficient import Coefficient, by_catch_test, by_earlier_run
from rigmon.model import Carried
from rigmon.rig import Rig

MISMATCH: Final = "start_mismatch"
WORN: Final = "nozzles_worn"
#: more than the catch test says, and at least so much of it (of what matters) came since the first run
_GROWN: Final = 0.5


class Off(NamedTuple):
    """By how much C is off, as a share of what it should be, and the share that is allowed."""

    code: str
    off: float
    limit: float
    should: float  #: what C should be


class Start:
    """What is known of C before the run."""

    __slots__ = ("_catch_test", "_change", "_first", "_newest", "carried")

    def __init__(self, rig: Rig) -> None:
        self._change = rig.diagnosis.smallest_change_pct / 100
        self._catch_test = by_catch_test(rig)
        typed = rig.diagnosis.start_flow_l_min
        self._newest = by_earlier_run(rig, typed) if typed is not None else None
        self._first: Coefficient | None = None
        self.carried: Carried | None = None

    def carry(self, rig: Rig, carried: Carried) -> bool:
        """Take what earlier runs ended with; False where it cannot be true. What the rig file says stands."""
        numbers = carried[1:6]
        if not all(isinstance(x, float | int) and not isinstance(x, bool) for x in numbers):
            return False
        flow, first, sd_pct, phi, n = numbers
        if not (0 < flow < 1e4 and 0 < first < 1e4 and 0 <= sd_pct < 100 and 0 <= phi < 1 and 2 <= n < 1e9):
            return False
        self.carried = carried
        if self._newest is None:
            self._newest = by_earlier_run(rig, flow)
            self._first = by_earlier_run(rig, first)
        return True

    def judge(self, now: Coefficient, scatter_pct: float) -> Off | None:
        """`now` is C with its whole uncertainty, `scatter_pct` that of its mean alone. None: it is right."""
        newest, first, test = self._newest, self._first, self._catch_test
        if newest is not None:
            off, limit = self._off(newest, now, scatter_pct)
            if abs(off) > limit:
                return Off(MISMATCH, off, limit, newest.value)
        grown = 0.0
        if first is not None:
            grown, limit = self._off(first, now, scatter_pct)
            if abs(grown) > limit:
                return Off(WORN if grown > 0 else MISMATCH, grown, limit, first.value)
        if test is not None:
            off, limit = self._off(test, now, now.u_pct)
            if abs(off) > limit:
                worn = off > 0 and grown > _GROWN * self._change
                return Off(WORN if worn else MISMATCH, off, limit, test.value)
        return None

    def _off(self, should: Coefficient, now: Coefficient, u_pct: float) -> tuple[float, float]:
        """The expanded uncertainty of the difference is allowed, or what matters if that is more."""
        u = 2 * sqrt(should.u_pct * should.u_pct + u_pct * u_pct) / 100
        return now.value / should.value - 1, max(u, self._change)
