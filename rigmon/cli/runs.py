"""rigmon runs"""

from pathlib import Path

import click

from rigmon.cli.common import json_option, print_json


@click.command("runs")
@click.argument("folder", type=click.Path(path_type=Path), default="runs")
@json_option
def command(folder: Path, as_json: bool) -> None:
    """List the run logs in FOLDER (default: runs): start (UTC), length, how it ended, size."""
    from rigmon.log.reader import list_runs

    entries = list_runs(folder)
    if as_json:
        print_json(
            [
                {
                    "path": str(entry.path),
                    "run_id": entry.run_id,
                    "source": entry.source,
                    "started_utc": entry.started_utc,
                    "duration_s": entry.duration_s,
                    "ended_cleanly": entry.ended_cleanly,
                    "readings": entry.readings,
                    "size_bytes": entry.size_bytes,
                    "error": entry.error,
                }
                for entry in entries
            ]
        )
        return
    if not entries:
        click.echo(f"No run logs in {folder}")
        return
    click.echo(f"{'started (UTC)':<21}{'length':>8}  {'ended':<12}{'size':>9}  file")
    for entry in entries:
        if entry.error is not None:
            click.echo(f"{'--':<21}{'--':>8}  {'unreadable':<12}{'--':>9}  {entry.path.name}: {entry.error}")
            continue
        seconds = round(entry.duration_s or 0)
        length = f"{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"
        ended = "cleanly" if entry.ended_cleanly else "cut off"
        size = f"{(entry.size_bytes or 0) / 1024:.0f} kB"
        click.echo(
            f"{entry.started_utc or 'unknown':<21}{length:>8}  {ended:<12}{size:>9}  {entry.path.name}"
        )
