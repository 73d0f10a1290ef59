"""What changed along a season: figures of the runs, and the calibrations that they rested on.

A trend is told only where it is distinguishable from zero: where the interval of its slope leaves zero out.
The interval is one of 99 %, as half a dozen trends are looked at: then about one season in twenty, not one in
four, shows a trend that is none.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from math import sqrt
from typing import Any, Final

import numpy as np

from rigmon.analysis.ground import number
from rigmon.analysis.season.slope import theil_sen

CONFIDENCE: Final = 0.99
_DAY_S: Final = 86400.0


@dataclass(frozen=True, slots=True)
class Figure:
    """A figure of each run that is followed along the season."""

    name: str
    title: str
    dimension: str  #: of rigmon.units, or '%'
    of: Callable[[dict[str, Any]], float | None]
    meaning: tuple[str, str] = ("", "")  #: what it may mean when it rises, when it falls
    by_nozzles: bool = False  #: runs with other nozzles are another series


def _rate_error_pct(run: dict[str, Any]) -> float | None:
    mean, target = run["score"]["rate"]["mean_l_ha"], run["score"]["target"]["rate_l_ha"]
    return None if mean is None else 100 * (mean / target - 1)


def _coefficient(run: dict[str, Any]) -> float | None:
    found = run["nozzle_coefficient"]
    return None if found is None else float(found["k_l_min_per_sqrt_kpa"])


def _metered_pct(run: dict[str, Any]) -> float | None:
    for one in run["closure"]["differences"]:
        if (one["first"], one["second"]) == ("metered", "calculated"):
            return float(one["difference_pct"])
    return None


FIGURES: Final = (
    Figure(
        "rate_error_pct",
        "rate error (mean rate against its target)",
        "%",
        _rate_error_pct,
        (
            "more goes onto the ground for each pass: look at speed, pressure and nozzle wear",
            "less goes onto the ground for each pass: look at speed, pressure, strainers and nozzles",
        ),
    ),
    Figure(
        "in_tolerance_area_pct",
        "share of the ground in tolerance",
        "%",
        lambda run: run["score"]["rate"]["in_tolerance_area_pct"],
    ),
    Figure(
        "hold_pct",
        "driver's hold (mean deviation from the speed to hold; less is better)",
        "%",
        lambda run: run["hold"]["hold_pct"],
    ),
    Figure(
        "nozzle_coefficient",
        "boom flow at one pressure",
        "flow",
        _coefficient,
        (
            "worn nozzles, a leak behind the meter, or a meter or gauge that drifts: do a catch test",
            "plugged nozzles or strainers, or a meter or gauge that drifts: do a catch test",
        ),
        by_nozzles=True,
    ),
    Figure(
        "metered_over_calculated_pct",
        "flowmeter against the calibrated nozzles",
        "%",
        _metered_pct,
        (
            "a K-factor that has become too low, worn nozzles, or a leak: calibrate the flowmeter and catch "
            "the nozzles",
            "a K-factor that has become too high, or plugged nozzles: calibrate the flowmeter and catch the "
            "nozzles",
        ),
        by_nozzles=True,
    ),
)
BY_NAME: Final = {figure.name: figure for figure in FIGURES}


def started(run: dict[str, Any]) -> datetime | None:
    """When a run began, UTC by its receiver; None: not known."""
    text = run["score"]["run"]["started_utc"]
    return None if text is None else datetime.fromisoformat(text.replace("Z", "+00:00")).astimezone(UTC)


def trends(runs: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Per rig (and nozzles, where they matter) and figure, of runs in order of their start.

    rig, nozzles ('12 of set A', or None), figure, dimension
    at_pressure_kpa   the nozzle coefficient is shown as the flow at this pressure: the last calibration's
    points            {path, started_utc, value}; runs without a known start, or without the figure, have none
    per_30_days, low_per_30_days, high_per_30_days   Theil-Sen slope, and its 99 % interval; None: no slope,
                      or too few runs for an interval (six are needed)
    first_value, last_value   of the line, at the first and the last run
    change, low_change, high_change   over the time from the first to the last run
    direction         'rises' or 'falls' where distinguishable from zero, else None
    """
    found = []
    for rig in sorted({run["rig"]["name"] for run in runs}):
        mine = [run for run in runs if run["rig"]["name"] == rig]
        for figure in FIGURES:
            groups: dict[str | None, list[dict[str, Any]]] = {}
            for run in mine:
                groups.setdefault(_nozzles(run) if figure.by_nozzles else None, []).append(run)
            for nozzles, group in groups.items():
                one = _trend(figure, group)
                if one is not None:
                    found.append({"rig": rig, "nozzles": nozzles, **one})
    return found


def _nozzles(run: dict[str, Any]) -> str:
    rig = run["rig"]
    return (
        f"{rig['nozzle_count']} of set {rig['nozzle_set']}" if rig["nozzle_set"] else str(rig["nozzle_count"])
    )


def _trend(figure: Figure, runs: Sequence[dict[str, Any]]) -> dict[str, Any] | None:
    """None: no run of a known start has the figure."""
    at_kpa = _reference_kpa(runs) if figure.name == "nozzle_coefficient" else None
    scale = 1.0 if at_kpa is None else sqrt(at_kpa)
    points: list[tuple[datetime, float, dict[str, Any]]] = []
    for run in runs:
        start, value = started(run), number(figure.of(run))
        if start is not None and value is not None:
            points.append((start, value * scale, run))
    if not points:
        return None
    day = np.array([start.timestamp() / _DAY_S for start, _, _ in points])
    values = np.array([value for _, value, _ in points])
    line = theil_sen(day - day[0], values, CONFIDENCE)
    days = float(day[-1] - day[0])

    def over(time: float, slope: float | None) -> float | None:
        return None if slope is None else slope * time

    slope, low, high = (None, None, None) if line is None else (line.slope, line.low, line.high)
    direction = None
    if line is not None and line.distinguishable:
        direction = "rises" if line.slope > 0 else "falls"
    return {
        "figure": figure.name,
        "dimension": figure.dimension,
        "at_pressure_kpa": at_kpa,
        "points": [
            {"path": run["path"], "started_utc": run["score"]["run"]["started_utc"], "value": value}
            for _, value, run in points
        ],
        "days": days,
        "per_30_days": over(30, slope),
        "low_per_30_days": over(30, low),
        "high_per_30_days": over(30, high),
        "first_value": None if line is None else line.start,
        "last_value": None if line is None else line.end,
        "change": over(days, slope),
        "low_change": over(days, low),
        "high_change": over(days, high),
        "direction": direction,
    }


def _reference_kpa(runs: Sequence[dict[str, Any]]) -> float:
    """The pressure of the newest catch test, else the runs' own."""
    for run in reversed(runs):
        for one in run["calibrations"]:
            if one["kind"] == "catch" and one["pressure_kpa"]:
                return float(one["pressure_kpa"])
    means = [c["mean_pressure_kpa"] for run in runs if (c := run["nozzle_coefficient"]) is not None]
    return float(np.median(means)) if means else 100.0


def calibration_drift(runs: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """How the calibrations that the runs rested on changed from one to the next.

    rig, kind, what, subject; at_pressure_kpa (of a boom's flow: that of the first test)
    points       {day, value, expanded_uncertainty_pct, record}, each calibration once, by its day; one
                 without a day stands on that of the first run that used it
    change_pct   last against first; None: there is one only
    allowed_pct  the two expanded uncertainties together (JCGM 100:2008, 5.1.6); None: one is not stated
    beyond_uncertainty  the change is larger than that; None: cannot be told
    per_30_days_pct, low_per_30_days_pct, high_per_30_days_pct, direction   as in `trends`, in % of the first
    """
    series: dict[tuple[str, ...], dict[Any, dict[str, Any]]] = {}
    for run in runs:
        start = started(run)
        for one in run["calibrations"]:
            day = _day(one["taken_on"]) or (None if start is None else start.date())
            if day is None:
                continue
            key = (run["rig"]["name"], one["kind"], one["what"], one["subject"])
            same = (one["record"], one["taken_on"], one["value"], one["pressure_kpa"])
            series.setdefault(key, {}).setdefault(same, {**one, "day": day})
    return [
        _drift(key, sorted(of.values(), key=lambda one: one["day"])) for key, of in sorted(series.items())
    ]


def _day(text: str | None) -> date | None:
    try:
        return None if text is None else date.fromisoformat(text)
    except ValueError:
        return None


def _drift(key: tuple[str, ...], tests: Sequence[dict[str, Any]]) -> dict[str, Any]:
    rig, kind, what, subject = key
    reference = tests[0]["pressure_kpa"]
    values = [
        one["value"] * sqrt(reference / one["pressure_kpa"])
        if reference and one["pressure_kpa"]
        else one["value"]
        for one in tests
    ]
    first, last = values[0], values[-1]
    change_pct = allowed_pct = None
    if len(values) > 1 and first > 0:
        change_pct = number(100 * (last / first - 1))
        u_first, u_last = (tests[n]["expanded_uncertainty_pct"] for n in (0, -1))
        if u_first is not None and u_last is not None:
            allowed_pct = number(sqrt(u_first**2 + (u_last * last / first) ** 2))
    day = np.array([one["day"].toordinal() for one in tests], dtype=np.float64)
    line = None
    if len(values) > 1 and first > 0:
        line = theil_sen(day - day[0], 100 * np.array(values) / first, CONFIDENCE)
    slope, low, high = (None, None, None) if line is None else (line.slope, line.low, line.high)
    return {
        "rig": rig,
        "kind": kind,
        "what": what,
        "subject": subject,
        "at_pressure_kpa": reference,
        "points": [
            {
                "day": one["day"].isoformat(),
                "value": value,
                "expanded_uncertainty_pct": one["expanded_uncertainty_pct"],
                "record": one["record"],
            }
            for one, value in zip(tests, values, strict=True)
        ],
        "change_pct": change_pct,
        "allowed_pct": allowed_pct,
        "beyond_uncertainty": None
        if change_pct is None or allowed_pct is None
        else abs(change_pct) > allowed_pct,
        "per_30_days_pct": None if slope is None else 30 * slope,
        "low_per_30_days_pct": None if low is None else 30 * low,
        "high_per_30_days_pct": None if high is None else 30 * high,
        "direction": None
        if line is None or not line.distinguishable
        else ("rises" if line.slope > 0 else "falls"),
    }
