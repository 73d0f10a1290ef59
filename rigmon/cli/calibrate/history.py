"""rigmon calibrate history"""

from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from rigmon.cli.calibrate.common import Setup, rig_file_option, setup, units_option
from rigmon.cli.common import json_option, print_json
from rigmon.cli.dialogue import width, wrapped

if TYPE_CHECKING:
    from rigmon.calibration.drift import Drift

_KINDS: Final = ("catch", "flowmeter", "transducer")
#: carried unit -> dimension of what is shown in the reader's units
_DIMENSION: Final = {"L/min": "flow", "kPa": "pressure"}
_WORDS: Final = {"catch": "Nozzle output", "flowmeter": "Flowmeter", "transducer": "Pressure transducer"}


@click.command("history")
@click.argument("kind", required=False, type=click.Choice(_KINDS))
@rig_file_option
@click.option("--book", type=click.Path(path_type=Path), help="Calibration book.  [default: the rig file's]")
@units_option
@json_option
def command(
    kind: str | None, rig_file: Path | None, book: Path | None, units_shown: str | None, as_json: bool
) -> None:
    """How each nozzle, the flowmeter and the transducer drifted from record to record.

    Nozzles are compared at the pressure of their first catch test. Change is in % of the first record, per
    month of 30.4 days. Shown in gal/min, psi or L/min, kPa; JSON has the unit beside each value.
    """
    from rigmon.calibration.book import Book
    from rigmon.calibration.drift import history_drift, measured_once

    where = setup(rig_file, units_shown, book)
    with Book(where.book) as opened:
        records = opened.history(kind, where.rig.name)
    drifts = history_drift(records)
    if as_json:
        print_json([drift.to_json() for drift in drifts])
        return
    if not drifts:
        of = f"{kind} records" if kind else "records of one kind"
        click.echo(
            wrapped(f"Nothing to compare yet: fewer than two {of} of {where.rig.name} in {where.book}.")
        )
        return
    for number, ((of_kind, subject), group) in enumerate(groupby(drifts, lambda d: (d.kind, d.subject))):
        if number:
            click.echo()
        _show(where, of_kind, subject, list(group))
        if once := measured_once(records, of_kind, subject):
            click.echo(wrapped(f"Measured once only: {', '.join(once)}.", "  "))


def _show(where: Setup, kind: str, subject: str, drifts: "list[Drift]") -> None:
    """A table: a line for each quantity, a column for each of the newest records that fit the screen."""
    from rigmon.calibration.result import significant
    from rigmon.units import convert, shown_unit

    named = f", {subject}" if kind == "catch" and subject else ""
    click.echo(wrapped(f"{_WORDS[kind]}{named}"))
    days = {name: day for drift in drifts for name, (day, _) in zip(drift.names, drift.points, strict=True)}
    names = sorted(days, key=lambda name: (days[name], name))
    rows = []
    for drift in drifts:
        dimension = _DIMENSION.get(drift.unit)
        unit = shown_unit(dimension, where.system) if dimension else drift.unit
        times = 1.0
        if unit == "1/MPa":
            unit = "/MPa"
            if where.system == "us":
                times, unit = convert(1000.0, "pressure", "psi") / 100, "/100 psi"
        shown = {
            name: significant(
                convert(value, dimension, unit) if dimension else value / times, 4 if not dimension else 3
            )
            for name, (_, value) in zip(drift.names, drift.points, strict=True)
        }
        change = "--" if drift.change_pct is None else f"{drift.change_pct:+.1f}%"
        label = drift.what if unit in ("1", "fraction", "1/L") else f"{drift.what} {unit}".replace(" /", "/")
        rows.append((label if kind != "catch" else drift.what.removeprefix("nozzle "), shown, change, unit))
    if kind == "catch":
        click.echo(wrapped(f"({rows[0][3]}, at the first test's pressure)"))
    first = max(4, *(len(row[0]) for row in rows))
    column = max(6, *(len(text) + 1 for row in rows for text in row[1].values()))
    fits = max(1, (width() - first - 8) // column)
    names = (
        names
        if len(names) <= fits
        else [names[0], *names[len(names) - fits + 1 :]]
        if fits > 1
        else names[-1:]
    )
    head = "".join(f"{days[name]:%m-%d}".rjust(column) for name in names)
    click.echo(f"{'':{first}}{head}  change")
    for label, shown, change, _ in rows:
        cells = "".join(shown.get(name, "").rjust(column) for name in names)
        click.echo(f"{label:>{first}}{cells} {change:>7}")
    worst = max(drifts, key=lambda drift: abs(drift.change_pct or 0.0))
    if worst.change_pct is not None and worst.change_pct_per_month is not None:
        click.echo(
            wrapped(
                f"Most: {worst.what}, {worst.change_pct:+.1f} % in {worst.days} days "
                f"({worst.change_pct_per_month:+.1f} % a month).",
                "  ",
            )
        )
