"""rigmon records"""

from pathlib import Path

import click

from rigmon.cli.common import json_option
from rigmon.errors import UsageError


@click.command("records")
@click.option(
    "--book",
    "book_path",
    type=click.Path(path_type=Path),
    default="applications.sqlite",
    show_default=True,
    help="Season book.",
)
@click.option(
    "-o",
    "--output",
    "path",
    type=click.Path(path_type=Path),
    help="Write to a new file: .csv, .json or .html.",
)
@click.option("--all", "everything", is_flag=True, help="Corrected records too.")
@json_option
def command(book_path: Path, path: Path | None, everything: bool, as_json: bool) -> None:
    """The application records in a season book: a list, CSV, JSON, or a page to print.

    Quantities are in the units in which each record was made (ac, gal, gal/ac or ha, L, L/ha).
    """
    from rigmon.analysis.record.book import SeasonBook
    from rigmon.analysis.record.forms import csv_text, html_text, json_text

    forms = {".csv": csv_text, ".json": json_text, ".html": html_text}
    if path is not None and path.suffix.lower() not in forms:
        raise UsageError(f"{path}: its ending must be one of {', '.join(forms)}")
    with SeasonBook(book_path, must_exist=True) as book:
        records = book.records(everything=everything)
    if path is not None:
        try:
            with path.open("x", encoding="utf-8", newline="") as file:
                file.write(forms[path.suffix.lower()](records))
        except FileExistsError:
            raise UsageError(f"{path}: is there already; give another name") from None
        except OSError as error:
            raise UsageError(f"{path}: cannot be written: {error.strerror}") from error
    if as_json:
        click.echo(json_text(records), nl=False)
    elif path is not None:
        click.echo(f"{path}: {len(records)} records")
    else:
        for kept in records:
            corrects = f", corrects '{kept.corrects}'" if kept.corrects else ""
            click.echo(f"{kept.name}: {kept.text('area_treated') or '______'}, {kept.text('rig')}{corrects}")
        if not records:
            click.echo("The book holds no record yet.")
