"""rigmon calibrate apply"""

from pathlib import Path

import click

from rigmon.cli.calibrate.common import find_record, rig_file_option, setup, show_changes
from rigmon.cli.common import json_option, print_json


@click.command("apply")
@click.argument("name")
@rig_file_option
@click.option("--book", type=click.Path(path_type=Path), help="Calibration book.  [default: the rig file's]")
@json_option
def command(name: str, rig_file: Path | None, book: Path | None, as_json: bool) -> None:
    """Copy the record NAME, such as '2026-05-30 catch 1' or what you called it, into the rig file.

    Only the keys that it sets change; comments and layout stay, and the old file stays beside it as .bak. The
    record stays in the book. Changes are shown in the rig file's units: gal/min, psi or L/min, kPa.
    """
    from rigmon.calibration.apply import apply_record
    from rigmon.calibration.book import Book

    where = setup(rig_file, None, book)
    with Book(where.book) as opened:
        record = find_record(opened, name)
    changes = apply_record(where.rig_file, record)
    if as_json:
        print_json({"record": record.name, "rig_file": str(where.rig_file), "changes": changes})
        return
    show_changes(where.rig_file, changes)
