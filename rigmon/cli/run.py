"""rigmon run"""

import sys
from pathlib import Path

import click

from rigmon.cli.common import print_json


@click.command("run")
@click.option("--rig", "rig_file", type=click.Path(path_type=Path), required=True, help="Rig file (TOML).")
@click.option("--for", "stop_after_s", type=float, metavar="SECONDS", help="Stop by itself, for tries.")
@click.option(
    "--log", "log_path", type=click.Path(path_type=Path), help="Run log; default: a new one in log.folder."
)
@click.option("--no-log", is_flag=True, help="Write no run log.")
@click.option("--quiet", is_flag=True, help="No driver's lines.")
@click.option("--json", "as_json", is_flag=True, help="No driver's lines; at the end one JSON object.")
def command(
    rig_file: Path,
    stop_after_s: float | None,
    log_path: Path | None,
    no_log: bool,
    quiet: bool,
    as_json: bool,
) -> None:
    """The daemon: read the sensors, guide the driver, write the run log.

    Ctrl-C or SIGTERM stops it and closes the log. Calibrate with clean water; the label is the law; keep
    your eyes on the ground.
    """
    from rigmon import config, daemon
    from rigmon.edge.feedback import TerminalFeedback
    from rigmon.edge.hub import Hub, MonotonicClock
    from rigmon.log.header import new_log_path, new_run_id

    rig, rig_toml = config.load(rig_file)
    hub = Hub(MonotonicClock())
    sources = daemon.live_sources(rig, hub)
    run_id = new_run_id()
    path = None if no_log else log_path or new_log_path(Path(rig.runs_folder), run_id)
    feedback = None if quiet or as_json else TerminalFeedback(rig, sys.stdout)
    outcome = daemon.run(
        rig, rig_toml, path, sources, hub, feedback, run_id=run_id, stop_after_s=stop_after_s
    )
    for trouble in outcome.troubles:
        click.echo(f"rigmon: {trouble}", err=True)
    if as_json:
        print_json(
            {
                "run_id": outcome.run_id,
                "run_log": None if outcome.log_path is None else str(outcome.log_path),
                "duration_s": outcome.ended_ns / 1e9,
                "ended_why": outcome.ended_why,
                "readings": outcome.readings,
                "outputs": outcome.outputs,
                "troubles": list(outcome.troubles),
            }
        )
    elif outcome.log_path is not None:
        click.echo(f"Run log: {outcome.log_path} ({outcome.ended_why}); 'rigmon score' tells how it went")
