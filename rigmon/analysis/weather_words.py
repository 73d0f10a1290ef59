"""Wind and air in plain words, the same for the score, the report and the record."""

from collections.abc import Mapping
from typing import Any, Final

from rigmon.units import compass_point, show

INVERSION: Final = (
    "Calm air with a low sun or at night may hold an inversion, in which fine drops hang and drift far. One "
    "thermometer cannot see it: look for smoke or dust that stays low. Many labels forbid spraying in one."
)


def wind(speed_m_s: float | None, from_deg: float | None, system: str) -> str | None:
    """'7.2 mph from WSW (245°)'; None: the speed is unknown."""
    if speed_m_s is None:
        return None
    where = (
        ", direction unknown" if from_deg is None else f" from {compass_point(from_deg)} ({from_deg:.0f}°)"
    )
    return f"{show(speed_m_s, 'speed', system)}{where}"


def air(temperature_c: float | None, humidity_pct: float | None, system: str) -> str | None:
    """'64 °F, 60 % humidity'; None: both are unknown."""
    parts = []
    if temperature_c is not None:
        parts.append(show(temperature_c, "temperature", system, 0))
    if humidity_pct is not None:
        parts.append(f"{humidity_pct:.0f} % humidity")
    return ", ".join(parts) or None


def moment(at: Mapping[str, Any], system: str) -> str | None:
    """The wind at the start or the end: 2 min mean, direction, gust; None: unknown."""
    text = wind(at["wind_m_s"], at["wind_from_deg"], system)
    if text is not None and at["gust_m_s"] is not None:
        text += f", gusts to {show(at['gust_m_s'], 'speed', system)}"
    return text


def lines(found: Mapping[str, Any], system: str) -> list[str]:
    """What `rigmon.analysis.weather.weather` found, a sentence a line."""
    told = []
    while_ = "while spraying" if found["over"] == "treated" else "over the run"
    if found["wind_source"] != "none":
        mean = wind(found["wind_mean_m_s"], found["wind_from_deg"], system)
        if mean is None:
            told.append(f"wind unknown {while_}")
        else:
            height = found["height_m"]
            at = "" if height is None else f", measured {show(height, 'length', system)} above the ground"
            told.append(f"wind {mean} on average {while_}{at}")
            peaks = [
                f"{words} {show(found[key], 'speed', system)}"
                for words, key in (("2 min mean up to", "wind_2min_max_m_s"), ("gusts to", "gust_max_m_s"))
                if found[key] is not None
            ]
            unknown_s = found["unknown_s"] or 0.0
            gap = f"; unknown for {unknown_s:.0f} s" if unknown_s >= 1 else ""
            told.append(", ".join(peaks) + gap)
        if found["above_limit_s"] is not None:
            limits = " and ".join(
                f"{words} {show(found[key], 'speed', system)}"
                for words, key in (("wind", "wind_max_m_s"), ("gusts", "gust_max_limit_m_s"))
                if found[key] is not None
            )
            told.append(f"above your limit ({limits}) for {found['above_limit_s']:.0f} s")
    if found["air_source"] != "none":
        text = air(found["air_temperature_c"]["mean"], found["humidity_pct"]["mean"], system)
        depression = found["delta_t_c"]["mean"]
        if text is not None and depression is not None:
            text += f", delta T {show(depression, 'temperature difference', system, 0)} (worked out)"
        told.append("air unknown" if text is None else f"air {text} on average")
    if found["inversion_caution"]:
        calm = f"calm (below {show(1.34112, 'speed', system)}) for {found['calm_s']:.0f} s"
        told.append(f"{calm}. {INVERSION}")
    return told
