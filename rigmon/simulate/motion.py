"""Where the rig is and how fast it goes: parallel passes joined by semicircles, driven by a person.

The path is a line with a length; the drive along it is stepped every STEP_S. Between steps the speed is
linear in time, so the distance between any two times is known exactly.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from math import exp, pi, sqrt
from typing import Final

import numpy as np

from rigmon.simulate.noise import Floats, stream
from rigmon.simulate.scenario import Scenario

STEP_S: Final = 0.02


@dataclass(frozen=True, slots=True)
class Pass:
    """One pass of the path, in metres along it: turn end, boom on, boom off, turn start."""

    enter_m: float
    on_m: float
    off_m: float
    leave_m: float


class Path:
    """The path on a plane: distance along it [m] to position and course."""

    def __init__(self, scenario: Scenario) -> None:
        self._scenario = scenario
        self.turn_m = pi * scenario.radius_m
        self._straight_m = scenario.pass_length_m + 2 * scenario.headland_m
        self._period_m = self._straight_m + self.turn_m
        self.passes = [
            Pass(
                enter := i * self._period_m,
                enter + scenario.headland_m,
                enter + scenario.headland_m + scenario.pass_length_m,
                enter + self._straight_m,
            )
            for i in range(scenario.passes)
        ]
        self.length_m = self.passes[-1].leave_m

    def at(self, path_m: Floats) -> tuple[Floats, Floats, Floats]:
        """East [m], north [m] of the origin and course [deg, 0 to 360) at distances along the path."""
        radius = self._scenario.radius_m
        index = np.clip(np.floor(path_m / self._period_m), 0, len(self.passes) - 1)
        into = path_m - index * self._period_m
        straight = np.minimum(into, self._straight_m)
        last = index == len(self.passes) - 1
        # past the end of the last pass the rig rolls straight on until it stands
        straight = np.where(last, into, straight)
        angle = np.where(last, 0.0, np.clip((into - self._straight_m) / radius, 0, pi))
        outward = index % 2 == 0
        along = straight + radius * np.sin(angle)
        x = np.where(outward, along, self._straight_m - along)
        y = 2 * radius * index + radius * (1 - np.cos(angle))  # to the right of the first course
        heading = np.radians(self._scenario.heading_deg)
        east = x * np.sin(heading) + y * np.cos(heading)
        north = x * np.cos(heading) - y * np.sin(heading)
        course = self._scenario.heading_deg + np.where(outward, np.degrees(angle), 180 - np.degrees(angle))
        return east, north, np.mod(course, 360.0)


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
    ]
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
            wish = min(wish + next(wander), sqrt(slow * slow + brake * (leg.leave_m - place)))
            advance(max(wish, scenario.creep_m_s))
        if not last:
            turn_end = leg.leave_m + path.turn_m
            while place < turn_end:
                next(wander)
                advance(max(scenario.turn_speed_m_s, scenario.creep_m_s))
    while speed > 0:
        advance(0.0)
    for _ in range(max(round(scenario.standstill_s / STEP_S), 1)):
        advance(0.0)
    return Motion(np.array(t), np.array(v), np.array(s))


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
