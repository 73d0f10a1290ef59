"""What a timed course found, in words: what to drive again, and what to mind."""

from collections.abc import Iterable
from typing import TYPE_CHECKING, Final

from rigmon.calibration.result import SLACK, Finding, amount

if TYPE_CHECKING:
    from rigmon.calibration.course import CourseResult


def findings(result: "CourseResult", length_m: float) -> list[Finding]:
    """What to do first, then what to mind. `length_m` is that of the course, or of the shortest pass."""
    found = [*_course(result, length_m), *_passes(result), *_sureness(result)]
    return sorted(found, key=lambda finding: finding.severity)  # 'do' before 'mind'; else as they come


def _course(result: "CourseResult", length_m: float) -> Iterable[Finding]:
    limits, system = result.limits, result.system
    least, advised = (
        amount(length, "length", system, 3) for length in (limits.min_length_m, limits.advised_length_m)
    )
    long = amount(length_m, "length", system)
    driven = result.source == "gps"
    # what was typed in feet and carried in metres is as long as it says
    if length_m < limits.min_length_m * (1 - SLACK):
        yield Finding(
            "short_course",
            "do",
            f"A steady pass of {long} is too short: drive at least {least}, better {advised}."
            if driven
            else f"The course of {long} is too short: time at least {least}, better {advised}.",
        )
    elif length_m < limits.advised_length_m * (1 - SLACK):
        what = "The shortest steady pass" if driven else "The course"
        yield Finding("short_course", "mind", f"{what} is {long}; {advised} or more tells better.")


def _passes(result: "CourseResult") -> Iterable[Finding]:
    limits, count = result.limits, len(result.passes)
    ways = {one.direction for one in result.passes}
    passes = "pass" if count == 1 else "passes"
    if count < limits.min_passes:
        yield Finding(
            "few_passes",
            "do",
            f"{count} {passes} only: drive {limits.advised_passes} or more, both ways, in the same gear and "
            "at the same throttle.",
        )
    elif count < limits.advised_passes:
        yield Finding("few_passes", "mind", f"{count} {passes}; {limits.advised_passes} or more tell better.")
    if None in ways:
        yield Finding(
            "way_unknown",
            "mind",
            "Which way each pass went is not known for all, so slope and wind cannot be told from driving.",
        )
    elif len(ways) == 1:
        yield Finding(
            "one_way",
            "do",
            "All passes went one way: drive the other way too. Slope and wind make the two ways differ.",
        )
    if result.range_pct > limits.range_pct * (1 + SLACK):
        yield Finding(
            "scattered",
            "do",
            f"Passes of one direction differ by {result.range_pct:.0f} %: drive again, up to speed before "
            "the first mark, in the same gear and at the same throttle.",
        )
    differ = result.back_from_out_pct
    if None not in ways and differ is not None and abs(differ) > limits.direction_pct * (1 + SLACK):
        way, other = ("Back", "out") if differ > 0 else ("Out", "back")
        pct = differ if differ > 0 else 100 * (1 / (1 + differ / 100) - 1)
        yield Finding(
            "slope_or_wind",
            "mind",
            f"{way} is {pct:.0f} % faster than {other}: slope or wind. At one throttle the rate differs as "
            "much between the two ways; hold the speed by the display.",
        )


def _sureness(result: "CourseResult") -> Iterable[Finding]:
    limits, sure_pct = result.limits, result.budget.expanded_pct
    if sure_pct is not None and sure_pct > limits.expanded_pct:
        largest = max(result.budget.components, key=lambda part: part.contribution)
        yield Finding(
            "unsure",
            "do",
            f"The speed is known to +-{sure_pct:.1f} % only, most of it by {largest.name}. "
            f"{_BETTER[largest.name]}; +-{limits.expanded_pct:g} % or better is needed.",
        )
    if result.repeat_dof < limits.repeat_dof:
        yield Finding(
            "few_repeats",
            "mind",
            "Too few passes of one direction to tell how well a pass repeats; "
            f"{limits.repeatability_pct:g} % is assumed.",
        )


_BETTER: Final = {
    "repeatability": "Drive more passes, at a steadier speed",
    "course length": "Measure the course with a tape",
    "stopwatch": "Use a longer course",
    "receiver noise": "Drive longer passes",
    "receiver bias": "Time a measured course as well",
}
