"""rigmon calibrate transducer"""

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
from rigmon.cli.table import Row, read_table
from rigmon.cli.typed import Typed, option
from rigmon.errors import UsageError

if TYPE_CHECKING:
    from rigmon.calibration.capture import PressureCapture
    from rigmon.calibration.transducer import Point, TransducerResult
    from rigmon.cli.calibrate.live import Live

_MOST_POINTS: Final = 30
_FEWEST: Final = 3
_HIGHEST_KPA: Final = 100_000.0
#: full scale of each converter that the rig file knows, by its name
_BITS: Final = {"MCP3004": 10, "MCP3008": 10, "MCP3204": 12, "MCP3208": 12}
_NUMBER: Final = re.compile(r"[0-9]{1,9}(?:\.[0-9]{1,12})?")
_COUNTS: Final = re.compile(r"(.+?)\s*counts?", re.IGNORECASE)


@click.command("transducer")
@rig_file_option
@click.option("--live", "is_live", is_flag=True, help="Read the fitted transducer while you read the gauge.")
@click.option(
    "--point", "points", multiple=True, metavar="TEXT",
    help="One point, gauge = reading: '40 psi = 512' (counts), '40 psi = 512/1010' (with the supply rail's), "
    "'40 psi = 0.507' (fraction) or '40 psi = 2.7 bar' (stated). Give it several times, up and down again.",
)  # fmt: skip
@click.option(
    "--from", "table", type=click.Path(path_type=Path),
    help="CSV file: pressure, and counts (supply), fraction or stated; direction (up, down) may be added.",
)  # fmt: skip
@click.option(
    "--average",
    metavar="QUANTITY",
    default="3 s",
    show_default=True,
    help="Average live readings so long, such as '3 s'.",
)
@click.option(
    "--bits", type=click.IntRange(6, 24), help="Bits of the converter.  [default: the rig's chip's]"
)
@click.option("--gauge-class", type=float, help="Accuracy class of the gauge, % of its span.  [default: 1.6]")
@click.option("--gauge-span", metavar="QUANTITY", help="Span of the gauge, such as '100 psi' or '10 bar'.")
@click.option("--strict", is_flag=True, help="Exit code 1 when there is something to do.")
@go_on_options
@units_option
@record_options
def command(
    rig_file: Path | None,
    is_live: bool,
    points: tuple[str, ...],
    table: Path | None,
    average: str,
    bits: int | None,
    gauge_class: float | None,
    gauge_span: str | None,
    strict: bool,
    resume: bool | None,
    units_shown: str | None,
    keep: Keep,
) -> int:
    """The pressure transducer against a gauge: zero (vented) and two pressures or more, up and down again.

    A wired transducer is read in counts; one that states its pressure (an XDR sentence P) in its own unit.
    Pressures as '40 psi', '2.8 bar' or '280 kPa'. With --live it is read from the rig's port or converter and
    averaged.
    JSON has kPa, fractions of full scale or of the supply rail, %.
    """
    if sum((is_live, bool(points), table is not None)) > 1:
        raise UsageError("--live, --point and --from exclude one another; leave one of them")
    if gauge_class is not None and not 0 < gauge_class <= 10:
        raise UsageError(f"--gauge-class {gauge_class:g} must be above 0 and at most 10, such as 1.6")
    if gauge_class is not None and gauge_span is None:
        raise UsageError("--gauge-class is % of the gauge's span; give that by --gauge-span beside it")
    where = setup(rig_file, units_shown, keep.book)
    reads = "stated" if where.rig.pressure.source == "xdr" else "counts"
    dialogue = Dialogue(
        where.system, "transducer calibration", where.session("transducer", "live" if is_live else ""),
        {"rig": where.rig.name, "reading": reads}, resume, caution="Use clean water, and wear PPE.",
    )  # fmt: skip
    average_s = option(Typed(where.system), "--average", average, "time", 0.1, 60.0)
    asked = _Asked(points, table, average_s, bits or _BITS[where.rig.pressure.chip], gauge_class, gauge_span)
    with ExitStack() as stack:
        capture = _capture(where, stack) if is_live else None
        result = dialogue.run(lambda d: d.check(lambda: _flow(d, where, asked, capture)))
    title = f"Transducer, {where.rig.name}, {keep.taken_on}"
    finish(where, keep, dialogue, "transducer", "pressure", result, title)
    return 1 if strict and any(finding.severity == "do" for finding in result.findings) else 0


@dataclass(frozen=True, slots=True)
class _Asked:
    points: tuple[str, ...]
    table: Path | None
    average_s: float
    bits: int
    gauge_class: float | None
    gauge_span: str | None


def _flow(
    d: Dialogue, where: Setup, asked: _Asked, capture: "Live[PressureCapture] | None"
) -> "TransducerResult":
    from rigmon.calibration.budget import rectangular
    from rigmon.calibration.transducer import fit_transducer

    stated = where.rig.pressure.source == "xdr"
    if asked.points:
        points = [
            _typed_point(d.typed, text, f"--point {n}", stated) for n, text in enumerate(asked.points, 1)
        ]
    elif asked.table is not None:
        columns = {
            "pressure": "40 psi", "counts": "512", "supply": "1010", "fraction": "0.507", "stated": "2.7 bar",
            "direction": "up",
        }  # fmt: skip
        points = [_of_row(d.typed, row) for row in read_table(asked.table, columns, ("pressure",))]
    else:
        points = _ask_points(d, where, asked, capture)
    gauge_u_kpa = None
    if asked.gauge_span is not None:
        span_kpa = option(d.typed, "--gauge-span", asked.gauge_span, "pressure")
        gauge_u_kpa = rectangular((asked.gauge_class or 1.6) / 100 * span_kpa)
    counted = any(point.counts is not None for point in points)
    rig = where.rig
    return fit_transducer(
        points,
        bits=asked.bits if counted else None,
        span_kpa=rig.pressure.span_kpa if rig.pressure.source == "adc" else None,
        at_kpa=None if rig.calibration is None else rig.calibration.pressure_kpa,
        gauge_u_kpa=gauge_u_kpa,
        system=where.system,
    )


def _ask_points(
    d: Dialogue, where: Setup, asked: _Asked, capture: "Live[PressureCapture] | None"
) -> "list[Point]":
    points: list[Point] = []
    for number in range(1, _MOST_POINTS + 1):
        place = f"point {number}"
        enough = number > _FEWEST
        gauge_kpa = d.ask(
            f"point {number} gauge",
            f"Point {number}: gauge{_hint(d, where, number)}{' (Enter: done)' if enough else ''}",
            lambda text: None if text == "done" else d.typed.read(text, "pressure", 0.0, _HIGHEST_KPA),
            place=place, option="--point", default="done" if enough else None,
            about="The first with the line vented: 0. Then up in steps, and down again.",
        )  # fmt: skip
        if gauge_kpa is None:
            break
        if capture is None:
            points.append(_ask_reading(d, where, number, gauge_kpa))
        else:
            points.append(
                d.made(
                    f"point {number} reading",
                    _measure(d, capture, gauge_kpa, asked.average_s),
                    _read_back,
                    place,
                )
            )
    return points


def _hint(d: Dialogue, where: Setup, number: int) -> str:
    unit = d.typed.unit("pressure")
    if unit:
        return f" [{unit}]"
    vented = " (vented)" if number == 1 else ""
    return f", e.g. {'0 psi' if where.system == 'us' else '0 kPa'}{vented}"


def _ask_reading(d: Dialogue, where: Setup, number: int, gauge_kpa: float) -> "Point":
    from rigmon.calibration.transducer import Point

    question, place = f"point {number} reading", f"point {number}"
    if where.rig.pressure.source == "xdr":
        stated_kpa = d.ask(
            question,
            f"Point {number}: transducer [{d.typed.unit('pressure') or 'kPa'}]",
            lambda text: d.typed.read(text, "pressure", high=_HIGHEST_KPA),
            place=place, option="--point", about="The pressure that the sensor node states.",
        )  # fmt: skip
        return Point(gauge_kpa, stated_kpa=stated_kpa)
    return d.ask(
        question,
        f"Point {number}: counts",
        lambda text: _reading(d.typed, gauge_kpa, text, stated=False),
        place=place, option="--point", about="The converter's counts; '512/1010' with the supply rail's.",
    )  # fmt: skip


# -- typed ---------------------------------------------------------------------------------------------------


def _typed_point(typed: Typed, text: str, where: str, stated: bool) -> "Point":
    gauge, equals, reading = text.partition("=")
    if not equals:
        raise UsageError(f"{where}: '{text[:60]}' must be gauge = reading, such as '40 psi = 512'")
    try:
        gauge_kpa = typed.read(gauge, "pressure", 0.0, _HIGHEST_KPA)
        return _reading(typed, gauge_kpa, reading.strip(), stated)
    except UsageError as error:
        raise UsageError(f"{where}: {error}") from error


def _reading(typed: Typed, gauge_kpa: float, text: str, stated: bool) -> "Point":
    """'512 counts' and '512/1010' are counts, '0.507' a fraction, '2.7 bar' a stated pressure.

    A bare number is one of counts or a fraction; where the fitted transducer is `stated`, a pressure.
    """
    from rigmon.calibration.transducer import Point

    counts = _COUNTS.fullmatch(text)
    parts = [part.strip() for part in (counts[1] if counts else text).split("/")]
    if stated and len(parts) == 1 and not counts:
        return Point(gauge_kpa, stated_kpa=typed.read(text, "pressure", high=_HIGHEST_KPA))
    if all(_NUMBER.fullmatch(part) for part in parts) and len(parts) <= 2:
        numbers = [float(part) for part in parts]
        if len(numbers) == 2:
            return Point(gauge_kpa, counts=numbers[0], supply_counts=numbers[1])
        if "." in text and numbers[0] <= 1:
            return Point(gauge_kpa, fraction=numbers[0])
        return Point(gauge_kpa, counts=numbers[0])
    return Point(gauge_kpa, stated_kpa=typed.read(text, "pressure", high=_HIGHEST_KPA))


def _of_row(typed: Typed, row: Row) -> "Point":
    from rigmon.calibration.transducer import Point

    given = [name for name in ("counts", "fraction", "stated") if row.get(name) is not None]
    if len(given) != 1:
        raise UsageError(f"{row.where}: give one of counts, fraction and stated")
    way = (row.get("direction") or "").lower()
    if way not in ("", "up", "down"):
        raise UsageError(f"{row.at('direction')} = '{way[:40]}' must be up or down")
    rising = {"up": True, "down": False}.get(way)
    try:
        gauge_kpa = typed.read(row.cells["pressure"], "pressure", 0.0, _HIGHEST_KPA)
        if given[0] == "stated":
            stated_kpa = typed.read(row.cells["stated"], "pressure", high=_HIGHEST_KPA)
            return Point(gauge_kpa, stated_kpa=stated_kpa, rising=rising)
    except UsageError as error:
        raise UsageError(f"{row.where}: {error}") from error
    value = _number(row, given[0])
    if given[0] == "fraction":
        return Point(gauge_kpa, fraction=value, rising=rising)
    supply = None if row.get("supply") is None else _number(row, "supply")
    return Point(gauge_kpa, counts=value, supply_counts=supply, rising=rising)


def _number(row: Row, column: str) -> float:
    text = row.cells[column]
    if not _NUMBER.fullmatch(text):
        raise UsageError(f"{row.at(column)} = '{text[:40]}' must be a number without a unit")
    return float(text)


# -- live ----------------------------------------------------------------------------------------------------


def _capture(where: Setup, stack: ExitStack) -> "Live[PressureCapture]":
    from rigmon.calibration.capture import PressureCapture
    from rigmon.cli.calibrate.live import live

    feeding = stack.enter_context(live(where.rig, PressureCapture(where.rig), "pressure"))
    feeding.wait_first()
    return feeding


def _measure(
    d: Dialogue, capture: "Live[PressureCapture]", gauge_kpa: float, average_s: float
) -> Callable[[], str]:
    from rigmon.cli.calibrate.live import said

    def make() -> str:
        d.pause(f"Hold the pressure; Enter reads {average_s:g} s")
        start_ns = capture.now_ns()
        end_ns = start_ns + round(average_s * 1e9)
        capture.wait_until(end_ns)
        with capture.held() as transducer:
            point = transducer.point(start_ns, end_ns, gauge_kpa)
            d.say(f"The transducer says {said(transducer.shows, d.typed.system)}.")
        return json.dumps(point._asdict())

    return make


def _read_back(text: str) -> "Point":
    from rigmon.calibration.transducer import Point

    try:
        return Point(**json.loads(text))
    except (ValueError, TypeError) as error:
        raise UsageError(f"a point in the session cannot be read ({error})") from error
