"""The sentences of a GPS receiver: late by a constant, noisy, and at times without a fix.

Its speed is the true one, `latency_s` ago, plus white noise and first-order autoregressive noise: what
receivers show that smooth their Doppler speed. It may be smoothed for longer, later than the positions, or
frozen. The course is left out at a crawl, as receivers do.
"""

from dataclasses import dataclass
from datetime import UTC
from typing import Final

import numpy as np
import pyproj

from rigmon import units
from rigmon.simulate.events import Event
from rigmon.simulate.motion import Motion, Path
from rigmon.simulate.noise import Floats, ar1, stream
from rigmon.simulate.scenario import Scenario
from rigmon.simulate.sentences import angle, sentence, time_and_date

_KNOT_M_S: Final = float(units.UNITS["speed"]["kn"])
#: slower than this, the course is left out
_COURSE_FROM_M_S: Final = 0.1
#: garbage speed of a void fix: the largest seen from a real receiver that stood still was 732 kn
_GARBAGE_KN: Final = 732.0


@dataclass(frozen=True, slots=True, eq=False)
class Fixes:
    """The receiver's epochs: time of sending [ms from the start] and what it would print, one per epoch."""

    at_ms: list[int]
    speed_m_s: Floats
    course_deg: Floats
    lat_deg: Floats
    lon_deg: Floats


def epochs_ms(hz: int, duration_s: float) -> list[int]:
    """The whole multiples of 1/hz [ms, rounded] before the end."""
    every = (round(1000 * k / hz) for k in range(int(duration_s * hz) + 2))
    return [ms for ms in every if ms < duration_s * 1000]


def observe(scenario: Scenario, path: Path, motion: Motion) -> Fixes:
    """What the receiver sees, each epoch."""
    at_ms = epochs_ms(scenario.gps_hz, motion.duration_s)
    step_s, n = 1 / scenario.gps_hz, len(at_ms)
    at_s = np.array(at_ms) / 1000
    seen_s = at_s - scenario.latency_s
    speed = motion.speed_at(_spoken_of(scenario, at_s, seen_s))
    white = stream(scenario.seed, "speed_white").standard_normal(n)
    slow = stream(scenario.seed, "speed_correlated").standard_normal(n)
    noisy = speed + scenario.white_noise_m_s * white
    noisy += ar1(slow, scenario.correlated_noise_m_s, scenario.correlated_tau_s, step_s)
    east, north, course = path.at(motion.path_at(seen_s))
    off_east, off_north = (
        ar1(
            stream(scenario.seed, purpose).standard_normal(n),
            scenario.position_noise_m,
            scenario.position_noise_tau_s,
            step_s,
        )
        for purpose in ("position_east", "position_north")
    )
    # noise across the track turns the course; the slower, the more
    sideways = scenario.white_noise_m_s * stream(scenario.seed, "course").standard_normal(n)
    course = np.mod(course + np.degrees(np.arctan2(sideways, np.maximum(speed, _COURSE_FROM_M_S))), 360.0)
    # a speed over ground has no sign
    shown = _held(scenario, at_s, _smoothed(scenario, at_s, np.abs(noisy)))
    return Fixes(at_ms, shown, course, *to_degrees(scenario, east + off_east, north + off_north))


def _spoken_of(scenario: Scenario, at_s: Floats, seen_s: Floats) -> Floats:
    """The times whose speed is sent: later than the positions' while the speed is late."""
    for event in scenario.of_kind("speed_late"):
        seen_s = seen_s - np.where((at_s >= event.start_s) & (at_s < event.end_s), event.size or 0.0, 0.0)
    return seen_s


def _smoothed(scenario: Scenario, at_s: Floats, speed_m_s: Floats) -> Floats:
    """The speed behind the receiver's own first-order filter; its time constant may change on the way."""
    events = scenario.of_kind("speed_smoothed")
    if scenario.smoothing_s == 0 and not events:
        return speed_m_s
    tau = np.full(len(at_s), scenario.smoothing_s)
    for event in events:
        tau[(at_s >= event.start_s) & (at_s < event.end_s)] = event.size or 0.0
    step_s = 1 / scenario.gps_hz
    keep = np.where(tau > 0, np.exp(-step_s / np.maximum(tau, 1e-9)), 0.0).tolist()
    values = speed_m_s.tolist()
    out = values[:1]
    for k, value in zip(keep[1:], values[1:], strict=True):
        out.append(value + (out[-1] - value) * k)
    return np.array(out)


def _held(scenario: Scenario, at_s: Floats, speed_m_s: Floats) -> Floats:
    """The speed with its last value before a freeze repeated until that is over."""
    events = scenario.of_kind("speed_frozen")
    if not events:
        return speed_m_s
    held = speed_m_s.copy()
    for event in sorted(events, key=lambda e: e.start_s):
        first, after = np.searchsorted(at_s, [event.start_s, event.end_s])
        held[first:after] = held[max(first - 1, 0)]
    return held


def to_degrees(scenario: Scenario, east_m: Floats, north_m: Floats) -> tuple[Floats, Floats]:
    """Latitude and longitude [deg] of places east and north of the scenario's origin."""
    plane = pyproj.Proj(
        proj="aeqd", lat_0=scenario.origin_lat_deg, lon_0=scenario.origin_lon_deg, ellps="WGS84"
    )
    lon, lat = plane(east_m, north_m, inverse=True)
    return np.asarray(lat), np.asarray(lon)


def sentences_of(scenario: Scenario, fixes: Fixes) -> list[tuple[int, str]]:
    """(ms from the start, sentence) in the order of sending: RMC first within an epoch."""
    start = scenario.start_utc.astimezone(UTC)
    decimals = 2 if 1000 % (10 * scenario.gps_hz) == 0 else 3
    knots_decimals = {0.1: 1, 0.01: 2, 0.001: 3}[scenario.speed_quantum_kn]
    silent, void, zero = (scenario.of_kind(k) for k in ("gps_dropout", "void_fix", "stuck_zero_speed"))
    garbage = stream(scenario.seed, "void").random_sample((len(fixes.at_ms), 2)).tolist()
    status = ",V" if scenario.nmea41 else ""
    talker, places = scenario.talker.upper(), scenario.position_decimals
    out: list[tuple[int, str]] = []
    columns = zip(
        fixes.at_ms,
        fixes.speed_m_s.tolist(),
        fixes.course_deg.tolist(),
        fixes.lat_deg.tolist(),
        fixes.lon_deg.tolist(),
        garbage,
        strict=True,
    )
    for ms, speed, heading, lat, lon, (chance, junk) in columns:
        if during(silent, ms):
            continue
        time, date = time_and_date(start, ms, decimals)
        without = during(void, ms)
        if without is not None:
            knots = km_h = course = ""
            if chance < (without.size or 0):
                knots, km_h = f"{junk * _GARBAGE_KN:.2f}", f"{junk * _GARBAGE_KN * 1.852:.2f}"
                course = f"{junk * 360:.2f}"
            bodies = {
                "RMC": f"RMC,{time},V,,,,,{knots},{course},{date},,,N{status}",
                "VTG": f"VTG,{course},T,,M,{knots},N,{km_h},K,N",
                "GGA": f"GGA,{time},,,,,0,00,99.99,,,,,,",
            }
        else:
            shown = 0.0 if during(zero, ms) else speed / _KNOT_M_S
            knots, km_h = f"{shown:.{knots_decimals}f}", f"{shown * 1.852:.{knots_decimals}f}"
            course = f"{heading:.1f}" if shown * _KNOT_M_S >= _COURSE_FROM_M_S else ""
            where = f"{angle(lat, 2, 'NS', places)},{angle(lon, 3, 'EW', places)}"
            bodies = {
                "RMC": f"RMC,{time},A,{where},{knots},{course},{date},,,A{status}",
                "VTG": f"VTG,{course},T,,M,{knots},N,{km_h},K,A",
                "GGA": f"GGA,{time},{where},1,10,0.9,20.0,M,0.0,M,,",
            }
        out.extend((ms, sentence(talker + bodies[name])) for name in bodies if name in scenario.sentences)
    return out


def during(events: list[Event], ms: int) -> Event | None:
    """The event that is on at a time, or None. Its start belongs to it, its end does not."""
    for event in events:
        if event.start_s * 1000 <= ms < event.end_s * 1000:
            return event
    return None
