"""rigmon score"""

import sys
from pathlib import Path
from typing import Any

import click

from rigmon.cli.common import json_option, print_json, progress, rig_option, source_argument
from rigmon.cli.whatif import tell_asked, what_if, what_if_options


@click.command("score")
@source_argument
@rig_option
@json_option
@click.option("--units", type=click.Choice(["us", "metric"]), help="Show these units, whatever the rig says.")
@click.option("--no-mark", is_flag=True, help="Leave no NAME.scored.json: the log does not count as scored.")
@click.option("--strict", is_flag=True, help="Exit code 1 unless the verdict is in_tolerance.")
@what_if_options
def command(
    source: Path,
    rig_file: Path | None,
    as_json: bool,
    units: str | None,
    strict: bool,
    no_mark: bool,
    **changes: str | None,
) -> int:
    """Score SOURCE, a run log or an NMEA recording: was the rate held, and where was it not?

    With --rig, a run log is rescored on that rig from its raw readings, and with --target, --tolerance,
    --swath, --calibration, --false-alarms-per-h or --smallest-change on its own rig so changed: a rerun; the
    log itself is not touched. A score on its own rig
    leaves NAME.scored.json beside the log: only logs that were scored may ever be deleted
    to make room (see the rig file's [log]).
    JSON figures are in m, m2, s, L, L/ha, m/s, % and degrees, as their names say; what is unknown is null.
    """
    from rigmon.analysis.score import score
    from rigmon.analysis.score_text import score_text
    from rigmon.analysis.source import load

    asked = what_if(**changes)
    with progress("reading") as tell:
        run = load(source, rig_file, tell, asked)
    for note in run.notes:
        click.echo(f"rigmon: {source}: {note}", err=True)
    result = score(run)
    if as_json:
        print_json({**result, "what_if": asked.words()} if asked else result)
    else:
        if asked:
            tell_asked(asked)
        click.echo(score_text(result, run.rig, units, run.source), nl=False)
    if rig_file is None and not asked and not no_mark:
        _leave_mark(source, result)
    return 1 if strict and result["verdict"] != "in_tolerance" else 0


def _leave_mark(log_path: Path, result: dict[str, Any]) -> None:
    """A folder that cannot be written, such as a stick's, is no error: the log then counts as not scored."""
    from rigmon.errors import LogError
    from rigmon.log.marks import mark_path, write_mark

    try:
        write_mark(log_path, result)
    except (OSError, LogError) as error:
        stderr: Any = sys.stderr
        if stderr is not None and stderr.isatty():
            what = getattr(error, "strerror", None) or error
            click.echo(
                f"rigmon: {mark_path(log_path)}: not written, so the log is not scored: {what}", err=True
            )
