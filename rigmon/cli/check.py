"""rigmon check"""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rigmon.cli.common import json_option, print_json

if TYPE_CHECKING:
    from rigmon.replay import Difference


@click.command("check")
@click.argument("runlog", type=click.Path(path_type=Path))
@json_option
def command(runlog: Path, as_json: bool) -> int:
    """Recompute RUNLOG from its raw readings and compare every output with the recorded one, by ==.

    Exit code 0: all equal. 1: something differs; the first difference is shown, in the units of the log
    (m/s, L/min, kPa, L/ha, m, m2, L; t_ns in ns from the run's start).
    """
    from rigmon import replay
    from rigmon.log.reader import RunLog

    with RunLog.open(runlog) as log:
        result = replay.check(log)
        notes = list(log.notes)
    difference = result.difference
    for note in notes:
        click.echo(f"rigmon: {runlog}: {note}", err=True)
    if as_json:
        found: dict[str, Any] | None = None
        if difference is not None:
            found = {
                "kind": difference.kind,
                "place": difference.place,
                "recorded": _fields(difference.recorded),
                "recomputed": _fields(difference.recomputed),
            }
        print_json({"same": result.same, "compared": result.compared, "complete": result.complete,
                    "difference": found, "notes": notes})  # fmt: skip
    elif difference is not None:
        _show(runlog, difference)
    else:
        click.echo(f"{runlog}: {result.compared} recorded outputs recomputed, all equal")
        if not result.complete:
            click.echo("The log is not complete: what it holds was compared, as far as that can be done.")
    return 0 if result.same else 1


def _show(runlog: Path, difference: "Difference") -> None:
    from rigmon.edge.feedback import run_clock

    recorded, recomputed = _fields(difference.recorded), _fields(difference.recomputed)
    t_ns = (recorded or recomputed or {}).get("t_ns")
    at = f", at {run_clock(t_ns)}" if isinstance(t_ns, int) else ""
    click.echo(f"{runlog}: differs first in {difference.kind} number {difference.place} (from 0){at}")
    if recorded is None or recomputed is None:
        click.echo(f"  recorded:   {'nothing' if recorded is None else recorded}")
        click.echo(f"  recomputed: {'nothing' if recomputed is None else recomputed}")
        return
    for name, value in recorded.items():
        if value != recomputed[name]:
            click.echo(f"  {name}: recorded {value!r}, recomputed {recomputed[name]!r}")


def _fields(output: Any) -> dict[str, Any] | None:
    return None if output is None else dict(output._asdict())
