"""The verdict and what follows from it, in plain words."""

from collections.abc import Iterator
from typing import Any, Final, NamedTuple

from rigmon.analysis.report.shown import Html, Shown
from rigmon.words import alert_words

#: so many kinds of trouble are told; the others are in the table
_MOST_CAUSES: Final = 3
#: so many diagnoses that were still up at the end are told
_MOST_OPEN: Final = 2
#: a smaller share of the treated area is not worth a sentence [%]
_WORTH_PCT: Final = 0.5
#: so many percent of the area off by a turn are worth one
_TURNS_PCT: Final = 5.0

HEADINGS: Final = {
    "in_tolerance": "In tolerance",
    "out_of_tolerance": "Out of tolerance",
    "insufficient_data": "Cannot say",
}
_KINDS: Final = {
    "over": "got too much",
    "under": "got too little",
    "missed": "got nothing",
    "unknown": "is unknown",
}

#: cause -> what to do about it
_ADVICE: Final = {
    "speed": "Next time hold the speed that is shown",
    "pressure": "Look at pump, regulator, strainers and gauge",
    "flow": "Catch the nozzles, clean the strainers, check the meter",
    "boom_left_on": "Next time switch the boom off before you turn or stop",
    "boom_left_off": "Look at the place; only the label says whether it may be treated again",
    "gps_unknown": "Give the receiver a clear view of the sky; look at its plug and supply",
    "flow_unknown": "Look at the flow and pressure sensors and their wires",
    "boom_unknown": "Look at the boom switch and its wires",
}
_CAUSES: Final = {
    "speed": "Speed", "pressure": "Pressure", "flow": "Flow", "boom_left_on": "Boom left on",
    "boom_left_off": "Boom left off", "gps_unknown": "No GPS", "flow_unknown": "No flow known",
    "boom_unknown": "Boom not known", None: "Cause not shown by the data",
}  # fmt: skip

FLAGS: Final = {
    "gps_stale": "no fix in time",
    "gps_void": "the receiver said it had no fix",
    "gps_implausible": "a speed out of all reason was refused",
    "speed_from_position": "speed from positions, not Doppler",
    "speed_held_zero": "speed exactly zero: the receiver may hold low speeds at zero",
    "below_min_speed": "slower than the least speed for a rate",
    "flow_stale": "no news from the flowmeter",
    "flow_implausible": "a flow out of all reason was refused",
    "pressure_stale": "no news from the pressure sensor",
    "pressure_implausible": "a pressure out of all reason was refused",
    "switch_stale": "no news from the boom switch",
    "boom_inferred": "boom state taken from flow or pressure",
    "boom_assumed": "boom assumed on while moving",
    "late_input": "readings that came late",
    "counter_reset": "the flowmeter's count began anew",
    "input_lost": "input lost",
    "log_trouble": "the run log was late or failing",
    "wind_stale": "the wind sensor was silent",
    "air_stale": "temperature and humidity were silent",
}

BASIS: Final = {
    "flowmeter": "the flowmeter",
    "pressure": "the calibrated flow and the pressure",
    "calibration": "the calibrated flow alone, as if pressure and nozzles had stayed as in the catch test",
    None: "nothing known",
}

POSITION_BASIS: Final = {
    "given": "as given",
    "default": "assumed",
    "printed resolution": "the step in which the receiver prints them",
}

CAUTIONS: Final = (
    "The product label is the law; local rules come on top of it, for wind, drift, buffers and re-entry. "
    "This report is no substitute for the record that the law asks for, nor for a licensed applicator's "
    "judgement.",
    "Calibrate with clean water and wear what the label asks for. A loaded ATV rolls easily: slow down on "
    "slopes and in turns. Eyes on the ground, not on the screen.",
)


class Point(NamedTuple):
    """Something to know or do: a few words in bold, and a sentence."""

    head: str
    text: Html


class Verdict(NamedTuple):
    state: str
    heading: str
    lead: Html
    mean: Html
    points: list[Point]


def verdict(shown: Shown) -> Verdict:
    state = shown.get("verdict")
    return Verdict(state, HEADINGS[state], _lead(shown), _mean(shown), [*_points(shown)])


def _still_so(shown: Shown) -> Iterator[Point]:
    still = [n for n, one in enumerate(shown.get("diagnoses")) if one["open"]]
    for n in still[:_MOST_OPEN]:
        one = shown.get(f"diagnoses.{n}")
        since = ""
        if one["area_m2"] is not None:
            since = f"; {shown(f'diagnoses.{n}.area_m2', 'area')} treated since it began"
        check = f". {one['check'][0].upper()}{one['check'][1:]}" if one["check"] else ""
        yield Point(
            f"{alert_words(one['code']).capitalize()}", Html(f"still so at the end of the run{since}{check}.")
        )


def cause_words(cause: str | None) -> str:
    return _CAUSES.get(cause, str(cause))


def _wanted(shown: Shown) -> str:
    return f"{shown('target.rate_l_ha', 'rate')} within {shown('target.tolerance_pct', '%', 0)}"


def _lead(shown: Shown) -> Html:
    state, rate = shown.get("verdict"), shown.get("rate")
    asked = f"{shown('rig.required_area_pct', '%', 0)} was asked for"
    if rate["mean_l_ha"] is None:
        if not shown.get("along.steps"):
            return Html(
                "There was no speed and no place in all that was received: nothing is known of the run."
            )
        if shown.get("applied.time_s") == 0 and shown.get("applied.unknown_time_s") == 0:
            return Html("Nothing was treated in this run: the boom was off all the way.")
        return Html("No ground is known to have been treated at a known rate.")
    inside = shown("rate.in_tolerance_area_pct", "%")
    rest = f"{shown('rate.over_area_pct', '%')} got too much, {shown('rate.under_area_pct', '%')} too little"
    unknown = shown("rate.unknown_area_pct", "%")
    if state == "in_tolerance":
        return Html(f"{inside} of the treated ground got {_wanted(shown)}; {asked}.")
    if state == "out_of_tolerance":
        tail = f", and of {unknown} it is unknown" if rate["unknown_area_pct"] else ""
        return Html(f"Only {inside} of the treated ground got {_wanted(shown)}; {asked}. {rest}{tail}.")
    return Html(
        f"{inside} of the treated ground got {_wanted(shown)}; {asked}. Of {unknown} the rate is unknown, "
        "and it would decide."
    )


def _mean(shown: Shown) -> Html:
    if shown.get("rate.mean_l_ha") is None:
        return Html("")
    off, sure = shown.get("uncertainty.off_target_pct"), shown.get("uncertainty.expanded_pct")
    text = (
        f"On average it got {shown('rate.mean_l_ha', 'rate')}, "
        f"{shown('uncertainty.off_target_pct', '%', sign=True)} off the target"
    )
    if sure is None:
        return Html(f"{text}.")
    less = abs(off) <= sure
    told = ", so it cannot be told from the target" if less else ", so the difference is real"
    return Html(f"{text}; that is known to ±{shown('uncertainty.expanded_pct', '%')}{told}.")


def _points(shown: Shown) -> Iterator[Point]:
    area = shown.get("applied.area_m2") or 0.0
    yield from _still_so(shown)
    told, advised = 0, set()
    for n, one in enumerate(shown.get("causes")):
        heavy = one["weight_m2"] if one["kind"] != "unknown" else one["area_m2"]
        if told == _MOST_CAUSES or (area > 0 and 100 * heavy < _WORTH_PCT * area):
            continue
        told += 1
        times = "one stretch" if one["count"] == 1 else f"{shown(f'causes.{n}.count', 'n')} stretches"
        about = "about " if one["kind"] == "unknown" else ""
        why = f" ({one['why']})" if one["why"] else ""
        do = ""
        if one["cause"] in _ADVICE and one["cause"] not in advised:
            advised.add(one["cause"])
            do = f". {_ADVICE[one['cause']]}"
        yield Point(
            cause_words(one["cause"]),
            Html(f"{times}, {about}{shown(f'causes.{n}.area_m2', 'area')}, {_KINDS[one['kind']]}{why}{do}."),
        )
    yield from _of_coverage(shown, area)
    turns = shown.get("across.area_off_by_10_pct") if shown.get("across") else None
    if turns is not None and turns >= _TURNS_PCT:
        yield Point(
            "Turns",
            Html(
                f"{shown('across.area_off_by_10_pct', '%')} of the ground was off by more than 10 % through "
                "the turn alone: the outer end runs faster. Switch the boom off in sharp turns."
            ),
        )
    apart = [n for n, one in enumerate(shown.get("closure.differences")) if not one["agrees"]]
    if apart:
        yield Point("Volumes do not agree", Html(f"{'; '.join(_apart(shown, n) for n in apart)}. See below."))
    if shown.get("calibration.due"):
        yield Point(
            "Calibration due",
            Html(
                f"The catch test was {shown('calibration.age_days', 'n')} days old; after "
                f"{shown('calibration.max_age_days', 'n')} it is due again."
            ),
        )
    if not shown.get("run.ended_cleanly"):
        yield Point(
            "Cut short", Html("The run ended without a clean stop; what was logged until then is here.")
        )


WITNESS: Final = {"metered": "flowmeter", "calculated": "calibrated nozzles", "filled": "tank"}


def _apart(shown: Shown, n: int) -> str:
    one = shown.get("closure.differences")[n]
    by = shown(f"closure.differences.{n}.difference_pct", "%", sign=True)
    return f"{WITNESS[one['first']]} against {WITNESS[one['second']]} {by}"


def _of_coverage(shown: Shown, area: float) -> Iterator[Point]:
    """What is wider than the receiver's error; the rest is in the caption."""
    cover: dict[str, Any] | None = shown.get("coverage")
    if cover is None or not area > 0:
        return
    least = _WORTH_PCT / 100 * area
    if cover["covered_twice_m2"] + cover["covered_more_m2"] - cover["overlap_possible_m2"] >= least:
        more = (
            f" and {shown('coverage.covered_more_m2', 'area')} more often" if cover["covered_more_m2"] else ""
        )
        yield Point(
            "Doubled",
            Html(
                f"{shown('coverage.covered_twice_m2', 'area')} were treated twice{more}. Next time watch the "
                "distance from pass to pass, and switch the boom off at the headland."
            ),
        )
    if cover["missed_m2"] - cover["missed_possible_m2"] >= least:
        where = "between passes" if cover["boundary"] is None else "inside the field"
        perhaps = (
            f", {shown('coverage.missed_possible_m2', 'area')} of it only possibly"
            if cover["missed_possible_m2"] >= least
            else ""
        )
        yield Point(
            "Missed",
            Html(f"{shown('coverage.missed_m2', 'area')} {where} got nothing{perhaps}: see the map."),
        )
    if cover["boundary"] is not None and cover["boundary"]["outside_m2"] >= least:
        yield Point(
            "Outside",
            Html(f"{shown('coverage.boundary.outside_m2', 'area')} of what was treated."),
        )
