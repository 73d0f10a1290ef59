"""When a run begins and ends by itself, and the readings just before it that belong to it.

Pure: it knows the samples' and readings' stamps alone. `rigmon.daemon` asks it after every reading.
"""

from collections import deque
from collections.abc import Sequence
from typing import Final

from rigmon.model import Note, Output, Reading, Sample, Source, Tick
from rigmon.rig import Rig

#: the note that ends a run: the stop button was held
STOP_HELD: Final = "stop button held"
#: why the daemon ends when the power-fail pin says so
SUPPLY_FAILED: Final = "the supply failed"
#: the boom is on and the rig moves for so long before it counts: a touched switch does not begin a run
WORK_NS: Final = 1_000_000_000
#: readings before the work that belong to the run, so that its speed is known from the start
PRE_ROLL_NS: Final = 10_000_000_000
#: as many at most: about 25 s of a port that is busy all the time at 115 200 baud
PRE_ROLL_READINGS: Final = 4096


def has_rules(rig: Rig) -> bool:
    """Whether this rig's runs begin or end by themselves, so that there may be several or none."""
    return rig.runs.begin == "work" or rig.runs.end_after_s is not None or rig.runs.stop_pin is not None


class LifeCycle:
    """Judges when a run begins (ask `begins` while there is none) and ends (ask `ends` while there is one).

    It begins with work: the boom is on and the speed is at least speed.minimum, for `WORK_NS`. It ends when
    the rig stood still with the boom off for runs.end_after, or at the stop button; after that button the
    work must pause before the next run begins. What is unknown is neither work nor standing: it begins no
    run, and while the rig stands it lets the time go on, as in a shed without GPS.
    """

    def __init__(self, rig: Rig) -> None:
        self._minimum_m_s = rig.speed.minimum_m_s
        self._stationary_m_s = rig.speed.stationary_m_s
        after_s = rig.runs.end_after_s
        self._end_after_ns = None if after_s is None else round(after_s * 1e9)
        self._working_since_ns: int | None = None
        self._standing_since_ns: int | None = None
        self._may_begin = True

    def begun(self) -> None:
        """A run has begun; stamps count from its start now."""
        self._working_since_ns = self._standing_since_ns = None

    def begins(self, outputs: Sequence[Output]) -> bool:
        """Whether a run begins with what the core has just made."""
        for sample in outputs:
            if type(sample) is not Sample:
                continue
            speed, boom = sample.speed_m_s, sample.boom_on
            if boom == 1 and speed is not None and speed >= self._minimum_m_s:
                if self._working_since_ns is None:
                    self._working_since_ns = sample.t_ns - sample.dt_ns
                if self._may_begin and sample.t_ns - self._working_since_ns >= WORK_NS:
                    return True
            else:
                self._working_since_ns = None
                if boom == 0 or (speed is not None and speed < self._minimum_m_s):
                    self._may_begin = True
        return False

    def ends(self, reading: Reading, outputs: Sequence[Output]) -> str | None:
        """Why the run ends with this reading and what the core made of it; None: it goes on."""
        if type(reading.payload) is Note and reading.payload.text == STOP_HELD:
            if reading.source is Source.PERSON:
                self._may_begin = False
                self._working_since_ns = None
                return STOP_HELD
        elif self._end_after_ns is not None:
            for sample in outputs:
                if type(sample) is Sample and self._stood(sample, self._end_after_ns):
                    self._may_begin = True
                    self._working_since_ns = None
                    return f"stood still with the boom off for {self._end_after_ns / 1e9:g} s"
        return None

    def _stood(self, sample: Sample, end_after_ns: int) -> bool:
        speed, boom = sample.speed_m_s, sample.boom_on
        if boom == 1 or (speed is not None and speed >= self._stationary_m_s):
            self._standing_since_ns = None
        elif self._standing_since_ns is None and boom == 0 and speed is not None:
            self._standing_since_ns = sample.t_ns - sample.dt_ns
        since_ns = self._standing_since_ns
        return since_ns is not None and sample.t_ns - since_ns >= end_after_ns


class PreRoll:
    """The newest readings between runs, no older than `span_ns` and at most `capacity`, without ticks."""

    def __init__(self, span_ns: int = PRE_ROLL_NS, capacity: int = PRE_ROLL_READINGS) -> None:
        self._span_ns = span_ns
        self._readings: deque[Reading] = deque(maxlen=capacity)
        self._newest_ns = 0

    def add(self, reading: Reading) -> None:
        """A reading between runs."""
        self._newest_ns = max(self._newest_ns, reading.t_ns)
        if type(reading.payload) is not Tick:
            self._readings.append(reading)
        oldest_ns = self._newest_ns - self._span_ns
        while self._readings and self._readings[0].t_ns < oldest_ns:
            self._readings.popleft()

    def take(self) -> tuple[int, list[Reading]]:
        """The stamp where the run begins, and its first readings; they are kept no longer."""
        readings = list(self._readings)
        self._readings.clear()
        return min((reading.t_ns for reading in readings), default=self._newest_ns), readings
