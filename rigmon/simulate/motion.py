"""Where the rig is and how fast it goes: parallel passes joined by turns, or a circle, driven by a person.

The path is a line with a length, made of straight pieces and arcs; the drive along it is stepped every
STEP_S. Between steps the speed is linear in time, so the distance between any two times is known exactly.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from math import cos, exp, pi, sin, sqrt
from typing import Final

import numpy as np

from rigmon.simulate.noise import Floats, stream
from rigmon.simulate.scenario import LONGEST_RUN_S, Scenario

STEP_S: Final = 0.02
#: a bump's length, and from one to the next on average [s]
_BUMP_S: Final = 1.0
_BUMPS_EVERY_S: Final = 15.0


@dataclass(frozen=True, slots=True)
class Pass:
    """One pass of the path, in metres along it: turn end, boom on, boom off, turn start."""

    enter_m: float
    on_m: float
    off_m: float
    leave_m: float


@dataclass(frozen=True, slots=True)
class Piece:
    """A straight or an arc of the path, in the field's own frame: x along the first course, y to its right.

    `angle_rad` is the course at its begin, clockwise from x; `curvature_per_m` is positive to the right.
    """

    start_m: float  #: along the path
    length_m: float
    x_m: float
    y_m: float
    angle_rad: float
    curvature_per_m: float

    def end(self, length_m: float | None = None) -> tuple[float, float, float]:
        """x, y and angle so far from its begin; None: at its end."""
        s, k, a = self.length_m if length_m is None else length_m, self.curvature_per_m, self.angle_rad
        if k == 0:
            return self.x_m + s * cos(a), self.y_m + s * sin(a), a
        return self.x_m + (sin(a + k * s) - sin(a)) / k, self.y_m - (cos(a + k * s) - cos(a)) / k, a + k * s

    def part(self, from_m: float, to_m: float) -> "Piece":
        """The part of it between two places, in metres along the path."""
        from_m, to_m = max(from_m, self.start_m), min(to_m, self.start_m + self.length_m)
        x, y, angle = self.end(from_m - self.start_m)
        return Piece(from_m, to_m - from_m, x, y, angle, self.curvature_per_m)


class Path:
    """The path on a plane: distance along it [m] to position and course.

    `passes` are its legs with the boom on, `pieces` the straights and arcs that it is made of.
    """

    def __init__(self, scenario: Scenario) -> None:
        self._heading_rad = np.radians(scenario.heading_deg)
        self._heading_deg = scenario.heading_deg
        self.pieces: list[Piece] = []
        self.passes: list[Pass] = []
        headland, length = scenario.headland_m, scenario.pass_length_m
        if scenario.circle_radius_m is not None:
            round_m = 2 * pi * abs(scenario.circle_radius_m)
            self._add(headland)
            for _ in range(scenario.passes):
                self._add(round_m, 1 / scenario.circle_radius_m)
            self._add(headland)
            self._leg(0.0, headland, scenario.passes * round_m, headland)
        else:
            for i in range(scenario.passes):
                start_m = self.length_m
                self._add(length + 2 * headland)
                self._leg(start_m, headland, length, headland)
                if i < scenario.passes - 1:
                    self._turn(scenario, to_right=i % 2 == 0)
            if scenario.cross_pass_overlap_m is not None:
                self._cross(scenario)
        self._starts = np.array([piece.start_m for piece in self.pieces])
        self._table = np.array(
            [(p.start_m, p.x_m, p.y_m, p.angle_rad, p.curvature_per_m) for p in self.pieces]
        ).T

    @property
    def length_m(self) -> float:
        """Where the newest piece ends."""
        return self.pieces[-1].start_m + self.pieces[-1].length_m if self.pieces else 0.0

    def _add(self, length_m: float, curvature_per_m: float = 0.0) -> None:
        x, y, angle = self.pieces[-1].end() if self.pieces else (0.0, 0.0, 0.0)
        if length_m > 0:
            self.pieces.append(Piece(self.length_m, length_m, x, y, angle, curvature_per_m))

    def _leg(self, enter_m: float, before_m: float, on_m: float, after_m: float) -> None:
        at = enter_m + before_m
        self.passes.append(Pass(enter_m, at, at + on_m, at + on_m + after_m))

    def _turn(self, scenario: Scenario, to_right: bool) -> None:
        radius, between = scenario.radius_m, scenario.spacing_m - 2 * scenario.radius_m
        curvature = (1 if to_right else -1) / radius
        if between > 1e-9:
            self._add(pi / 2 * radius, curvature)
            self._add(between)
            self._add(pi / 2 * radius, curvature)
        else:
            self._add(pi * radius, curvature)

    def _cross(self, scenario: Scenario) -> None:
        """A quarter turn back towards the first pass, and a pass across the ends of the others."""
        radius, swath = scenario.cross_radius_m, scenario.rig.swath_m
        outward = scenario.passes % 2 == 1
        self._add(pi / 2 * radius, (-1 if outward else 1) / radius)
        start_m = self.length_m
        _, y, _ = self.pieces[-1].end()
        on_m = max(y - scenario.headland_m + swath / 2, 0.0)  # to the first pass's outer edge
        self._add(2 * scenario.headland_m + on_m)
        self._leg(start_m, scenario.headland_m, on_m, scenario.headland_m)

    def at(self, path_m: Floats) -> tuple[Floats, Floats, Floats]:
        """East [m], north [m] of the origin and course [deg, 0 to 360) at distances along the path."""
        index = np.clip(np.searchsorted(self._starts, path_m, side="right") - 1, 0, len(self.pieces) - 1)
        start_m, x, y, angle, curvature = self._table[:, index]
        # past the end of the last leg the rig rolls straight on until it stands
        into = path_m - start_m
        straight = curvature == 0
        k = np.where(straight, 1.0, curvature)
        turned = angle + k * into
        x = x + np.where(straight, into * np.cos(angle), (np.sin(turned) - np.sin(angle)) / k)
        y = y + np.where(straight, into * np.sin(angle), (np.cos(angle) - np.cos(turned)) / k)
        course = self._heading_deg + np.degrees(np.where(straight, angle, turned))
        return *self.to_plane(x, y), np.mod(course, 360.0)

    def to_plane(self, x_m: Floats, y_m: Floats) -> tuple[Floats, Floats]:
        """East and north [m] of places in the field's own frame."""
        sine, cosine = np.sin(self._heading_rad), np.cos(self._heading_rad)
        return x_m * sine + y_m * cosine, x_m * cosine - y_m * sine

    def curvature_at(self, path_m: Floats) -> Floats:
        """1 / radius [1/m], positive to the right, at distances along the path."""
        index = np.clip(np.searchsorted(self._starts, path_m, side="right") - 1, 0, len(self.pieces) - 1)
        return np.asarray(self._table[4, index])

    def between(self, from_m: float, to_m: float) -> list[Piece]:
        """The pieces of the path between two places [m]."""
        first = max(int(np.searchsorted(self._starts, from_m, side="right")) - 1, 0)
        last = max(int(np.searchsorted(self._starts, to_m, side="left")), first + 1)
        parts = [piece.part(from_m, to_m) for piece in self.pieces[first:last]]
        return [part for part in parts if part.length_m > 0]


@dataclass(frozen=True, slots=True, eq=False)
class Motion:
    """The drive: time [s], speed [m/s] and distance along the path [m] at each step."""

    t_s: Floats
    speed_m_s: Floats
    path_m: Floats

    @property
    def duration_s(self) -> float:
        return float(self.t_s[-1])

    def speed_at(self, t_s: Floats) -> Floats:
        """Speed [m/s] at any times; before the start and after the end it is that of the start and end."""
        return np.interp(t_s, self.t_s, self.speed_m_s)

    def path_at(self, t_s: Floats) -> Floats:
        """Distance along the path [m] at any times."""
        t = np.clip(t_s, 0.0, self.duration_s)
        i = np.clip(np.searchsorted(self.t_s, t, side="right") - 1, 0, len(self.t_s) - 2)
        into = t - self.t_s[i]
        v, dv = self.speed_m_s[i], self.speed_m_s[i + 1] - self.speed_m_s[i]
        return self.path_m[i] + v * into + dv * into**2 / (2 * STEP_S)

    def time_at(self, path_m: float) -> float:
        """When the rig passes a place [s]. Where it stands there for a while: when it leaves."""
        i = min(int(np.searchsorted(self.path_m, path_m, side="right")) - 1, len(self.t_s) - 2)
        v, left = float(self.speed_m_s[i]), path_m - float(self.path_m[i])
        a = (float(self.speed_m_s[i + 1]) - v) / STEP_S
        root = sqrt(max(v * v + 2 * a * left, 0.0))
        # the quadratic's root in the form that does not cancel
        return float(self.t_s[i]) + (2 * left / (v + root) if left > 0 else 0.0)


def drive(scenario: Scenario, path: Path) -> Motion:
    """Drive the path.

    The wish is the target speed (as events change it) plus the driver's wander in the passes and headlands,
    the turn speed in turns; the driver brakes in time for a turn and for the end. The speed follows the
    wish with bounded acceleration.
    """
    target = scenario.rig.target.speed_m_s
    most = scenario.acceleration_m_s2 * STEP_S
    brake = 2 * scenario.acceleration_m_s2
    pace = [
        (event.start_s, event.end_s, 1 + (event.size or 0) * (1 if event.kind == "overspeed" else -1))
        for event in scenario.of_kind("overspeed", "underspeed")
    ] + _bumps(scenario)
    creeps = scenario.of_kind("speed_creep")
    wander = _wander(scenario)
    t = [i * STEP_S for i in range(round(scenario.standstill_s / STEP_S) + 1)]
    v, s = [0.0] * len(t), [0.0] * len(t)
    speed = place = 0.0
    step = len(t)

    def advance(wish: float) -> None:
        nonlocal speed, place, step
        before = speed
        speed += min(max(wish - speed, -most), most)
        place += (before + speed) / 2 * STEP_S
        t.append(step * STEP_S)
        v.append(speed)
        s.append(place)
        step += 1

    for number, leg in enumerate(path.passes):
        last = number == len(path.passes) - 1
        slow = 0.0 if last else scenario.turn_speed_m_s
        while place < leg.leave_m:
            now = t[-1]
            wish = target
            for start, end, factor in pace:
                if start <= now < end:
                    wish *= factor
            for creep in creeps:
                if creep.start_s <= now < creep.end_s:
                    wish *= 1 + (creep.size or 0) * creep.grown(now)
            wish = min(wish + next(wander), sqrt(slow * slow + brake * (leg.leave_m - place)))
            advance(max(wish, scenario.creep_m_s))
        if not last:
            turn_end = path.passes[number + 1].enter_m
            while place < turn_end:
                next(wander)
                advance(max(scenario.turn_speed_m_s, scenario.creep_m_s))
    while speed > 0:
        advance(0.0)
    for _ in range(max(round(scenario.standstill_s / STEP_S), 1)):
        advance(0.0)
    return Motion(np.array(t), np.array(v), np.array(s))


def _bumps(scenario: Scenario) -> list[tuple[float, float, float]]:
    """Start, end [s] and factor of each bump of the events speed_bumps: as often faster as slower."""
    rng = stream(scenario.seed, "bumps")
    bumps = []
    for event in scenario.of_kind("speed_bumps"):
        t = event.start_s + float(rng.uniform(0, _BUMPS_EVERY_S))
        last_s = min(event.end_s, LONGEST_RUN_S) - _BUMP_S
        while t <= last_s:
            sign = 1 if rng.random_sample() < 0.5 else -1
            bumps.append((t, t + _BUMP_S, 1 + sign * (event.size or 0)))
            t += _BUMP_S + float(rng.exponential(_BUMPS_EVERY_S - _BUMP_S))
    return bumps


def _wander(scenario: Scenario) -> Iterator[float]:
    """Endless wander of the driver's speed [m/s] about the target, one value a step.

    An Ornstein-Uhlenbeck process behind a first-order lag: a foot does not jump. For an input with
    autocorrelation exp(-t/tau) the lag T leaves tau/(tau + T) of the variance; it is given back, so that
    the standard deviation is the one asked for.
    """
    rng = stream(scenario.seed, "wander")
    tau, lag = scenario.wander_tau_s, scenario.reaction_s
    sd = scenario.wander_sd_m_s * sqrt((tau + lag) / tau)
    phi, keep = exp(-STEP_S / tau), exp(-STEP_S / lag)
    kick = sd * sqrt(1 - phi * phi)
    fast = sd * float(rng.standard_normal())
    slow = fast * tau / (tau + lag)
    while True:
        for normal in rng.standard_normal(4096).tolist():
            fast = phi * fast + kick * normal
            slow = keep * slow + (1 - keep) * fast
            yield slow
