"""rigmon calibrate flowmeter"""

import json
import re
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from rigmon.cli.calibrate.common import (
    Keep,
    Setup,
    finish,
    go_on_options,
    record_options,
    rig_file_option,
    setup,
    units_option,
)
from rigmon.cli.dialogue import Dialogue
from rigmon.cli.table import read_table
from rigmon.cli.typed import Typed, option
from rigmon.errors import UsageError

if TYPE_CHECKING:
    from rigmon.calibration.capture import MeterCapture
    from rigmon.calibration.flowmeter import FlowmeterResult, IndicatedRun, MeterRun
    from rigmon.cli.calibrate.live import Live

_MOST_RUNS: Final = 30
#: runs that are asked for before the question whether there is another
_FEWEST: Final = 3
_VOLUME_L: Final = (1e-3, 1e6)
_TIME_S: Final = (0.1, 86_400.0)
_PULSES: Final = re.compile(r"([0-9]{1,12})\s*(?:pulses?|p)?", re.IGNORECASE)
#: sensor nodes report once a second or more often
_SETTLE_NS: Final = 1_000_000_000
#: Enter twice by mistake
_SHORTEST_NS: Final = 100_000_000
_SKIP: Final = ("s", "skip", "-")


@click.command("flowmeter")
@rig_file_option
@click.option("--live", "is_live", is_flag=True, help="Read the fitted meter while the water runs.")
@click.option(
    "--run", "runs", multiple=True, metavar="TEXT",
    help="One run, typed: '1210 pulses, 2.7 L, 31 s', or stated and caught: '2.6 L, 2.7 L, 31 s'; the time "
    "may be left out. Give it several times.",
)  # fmt: skip
@click.option(
    "--from", "table", type=click.Path(path_type=Path), help="CSV file: pulses or stated, volume, time."
)
@click.option(
    "--reading",
    metavar="QUANTITY",
    help="How exactly a volume is read (+-), such as '20 mL'.  [default: 1 %]",
)
@click.option("--strict", is_flag=True, help="Exit code 1 when there is something to do.")
@go_on_options
@units_option
@record_options
def command(
    rig_file: Path | None,
    is_live: bool,
    runs: tuple[str, ...],
    table: Path | None,
    reading: str | None,
    strict: bool,
    resume: bool | None,
    units_shown: str | None,
    keep: Keep,
) -> int:
    """The flowmeter against what it let through, caught in a measured vessel, over three runs or more.

    A meter that gives pulses: pulses per litre. One that states litres (an XDR sentence R or V): the factor
    to the true volume. Volumes as '2.7 L' or '0.7 gal', or by weight, '2.7 kg' or '6 lb'; times as '31 s'.
    With --live the meter is read from the rig's port or pin. JSON has pulses/L, L, L/min, s, %.
    """
    if sum((is_live, bool(runs), table is not None)) > 1:
        raise UsageError("--live, --run and --from exclude one another; leave one of them")
    where = setup(rig_file, units_shown, keep.book)
    dialogue = Dialogue(
        where.system, "flowmeter calibration", where.session("flowmeter", "live" if is_live else ""),
        {"rig": where.rig.name, "meter": _meter(where)}, resume, caution="Use clean water, and wear PPE.",
    )  # fmt: skip
    asked = _Asked(runs, table, reading)
    with ExitStack() as stack:
        capture = _capture(where, stack) if is_live else None
        result = dialogue.run(lambda d: d.check(lambda: _flow(d, where, asked, capture)))
    title = f"Flowmeter, {where.rig.name}, {keep.taken_on}"
    finish(where, keep, dialogue, "flowmeter", "flowmeter", result, title)
    return 1 if strict and any(finding.severity == "do" for finding in result.findings) else 0


@dataclass(frozen=True, slots=True)
class _Asked:
    runs: tuple[str, ...]
    table: Path | None
    reading: str | None


def _meter(where: Setup) -> str:
    """What the fitted meter gives. A rig without one may still have one on the bench, which gives pulses."""
    return "stated" if where.rig.flow.source == "xdr" else "pulses"


def _flow(
    d: Dialogue, where: Setup, asked: _Asked, capture: "Live[MeterCapture] | None"
) -> "FlowmeterResult":
    from rigmon.calibration.budget import rectangular
    from rigmon.calibration.flowmeter import IndicatedRun, MeterRun, fit_flowmeter, fit_indicated

    if asked.runs:
        runs = [_typed_run(d.typed, text, f"--run {n}") for n, text in enumerate(asked.runs, 1)]
    elif asked.table is not None:
        runs = _from_table(d.typed, asked.table)
    else:
        ask = _ask_run if capture is None else _live_run(capture)
        runs = []
        for number in range(1, _MOST_RUNS + 1):
            if number > _FEWEST and not d.yes(
                f"run {number}", "Another run?", default=False, place=f"run {number}"
            ):
                break
            runs.append(ask(d, where, number))
    volume_u_l = None
    if asked.reading is not None:
        volume_u_l = rectangular(option(d.typed, "--reading", asked.reading, "volume"))
    by_pulses = [run for run in runs if isinstance(run, MeterRun)]
    stated = [run for run in runs if isinstance(run, IndicatedRun)]
    if by_pulses and stated:
        raise UsageError("some runs give pulses, others a stated volume; give all in one way")
    if stated:
        return fit_indicated(stated, volume_u_l=volume_u_l, system=where.system)
    return fit_flowmeter(by_pulses, volume_u_l=volume_u_l, system=where.system)


# -- typed ---------------------------------------------------------------------------------------------------


def _ask_run(d: Dialogue, where: Setup, number: int) -> "MeterRun | IndicatedRun":
    from rigmon.calibration.flowmeter import IndicatedRun, MeterRun

    us = where.system == "us"
    place = f"run {number}"
    if _meter(where) == "pulses":
        pulses = d.whole(
            f"run {number} pulses", f"Run {number}: pulses counted", 1, 10**9, place=place, option="--run",
            about="The counter at the end less the counter at the start.",
        )  # fmt: skip
    else:
        stated_l = d.quantity(
            f"run {number} stated", f"Run {number}: meter says", "volume", example="2.6 L",
            low=_VOLUME_L[0], high=_VOLUME_L[1], place=place, option="--run",
        )  # fmt: skip
    volume_l = _ask_volume(d, number, us, place)
    unit = d.typed.unit("time")
    time_s = d.ask(
        f"run {number} time",
        f"Run {number}: time [{unit}]" if unit else f"Run {number}: time, e.g. 31 s",
        lambda text: None if text.lower() in _SKIP else d.typed.read(text, "time", *_TIME_S),
        place=place, option="--run", about="For the test of change with flow; 'skip' when not timed.",
    )  # fmt: skip
    return (
        MeterRun(pulses, volume_l, time_s)
        if _meter(where) == "pulses"
        else IndicatedRun(stated_l, volume_l, time_s)
    )


def _ask_volume(d: Dialogue, number: int, us: bool, place: str) -> float:
    unit = d.typed.unit("volume")
    prompt = f"Run {number}: caught"
    return d.ask(
        f"run {number} volume",
        f"{prompt} [{unit}]" if unit else f"{prompt}, e.g. {'0.7 gal' if us else '2.7 L'}",
        lambda text: _caught(d.typed, text),
        place=place, option="--run", about="What ran into the vessel; by weight as '2.7 kg' or '6 lb'.",
    )  # fmt: skip


def _caught(typed: Typed, text: str) -> float:
    """A volume [L], or a net mass of water."""
    from rigmon import units
    from rigmon.calibration.flowmeter import water_volume_l

    try:
        mass_kg = units.parse(text, "mass")
    except units.UnitError:
        return typed.read(text, "volume", *_VOLUME_L, zero=False)
    return water_volume_l(mass_kg)


def _typed_run(typed: Typed, text: str, where: str) -> "MeterRun | IndicatedRun":
    parts = [part.strip() for part in text.split(",")]
    if not 2 <= len(parts) <= 3:
        raise UsageError(
            f"{where}: '{text[:60]}' must be two or three parts, such as '1210 pulses, 2.7 L, 31 s' or "
            "'2.6 L, 2.7 L'"
        )
    try:
        return _run(typed, *parts)
    except UsageError as error:
        raise UsageError(f"{where}: {error}") from error


def _run(typed: Typed, meter: str, caught: str, time: str | None = None) -> "MeterRun | IndicatedRun":
    from rigmon.calibration.flowmeter import IndicatedRun, MeterRun

    pulses = _PULSES.fullmatch(meter)
    stated_l = None if pulses else typed.read(meter, "volume", *_VOLUME_L)
    volume_l = _caught(typed, caught)
    time_s = None if time is None or time.lower() in _SKIP else typed.read(time, "time", *_TIME_S)
    if pulses:
        return MeterRun(int(pulses[1]), volume_l, time_s)
    return IndicatedRun(stated_l or 0.0, volume_l, time_s)


def _from_table(typed: Typed, path: Path) -> "list[MeterRun | IndicatedRun]":
    columns = {"pulses": "1210", "stated": "2.6 L", "volume": "2.7 L", "time": "31 s"}
    runs = []
    for row in read_table(path, columns, ("volume",)):
        pulses, stated = row.get("pulses"), row.get("stated")
        if (pulses is None) == (stated is None):
            raise UsageError(f"{row.where}: give either pulses or a stated volume")
        if pulses is not None and not _PULSES.fullmatch(pulses):
            raise UsageError(f"{row.at('pulses')} = '{pulses[:40]}' must be a whole number")
        try:
            runs.append(_run(typed, pulses or stated or "", row.cells["volume"], row.get("time")))
        except UsageError as error:
            raise UsageError(f"{row.where}: {error}") from error
    return runs


# -- live ----------------------------------------------------------------------------------------------------


def _capture(where: Setup, stack: ExitStack) -> "Live[MeterCapture]":
    from rigmon.calibration.capture import MeterCapture
    from rigmon.cli.calibrate.live import live

    feeding = stack.enter_context(live(where.rig, MeterCapture(where.rig), "flow"))
    feeding.wait_first()
    return feeding


def _live_run(
    capture: "Live[MeterCapture]",
) -> "Callable[[Dialogue, Setup, int], MeterRun | IndicatedRun]":
    def ask(d: Dialogue, where: Setup, number: int) -> "MeterRun | IndicatedRun":
        place = f"run {number}"
        run = d.made(f"run {number} meter", lambda: _measure(d, capture, number), _read_back, place)
        volume_l = _ask_volume(d, number, where.system == "us", place)
        return run._replace(volume_l=volume_l)

    return ask


def _measure(d: Dialogue, capture: "Live[MeterCapture]", number: int) -> str:
    """What the meter said from one Enter to the other, as text."""
    from rigmon.cli.calibrate.live import said

    with capture.held() as meter:
        d.say(f"The meter says {said(meter.shows, d.typed.system)}.")
    d.pause(f"Run {number}: Enter, then water on")
    start_ns = capture.now_ns()
    d.pause("Running. Water off, then Enter")
    end_ns = capture.now_ns()
    if end_ns - start_ns < _SHORTEST_NS:
        raise UsageError("that was no run: let the water go for 10 s or more. Once more")
    capture.wait_beyond(end_ns, _SETTLE_NS)  # for the report that is under way
    with capture.held() as meter:
        run = meter.run(start_ns, end_ns, 1.0)  # the volume is asked next
    return json.dumps(run._asdict())


def _read_back(text: str) -> "MeterRun | IndicatedRun":
    from rigmon.calibration.flowmeter import IndicatedRun, MeterRun

    try:
        values = json.loads(text)
        return MeterRun(**values) if "pulses" in values else IndicatedRun(**values)
    except (ValueError, TypeError) as error:
        raise UsageError(f"a run in the session cannot be read ({error})") from error
