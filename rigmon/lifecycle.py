"""When a run begins and ends by itself, and the readings just before it that belong to it.

Pure: it knows the samples' and readings' stamps alone. `rigmon.daemon` asks it after every reading.
"""

from collections import deque
from collections.abc import Sequence
from typing import Final

from rigmon.model import BeginRun, EndRun, Note, Output, Reading, Refill, Retarget, Sample, Source, Tick
from rigmon.rig import Rig

#: the note that ends a run: the stop button was held
STOP_HELD: Final = "stop button held"
#: why a run ends that a person ended, or whose target was changed; what the person said follows
ENDED_BY_PERSON: Final = "ended by a person"
TARGET_CHANGED: Final = "the target was changed"
#: notes and refills made between runs that the next run begins with, at most
CARRIED_DEEDS: Final = 256
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

    It begins with work: the boom is on and the speed is at least speed.minimum, for `WORK_NS`; or when a
    person says so. It ends when the rig stood still with the boom off for runs.end_after, at the stop button,
    or when a person ends it or changes its target; after these the work must pause before it begins the next.
    What is unknown is neither work nor standing: it begins no run, and while the rig stands it lets the time
    go on, as in a shed without GPS.
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

    def begins_with(self, reading: Reading) -> bool:
        """Whether a person begins a run with this reading."""
        return type(reading.payload) is BeginRun and reading.source is Source.PERSON

    def ends(self, reading: Reading, outputs: Sequence[Output]) -> str | None:
        """Why the run ends with this reading and what the core made of it; None: it goes on."""
        why = ended_by(reading)
        if why is not None:
            self._may_begin = False
            self._working_since_ns = None
            return why
        if self._end_after_ns is not None:
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


def ended_by(reading: Reading) -> str | None:
    """Why a run ends with what a person did; None: it goes on."""
    payload = reading.payload
    if reading.source is not Source.PERSON:
        return None
    if type(payload) is Note and payload.text == STOP_HELD:
        return STOP_HELD
    if type(payload) is EndRun:
        return f"{ENDED_BY_PERSON}: {payload.why}" if payload.why else ENDED_BY_PERSON
    if type(payload) is Retarget:
        return f"{TARGET_CHANGED}: {payload.name or 'that of the rig file'}"
    return None


def _is_kept(reading: Reading) -> bool:
    """A note or a refill of a person's; the stop button's note is none."""
    payload = reading.payload
    if reading.source is not Source.PERSON:
        return False
    return type(payload) is Refill or (type(payload) is Note and payload.text != STOP_HELD)


class PreRoll:
    """The newest readings between runs, no older than `span_ns` and at most `capacity`, without ticks.

    Notes and refills are kept however old they are, for a run's log is the only place where they are found.
    """

    def __init__(self, span_ns: int = PRE_ROLL_NS, capacity: int = PRE_ROLL_READINGS) -> None:
        self.lost = 0  #: notes and refills that were too many
        self._span_ns = span_ns
        self._readings: deque[Reading] = deque(maxlen=capacity)
        self._deeds: deque[Reading] = deque()
        self._newest_ns = 0

    def add(self, reading: Reading) -> None:
        """A reading between runs."""
        self._newest_ns = max(self._newest_ns, reading.t_ns)
        if type(reading.payload) is not Tick:
            if len(self._readings) == self._readings.maxlen:
                self._age()
            self._readings.append(reading)
        oldest_ns = self._newest_ns - self._span_ns
        while self._readings and self._readings[0].t_ns < oldest_ns:
            self._age()

    def _age(self) -> None:
        reading = self._readings.popleft()
        if _is_kept(reading):
            self._deeds.append(reading)
            if len(self._deeds) > CARRIED_DEEDS:
                self._deeds.popleft()
                self.lost += 1

    def newest(self) -> list[Reading]:
        """The readings of the last seconds; they are kept on."""
        return list(self._readings)

    def left(self) -> list[Reading]:
        """Notes and refills that no run has begun with yet."""
        return [*self._deeds, *filter(_is_kept, self._readings)]

    def take(self) -> tuple[int, list[Reading]]:
        """The stamp where the run begins, and its first readings; they are kept no longer.

        What is older than the last seconds is stamped with the run's begin.
        """
        readings = list(self._readings)
        zero_ns = min((reading.t_ns for reading in readings), default=self._newest_ns)
        readings = [*(deed._replace(t_ns=zero_ns) for deed in self._deeds), *readings]
        self._readings.clear()
        self._deeds.clear()
        return zero_ns, readings
