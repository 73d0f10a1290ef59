"""Steady passes in a recording: stretches of constant track and speed, long enough to time a course by.

Noise is smoothed over about two seconds before anything is judged; what is summed is as measured. Receivers
lag behind by up to 2.16 s (low-cost ones; Sensors 2014, 14(12):23490-23508), and smoothing blurs where a turn
or a start ends, so both ends of every stretch are cut off by a margin of that order.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import atan2, cos, degrees, fsum, radians, sin, sqrt
from typing import Any, Final, NamedTuple

from rigmon import units
from rigmon.calibration.result import check
from rigmon.model import Flag, Sample

#: a sample with one of these has no speed of its own
_UNUSABLE: Final = Flag.GPS_STALE | Flag.GPS_VOID | Flag.SPEED_HELD_ZERO
#: half of the time over which track and speed are smoothed
_SMOOTH_NS: Final = 1_000_000_000
#: a shorter excursion from the steady speed does not end a pass
_EXCURSION_NS: Final = 2_000_000_000
#: speed that is so much (R squared) a straight line over time, and changes by more than the tolerance, is not
#: steady
_TREND: Final = 0.75
#: the steady speed settles in a few rounds; more would only swing between neighbours
_ROUNDS: Final = 8


@dataclass(frozen=True, slots=True)
class SteadyLimits:
    """What is a steady pass. UsageError for limits that cannot be.

    min_distance_m: a course of at least 100 ft (Cornell University boom worksheet). The others are judgement:
    a driver on rough ground keeps within 15 % of a steady speed, but for moments.
    """

    min_distance_m: float = float(100 * units.FOOT_M)
    min_time_s: float = 10.0
    min_speed_m_s: float = 0.5  #: slower is standing, or starting
    speed_tolerance_pct: float = 15.0
    track_tolerance_deg: float = 15.0
    end_margin_s: float = 2.2  #: cut off at both ends

    def __post_init__(self) -> None:
        check(self.min_distance_m, "min_distance_m", "m", high=10_000)
        check(self.min_time_s, "min_time_s", "s", high=3600)
        check(self.min_speed_m_s, "min_speed_m_s", "m/s", high=30)
        check(self.speed_tolerance_pct, "speed_tolerance_pct", "%", high=50)
        check(self.track_tolerance_deg, "track_tolerance_deg", "deg", high=90)
        check(self.end_margin_s, "end_margin_s", "s", zero=True, high=60)


class SteadyPass(NamedTuple):
    """One pass at a constant speed on a constant track."""

    start_s: float  #: since the start of the recording
    end_s: float
    distance_m: float
    speed_m_s: float  #: distance / time
    sd_m_s: float  #: standard deviation of the speed along the pass
    track_deg: float
    boom_on: bool | None  #: None: changed on the way, or unknown

    @property
    def time_s(self) -> float:
        return self.end_s - self.start_s

    def to_json(self) -> dict[str, Any]:
        return self._asdict()


def steady_passes(samples: Iterable[Sample], limits: SteadyLimits | None = None) -> list[SteadyPass]:
    """The steady passes in a run's samples, in order of time; boom on or off, standing left out.

    A gap, a stale or void fix, or an unknown speed, track or distance ends a pass.
    """
    limits = limits or SteadyLimits()
    found: list[SteadyPass] = []
    for stretch in _driving(samples, limits):
        windows = list(_windows(stretch))
        tracks, speeds = _smoothed_tracks(stretch, windows), _smoothed_speeds(stretch, windows)
        for start, end in _straight(tracks, limits.track_tolerance_deg):
            for first, last in _even(stretch, speeds, start, end, limits):
                steady = _pass(_cut(stretch[first:last], limits.end_margin_s), limits)
                if steady is not None:
                    found.append(steady)
    return sorted(found)


class _Moving(NamedTuple):
    """A sample of a rig under way: all of it is known."""

    t_ns: int
    dt_ns: int
    speed_m_s: float
    track_deg: float
    distance_m: float
    boom_on: int | None


def _driving(samples: Iterable[Sample], limits: SteadyLimits) -> Iterable[list[_Moving]]:
    """Unbroken stretches of samples of a rig under way."""
    stretch: list[_Moving] = []
    for sample in samples:
        speed, track, distance = sample.speed_m_s, sample.track_deg, sample.distance_m
        moving = (
            _Moving(sample.t_ns, sample.dt_ns, speed, track, distance, sample.boom_on)
            if speed is not None
            and track is not None
            and distance is not None
            and speed >= limits.min_speed_m_s
            and sample.dt_ns > 0
            and not sample.flags & _UNUSABLE
            else None
        )
        if stretch and (moving is None or moving.t_ns - moving.dt_ns != stretch[-1].t_ns):
            yield stretch
            stretch = []
        if moving is not None:
            stretch.append(moving)
    if stretch:
        yield stretch


# -- smoothing -----------------------------------------------------------------------------------------------


def _windows(stretch: Sequence[_Moving]) -> Iterable[tuple[int, int]]:
    """For each sample, first and one past the last within the smoothing time, as many on either side."""
    for at, sample in enumerate(stretch):
        reach = 0
        while (
            at - reach - 1 >= 0
            and at + reach + 1 < len(stretch)
            and sample.t_ns - stretch[at - reach - 1].t_ns <= _SMOOTH_NS
            and stretch[at + reach + 1].t_ns - sample.t_ns <= _SMOOTH_NS
        ):
            reach += 1
        yield at - reach, at + reach + 1


def _smoothed_speeds(stretch: Sequence[_Moving], windows: Sequence[tuple[int, int]]) -> list[float]:
    return [fsum(sample.speed_m_s for sample in stretch[start:end]) / (end - start) for start, end in windows]


def _smoothed_tracks(
    stretch: Sequence[_Moving], windows: Sequence[tuple[int, int]]
) -> list[tuple[float, float]]:
    """Unit vectors (north, east)."""
    vectors = [(cos(radians(sample.track_deg)), sin(radians(sample.track_deg))) for sample in stretch]
    return [_unit(vectors[start:end]) for start, end in windows]


def _unit(vectors: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Their mean direction; that of the first where they cancel out."""
    north, east = fsum(v[0] for v in vectors), fsum(v[1] for v in vectors)
    length = sqrt(north * north + east * east)
    return (north / length, east / length) if length > 1e-9 else vectors[0]


# -- splitting -----------------------------------------------------------------------------------------------


def _straight(tracks: Sequence[tuple[float, float]], tolerance_deg: float) -> Iterable[tuple[int, int]]:
    """Runs whose direction stays within the tolerance of their own mean direction."""
    least = cos(radians(tolerance_deg))
    start = 0
    north = east = 0.0
    for at, (n, e) in enumerate(tracks):
        length = sqrt(north * north + east * east)
        if at > start and (north * n + east * e) < least * length:
            yield _within(tracks, start, at, least)
            start, north, east = at, 0.0, 0.0
        north, east = north + n, east + e
    if tracks:
        yield _within(tracks, start, len(tracks), least)


def _within(tracks: Sequence[tuple[float, float]], start: int, end: int, least: float) -> tuple[int, int]:
    """Less the ends that turned out to be off the run's direction: the mean was not known on the way in."""
    north, east = _unit(tracks[start:end])
    while start < end and tracks[start][0] * north + tracks[start][1] * east < least:
        start += 1
    while end > start and tracks[end - 1][0] * north + tracks[end - 1][1] * east < least:
        end -= 1
    return start, end


def _even(
    stretch: Sequence[_Moving], speeds: Sequence[float], start: int, end: int, limits: SteadyLimits
) -> list[tuple[int, int]]:
    """Runs within [start, end) whose speed stays within the tolerance of their own median."""
    found: list[tuple[int, int]] = []
    todo = [(start, end)]
    while todo:
        start, end = todo.pop()
        if end <= start or _time_s(stretch, start, end) < limits.min_time_s:
            continue
        first, last = start, end
        for _ in range(_ROUNDS):
            middle = sorted(speeds[first:last])[(last - first) // 2]
            again = _longest_near(stretch, speeds, start, end, middle, limits.speed_tolerance_pct / 100)
            if again == (first, last):
                break
            first, last = again
        found.append((first, last))
        todo += [(start, first), (last, end)]
    return found


def _longest_near(
    stretch: Sequence[_Moving], speeds: Sequence[float], start: int, end: int, middle: float, tolerance: float
) -> tuple[int, int]:
    """The run that lasts longest near the speed `middle`, from first to last; moments apart are let be."""
    best = (start, start)
    best_ns = -1
    first = newest = -1
    for at in range(start, end):
        if abs(speeds[at] - middle) > tolerance * middle:
            continue
        if first < 0 or stretch[at].t_ns - stretch[at].dt_ns - stretch[newest].t_ns > _EXCURSION_NS:
            first = at
        newest = at
        lasts_ns = stretch[newest].t_ns - stretch[first].t_ns
        if lasts_ns > best_ns:
            best, best_ns = (first, newest + 1), lasts_ns
    return best


def _time_s(stretch: Sequence[_Moving], start: int, end: int) -> float:
    return (stretch[end - 1].t_ns - stretch[start].t_ns + stretch[start].dt_ns) * 1e-9


def _cut(run: Sequence[_Moving], margin_s: float) -> Sequence[_Moving]:
    """Without what lies within the margin of either end."""
    if not run:
        return run
    earliest = run[0].t_ns - run[0].dt_ns + round(margin_s * 1e9)
    latest = run[-1].t_ns - round(margin_s * 1e9)
    return [sample for sample in run if sample.t_ns - sample.dt_ns >= earliest and sample.t_ns <= latest]


def _changing(run: Sequence[_Moving], tolerance: float) -> bool:
    """Whether the speed rises or falls along a straight line by more than the tolerance: least squares."""
    times = [(sample.t_ns - run[0].t_ns) * 1e-9 for sample in run]
    count = len(run)
    mean_t, mean_v = fsum(times) / count, fsum(sample.speed_m_s for sample in run) / count
    tt = fsum((t - mean_t) ** 2 for t in times)
    tv = fsum((t - mean_t) * (sample.speed_m_s - mean_v) for t, sample in zip(times, run, strict=True))
    vv = fsum((sample.speed_m_s - mean_v) ** 2 for sample in run)
    if not tt or not vv:
        return False
    change = tv / tt * times[-1]
    return abs(change) > tolerance * mean_v and tv * tv > _TREND * tt * vv


def _pass(run: Sequence[_Moving], limits: SteadyLimits) -> SteadyPass | None:
    """None when it is too short, or the speed rose or fell all the way."""
    if not run:
        return None
    start_s, end_s = (run[0].t_ns - run[0].dt_ns) * 1e-9, run[-1].t_ns * 1e-9
    time_s = fsum(sample.dt_ns * 1e-9 for sample in run)
    distance = fsum(sample.distance_m for sample in run)
    if distance < limits.min_distance_m or time_s < limits.min_time_s:
        return None
    speed = distance / time_s
    if _changing(run, limits.speed_tolerance_pct / 100):
        return None
    variance = fsum((s.speed_m_s - speed) ** 2 * s.dt_ns * 1e-9 for s in run) / time_s
    north, east = _unit([(cos(radians(s.track_deg)), sin(radians(s.track_deg))) for s in run])
    booms = {sample.boom_on for sample in run}
    boom = booms.pop() if len(booms) == 1 else None
    return SteadyPass(
        start_s, end_s, distance, speed, sqrt(variance), degrees(atan2(east, north)) % 360,
        None if boom is None else bool(boom),
    )  # fmt: skip
