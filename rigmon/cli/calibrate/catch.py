"""rigmon calibrate catch"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING, Any, Final

import click

from rigmon.cli.calibrate.common import (
    Keep,
    Setup,
    finish,
    go_on_options,
    record_options,
    rig_file_option,
    setup,
    system_of,
    units_option,
)
from rigmon.cli.common import program
from rigmon.cli.dialogue import Dialogue
from rigmon.cli.table import read_table
from rigmon.cli.typed import Typed, items, option
from rigmon.errors import UsageError

if TYPE_CHECKING:
    from rigmon.calibration.catch import Catch, CatchLimits, CatchResult
    from rigmon.calibration.record import Record

_IN_TIME: Final = re.compile(r"(.+?)\s+in\s+(.+)", re.IGNORECASE)
_FOR_NOZZLE: Final = re.compile(r"([0-9]{1,3})\s*[=:]\s*(.+)")
_SKIP: Final = ("s", "skip", "-")
_LARGEST_L: Final = 100.0
_TIME_S: Final = (1.0, 3600.0)
#: a catch this far from the others is remarked on at once, while the container is still there
_REMARK_PCT: Final = 15.0
#: a nozzle caught again must be at the pressure of the others
_SAME_PRESSURE_PCT: Final = 2.0


#: limit -> its option
_LIMIT_OPTIONS: Final = {
    "from_mean_pct": "--from-mean",
    "over_rated_pct": "--over-rated",
    "under_rated_pct": "--under-rated",
    "plugged_below_pct": "--plugged-below",
    "repeat_range_pct": "--repeats-within",
}


@click.command("catch")
@rig_file_option
@click.option("--pressure", metavar="QUANTITY", help="Pressure at the boom, such as '40 psi' or '2.8 bar'.")
@click.option("--time", "time_text", metavar="QUANTITY", help="Time of each catch, such as '30 s' or '1:00'.")
@click.option(
    "--volumes",
    metavar="LIST",
    help="What was caught, in the nozzles' order: '148 mL, 150, skip, 151 in 31 s'; '7=149 mL' names one.",
)
@click.option("--from", "table", type=click.Path(path_type=Path), help="CSV file: nozzle, volume, time.")
@click.option(
    "--nozzle", "again", type=click.IntRange(1), multiple=True, metavar="N",
    help="Catch only nozzle N again, and put it into the newest catch test; may be given several times.",
)  # fmt: skip
@click.option(
    "--repeats", type=click.IntRange(1, 9), default=1, show_default=True, help="How often to ask each nozzle."
)
@click.option("--together", is_flag=True, help="One time for all: boom on and off above all containers.")
@click.option(
    "--step", metavar="QUANTITY", help="Smallest step of the cylinder's scale, such as '10 mL' (the default)."
)
@click.option(
    "--from-mean",
    "from_mean_pct",
    type=float,
    help="Limit: % from the mean.  [default: 5, Alberta Agdex 606-1]",
)
@click.option(
    "--over-rated", "over_rated_pct", type=float, help="Limit: % over rated is worn.  [default: 10, EN 13790]"
)
@click.option(
    "--under-rated", "under_rated_pct", type=float,
    help="Limit: % under rated.  [default: 10, UNL extension]",
)  # fmt: skip
@click.option(
    "--plugged-below", "plugged_below_pct", type=float,
    help="Limit: % of the mean; below it is plugged.  [default: 50, judgement]",
)  # fmt: skip
@click.option(
    "--repeats-within", "repeat_range_pct", type=float,
    help="Limit: % that catches of one nozzle may differ.  [default: 5, judgement]",
)  # fmt: skip
@click.option("--strict", is_flag=True, help="Exit code 1 when there is something to do.")
@go_on_options
@units_option
@record_options
def command(
    rig_file: Path | None,
    pressure: str | None,
    time_text: str | None,
    volumes: str | None,
    table: Path | None,
    again: tuple[int, ...],
    repeats: int,
    together: bool,
    step: str | None,
    from_mean_pct: float | None,
    over_rated_pct: float | None,
    under_rated_pct: float | None,
    plugged_below_pct: float | None,
    repeat_range_pct: float | None,
    strict: bool,
    resume: bool | None,
    units_shown: str | None,
    keep: Keep,
) -> int:
    """Catch test: each nozzle's output in clean water, what to clean or replace, and the whole boom's flow.

    Volumes are asked nozzle by nozzle ('148 mL', '5 oz'; '148 mL in 31 s' where a time differs; 'skip';
    'back'), or come from --volumes or --from. Flows are shown in gal/min or L/min; JSON has L/min, kPa, L, s,
    %. Ounces are fluid ounces here.
    """
    from rigmon.calibration.catch import from_inputs

    if volumes is not None and table is not None:
        raise UsageError("--volumes and --from exclude each other; leave one of them out")
    where = setup(rig_file, units_shown, keep.book)
    wrong = [n for n in again if n > where.rig.nozzle_count]
    if wrong:
        raise UsageError(f"--nozzle {wrong[0]}: this boom has nozzles 1 to {where.rig.nozzle_count}")
    older = _newest(where) if again else None
    joined = None if older is None else from_inputs(older.inputs)
    limits = _limits(
        None if joined is None else joined.limits,
        {
            "from_mean_pct": from_mean_pct,
            "over_rated_pct": over_rated_pct,
            "under_rated_pct": under_rated_pct,
            "plugged_below_pct": plugged_below_pct,
            "repeat_range_pct": repeat_range_pct,
        },
    )
    nozzles = list(dict.fromkeys(again)) or list(range(1, where.rig.nozzle_count + 1))
    dialogue = Dialogue(
        where.system,
        "catch test",
        where.session("catch", " ".join(map(str, again))),
        {"rig": where.rig.name, "nozzles": nozzles, "catches each": repeats},
        resume,
        caution="Use clean water, and wear PPE.",
    )
    asked = _Asked(pressure, time_text, volumes, table, nozzles, repeats, older, joined, step)
    result = dialogue.run(lambda d: d.check(lambda: _evaluate(d, where, asked, limits, together)))
    subject = where.rig.nozzles.set_name or ""
    title, more = _title(where, keep, result), _more(where, result)
    finish(where, keep, dialogue, "catch", subject, result, title, more, _size(where))
    return 1 if strict and not result.good else 0


def _limits(older: "CatchLimits | None", given: dict[str, float | None]) -> "CatchLimits":
    """Those of the test that is joined or the usual ones, and those that were given.

    What is wrong with these is said by the options' names.
    """
    from rigmon.calibration.catch import CatchLimits

    try:
        wanted: dict[str, Any] = {name: value for name, value in given.items() if value is not None}
        return replace(older or CatchLimits(), **wanted)
    except UsageError as error:
        text = str(error)
        for name, option_name in _LIMIT_OPTIONS.items():
            text = text.replace(name, option_name)
        raise UsageError(text) from error


@dataclass(frozen=True, slots=True)
class _Asked:
    pressure: str | None
    time: str | None
    volumes: str | None
    table: Path | None
    nozzles: list[int]
    repeats: int
    older: "Record | None"
    joined: "CatchResult | None"  #: the test that `older` is of, which single nozzles are caught again for
    step: str | None


@dataclass(frozen=True, slots=True)
class _Found:
    catches: "list[Catch]"
    pressure_kpa: float | None
    step_l: float | None


def _evaluate(
    d: Dialogue, where: Setup, asked: _Asked, limits: "CatchLimits", together: bool
) -> "CatchResult":
    from rigmon.calibration.catch import again as caught_again
    from rigmon.calibration.catch import catch_test
    from rigmon.calibration.instruments import CYLINDER_U_L, reading_u_l

    found, joined = _flow(d, where, asked), asked.joined
    usual_u_l = CYLINDER_U_L if joined is None else joined.cylinder_u_l
    return catch_test(
        found.catches if joined is None else caught_again(joined.catches, found.catches),
        nozzle_count=where.rig.nozzle_count,
        pressure_kpa=found.pressure_kpa,
        rated_l_min=_rated(where, found.pressure_kpa),
        limits=limits,
        cylinder_u_l=usual_u_l if found.step_l is None else reading_u_l(found.step_l),
        timed_together=together or (joined is not None and joined.timed_together),
        system=where.system,
    )


# -- the flow ------------------------------------------------------------------------------------------------


def _flow(d: Dialogue, where: Setup, asked: _Asked) -> _Found:
    from rigmon.calibration.catch import Catch

    pressure_kpa = _pressure(d, asked)
    if asked.table is not None:
        catches = _from_table(d.typed, asked, where.rig.nozzle_count)
    elif asked.volumes is not None:
        catches = _from_list(d, asked, where.rig.nozzle_count)
    else:
        catches = []
        time_s = _time(d, asked)
        for nozzle in asked.nozzles:
            for turn in range(1, asked.repeats + 1):
                caught = _ask_catch(d, where, asked, nozzle, turn, time_s)
                if caught is not None:
                    catches.append(Catch(nozzle, *caught))
                    _remark(d, where, catches)
        if not catches:
            raise UsageError("every nozzle was skipped; catch at least one")
    step_l = None if asked.step is None else option(d.typed, "--step", asked.step, "volume", 1e-5, 1.0)
    return _Found(catches, pressure_kpa, step_l)


def _pressure(d: Dialogue, asked: _Asked) -> float | None:
    """None: not known. A nozzle caught again is caught at the pressure of the test that it joins."""
    low_kpa, high_kpa = 5.0, 10_000.0
    if asked.older is not None:
        before = asked.older.inputs.get("pressure_kpa")
        if asked.pressure is None or before is None:
            return before
        now = option(d.typed, "--pressure", asked.pressure, "pressure", low_kpa, high_kpa)
        if abs(now / before - 1) > _SAME_PRESSURE_PCT / 100:
            from rigmon.calibration.result import amount

            raise UsageError(
                f"--pressure '{asked.pressure}': the catch test {asked.older.name} was at "
                f"{amount(before, 'pressure', d.typed.system)}; catch the nozzle at that pressure again"
            )
        return now
    example = "40 psi" if d.typed.system == "us" else "280 kPa"

    def read(text: str) -> float | None:
        if text.lower() in _SKIP:
            return None
        return d.typed.read(text, "pressure", low_kpa, high_kpa)

    return d.ask(
        "pressure", f"Pressure, e.g. {example}", read, given=asked.pressure, option="--pressure",
        about="Read a gauge at the boom, with the boom on. 'skip' when you have none.",
    )  # fmt: skip


def _time(d: Dialogue, asked: _Asked) -> float:
    return d.quantity(
        "time", "Time of each catch", "time", example="30 s", low=_TIME_S[0], high=_TIME_S[1],
        given=asked.time, option="--time",
        about="How long a container stays under its nozzle. Where one differs, type '148 mL in 31 s'.",
    )  # fmt: skip


def _ask_catch(
    d: Dialogue, where: Setup, asked: _Asked, nozzle: int, turn: int, time_s: float
) -> tuple[float, float] | None:
    """(volume, time) of one catch; None: skipped."""
    example = "20 oz" if where.system == "us" else "600 mL"
    unit = d.typed.unit("volume")
    of = f"Nozzle {nozzle} of {where.rig.nozzle_count}"
    turns = f", {turn} of {asked.repeats}" if asked.repeats > 1 else ""
    return d.ask(
        f"nozzle {nozzle} catch {turn}",
        f"{of}{turns} [{unit}]" if unit else f"{of}{turns}, e.g. {example}",
        lambda text: None if text.lower() in _SKIP else _one(d.typed, text, time_s, example),
        option="--volumes",
        place=f"nozzle {nozzle} of {where.rig.nozzle_count}",
        about="What it gave, with the unit the first time. 'skip' goes on without it.",
    )  # fmt: skip


def _one(typed: Typed, text: str, time_s: float | None, example: str = "") -> tuple[float, float]:
    """'148 mL', '148' or '148 mL in 31 s'."""
    timed = _IN_TIME.fullmatch(text)
    volume_l = typed.read(timed[1] if timed else text, "volume", 0.0, _LARGEST_L, example=example)
    if timed:
        return volume_l, typed.read(timed[2], "time", *_TIME_S)
    if time_s is None:
        raise UsageError(f"'{text}' has no time; write it like '148 mL in 30 s', or give --time")
    return volume_l, time_s


def _remark(d: Dialogue, where: Setup, catches: "Sequence[Catch]") -> None:
    """A typing error or a plugged nozzle is best seen while the container is still there."""
    from rigmon.calibration.result import amount

    newest = catches[-1].flow_l_min
    others = [catch.flow_l_min for catch in catches[:-1]]
    middle = median(others) if others else 0.0
    if not middle:
        return
    off_pct = 100 * (newest / middle - 1)
    if abs(off_pct) >= _REMARK_PCT:
        d.tell(f"{amount(newest, 'flow', where.system)}, {off_pct:+.0f} % from the others; 'back' corrects.")


# -- from options and files ----------------------------------------------------------------------------------


def _from_list(d: Dialogue, asked: _Asked, nozzle_count: int) -> "list[Catch]":
    from rigmon.calibration.catch import Catch

    time_s = None if asked.time is None else option(d.typed, "--time", asked.time, "time", *_TIME_S)
    order = [nozzle for nozzle in asked.nozzles for _ in range(asked.repeats)]
    catches = []
    turn = 0
    for place, item in enumerate(items(asked.volumes or ""), 1):
        where = f"--volumes, item {place}"
        named = _FOR_NOZZLE.fullmatch(item)
        if named:
            nozzle = int(named[1])
            if not 1 <= nozzle <= nozzle_count:
                raise UsageError(f"{where}: '{item}': this boom has nozzles 1 to {nozzle_count}")
        elif turn < len(order):
            nozzle = order[turn]
            turn += 1
        else:
            raise UsageError(
                f"{where}: '{item[:40]}' is one more than the {len(order)} asked for; name its nozzle, "
                f"such as '{order[-1]}={item[:40]}', or leave it out"
            )
        text = named[2] if named else item
        if text.lower() in _SKIP:
            continue
        try:
            catches.append(Catch(nozzle, *_one(d.typed, text, time_s)))
        except UsageError as error:
            raise UsageError(f"{where}: {error}") from error
    if not catches:
        raise UsageError("--volumes: every nozzle was skipped; give at least one")
    return catches


def _from_table(typed: Typed, asked: _Asked, nozzle_count: int) -> "list[Catch]":
    from rigmon.calibration.catch import Catch

    assert asked.table is not None
    time_s = None if asked.time is None else option(typed, "--time", asked.time, "time", *_TIME_S)
    columns = {"nozzle": "1", "volume": "148 mL", "time": "30 s"}
    catches = []
    for row in read_table(asked.table, columns, ("nozzle", "volume")):
        number = row.cells["nozzle"]
        if not (number.isascii() and number.isdigit() and 1 <= int(number[:9]) <= nozzle_count):
            raise UsageError(
                f"{row.at('nozzle')} = '{number[:40]}' must be a whole number, 1 to {nozzle_count}"
            )
        if asked.older is not None and int(number) not in asked.nozzles:
            raise UsageError(
                f"{row.at('nozzle')} = {number}: --nozzle says that only {asked.nozzles} are caught"
            )
        text = row.cells["volume"]
        if text.lower() in _SKIP:
            continue
        own = row.get("time")
        try:
            catches.append(Catch(int(number), *_one(typed, f"{text} in {own}" if own else text, time_s)))
        except UsageError as error:
            raise UsageError(f"{row.where}: {error}") from error
    if not catches:
        raise UsageError(f"{asked.table}: every nozzle was skipped; give at least one")
    return catches


# -- the test that single nozzles are caught again for -------------------------------------------------------


def _newest(where: Setup) -> "Record":
    from rigmon.calibration.book import Book

    with Book(where.book) as book:
        record = book.latest("catch", where.rig.name, where.rig.nozzles.set_name)
    if record is None:
        raise UsageError(
            f"{where.book}: holds no catch test of this rig and nozzle set that --nozzle could join; "
            "catch all nozzles first"
        )
    return record


# -- the result ----------------------------------------------------------------------------------------------


def _rated(where: Setup, pressure_kpa: float | None) -> float | None:
    """Of one new nozzle at this pressure; None where the rig file does not say what is fitted.

    The two nominal series are 1.3 % apart; the rig's units say which, whatever units are shown.
    """
    from rigmon.calibration.nozzles import by_size
    from rigmon.core.rate import flow_at_pressure_l_min

    nozzles = where.rig.nozzles
    if pressure_kpa is None:
        return None
    if nozzles.rated_flow_l_min is not None and nozzles.rated_pressure_kpa is not None:
        return flow_at_pressure_l_min(nozzles.rated_flow_l_min, nozzles.rated_pressure_kpa, pressure_kpa)
    if nozzles.size is None:
        return None
    return by_size(nozzles.size).rated_l_min(pressure_kpa, system_of(where.rig.units))


def _size(where: Setup) -> dict[str, str | None]:
    """The ISO 10625 size and colour that the rig file says are fitted; {} where it does not."""
    from rigmon.calibration.nozzles import by_size

    size = where.rig.nozzles.size
    return {} if size is None else {"nozzle_size": size, "nozzle_colour": by_size(size).colour}


def _title(where: Setup, keep: Keep, result: "CatchResult") -> str:
    from rigmon.calibration.result import amount

    at = "" if result.pressure_kpa is None else f", {amount(result.pressure_kpa, 'pressure', where.system)}"
    size = _size(where)
    colour = f" ({size['nozzle_colour']})" if size.get("nozzle_colour") else ""
    of = f", size {size['nozzle_size']}{colour}" if size else ""
    return f"Catch test, {where.rig.name}, {keep.taken_on}{at}{of}"


def _more(where: Setup, result: "CatchResult") -> list[str]:
    """The command that the findings lead to."""
    again = [n.nozzle for n in result.nozzles if n.state != "ok"] + list(result.missing)
    if not again or len(again) > 6:
        return []
    options = " ".join(f"--nozzle {n}" for n in sorted(again))
    return [f"Catch again: {program()} calibrate catch{where.rig_words} {options}"]
