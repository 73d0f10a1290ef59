"""rigmon check"""

from pathlib import Path
from typing import Any

import click

from rigmon.cli.common import json_option, print_json


@click.command("check")
@click.argument("runlog", type=click.Path(path_type=Path))
@json_option
def command(runlog: Path, as_json: bool) -> int:
    """Recompute RUNLOG from its raw readings and compare every sample and alert with ==.

    Exit code 0: all equal. 1: something differs.
    """
    from rigmon import replay
    from rigmon.log.reader import RunLog

    with RunLog.open(runlog) as log:
        result = replay.check(log)
    difference = result.difference
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
                    "difference": found})  # fmt: skip
    elif difference is None:
        click.echo(f"{runlog}: {result.compared} recorded outputs recomputed, all equal")
        if not result.complete:
            click.echo("The log was cut; what had been written by then is what was compared.")
    else:
        click.echo(f"{runlog}: {difference.kind} {difference.place} differs")
        click.echo(f"  recorded:   {_fields(difference.recorded)}")
        click.echo(f"  recomputed: {_fields(difference.recomputed)}")
    return 0 if result.same else 1


def _fields(output: Any) -> dict[str, Any] | None:
    return None if output is None else dict(output._asdict())
