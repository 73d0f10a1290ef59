"""Wind and air of a run: while spraying, at its start and at its end, and what to beware of."""

from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from math import atan, isnan, sqrt
from statistics import fmean
from typing import Any, Final

import numpy as np

from rigmon.analysis.frames import RunData
from rigmon.analysis.ground import number
from rigmon.analysis.utc import utc_ms
from rigmon.core.trig import bearing_deg, cos_sin_deg
from rigmon.model import Weather
from rigmon.units import MILE_M

#: below it air counts as calm, 3 mph: common practice of labels and extension services
CALM_M_S: Final = float(3 * MILE_M / 3600)
#: inversions form from an hour or two before sunset to an hour or two after sunrise (common practice of
#: extension services); in middle latitudes the sun then stands lower than about this
_LOW_SUN_DEG: Final = 20.0
#: weather within so long of the first or last treated ground stands for the start or the end
_NEAR_S: Final = 60.0
#: a row stands for the time since the one before it, but for no more than this
_ROW_S: Final = 2.0


def wet_bulb_c(temperature_c: float, humidity_pct: float) -> float | None:
    """Wet-bulb temperature at sea-level pressure: Stull (2011), J. Appl. Meteor. Climatol. 50, 2267, eq. 1.

    None outside the range it was fitted on: 5 to 99 %, -20 to 50 °C.
    """
    t, rh = temperature_c, humidity_pct
    if not (5 <= rh <= 99 and -20 <= t <= 50):
        return None
    return (
        t * atan(0.151977 * sqrt(rh + 8.313659))
        + atan(t + rh)
        - atan(rh - 1.676331)
        + 0.00391838 * rh * sqrt(rh) * atan(0.023101 * rh)
        - 4.686035
    )


def delta_t_c(temperature_c: float | None, humidity_pct: float | None) -> float | None:
    """Wet-bulb depression: air temperature less wet-bulb temperature [°C]; None: unknown."""
    if temperature_c is None or humidity_pct is None:
        return None
    wet = wet_bulb_c(temperature_c, humidity_pct)
    return None if wet is None else max(temperature_c - wet, 0.0)


def weather(run: RunData) -> dict[str, Any] | None:
    """What the rig's sensors say of wind and air; None where none is fitted. Missing knowledge is None.

    wind_source, air_source, height_m   of the rig file; on_ground: the wind sensor stands beside the field
    over        'treated': the figures are of the time with the boom on; 'run': it was never on
    known_s, unknown_s   of that time, with a 2 min mean of the wind and without
    wind_mean_m_s, wind_from_deg        scalar mean, and direction of the vector mean
    wind_2min_max_m_s, gust_max_m_s     highest mean over 2 min (less at the start), and over 3 s
    wind_max_m_s, gust_max_limit_m_s    the person's own limits; above_limit_s: time above either
    calm_s, calm_low_sun_s              2 min mean below 3 mph; and with a low sun or none (None: place or
                                        time unknown); inversion_caution: a caution, never a measurement
    air_temperature_c, humidity_pct, air_pressure_kpa, delta_t_c   mean, low and high
    start, end  within a minute of the first and last treated ground (or of the run): at_s, wind_m_s and
                wind_from_deg (2 min mean), gust_m_s, span_s (how far back the gust reaches),
                air_temperature_c, humidity_pct, delta_t_c
    """
    sensor = run.rig.weather
    if not sensor.fitted:
        return None
    columns = run.columns
    on = columns.boom_on == 1
    over = "treated" if on.any() else "run"
    rows, weights = _rows(run, on if over == "treated" else np.ones(len(on), dtype=bool))
    first_s, last_s = (0.0, run.duration_s)
    if over == "treated":
        when = np.flatnonzero(on)
        first_s, last_s = columns.start_ns[when[0]] / 1e9, columns.t_ns[when[-1]] / 1e9
    whole_s = float(columns.dt_s[on].sum()) if over == "treated" else run.duration_s
    known_s = _time(rows, weights, lambda one: one.wind_2min_m_s is not None)
    calm = [one.wind_2min_m_s is not None and one.wind_2min_m_s < CALM_M_S for one in rows]
    calm_s = sum(w for w, is_calm in zip(weights, calm, strict=True) if is_calm)
    low_sun_s = _low_sun_s(run, [one for one, is_calm in zip(rows, calm, strict=True) if is_calm])
    windy = sensor.wind != "none"

    def above(one: Weather) -> bool:
        return any(
            value is not None and limit is not None and value > limit
            for value, limit in (
                (one.wind_2min_m_s, sensor.wind_max_m_s),
                (one.gust_m_s, sensor.gust_max_m_s),
            )
        )

    limited = sensor.wind_max_m_s is not None or sensor.gust_max_m_s is not None
    return {
        "wind_source": sensor.wind,
        "air_source": sensor.air,
        "height_m": sensor.height_m,
        "on_ground": sensor.ground_heading_deg is not None,
        "over": over,
        "known_s": known_s if windy else None,
        "unknown_s": max(whole_s - known_s, 0.0) if windy else None,
        "wind_mean_m_s": _spread([one.wind_m_s for one in rows])["mean"],
        "wind_from_deg": _mean_from_deg(rows),
        "wind_2min_max_m_s": _spread([one.wind_2min_m_s for one in rows])["high"],
        "gust_max_m_s": _spread([one.gust_m_s for one in rows])["high"],
        "wind_max_m_s": sensor.wind_max_m_s,
        "gust_max_limit_m_s": sensor.gust_max_m_s,
        "above_limit_s": _time(rows, weights, above) if limited and known_s else None,
        "calm_s": calm_s if known_s else None,
        "calm_low_sun_s": low_sun_s,
        "inversion_caution": calm_s > 0 and (low_sun_s is None or low_sun_s > 0),
        "air_temperature_c": _spread([one.air_temperature_c for one in rows]),
        "humidity_pct": _spread([one.humidity_pct for one in rows]),
        "air_pressure_kpa": _spread([one.air_pressure_kpa for one in rows]),
        "delta_t_c": _spread([delta_t_c(one.air_temperature_c, one.humidity_pct) for one in rows]),
        "start": _at(run.weather, first_s, first_s + _NEAR_S, last=False),
        "end": _at(run.weather, last_s - _NEAR_S, last_s + 1.0, last=True),
    }


def _rows(run: RunData, wanted: Any) -> tuple[list[Weather], list[float]]:
    """The rows that fall into a wanted sample, and the time [s] that each stands for."""
    if not run.weather or not len(run.columns):
        return [], []
    at = np.array([one.t_ns for one in run.weather])
    which = np.searchsorted(run.columns.t_ns, at)
    inside = (which < len(wanted)) & wanted[np.minimum(which, len(wanted) - 1)]
    gaps = np.minimum(np.diff(at, prepend=0) / 1e9, _ROW_S)
    picked = np.flatnonzero(inside)
    return [run.weather[k] for k in picked], gaps[picked].tolist()


def _time(rows: Sequence[Weather], weights: Sequence[float], wanted: Callable[[Weather], bool]) -> float:
    return float(sum(w for one, w in zip(rows, weights, strict=True) if wanted(one)))


def _spread(values: Sequence[float | None]) -> dict[str, float | None]:
    known = [value for value in values if value is not None]
    if not known:
        return {"mean": None, "low": None, "high": None}
    return {"mean": number(fmean(known)), "low": min(known), "high": max(known)}


def _mean_from_deg(rows: Sequence[Weather]) -> float | None:
    north = east = 0.0
    for one in rows:
        if one.wind_m_s is not None and one.wind_from_deg is not None:
            cos, sin = cos_sin_deg(one.wind_from_deg)
            north, east = north + one.wind_m_s * cos, east + one.wind_m_s * sin
    return bearing_deg(north, east)


def _at(rows: Sequence[Weather], from_s: float, to_s: float, *, last: bool) -> dict[str, float | None]:
    """Of the rows between two times those that know most; of these the first, or the last one."""
    near = [one for one in rows if from_s <= one.t_ns / 1e9 <= to_s]
    near = near[::-1] if last else near

    def knows(one: Weather) -> int:
        return sum(
            value is not None
            for value in (one.wind_2min_m_s, one.wind_2min_from_deg, one.gust_m_s, one.air_temperature_c)
        )

    best = max((knows(one) for one in near), default=0)
    row = next((one for one in near if best and knows(one) == best), None)
    if row is None:
        return dict.fromkeys(_MOMENT)
    return dict(
        zip(
            _MOMENT,
            (
                row.t_ns / 1e9,
                row.wind_2min_m_s,
                row.wind_2min_from_deg,
                row.gust_m_s,
                row.wind_span_s,
                row.air_temperature_c,
                row.humidity_pct,
                delta_t_c(row.air_temperature_c, row.humidity_pct),
            ),
            strict=True,
        )
    )


_MOMENT: Final = (
    *("at_s", "wind_m_s", "wind_from_deg", "gust_m_s", "span_s"),
    *("air_temperature_c", "humidity_pct", "delta_t_c"),
)


def _low_sun_s(run: RunData, calm: Sequence[Weather]) -> float | None:
    """How long of the calm the sun was low or down; None: place or time is not known."""
    if not calm:
        return 0.0
    from astral import Observer
    from astral.sun import elevation

    columns = run.columns
    placed = np.flatnonzero(~np.isnan(columns.lat_deg))
    moments = utc_ms(run.anchors, np.array([one.t_ns for one in calm]))
    if not len(placed) or np.isnan(moments).all():
        return None
    observer = Observer(float(columns.lat_deg[placed[0]]), float(columns.lon_deg[placed[0]]))
    # the sun moves by a quarter of a degree a minute: once a minute is enough
    low: dict[int, bool] = {}
    seconds = 0.0
    for ms in moments.tolist():
        if isnan(ms):
            continue
        minute = int(ms // 60_000)
        if minute not in low:
            try:
                at = datetime.fromtimestamp(minute * 60, UTC)
            except (ValueError, OverflowError, OSError):  # beyond the calendar
                return None
            low[minute] = elevation(observer, at) < _LOW_SUN_DEG
        seconds += low[minute]
    return seconds
