"""rigmon runs"""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from rigmon.cli.common import json_option, print_json
from rigmon.errors import UsageError

if TYPE_CHECKING:
    from rigmon.log.reader import RunEntry

_DEFAULT = Path("runs")


@click.command("runs")
@click.argument("folder", type=click.Path(path_type=Path), default=str(_DEFAULT))
@json_option
def command(folder: Path, as_json: bool) -> None:
    """List the run logs in FOLDER (default: runs): start (UTC by the GPS), length (h:mm:ss), how it ended,
    whether it was scored, size (kB), file, how many notes, refills and acknowledgements it holds, and what it
    was made from where that is not a live run.
    """
    from rigmon.log.marks import scored
    from rigmon.log.reader import list_runs

    if not folder.exists():
        raise UsageError(
            f"{folder}: there is no such folder; run logs lie where the rig file's log.folder says, "
            "seen from where 'rigmon run' was started"
        )
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
                    "scored": scored(entry.path),
                    "readings": entry.readings,
                    "size_bytes": entry.size_bytes,
                    "error": entry.error,
                    "acts": entry.acts,
                }
                for entry in entries
            ]
        )
    elif not entries:
        click.echo(f"No run logs in {folder}")
    else:
        click.echo(_row("start (UTC)", "length", "ended", "scored", "size", "file"))
        for entry in entries:
            click.echo(_line(entry, scored(entry.path)))


def _row(start: str, length: str, ended: str, scored: str, size: str, file: str) -> str:
    return f"{start:<19}  {length:>8}  {ended:<10}  {scored:<6}  {size:>8}  {file}"


def _line(entry: "RunEntry", scored: bool | None) -> str:
    size = f"{(entry.size_bytes or 0) / 1000:.0f} kB"
    if entry.error is not None:
        return _row("--", "--", "unreadable", "--", size, f"{entry.path.name}: {entry.error}")
    start = entry.started_utc
    seconds = round(entry.duration_s or 0)
    noted = ", ".join(
        f"{n} {word if n == 1 else word + 's'}"
        for kind, word in (("note", "note"), ("refill", "refill"), ("acknowledge", "acknowledgement"))
        if (n := (entry.acts or {}).get(kind, 0))
    )
    return _row(
        f"{start[:10]} {start[11:19]}" if start else "unknown",
        f"{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}",
        "cleanly" if entry.ended_cleanly else "cut off",
        "yes" if scored else "no",
        size,
        entry.path.name
        + (f"  {noted}" if noted else "")
        + ("" if entry.source == "live" else f"  from: {entry.source}"),
    )
