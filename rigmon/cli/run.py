"""rigmon run"""

import os
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rigmon.cli.common import driver_feedback, print_json, program, refuse_folder, typed
from rigmon.errors import UsageError

if TYPE_CHECKING:
    from rigmon.rig import Rig


@click.command("run")
@click.option("--rig", "rig_file", type=click.Path(path_type=Path), required=True, help="Rig file (TOML).")
@click.option(
    "--for", "stop_after_s", type=float, metavar="SECONDS", help="Stop after so many seconds, for tries."
)
@click.option(
    "--log",
    "log_path",
    type=click.Path(path_type=Path),
    help="Run log to write; left out: a new one in the rig file's log.folder.",
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

    The driver's lines are in the rig file's units: mph, gal/ac, psi or km/h, L/ha, kPa. Ctrl-C or SIGTERM
    stops it and closes the log. Calibrate with clean water; the label is the law; keep your eyes on the
    ground.
    """
    from rigmon import config, daemon
    from rigmon.calibration.book import records_in_use
    from rigmon.edge.hub import Hub, MonotonicClock
    from rigmon.log.header import new_log_path, new_run_id

    if no_log and log_path is not None:
        raise UsageError(f"--no-log and --log {log_path} exclude each other; leave one of them out")
    if log_path is not None:
        refuse_folder(log_path, "run.sqlite")
    if stop_after_s is not None and not 0 < stop_after_s < 1e9:
        raise UsageError(f"--for {stop_after_s:g} must be a number of seconds above 0, such as 60")
    rig, rig_toml = config.load(rig_file)
    hub = Hub(MonotonicClock())
    sources = daemon.live_sources(rig, hub)
    _tell_of_ports(rig)
    records, doubts = records_in_use(rig, rig_file)
    for doubt in doubts:
        click.echo(f"rigmon: {doubt}", err=True)
    run_id = new_run_id()
    path = None if no_log else log_path or new_log_path(Path(rig.runs_folder), run_id)
    feedback = driver_feedback(rig, lines=not (quiet or as_json))
    outcome = daemon.run(
        rig,
        rig_toml,
        path,
        sources,
        hub,
        feedback,
        run_id=run_id,
        stop_after_s=stop_after_s,
        records=[record.text() for record in records],
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
        click.echo(f"Run log: {outcome.log_path} ({outcome.ended_why})")
        click.echo(f"How it went: {program()} score {typed(outcome.log_path)}")


def _tell_of_ports(rig: "Rig") -> None:
    """A port that is not there may still come, so it is no error; but the person should know."""
    for key, port in (("gps.port", rig.gps.port), ("node.port", rig.node.port)):
        if port is None or "://" in port:
            continue
        if not os.path.exists(port):
            why = "is not there yet; is it plugged in?"
        elif not os.access(port, os.R_OK | os.W_OK):
            why = "may not be used by this user; is the user in the group 'dialout'?"
        else:
            continue
        click.echo(f"rigmon: {key} = '{port}' {why} Trying again and again.", err=True)
