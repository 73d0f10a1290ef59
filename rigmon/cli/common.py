"""What several commands share: options, output as JSON, a progress bar."""

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

source_argument = click.argument("source", type=click.Path(path_type=Path))
json_option = click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
rig_option = click.option(
    "--rig",
    "rig_file",
    type=click.Path(path_type=Path),
    help="Rig file (TOML). A run log carries its own.",
)


def print_json(data: Any) -> None:
    """One JSON object on stdout; NaN would be a bug and raises."""
    click.echo(json.dumps(data, indent=2, allow_nan=False))


@contextmanager
def progress(label: str) -> Iterator[Callable[[int], None] | None]:
    """A counter of run time on stderr, on a terminal only: yields what to call with each stamp, or None."""
    if not sys.stderr.isatty():
        yield None
        return
    shown = -1

    def tell(t_ns: int) -> None:
        nonlocal shown
        minutes = t_ns // 60_000_000_000
        if minutes != shown:
            shown = minutes
            click.echo(f"\r{label}: {minutes // 60}:{minutes % 60:02d} h of run time", nl=False, err=True)

    yield tell
    if shown >= 0:
        click.echo("\r" + " " * 60 + "\r", nl=False, err=True)
