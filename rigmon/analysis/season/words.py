"""What a season's trends say, in plain words and the reader's units. Only what stands out is said."""

from collections.abc import Iterable
from typing import Any, Final

from rigmon.analysis.season.trends import BY_NAME
from rigmon.units import convert, show, shown_unit

_CALIBRATION: Final = {
    ("catch", "boom flow"): ("boom flow in the catch test", "flow"),
    ("flowmeter", "pulses per litre"): ("the flowmeter's K-factor", "pulses per volume"),
    ("flowmeter", "factor"): ("the flowmeter's factor (true over stated)", ""),
    ("transducer", "slope"): ("the pressure transducer's slope", ""),
    ("transducer", "gain"): ("the pressure transducer's gain", ""),
}

CAUTIONS: Final = (
    "A trend tells that something changed, not what: calibrate with clean water to find out. The product "
    "label is the law; rigmon measures, it does not permit."
)


def findings(season: dict[str, Any], system: str) -> list[str]:
    """The trends that are distinguishable from zero and the calibrations that changed by more than their
    uncertainty, a sentence each; several rigs are named."""
    several = len({run["rig"]["name"] for run in season["runs"]}) > 1
    told = [*_trend_words(season["trends"], system), *_drift_words(season["calibrations"], system)]
    return [f"{rig}: {text}" if several else text for rig, text in told]


def _trend_words(trends: list[dict[str, Any]], system: str) -> Iterable[tuple[str, str]]:
    for trend in trends:
        if trend["direction"] is None:
            continue
        figure = BY_NAME[trend["figure"]]
        rose = trend["direction"] == "rises"
        by = amount(abs(trend["change"]), trend, system)
        text = (
            f"{title(trend, system)} {'rose' if rose else 'fell'} over {_days(trend['days'])} by "
            f"{by.lstrip('+')} (99 % sure: {interval(trend, system)})"
        )
        meaning = figure.meaning[0 if rose else 1]
        yield trend["rig"], _sentence(f"{text}: {meaning}" if meaning else text)


def _drift_words(drifts: list[dict[str, Any]], system: str) -> Iterable[tuple[str, str]]:
    for drift in drifts:
        if not (drift["beyond_uncertainty"] or drift["direction"]):
            continue
        first, last = drift["points"][0], drift["points"][-1]
        allowed = (
            ""
            if drift["allowed_pct"] is None
            else f", more than their {drift['allowed_pct']:.1f} % of uncertainty"
        )
        if not drift["beyond_uncertainty"]:
            allowed = ", steadily"
        yield (
            drift["rig"],
            _sentence(
                f"{calibration_title(drift, system)} changed by {drift['change_pct']:+.1f} % from "
                f"{first['day']} to {last['day']}{allowed}"
            ),
        )


def _sentence(text: str) -> str:
    return text[0].upper() + text[1:]


def _days(days: float) -> str:
    whole = round(days)
    return f"{whole} day{'s' if whole != 1 else ''}" if days >= 1.5 else f"{24 * days:.0f} hours"


def title(trend: dict[str, Any], system: str) -> str:
    """What a trend is of, with the pressure that a flow is stated at."""
    name = BY_NAME[trend["figure"]].title
    if trend["at_pressure_kpa"] is not None:
        name = name.replace("one pressure", show(trend["at_pressure_kpa"], "pressure", system, 0))
    return name


def amount(value: float | None, trend: dict[str, Any], system: str, *, sign: bool = True) -> str:
    """A value, or a change, of a trend's figure."""
    if value is None:
        return "unknown"
    plus = "+" if sign else ""
    if trend["dimension"] == "%":
        # shares and deviations are percentages themselves: their changes are points
        return f"{value:{plus}z.1f} {'points' if sign else '%'}"
    unit = shown_unit(trend["dimension"], system)
    return f"{convert(value, trend['dimension'], unit):{plus}z.3f} {unit}"


def interval(trend: dict[str, Any], system: str) -> str:
    """The 99 % interval of a trend's change; a trend that has one."""
    low, high = (amount(trend[key], trend, system) for key in ("low_change", "high_change"))
    return f"{low.partition(' ')[0]} to {high}"


def calibration_title(drift: dict[str, Any], system: str) -> str:
    """What was calibrated."""
    name, _ = _CALIBRATION[drift["kind"], drift["what"]]
    if drift["at_pressure_kpa"] is not None:
        name += f" at {show(drift['at_pressure_kpa'], 'pressure', system, 0)}"
    return f"{name} ({drift['subject']})" if drift["kind"] == "catch" and drift["subject"] else name


def calibration_value(value: float, drift: dict[str, Any], system: str) -> str:
    """A calibration's figure with its unit, to five digits."""
    _, dimension = _CALIBRATION[drift["kind"], drift["what"]]
    if not dimension:
        return f"{value:.5g}" + (" 1/MPa" if drift["what"] == "slope" else "")
    unit = shown_unit(dimension, system)
    return f"{convert(value, dimension, unit):.5g} {unit}"
