"""rigmon report"""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from rigmon.cli.common import (
    json_option,
    print_json,
    progress,
    refuse_folder,
    rig_option,
    source_argument,
)
from rigmon.cli.quantity import Quantity
from rigmon.cli.typed import Typed, option
from rigmon.cli.whatif import what_if, what_if_options
from rigmon.errors import UsageError

if TYPE_CHECKING:
    from rigmon.analysis.whole import Analysis
    from rigmon.calibration.result import System

#: how many parts `analyse` and `page` name, for the length of the bar
_PARTS: Final = 7
_BAR: Final = 24


@click.command("report")
@source_argument
@rig_option
@click.option("-o", "--output", type=click.Path(path_type=Path), metavar="FILE", help="Write the page, HTML.")
@click.option(
    "--pdf",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Print the page to a PDF through this computer's Chromium or Chrome: Letter for US units, else A4.",
)
@click.option("--units", type=click.Choice(["us", "metric"]), help="Show these units, whatever the rig says.")
@click.option(
    "--boundary",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="The field that was to be treated, GeoJSON.",
)
@click.option(
    "--position-uncertainty",
    "position_uncertainty_m",
    type=Quantity("length"),
    help="How far positions may be off from pass to pass, such as '10 in'; left out: the rig's, else 1 m.",
)
@click.option(
    "--refill",
    "refills",
    multiple=True,
    metavar="VOLUME",
    help="What was filled in, such as '25 gal'; give it for each filling, the first included. Left out: the "
    "refills in the run log, from one full tank to the next.",
)
@click.option("--left", metavar="VOLUME", help="What was left in the tank at the end, such as '3 gal'.")
@what_if_options
@json_option
def command(
    source: Path,
    rig_file: Path | None,
    output: Path | None,
    pdf: Path | None,
    units: str | None,
    boundary: Path | None,
    position_uncertainty_m: float | None,
    refills: tuple[str, ...],
    left: str | None,
    as_json: bool,
    **changes: str | None,
) -> None:
    """Report on SOURCE, a run log or an NMEA recording, as one page: -o FILE.html, --pdf FILE.pdf, --json.

    The page needs nothing else: it opens from a stick, light or dark, on a phone too, and prints on two
    sheets. Shown in gal/ac, mph, ac, gal, ft or L/ha, km/h, ha, L, m; JSON, which has every figure of the
    page, in m, m2, s, L, L/ha, m/s, % and degrees. Nothing is overwritten; the run log is only read.
    """
    if output is None and pdf is None and not as_json:
        raise UsageError(
            f"say where the report goes: -o {source.stem}.html, --pdf {source.stem}.pdf or --json"
        )
    for path, example in ((output, "report.html"), (pdf, "report.pdf")):
        if path is not None:
            _refuse_existing(path, example)
    from rigmon.analysis.boundary import read
    from rigmon.analysis.report.facts import facts
    from rigmon.analysis.source import load
    from rigmon.analysis.whole import analyse

    asked = what_if(**changes)
    field = None if boundary is None else read(boundary)
    with progress("reading") as tell:
        run = load(source, rig_file, tell, asked)
    if position_uncertainty_m is not None and not 0 < position_uncertainty_m <= 100:
        raise UsageError("--position-uncertainty must be above zero and at most 100 m, such as '10 in'")
    system: System = "us" if (units or run.rig.units) == "us" else "metric"
    logged = any(act.kind == "refill" for act in run.acts)
    filled, rest = _volumes(system, refills, left, logged, run.rig.tank_l)
    records, notes = _records(source)
    notes = list(dict.fromkeys([*run.notes, *notes]))
    for note in notes:
        click.echo(f"rigmon: {source}: {note}", err=True)
    with _bar() as begin:
        analysis = analyse(
            run,
            boundary=field,
            refills_l=filled,
            left_l=rest,
            position_uncertainty_m=position_uncertainty_m,
            progress=begin,
        )
        data = facts(analysis, records=records, what_if=asked.words(), notes=notes)
        if output is not None or pdf is not None:
            _write(analysis, data, system, output, pdf, begin)
    data |= {"html": None if output is None else str(output), "pdf": None if pdf is None else str(pdf)}
    if as_json:
        print_json(data)
        return
    for path in (output, pdf):
        if path is not None:
            click.echo(f"Wrote {path}")


def _write(
    analysis: "Analysis",
    data: dict[str, Any],
    system: "System",
    output: Path | None,
    pdf: Path | None,
    begin: Callable[[str], None] | None,
) -> None:
    from rigmon.analysis.report.page import page
    from rigmon.analysis.report.pdf import print_pdf

    html = page(analysis, data, system=system, progress=begin)
    if output is not None:
        try:
            with output.open("x", encoding="utf-8") as file:
                file.write(html)
        except FileExistsError:
            _refuse_existing(output, "report.html")
        except OSError as error:
            raise UsageError(f"{output}: cannot be written: {error.strerror}") from error
    if pdf is not None:
        if begin is not None:
            begin("printing")
        print_pdf(html, pdf, system)


def _refuse_existing(path: Path, example: str) -> None:
    refuse_folder(path, example)
    if not path.parent.is_dir():
        raise UsageError(f"{path}: there is no folder {path.parent}; make it, or give another name")
    if path.exists():
        raise UsageError(f"{path}: is there already and is not overwritten; give another name")


def _volumes(
    system: "System", refills: tuple[str, ...], left: str | None, logged: bool, tank_l: float | None
) -> tuple[list[float], float | None]:
    """What was typed. `logged`: the run log holds refills, which count where none is typed."""
    typed = Typed(system)
    filled = [option(typed, "--refill", text, "volume") for text in refills]
    if left is None:
        return filled, None
    if not filled and not logged:
        raise UsageError("--left needs --refill, what was filled in: the run log holds no refills")
    if not filled and tank_l is None:
        raise UsageError("--left needs --refill, or what the tank holds: [tank] volume in the rig file")
    try:
        rest = typed.read(left, "volume")
    except UsageError as error:
        raise UsageError(f"--left: {error}") from error
    if filled and rest > sum(filled):
        raise UsageError(f"--left {left}: more than was filled in")
    if not filled and tank_l is not None and rest > tank_l:
        raise UsageError(f"--left {left}: more than the tank holds")
    return filled, rest


def _records(source: Path) -> tuple[list[dict[str, Any]], list[str]]:
    """The calibration records in a run log, and what its reader says of the file; a recording has none."""
    from rigmon.log.reader import RunLog, is_run_log
    from rigmon.log.records import calibration_records

    if not is_run_log(source):
        return [], []
    with RunLog.open(source) as log:
        return calibration_records(log), log.notes


@contextmanager
def _bar() -> Iterator[Callable[[str], None] | None]:
    """A bar on stderr, on a terminal only: yields what to call with the name of each part."""
    err: Any = sys.stderr
    if err is None or not err.isatty():
        yield None
        return
    done = 0

    def begin(part: str) -> None:
        nonlocal done
        full = min(_BAR * done // _PARTS, _BAR)
        done += 1
        click.echo(f"\r[{'#' * full}{'-' * (_BAR - full)}] {part:<24}", nl=False, err=True)

    try:
        yield begin
    finally:
        click.echo("\r" + " " * (_BAR + 28) + "\r", nl=False, err=True)
