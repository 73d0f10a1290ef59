"""rigmon calibrate course"""

import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from rigmon.cli.calibrate.common import (
    Keep,
    Setup,
    check_apply,
    finish,
    go_on_options,
    record_options,
    rig_file_option,
    setup,
    units_option,
)
from rigmon.cli.common import progress
from rigmon.cli.dialogue import Dialogue
from rigmon.cli.table import read_table
from rigmon.cli.typed import Typed, items
from rigmon.errors import UsageError

if TYPE_CHECKING:
    from rigmon.calibration.course import Comparison, CourseResult, Direction, Pass
    from rigmon.calibration.result import Finding

_WAY: Final = re.compile(r"(.*?)\s*\b(out|back)", re.IGNORECASE)
_TIME_S: Final = (1.0, 3600.0)
_LENGTH_M: Final = (1.0, 10_000.0)
_MOST_PASSES: Final = 50
#: passes that are asked for before Enter ends the list
_FEWEST: Final = 2


@click.command("course")
@rig_file_option
@click.option("--distance", metavar="QUANTITY", help="Length of the course, such as '200 ft' or '60 m'.")
@click.option(
    "--times",
    metavar="LIST",
    help="Times of the passes: '39.1 s out, 38.7 back, 0:39.4 out'; or without ways.",
)
@click.option(
    "--from", "table", type=click.Path(path_type=Path), help="CSV file: time, direction (out, back)."
)
@click.option(
    "--from-gps", "source", type=click.Path(path_type=Path), metavar="SOURCE",
    help="Run log or NMEA recording: take its steady passes; with times too, compare the two.",
)  # fmt: skip
@click.option(
    "--gps-passes", metavar="LIST", help="Which of the recording's steady passes count, such as '1,2,4'."
)
@click.option("--strict", is_flag=True, help="Exit code 1 when there is something to do.")
@go_on_options
@units_option
@record_options
def command(
    rig_file: Path | None,
    distance: str | None,
    times: str | None,
    table: Path | None,
    source: Path | None,
    gps_passes: str | None,
    strict: bool,
    resume: bool | None,
    units_shown: str | None,
    keep: Keep,
) -> int:
    """Measured course: ground speed from timed passes, both ways, or from a recording's steady passes.

    Tank half full, the gear and throttle of the work, moving before the first mark. Times are asked pass by
    pass ('39.1 s', '0:39'; 'back' takes the last one back), or come from --times or --from. Speeds are shown
    in mph or km/h; JSON has m/s, m, s, %.
    """
    check_apply(keep, "course")
    if times is not None and table is not None:
        raise UsageError("--times and --from exclude each other; leave one of them out")
    if gps_passes is not None and source is None:
        raise UsageError("--gps-passes picks passes of a recording; give it by --from-gps")
    where = setup(rig_file, units_shown, keep.book)
    gps = None if source is None else _by_gps(where, source, gps_passes)
    dialogue = Dialogue(
        where.system, "measured course", where.session("course"), {"rig": where.rig.name}, resume,
        caution="Eyes on the ground; a loaded ATV rolls.",
    )  # fmt: skip
    timed = None
    if gps is None or any(given is not None for given in (distance, times, table)):
        asked = _Asked(distance, times, table)
        timed = dialogue.run(lambda d: d.check(lambda: _flow(d, where, asked)))
    return _tell(where, keep, dialogue, timed, gps, strict)


@dataclass(frozen=True, slots=True)
class _Asked:
    distance: str | None
    times: str | None
    table: Path | None


# -- by stopwatch --------------------------------------------------------------------------------------------


def _flow(d: Dialogue, where: Setup, asked: _Asked) -> "CourseResult":
    from rigmon.calibration.course import measured_course

    length_m = d.quantity(
        "distance", "Length of the course", "length", example="200 ft" if where.system == "us" else "60 m",
        low=_LENGTH_M[0], high=_LENGTH_M[1], given=asked.distance, option="--distance",
        about="Between the two marks, by tape.",
    )  # fmt: skip
    if asked.times is not None:
        passes = _from_list(d.typed, asked.times)
    elif asked.table is not None:
        passes = _from_table(d.typed, asked.table)
    else:
        passes = _ask_passes(d)
    return measured_course(passes, length_m=length_m, system=where.system)


def _ask_passes(d: Dialogue) -> "list[Pass]":
    from rigmon.calibration.course import Pass

    passes: list[Pass] = []
    for number in range(1, _MOST_PASSES + 1):
        way: Direction = "out" if number % 2 else "back"
        unit = d.typed.unit("time")
        hint = f" [{unit}]" if unit else ", e.g. 39.1 s" if number == 1 else ""
        enough = number > _FEWEST
        answer = d.ask(
            f"pass {number}",
            f"Pass {number} {way}{hint}{' (Enter: done)' if enough else ''}",
            lambda text, way=way: None if text == "done" else _one(d.typed, text, way),  # type: ignore[misc]
            option="--times",
            place=f"pass {number}",
            about="The time between the marks; '39.1 s back' where it went the other way.",
            default="done" if enough else None,
        )
        if answer is None:
            break
        passes.append(Pass(*answer))
    return passes


def _one(typed: Typed, text: str, way: "Direction | None") -> "tuple[float, Direction | None]":
    """'39.1 s', '39.1', '0:39 back'."""
    told = _WAY.fullmatch(text.strip())
    if told:
        way = "out" if told[2].lower() == "out" else "back"
        text = told[1]
    return typed.read(text, "time", *_TIME_S, example="39.1 s"), way


def _from_list(typed: Typed, text: str) -> "list[Pass]":
    from rigmon.calibration.course import Pass

    passes = []
    for place, item in enumerate(items(text), 1):
        try:
            passes.append(Pass(*_one(typed, item, None)))
        except UsageError as error:
            raise UsageError(f"--times, item {place}: {error}") from error
    return passes


def _from_table(typed: Typed, path: Path) -> "list[Pass]":
    from rigmon.calibration.course import Pass

    passes = []
    for row in read_table(path, {"time": "39.1 s", "direction": "out"}, ("time",)):
        way = (row.get("direction") or "").lower()
        if way not in ("", "out", "back"):
            raise UsageError(f"{row.at('direction')} = '{way[:40]}' must be out or back")
        try:
            passes.append(Pass(*_one(typed, f"{row.cells['time']} {way}", None)))
        except UsageError as error:
            raise UsageError(f"{row.at('time')}: {error}") from error
    return passes


# -- by GPS --------------------------------------------------------------------------------------------------


def _by_gps(where: Setup, source: Path, picked: str | None) -> "CourseResult":
    """A run log is read with the rig it carries, a recording with this one."""
    from rigmon.calibration.course import gps_course, steady_passes
    from rigmon.log.reader import is_run_log
    from rigmon.replay import Opened

    on_rig = None if source.is_file() and is_run_log(source) else where.rig_file
    with Opened(source, on_rig) as opened, progress("reading") as tell:
        samples = opened.replay(tell).samples
        receiver = opened.rig.gps
    passes = steady_passes(samples)
    if picked is not None:
        passes = [passes[n - 1] for n in _numbers(picked, len(passes))]
    return gps_course(
        passes,
        speed_noise_m_s=receiver.speed_noise_m_s,
        speed_bias_pct=receiver.speed_bias_pct,
        system=where.system,
    )


def _numbers(text: str, most: int) -> list[int]:
    numbers = []
    for item in text.split(","):
        word = item.strip()
        if not (word.isascii() and word.isdigit() and 1 <= int(word[:9]) <= most):
            raise UsageError(
                f"--gps-passes '{text[:40]}': '{word[:20]}' must be the number of a steady pass, 1 to {most}"
                if most
                else f"--gps-passes '{text[:40]}': the recording has no steady pass"
            )
        numbers.append(int(word))
    return list(dict.fromkeys(numbers))


# -- the result ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Both:
    """The stopwatch's result with the receiver's beside it."""

    timed: "CourseResult"
    gps: "CourseResult"
    comparison: "Comparison"

    @property
    def findings(self) -> "tuple[Finding, ...]":
        told = {finding.text for finding in self.timed.findings}
        of_gps = tuple(finding for finding in self.gps.findings if finding.text not in told)
        return (self.comparison.finding, *self.timed.findings, *of_gps)

    def lines(self) -> list[str]:
        return [*self.timed.lines(), "By the recording:", *self.gps.lines()]

    def to_json(self) -> dict[str, Any]:
        return self.timed.to_json()


def _tell(
    where: Setup,
    keep: Keep,
    dialogue: Dialogue,
    timed: "CourseResult | None",
    gps: "CourseResult | None",
    strict: bool,
) -> int:
    from rigmon.calibration.course import compare

    extra = {}
    result: CourseResult | _Both
    if timed is not None and gps is not None:
        comparison = compare(timed, gps, where.system)
        result = _Both(timed, gps, comparison)
        extra = {"gps": gps.to_json(), "comparison": comparison.to_json()}
        speed_m_s = timed.speed_m_s
    else:
        only = timed or gps
        assert only is not None
        result, speed_m_s = only, only.speed_m_s
    title = f"Measured course, {where.rig.name}, {keep.taken_on}"
    finish(where, keep, dialogue, "course", "", result, title, _rate_there(where, speed_m_s), extra)
    return 1 if strict and any(finding.severity == "do" for finding in result.findings) else 0


def _rate_there(where: Setup, speed_m_s: float) -> list[str]:
    """What this speed means for the rate, where a catch test says the flow."""
    from rigmon.calibration.result import amount
    from rigmon.cli.dialogue import wrapped
    from rigmon.core.rate import application_rate_l_ha, speed_band_m_s, speed_for_rate_m_s

    rig, system = where.rig, where.system
    if rig.calibration is None:
        return []
    flow = rig.calibration.flow_l_min
    rate = application_rate_l_ha(flow, speed_m_s, rig.swath_m)
    hold = speed_for_rate_m_s(rig.target.rate_l_ha, flow, rig.swath_m)
    low, high = speed_band_m_s(hold, rig.target.tolerance_pct)
    text = (
        f"At this speed the boom's {amount(flow, 'flow', system)} make {amount(rate, 'rate', system)}; the "
        f"target is {amount(rig.target.rate_l_ha, 'rate', system)} within {rig.target.tolerance_pct:g} %: "
    )
    text += "that holds it." if low <= speed_m_s <= high else "that does not hold it."
    band = f"{amount(low, 'speed', system)} to {amount(high, 'speed', system)}"
    text += f" Hold {amount(hold, 'speed', system)} ({band})."
    return [wrapped(text, "  "), ""]
