"""What the calibrate commands share: the rig, the options of a record, keeping and showing a result."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Protocol, TypeVar

import click

from rigmon import config
from rigmon.cli.common import print_json, program, refuse_folder, typed
from rigmon.cli.dialogue import Dialogue, wrapped
from rigmon.errors import UsageError

if TYPE_CHECKING:
    from rigmon.calibration.book import Book
    from rigmon.calibration.record import Record
    from rigmon.calibration.result import Finding, System
    from rigmon.rig import Rig

F = TypeVar("F", bound=Callable[..., Any])

DEFAULT_RIG: Final = Path("rig.toml")

rig_file_option = click.option(
    "--rig",
    "rig_file",
    type=click.Path(path_type=Path),
    help=f"Rig file (TOML).  [default: {DEFAULT_RIG}]",
)
units_option = click.option(
    "--units", "units_shown", type=click.Choice(["us", "metric"]), help="Show these units, not the rig's."
)
go_on_options = click.option(
    "--resume/--fresh",
    "resume",
    default=None,
    help="Go on with an unfinished one, or set it aside and begin anew; left out: you are asked.",
)
_PATH: Final = click.Path(path_type=Path)


@dataclass(frozen=True, slots=True)
class Setup:
    """The rig that a calibration is of, and where its book is."""

    rig_file: Path
    rig: "Rig"
    system: "System"
    book: Path

    @property
    def rig_words(self) -> str:
        """What a command needs to find this rig again: ' --rig FILE', or nothing."""
        return "" if self.rig_file == DEFAULT_RIG else f" --rig {typed(self.rig_file)}"

    def session(self, kind: str, part: str = "") -> Path:
        """Where the unfinished answers of a kind of calibration are kept."""
        from rigmon.calibration.session import session_path

        return session_path(self.book, kind, self.rig.name, part)


def setup(rig_file: Path | None, units_shown: str | None = None, book: Path | None = None) -> Setup:
    """Read the rig file. Raises ConfigError, and UsageError when none was named and none is here."""
    from rigmon.calibration.book import book_path

    path = rig_file or DEFAULT_RIG
    if rig_file is None and not path.exists():
        raise UsageError(f"no rig file: give --rig FILE, or run 'rigmon init' to write {DEFAULT_RIG}")
    rig, _ = config.load(path, calibrated=False)
    if book is not None:
        refuse_folder(book, "calibration.sqlite")
    return Setup(path, rig, system_of(units_shown or rig.units), book or book_path(rig, path))


def setup_if_any(rig_file: Path | None, units_shown: str | None) -> Setup | None:
    """As `setup`, but None when no rig file was named and none is here."""
    if rig_file is None and not DEFAULT_RIG.exists():
        return None
    return setup(rig_file, units_shown)


def system_of(name: str) -> "System":
    return "us" if name == "us" else "metric"


# -- a record ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Keep:
    """What is to be done with a result."""

    book: Path | None
    name: str | None
    note: str | None
    taken_on: date
    dry_run: bool
    apply: bool
    as_json: bool


def record_options(command: F) -> F:
    """Adds the options of a record; the command gets them as one argument `keep`."""

    @click.option("--book", type=_PATH, help="Calibration book.  [default: the rig file's book.file]")
    @click.option("--name", help="What you call the record; 'list' and 'apply' find it by that too.")
    @click.option("--note", help="Words to keep with the record.")
    @click.option(
        "--date", "taken_on", metavar="YYYY-MM-DD", help="Day it was taken.  [default: today, by this clock]"
    )
    @click.option("--dry-run", is_flag=True, help="Show the result; keep no record.")
    @click.option("--apply", "apply_it", is_flag=True, help="Copy the record into the rig file.")
    @click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
    @wraps(command)
    def wrapper(
        *args: Any,
        book: Path | None,
        name: str | None,
        note: str | None,
        taken_on: str | None,
        dry_run: bool,
        apply_it: bool,
        as_json: bool,
        **more: Any,
    ) -> Any:
        if dry_run and apply_it:
            raise UsageError("--dry-run keeps no record that --apply could copy; leave one of them out")
        for option, text, most in (("--name", name, 60), ("--note", note, 500)):
            if text is not None and (not text.isprintable() or not 0 < len(text.strip()) <= most):
                raise UsageError(f"{option} must be one line of at most {most} letters")
        keep = Keep(book, name, note, day(taken_on), dry_run, apply_it, as_json)
        return command(*args, keep=keep, **more)

    return wrapper  # type: ignore[return-value]


def day(text: str | None) -> date:
    """The day that --date says; today, by this clock, where it is left out."""
    if text is None:
        return date.today()
    try:
        taken_on = date.fromisoformat(text)
    except ValueError:
        taken_on = date.min
    if not date(2000, 1, 1) <= taken_on <= date(2199, 12, 31) or len(text) != 10:
        raise UsageError(f"--date '{text[:40]}' must be a day such as 2026-05-30")
    return taken_on


class Result(Protocol):
    """What every calibration hands back."""

    @property
    def findings(self) -> "tuple[Finding, ...]": ...

    def lines(self) -> list[str]: ...

    def to_json(self) -> dict[str, Any]: ...


@dataclass(frozen=True, slots=True)
class Stored:
    """What became of a result."""

    record: "Record | None"  #: None after a dry run
    changes: list[str]  #: of the rig file, in words
    refused: str  #: why the record was not copied into the rig file; '' when it was, or need not be


#: kinds whose records set something in the rig file
_APPLIED: Final = ("catch", "target", "flowmeter", "transducer")


def check_apply(keep: Keep, kind: str) -> None:
    """Raise UsageError for --apply with a kind that sets nothing in the rig file, before any question."""
    if keep.apply and kind not in _APPLIED:
        raise UsageError(f"--apply: a {kind} sets nothing in the rig file; leave --apply out")


def store(
    where: Setup, keep: Keep, kind: str, subject: str, result: Result, extra: dict[str, Any] | None = None
) -> Stored:
    """Keep the record, and copy it into the rig file where asked. `extra` goes into the record's result."""
    from rigmon.calibration.apply import apply_record
    from rigmon.calibration.book import Book

    if keep.dry_run:
        return Stored(None, [], "")
    data = result.to_json()
    words = {"label": keep.name, "note": keep.note}
    inputs = {**data["inputs"], **{key: text for key, text in words.items() if text is not None}}
    found = {**data["result"], "uncertainty": data["uncertainty"], "findings": data["findings"]}
    with Book(where.book) as book:
        record = book.add(
            kind,
            where.rig.name,
            subject,
            where.rig.nozzles.set_name,
            keep.taken_on,
            inputs,
            {**found, **(extra or {})},
        )
    if not keep.apply:
        return Stored(record, [], "")
    try:
        return Stored(record, apply_record(where.rig_file, record), "")
    except UsageError as error:
        return Stored(record, [], f"the record is kept, but not copied into the rig file: {error}")


def present_json(where: Setup, stored: Stored, result: Result, extra: dict[str, Any] | None = None) -> None:
    """The result as one JSON object. Raises UsageError when the rig file would not take the record."""
    record = stored.record
    print_json(
        {
            **result.to_json(),
            **(extra or {}),
            "record": None if record is None else record.name,
            "book": None if record is None else str(where.book),
            "applied": stored.changes,
        }
    )
    if stored.refused:
        raise UsageError(stored.refused)


def present_text(
    where: Setup, keep: Keep, stored: Stored, result: Result, title: str, more: Sequence[str] = ()
) -> None:
    """The result as a person reads it. `more` are lines to show below the findings.

    Raises UsageError when the rig file would not take the record.
    """
    click.echo(wrapped(title, "  "))
    show(result.lines())
    for line in finding_lines(result.findings):
        click.echo(line)
    click.echo()
    for line in more:
        click.echo(line)
    record = stored.record
    if record is None:
        click.echo("Not recorded (--dry-run).")
        return
    click.echo(wrapped(f"Recorded: {record.name}", "  "))
    if stored.refused:
        raise UsageError(stored.refused)
    if keep.apply:
        show_changes(where.rig_file, stored.changes)
    elif record.kind in _APPLIED:
        _tell_how_to_apply(where, record, any(finding.severity == "do" for finding in result.findings))


def _tell_how_to_apply(where: Setup, record: "Record", to_do: bool) -> None:
    from rigmon.calibration.settings import settings_of

    try:
        settings_of(record, where.rig)
    except UsageError as error:
        click.echo(wrapped(f"Not for the rig file: {error}.", "  "))
    else:
        what = "As it is into the rig file" if to_do else "Into the rig file"
        click.echo(f"{what}: {program()} calibrate apply{where.rig_words} '{record.name}'")


def finish(
    where: Setup,
    keep: Keep,
    dialogue: Dialogue,
    kind: str,
    subject: str,
    result: Result,
    title: str,
    more: Sequence[str] = (),
    extra: dict[str, Any] | None = None,
) -> None:
    """Store a result, forget the dialogue's session, then show the result as text or as JSON."""
    stored = store(where, keep, kind, subject, result, extra)
    dialogue.finish(keep.dry_run)
    if keep.as_json:
        present_json(where, stored, result, extra)
    else:
        present_text(where, keep, stored, result, title, more)


def show(lines: Sequence[str]) -> None:
    """Lines of a result; a table's lines stay as they are, a sentence is wrapped."""
    for line in lines:
        click.echo(line if line.startswith(" ") or "   " in line else wrapped(line, "  "))


def find_record(book: "Book", name: str) -> "Record":
    """The record of that name, or the newest one that a person called so. Raises BookError for neither."""
    called = [record for record in book.history() if name in (record.name, record.inputs.get("label"))]
    return called[-1] if called else book.get(name)


def show_changes(rig_file: Path, changes: Sequence[str]) -> None:
    click.echo(wrapped(f"{rig_file}:" if changes else f"{rig_file}: says so already; nothing changed"))
    for change in changes:
        click.echo(wrapped(f"  {change}", "    "))


# -- text --------------------------------------------------------------------------------------------------


def finding_lines(findings: Sequence["Finding"]) -> list[str]:
    """What to do, then what to mind; a paragraph each."""
    lines: list[str] = []
    for severity, head in (("do", "Do:"), ("mind", "Mind:")):
        texts = [finding.text for finding in findings if finding.severity == severity]
        if texts:
            lines += ["", head, *(wrapped(f"- {text}", "  ") for text in texts)]
    return lines
