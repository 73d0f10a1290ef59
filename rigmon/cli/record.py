"""rigmon record"""

import sys
import tomllib
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rigmon.cli.common import json_option, print_json, progress, rig_option, source_argument
from rigmon.errors import UsageError

if TYPE_CHECKING:
    from datetime import tzinfo

    from rigmon.analysis.record.draft import Draft, Used
    from rigmon.cli.dialogue import Dialogue

#: an answer that leaves an element blank; Enter gives it
BLANK = "-"
#: more in one tank are a slip of the keyboard
_MOST_PRODUCTS = 12
_PRODUCT = "Such as: Product A; 0000-000; 32 fl oz/ac. The number may be left empty."


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
    The rest is asked for on a terminal (Enter leaves it blank, 'back' asks again, Ctrl-C keeps the answers
    for the next start) or given by options; what nobody gives stays visibly blank. The legal duty stays with
    the certified applicator.
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
    dialogue = None
    if not as_json and sys.stdin is not None and sys.stdin.isatty():
        dialogue = _dialogue(book_path, run.run_id or source.stem, run.rig.units)
        typed, used = dialogue.run(lambda d: _ask(d, made, used))
        stated |= typed
        made = make()
    if dry_run:
        kept = None
    else:
        with SeasonBook(book_path) as book:
            kept = book.add(made, corrects=correct)
            twice = [
                one.name for one in book.records() if one.run_id == kept.run_id and one.name != kept.name
            ]
        if kept.run_id is not None and twice:
            click.echo(
                f"rigmon: this run is in {book_path} already, as '{twice[-1]}', so it now counts twice; "
                f"--correct '{kept.name}' or '{twice[-1]}' makes a record that takes the place of one",
                err=True,
            )
    if dialogue is not None:
        dialogue.finish(dry_run)
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


def _dialogue(book_path: Path, run_name: str, rig_units: str) -> "Dialogue":
    """Questions whose answers are kept beside the book, a file for each run, until they are in it."""
    from rigmon.calibration.session import session_path
    from rigmon.cli.dialogue import Dialogue

    return Dialogue(
        "us" if rig_units == "us" else "metric",
        "record",
        session_path(book_path, "record", run_name),
        {"run": run_name},
        caution="Enter leaves an element blank; Ctrl-C keeps the answers for the next start.",
    )


def _ask(
    dialogue: "Dialogue", made: "Draft", products: Sequence["Used"]
) -> tuple[dict[str, str], list["Used"]]:
    """What the log cannot know, one question each: the person's texts, and the products."""
    from rigmon.analysis.record.answers import read_answer
    from rigmon.analysis.record.draft import Used
    from rigmon.analysis.record.elements import BY_KEY

    def read(key: str) -> Callable[[str], str]:
        return lambda text: "" if text == BLANK else read_answer(key, text)

    def product(text: str) -> Used | None:
        return None if text == BLANK else Used.read(text)

    answers: dict[str, str] = {}
    used = list(products)
    for key, element in BY_KEY.items():
        entry = made.entries.get(key)
        about = f"Such as: {element.hint}." if element.hint else ""
        if entry is not None:
            if element.draft and entry.origin == "log":
                prompt = f"{element.label} [as the sensor says]"
                answer = dialogue.ask(key, prompt, read(key), default=entry.text, about=f"{entry.text}.")
                if answer != entry.text:
                    answers[key] = answer
            continue
        if key == "products":
            while len(used) < _MOST_PRODUCTS:
                number = f"Product {len(used) + 1}"
                prompt = f"{number}: name; registration number; dose [{'no more' if used else 'blank'}]"
                one = dialogue.ask(number, prompt, product, default=BLANK, about=_PRODUCT)
                if one is None:
                    break
                used.append(one)
        elif key == "product_totals" and not (used and made.figures["volume_l"] is None):
            continue  # nothing to add up, or worked out
        elif element.asked:
            prompt = f"{element.label} [blank]"
            answers[key] = dialogue.ask(key, prompt, read(key), default=BLANK, about=about)
    return answers, used


def _show(made: "Draft") -> None:
    from rigmon.analysis.record.elements import DUTY, ELEMENTS, RULES
    from rigmon.cli.dialogue import width

    wide = min(width(), 78)
    for element in ELEMENTS:
        entry = made.entries.get(element.key)
        text = "______" if entry is None else entry.text
        if entry is not None and entry.origin == "computed":
            text += " (worked out)"
        click.echo(click.wrap_text(f"{element.label}: {text}", wide, "", "    "))
    for rule, labels in made.missing().items():
        if labels:
            click.echo()
            click.echo(
                click.wrap_text(
                    f"Blank, and asked for where it applies by {RULES[rule]}: {'; '.join(labels)}",
                    wide,
                    "",
                    "    ",
                )
            )
    click.echo()
    click.echo(click.wrap_text(DUTY, wide))
