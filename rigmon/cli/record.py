"""rigmon record"""

import sys
import tomllib
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rigmon.cli.common import json_option, print_json, progress, rig_option, source_argument
from rigmon.errors import UsageError

if TYPE_CHECKING:
    from datetime import tzinfo

    from rigmon.analysis.record.draft import Draft


@click.command("record")
@source_argument
@rig_option
@click.option(
    "--book",
    "book_path",
    type=click.Path(path_type=Path),
    default="applications.sqlite",
    show_default=True,
    help="Season book to append to.",
)
@click.option(
    "--product",
    "products",
    multiple=True,
    metavar="TEXT",
    help="Name; registration number; dose, such as 'Product A; 0000-000; 32 fl oz/ac'. Repeat for several.",
)
@click.option(
    "--set", "given", multiple=True, metavar="KEY=TEXT", help="An element, such as wind='4 mph from N'."
)
@click.option(
    "--from", "answers", type=click.Path(path_type=Path), help='TOML file with elements: key = "text" a line.'
)
@click.option("--zone", metavar="NAME", help="Time zone of the place, such as America/Denver; left out: UTC.")
@click.option("--correct", metavar="NAME", help="The record in the book that this one corrects; both stay.")
@click.option(
    "--units", type=click.Choice(["us", "metric"]), help="Write these units, whatever the rig says."
)
@click.option("--dry-run", is_flag=True, help="Show the record, keep nothing.")
@json_option
def command(
    source: Path,
    rig_file: Path | None,
    book_path: Path,
    products: tuple[str, ...],
    given: tuple[str, ...],
    answers: Path | None,
    zone: str | None,
    correct: str | None,
    units: str | None,
    dry_run: bool,
    as_json: bool,
) -> None:
    """The application record of the run SOURCE, appended to a season book that only grows.

    What the log knows is filled in: date, times, place, area, volume, rate (gal/ac, ac, gal or L/ha, ha, L).
    The rest is asked for on a terminal (Enter leaves it blank) or given by options; what nobody gives stays
    visibly blank. The legal duty stays with the certified applicator.
    """
    from rigmon.analysis.ground import Ground
    from rigmon.analysis.record.book import SeasonBook
    from rigmon.analysis.record.draft import Used, draft
    from rigmon.analysis.score import score_of
    from rigmon.analysis.source import load

    stated = _stated(answers, given)
    used = [Used.read(text) for text in products]
    where = _zone(zone)
    with progress("reading") as tell:
        run = load(source, rig_file, tell)
    for note in run.notes:
        click.echo(f"rigmon: {source}: {note}", err=True)
    ground = Ground(run)
    scored = score_of(run, ground)

    def make() -> "Draft":
        system: Any = units
        return draft(run, ground, scored, zone=where, system=system, products=used, stated=stated)

    made = make()
    if not as_json and sys.stdin is not None and sys.stdin.isatty():
        stated |= _ask(made)
        made = make()
    if dry_run:
        kept = None
    else:
        with SeasonBook(book_path) as book:
            kept = book.add(made, corrects=correct)
    if as_json:
        print_json({**made.to_json(), "name": None if kept is None else kept.name, "book": str(book_path)})
        return
    _show(made)
    click.echo()
    click.echo("Nothing was kept (--dry-run)." if kept is None else f"Kept as '{kept.name}' in {book_path}")


def _stated(answers: Path | None, given: Iterable[str]) -> dict[str, str]:
    stated: dict[str, str] = {}
    if answers is not None:
        try:
            data = tomllib.loads(answers.read_text(encoding="utf-8"))
        except OSError as error:
            raise UsageError(f"{answers}: cannot be read: {error.strerror}") from error
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
            raise UsageError(f'{answers}: not valid TOML: {error}; write key = "text", one a line') from error
        for key, text in data.items():
            if not isinstance(text, str):
                raise UsageError(f'{answers}: {key} must be text in quotes, such as {key} = "..."')
            stated[key] = text
    for item in given:
        key, equals, text = item.partition("=")
        if not equals:
            raise UsageError(f"--set {item!r} must be KEY=TEXT, such as wind='4 mph from N'")
        stated[key.strip()] = text
    return stated


def _zone(name: str | None) -> "tzinfo":
    from datetime import UTC
    from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

    if name is None:
        return UTC
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise UsageError(f"--zone {name!r} is not known; give its name, such as America/Denver") from None


def _ask(made: "Draft") -> dict[str, str]:
    """What the log cannot know, one line each; Enter leaves it blank."""
    from rigmon.analysis.record.elements import BY_KEY
    from rigmon.cli.dialogue import wait_for_a_line

    click.echo("Enter leaves an element blank; Ctrl-C keeps nothing.")
    answers = {}
    for key in made.blank:
        element = BY_KEY[key]
        if element.from_log:
            continue
        hint = f" (such as: {element.hint})" if element.hint else ""
        click.echo(f"{element.label}{hint}: ", nl=False, err=True)
        wait_for_a_line(sys.stdin)
        text = sys.stdin.readline()
        if not text:
            raise click.Abort  # the terminal is gone
        if text.strip():
            answers[key] = text
    return answers


def _show(made: "Draft") -> None:
    from rigmon.analysis.record.elements import DUTY, ELEMENTS, RULES

    for element in ELEMENTS:
        entry = made.entries.get(element.key)
        text = "______" if entry is None else entry.text
        if entry is not None and entry.origin == "computed":
            text += " (worked out)"
        click.echo(click.wrap_text(f"{element.label}: {text}", 78, "", "    "))
    for rule, labels in made.missing().items():
        if labels:
            click.echo()
            click.echo(
                click.wrap_text(
                    f"Blank, and asked for where it applies by {RULES[rule]}: {'; '.join(labels)}",
                    78,
                    "",
                    "    ",
                )
            )
    click.echo()
    click.echo(click.wrap_text(DUTY, 78))
