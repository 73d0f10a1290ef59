"""The score as a person reads it: the verdict first, then what it rests on, in US or metric units."""

import textwrap
from collections.abc import Iterable
from math import floor, log10
from typing import Any, Final

from rigmon.analysis import diagnosis_words, weather_words
from rigmon.analysis.acts import words_of
from rigmon.rig import Rig
from rigmon.units import convert, show, shown_unit
from rigmon.words import alert_words

#: so many stretches and kinds of alert are listed; the others are counted
_LISTED: Final = 5
#: and so many diagnoses
_DIAGNOSES: Final = 3
_WIDTH: Final = 100
_LABEL: Final = 11

_DIMENSION_OF: Final = {
    "m/s": "speed", "L/min": "flow", "kPa": "pressure", "L/ha": "rate", "m": "length", "L": "volume",
    "°C": "temperature",
}  # fmt: skip
_FLOW: Final = {
    "flowmeter": "the flowmeter",
    "pressure": "the catch test's flow and the pressure",
    "calibration": "the catch test's flow alone",
    None: "nothing known",
}
_CAUTION: Final = (
    "The product label is the law. This score does not replace the record that the law asks for."
)


def score_text(result: dict[str, Any], rig: Rig, units: str | None = None, source: str | None = None) -> str:
    """`result` of `score` as text, at most 70 lines of 100 columns.

    `units` 'us' or 'metric' overrides the rig's. `source` says what the run was made from, if not live.
    """
    system = units or rig.units
    lines = [*_wrap(_head(result, rig, source)), *_wrap(_verdict(result, rig, system)), ""]
    lines += _block("Applied", _applied(result, system))
    lines += _block("Rate", _rate(result, system))
    lines += _block("Speed", _speed(result, system))
    if result["weather"] is not None:
        lines += _block("Weather", weather_words.lines(result["weather"], system))
    lines += _block("Alerts", _alerts(result, system))
    lines += _block("Diagnoses", _diagnoses(result, system))
    lines += _block("Stretches", _stretches(result, system))
    if result["acts"]:
        lines += _block("People", _acts(result, system))
    lines += _block("Input", _input(result))
    lines += ["", _CAUTION]
    return "\n".join(lines) + "\n"


def _wrap(text: str, width: int = _WIDTH) -> list[str]:
    return textwrap.wrap(text, width, subsequent_indent="  ")


def _block(label: str, body: Iterable[str]) -> list[str]:
    lines = [line for text in body for line in _wrap(text, _WIDTH - _LABEL)]
    return [f"{'' if n else label:<{_LABEL}}{line}" for n, line in enumerate(lines)]


def _head(result: dict[str, Any], rig: Rig, source: str | None) -> str:
    run = result["run"]
    start = run["started_utc"]
    when = f"{start[:10]} {start[11:19]} UTC" if start else "start time unknown"
    cut = "" if run["ended_cleanly"] else "; it ended without a clean stop"
    made = "" if source in (None, "live") else f", from {source}"
    name = f"Run {run['run_id']}" if run["run_id"] else "Run"
    return f"{name}, {rig.name}{made}: {when}, {_clock(run['duration_s'])} long{cut}"


def _verdict(result: dict[str, Any], rig: Rig, system: str) -> str:
    rate, target = result["rate"], result["target"]
    wanted = f"{show(target['rate_l_ha'], 'rate', system)} within {target['tolerance_pct']:g} %"
    asked = f"(asked for: {rig.required_area_pct:g} %)"
    in_pct = rate["in_tolerance_area_pct"]
    if result["verdict"] == "in_tolerance":
        return f"IN TOLERANCE: {in_pct:.1f} % of the ground got {wanted} {asked}."
    if result["verdict"] == "out_of_tolerance":
        return (
            f"OUT OF TOLERANCE: only {in_pct:.1f} % of the ground got {wanted} {asked}; "
            f"{rate['over_area_pct']:.1f} % got too much, {rate['under_area_pct']:.1f} % too little, "
            f"{rate['unknown_area_pct']:.1f} % is unknown."
        )
    if rate["mean_l_ha"] is None:
        return "CANNOT SAY: no ground is known to have been treated at a known rate."
    return (
        f"CANNOT SAY: {in_pct:.1f} % of the ground got {wanted} {asked}, "
        f"but {rate['unknown_area_pct']:.1f} % is unknown, and it would decide."
    )


def _applied(result: dict[str, Any], system: str) -> list[str]:
    applied = result["applied"]
    lines = [
        f"{_figures(applied['area_m2'], 'area', system)} over "
        f"{show(applied['distance_m'], 'length', system, 0)} in {_clock(applied['time_s'])}; "
        f"{show(applied['volume_l'], 'volume', system)}",
    ]
    if applied["rate_basis"]:
        lines.append(f"flow from {_FLOW[applied['rate_basis']]}")
    if applied["unknown_time_s"] > 0:
        lines.append(f"{_seconds(applied['unknown_time_s'])} with the boom on, or perhaps on, are unknown")
    return lines


def _rate(result: dict[str, Any], system: str) -> list[str]:
    rate, target = result["rate"], result["target"]
    lines = []
    if rate["mean_l_ha"] is not None:
        off = round(100 * (rate["mean_l_ha"] / target["rate_l_ha"] - 1), 1) + 0.0  # no "-0.0"
        lines.append(
            f"{show(rate['mean_l_ha'], 'rate', system)} on average, {off:+.1f} % off the target of "
            f"{show(target['rate_l_ha'], 'rate', system)}"
        )
        if rate["expanded_uncertainty_pct"] is not None:
            lines.append(
                f"expanded uncertainty of the average {rate['expanded_uncertainty_pct']:.1f} % "
                "(k = 2: about 95 % sure)"
            )
    if rate["p50_l_ha"] is not None:
        p05, p50, p95 = (
            f"{convert(rate[key], 'rate', shown_unit('rate', system)):.1f}"
            for key in ("p05_l_ha", "p50_l_ha", "p95_l_ha")
        )
        cv = "" if rate["cv_pct"] is None else f"; CV {rate['cv_pct']:.1f} %"
        lines.append(
            f"5, 50, 95 % of the ground got at most {p05}, {p50}, {p95} {shown_unit('rate', system)}{cv}"
        )
    if rate["in_tolerance_area_pct"] is not None:
        about = "about " if rate["unknown_area_pct"] else ""
        lines.append(
            f"share of the ground: in tolerance {rate['in_tolerance_area_pct']:.1f} %, "
            f"under {rate['under_area_pct']:.1f} %, over {rate['over_area_pct']:.1f} %, "
            f"unknown {about}{rate['unknown_area_pct']:.1f} %"
        )
    return lines or ["unknown"]


def _speed(result: dict[str, Any], system: str) -> list[str]:
    speed, target = result["speed"], result["target"]
    low = f"{convert(target['speed_low_m_s'], 'speed', shown_unit('speed', system)):.2f}"
    band = f"{low} to {show(target['speed_high_m_s'], 'speed', system, 2)}"
    meant = f"target {show(target['speed_m_s'], 'speed', system, 2)}, band {band}"
    if speed["mean_m_s"] is None:
        return [f"unknown ({meant})"]
    cv = "" if speed["cv_pct"] is None else f"; CV {speed['cv_pct']:.1f} %"
    return [
        f"{show(speed['mean_m_s'], 'speed', system, 2)} on average ({meant})",
        f"in the band {speed['in_band_time_pct']:.1f} % of the time{cv}",
    ]


def _alerts(result: dict[str, Any], system: str) -> list[str]:
    """One line per kind of alert, in the order of their first raising."""
    duration_s = result["run"]["duration_s"]
    by_code: dict[str, list[dict[str, Any]]] = {}
    for alert in result["alerts"]:
        by_code.setdefault(alert["code"], []).append(alert)
    lines = []
    for code, alerts in list(by_code.items())[:_LISTED]:
        first = alerts[0]
        lasted = sum(
            (duration_s if a["cleared_s"] is None else a["cleared_s"]) - a["raised_s"] for a in alerts
        )
        active = "; active at the end" if alerts[-1]["cleared_s"] is None else ""
        value, limit = (_in_unit(first[key], first["unit"], system) for key in ("value", "limit"))
        told = [f"{word}{text}" for word, text in (("at ", value), ("limit ", limit)) if text is not None]
        detail = f" ({', '.join(told)})" if told else ""
        times = _times(len(alerts))
        seen = sum(a["acknowledged_s"] is not None for a in alerts)
        known = (
            "" if not seen else "; acknowledged" if seen == len(alerts) else f"; acknowledged {_times(seen)}"
        )
        lines.append(
            f"{alert_words(code)}: {times}, {_seconds(lasted)} in all, "
            f"first at {_clock(first['raised_s'])}{detail}{known}{active}"
        )
    if len(by_code) > _LISTED:
        more = len(by_code) - _LISTED
        lines.append("and one other kind" if more == 1 else f"and {more} other kinds")
    return lines or ["none"]


def _diagnoses(result: dict[str, Any], system: str) -> list[str]:
    """Those that were still up at the end first, then by area, in the order of the run."""
    told = result["diagnoses"]
    worst = sorted(told, key=lambda one: (one["open"] is not True, -(one["area_m2"] or 0.0)))[:_DIAGNOSES]
    lines = []
    for one in sorted(worst, key=lambda one: one["found_s"]):
        lines.append(diagnosis_words.heading(one))
        lines.append(f"  {'; '.join(_times_of(one))}")
        lines.append(f"  {diagnosis_words.place(one, system)}; {_treated_since(one, system)}")
        for label, key in (("seen", "evidence"), ("likely", "cause"), ("check", "check")):
            figures = diagnosis_words.parted(one) if key == "evidence" else ""
            if one[key]:
                lines.append(f"  {label}: {one[key]}{f' ({figures})' if figures else ''}")
    if len(told) > _DIAGNOSES:
        more = len(told) - _DIAGNOSES
        lines.append(
            "and one other (--json lists it)" if more == 1 else f"and {more} others (--json lists them)"
        )
    remark = diagnosis_words.remark(result["diagnosis"])
    if not told and (not remark or result["diagnosis"]["enabled"]):
        lines.append("none")
    lines += [remark] if remark else []
    return lines + [one["words"] for one in result["diagnosis"]["cannot_tell"]]


def _times_of(one: dict[str, Any]) -> list[str]:
    def at(key: str) -> str:
        utc = one[f"{key}_utc"]
        return _clock(one[f"{key}_s"]) + (f" ({utc[:10]} {utc[11:19]} UTC)" if utc else "")

    began = [] if one["since_s"] is None else [f"began {at('since')}"]
    over = {True: "still so at the end", None: "end not known"}
    ended = over[one["open"]] if one["ended_s"] is None else f"over {_clock(one['ended_s'])}"
    return [*began, f"found {_clock(one['found_s']) if began else at('found')}", ended]


def _treated_since(one: dict[str, Any], system: str) -> str:
    if one["area_m2"] is None:
        return "area treated since not known"
    return f"{_figures(one['area_m2'], 'area', system)} treated {diagnosis_words.ending(one)}"


def _stretches(result: dict[str, Any], system: str) -> list[str]:
    """The worst by area x error of the dose, in the order of the run."""
    target, stretches = result["target"], result["stretches"]

    def weight(stretch: dict[str, Any]) -> float:
        error: float = (
            target["rate_l_ha"] * target["tolerance_pct"] / 100
        )  # unknown: at least what would matter
        if stretch["mean_l_ha"] is not None:
            error = abs(stretch["mean_l_ha"] - target["rate_l_ha"])
        area_m2: float = stretch["area_m2"] or 0.0
        return error * area_m2

    if not stretches:
        return ["none"]
    worst = sorted(sorted(stretches, key=weight, reverse=True)[:_LISTED], key=lambda s: s["start_s"])
    lines = ["kind     time into the run  length, area, mean rate; place in degrees north, east"]
    for stretch in worst:
        about = "about " if stretch["kind"] == "unknown" and stretch["area_m2"] is not None else ""
        dose = f", {show(stretch['mean_l_ha'], 'rate', system)}" if stretch["mean_l_ha"] is not None else ""
        start, end = (_place(stretch[f"{at}_lat_deg"], stretch[f"{at}_lon_deg"]) for at in ("start", "end"))
        lines.append(
            f"{stretch['kind']:<9}{_clock(stretch['start_s'])} - {_clock(stretch['end_s'])}"[:27].ljust(28)
            + f"{about}{show(stretch['distance_m'], 'length', system, 0)}, "
            f"{_figures(stretch['area_m2'], 'area', system, 2)}{dose}"
        )
        lines.append(f"{'':9}from {start} to {end}")
    if len(stretches) > _LISTED:
        more = len(stretches) - _LISTED
        lines.append("and one lesser one" if more == 1 else f"and {more} lesser ones")
    return lines


def _acts(result: dict[str, Any], system: str) -> list[str]:
    """What people did, cut to a line each; of many the refills and the notes first."""
    acts = result["acts"]
    weighty = [act for act in acts if act["kind"] in ("refill", "note")]
    listed = acts if len(acts) <= _LISTED else (weighty or acts)[:_LISTED]
    lines = []
    for act in listed:
        line = f"{_clock(act['t_s'])}  {words_of(act, system)}"
        place = _place(act["lat_deg"], act["lon_deg"])
        if place != "unknown" and act["kind"] == "note":
            line = f"{line[: _WIDTH - _LABEL - len(place) - 5]} at {place}"
        lines.append(line if len(line) <= _WIDTH - _LABEL else f"{line[: _WIDTH - _LABEL - 3]}...")
    if len(acts) > len(listed):
        more = len(acts) - len(listed)
        lines.append("and one more act" if more == 1 else f"and {more} more acts")
    return lines


def _input(result: dict[str, Any]) -> list[str]:
    data = result["input"]
    reasons = sorted(data["rejected_by_reason"].items(), key=lambda item: -item[1])[:3]
    why = f" ({', '.join(f'{reason}: {n}' for reason, n in reasons)})" if reasons else ""
    lines = [
        f"{data['readings']} readings, {data['sentences']} sentences, {data['rejected']} rejected{why}",
        f"{data['fixes_valid']} valid fixes; flow sensor: {data['flow_source']}, "
        f"pressure sensor: {data['pressure_source']}",
    ]
    if data["gps_gap_count"]:
        times = _times(data["gps_gap_count"])
        lines.append(f"no current ground speed for {_seconds(data['gps_gap_s'])} ({times})")
    return lines


def _in_unit(value: float | None, unit: str, system: str) -> str | None:
    if value is None:
        return None
    dimension = _DIMENSION_OF.get(unit)
    if dimension is None:
        return f"{value:.4g} {unit}".rstrip()
    return show(value, dimension, system, 2 if dimension == "speed" else 1)


def _figures(value: float | None, dimension: str, system: str, figures: int = 3) -> str:
    """Like `show`, to so many significant figures: areas range from a spot to a field."""
    shown = 0.0 if value is None else abs(convert(value, dimension, shown_unit(dimension, system)))
    digits = 0 if shown == 0 else min(max(figures - 1 - floor(log10(shown)), 0), 4)
    return show(value, dimension, system, digits)


def _place(lat_deg: float | None, lon_deg: float | None) -> str:
    return "unknown" if lat_deg is None or lon_deg is None else f"{lat_deg:.5f}, {lon_deg:.5f}"


def _times(n: int) -> str:
    return {1: "once", 2: "twice"}.get(n, f"{n} times")


def _clock(seconds: float) -> str:
    whole = int(seconds)  # as the driver's lines do
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def _seconds(seconds: float) -> str:
    return f"{seconds:.1f} s" if seconds < 100 else _clock(seconds)
