"""rigmon calibrate list"""

from pathlib import Path

import click

from rigmon.cli.calibrate.common import find_record, rig_file_option, setup, units_option
from rigmon.cli.common import json_option, print_json
from rigmon.cli.dialogue import wrapped


@click.command("list")
@click.argument("name", required=False)
@rig_file_option
@click.option("--book", type=click.Path(path_type=Path), help="Calibration book.  [default: the rig file's]")
@click.option("--all", "all_rigs", is_flag=True, help="The records of every rig in the book.")
@units_option
@json_option
def command(
    name: str | None,
    rig_file: Path | None,
    book: Path | None,
    all_rigs: bool,
    units_shown: str | None,
    as_json: bool,
) -> None:
    """The records in the calibration book, the newest last; or the one record NAME, whole.

    Figures are shown in gal/min, mph, psi, gal/ac or L/min, km/h, kPa, L/ha; JSON has carried units, as its
    names say. +- is the expanded uncertainty (k = 2).
    """
    from rigmon.calibration.book import Book
    from rigmon.calibration.headline import headline

    where = setup(rig_file, units_shown, book)
    with Book(where.book) as opened:
        if name is not None:
            records = [find_record(opened, name)]
        else:
            records = opened.history(rig=None if all_rigs else where.rig.name)
    if name is not None and as_json:
        print_json(records[0].to_json())
        return
    if as_json:
        print_json([record.to_json() for record in records])
        return
    if not records:
        click.echo(wrapped(f"No records of {where.rig.name} in {where.book}"))
        return
    replaced = {record.supersedes for record in records}
    for record in records:
        subject = f", {record.subject}" if record.subject not in ("", "flowmeter", "pressure") else ""
        rig = f", {record.rig}" if all_rigs else ""
        old = " (superseded)" if record.name in replaced else ""
        label = f" '{record.inputs['label']}'" if record.inputs.get("label") else ""
        click.echo(wrapped(f"{record.name}{label}{subject}{rig}{old}", "    "))
        told = headline(record, where.system)
        if told:
            click.echo(wrapped(f"  {told}", "    "))
        if record.inputs.get("note"):
            click.echo(wrapped(f"  note: {record.inputs['note']}", "    "))
        if name is not None:
            click.echo(
                wrapped(f"  recorded {record.recorded_utc} by the board's clock, {record.software}", "    ")
            )
            for finding in record.result.get("findings", []):
                click.echo(wrapped(f"  {finding['severity']}: {finding['text']}", "    "))
