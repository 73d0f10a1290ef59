"""Wind and air over time, and the sentences of a weather sensor on the rig or beside the field.

The wind's speed is its mean with first-order autoregressive gusts, never below zero; its direction swings the
same way. Over the ground it is the same everywhere. A sensor on the rig feels the rig's own driving too.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from rigmon.simulate.motion import Motion, Path
from rigmon.simulate.noise import Floats, ar1, stream
from rigmon.simulate.receiver import during, epochs_ms
from rigmon.simulate.scenario import Scenario
from rigmon.simulate.sentences import sentence

_KN_M_S: Final = 1852 / 3600
_IN_HG_KPA: Final = 3.386389
_AIR_PRESSURE_KPA: Final = 99.8
_GUST_S: Final = 3.0


@dataclass(frozen=True, slots=True, eq=False)
class Air:
    """The true wind at the sensor's epochs: where it comes from, clockwise from true north."""

    at_ms: list[int]
    wind_m_s: Floats
    from_deg: Floats


def air_of(scenario: Scenario, duration_s: float) -> Air | None:
    """The weather of a run; None where the rig reads none."""
    if not scenario.rig.weather.fitted:
        return None
    at_ms = epochs_ms(scenario.weather_hz, duration_s)
    n, step_s = len(at_ms), 1 / scenario.weather_hz
    gusts, swing = (
        ar1(stream(scenario.seed, purpose).standard_normal(n), sd, scenario.gust_tau_s, step_s)
        for purpose, sd in (
            ("gusts", scenario.wind_m_s * scenario.gustiness_pct / 100),
            ("wind_swing", scenario.wind_swing_deg),
        )
    )
    return Air(
        at_ms, np.maximum(scenario.wind_m_s + gusts, 0.0), np.mod(scenario.wind_from_deg + swing, 360.0)
    )


def sentences_of(scenario: Scenario, path: Path, motion: Motion) -> list[tuple[int, str]]:
    """(ms from the start, sentence) in the order of sending."""
    air = air_of(scenario, motion.duration_s)
    return [] if air is None else list(_sentences(scenario, air, path, motion))


def _sentences(scenario: Scenario, air: Air, path: Path, motion: Motion) -> Iterator[tuple[int, str]]:
    sensor = scenario.rig.weather
    at_s = np.array(air.at_ms) / 1000
    speed = motion.speed_at(at_s)
    heading = path.at(motion.path_at(at_s))[2]
    zero = heading + sensor.zero_deg
    if sensor.ground_heading_deg is not None:
        speed, zero = np.zeros(len(speed)), np.full(len(speed), sensor.ground_heading_deg)
    if sensor.wind == "true" and sensor.true_angle_from == "north":
        zero = np.zeros(len(speed))
    wind, angle = air.wind_m_s, np.mod(air.from_deg - zero, 360.0)
    if sensor.wind == "relative":
        # what comes from ahead through driving is felt too
        off = np.radians(air.from_deg - heading)
        ahead, right = wind * np.cos(off) + speed, wind * np.sin(off)
        wind = np.hypot(ahead, right)
        angle = np.mod(np.degrees(np.arctan2(right, ahead)) + heading - zero, 360.0)
    wind_quiet, air_quiet = scenario.of_kind("wind_silent"), scenario.of_kind("air_silent")
    columns = zip(
        air.at_ms, wind.tolist(), angle.tolist(), air.wind_m_s.tolist(), air.from_deg.tolist(), strict=True
    )
    for ms, felt_m_s, felt_deg, true_m_s, from_deg in columns:
        windy, airy = not during(wind_quiet, ms), not during(air_quiet, ms)
        if windy and sensor.wind in ("relative", "true"):
            letter = "R" if sensor.wind == "relative" else "T"
            yield ms, sentence(f"WIMWV,{felt_deg:.1f},{letter},{felt_m_s:.2f},M,A")
        if (windy and sensor.wind == "mda") or (airy and sensor.air == "mda"):
            blow = _wind_fields(true_m_s, from_deg, sensor.magnetic_variation_deg) if windy else _NO_WIND
            stated = _air_fields(scenario) if airy else _NO_AIR
            yield ms, sentence(f"WIMDA,{stated},{blow}")
        if airy and sensor.air == "xdr":
            yield (
                ms,
                sentence(
                    f"WIXDR,C,{scenario.air_temperature_c:.1f},C,{sensor.temperature_name},"
                    f"H,{scenario.humidity_pct:.1f},P,{sensor.humidity_name}"
                ),
            )


_NO_WIND: Final = ",T,,M,,N,,M"
_NO_AIR: Final = ",I,,B,,C,,C,,,,C"


def _wind_fields(wind_m_s: float, from_deg: float, variation_deg: float | None) -> str:
    magnetic = "" if variation_deg is None else f"{(from_deg - variation_deg) % 360:.1f}"
    return f"{from_deg:.1f},T,{magnetic},M,{wind_m_s / _KN_M_S:.1f},N,{wind_m_s:.2f},M"


def _air_fields(scenario: Scenario) -> str:
    inches, bar = _AIR_PRESSURE_KPA / _IN_HG_KPA, _AIR_PRESSURE_KPA / 100
    return f"{inches:.4f},I,{bar:.4f},B,{scenario.air_temperature_c:.1f},C,,C,{scenario.humidity_pct:.1f},,,C"


def truth_of(scenario: Scenario, duration_s: float) -> dict[str, Any] | None:
    """What the weather was, from the wind itself; None where the rig reads none.

    wind_mean_m_s and wind_from_deg: scalar and vector mean over the run; gust_m_s: highest 3 s mean.
    """
    air = air_of(scenario, duration_s)
    if air is None:
        return None
    speed, at = air.wind_m_s, np.radians(air.from_deg)
    north, east = float(np.mean(speed * np.cos(at))), float(np.mean(speed * np.sin(at)))
    width = max(round(_GUST_S * scenario.weather_hz), 1)
    sums = np.cumsum(np.concatenate([[0.0], speed]))
    means = (sums[width:] - sums[:-width]) / width
    windy, airy = scenario.rig.weather.wind != "none", scenario.rig.weather.air != "none"
    return {
        "wind_mean_m_s": float(np.mean(speed)) if windy else None,
        "wind_from_deg": float(np.degrees(np.arctan2(east, north)) % 360.0) if windy else None,
        "gust_m_s": float(np.max(means)) if windy and len(means) else None,
        "air_temperature_c": scenario.air_temperature_c if airy else None,
        "humidity_pct": scenario.humidity_pct if airy else None,
    }
