"""rigmon demo"""

import tempfile
from importlib import resources
from pathlib import Path

import click

from rigmon.cli.common import Pace, driver_lines, print_json, program, typed
from rigmon.errors import UsageError

_FOLDER = Path("runs")
_INTRO = """\
A simulated run of an invented rig, at {pace:g} times real time. The driver wanders, and there are a slow
stretch, a pressure loss and a GPS dropout. On a real rig: eyes on the ground; the product label is the law.
"""


@click.command("demo")
@click.option(
    "--pace",
    type=Pace(),
    default=20.0,
    show_default=True,
    help="How many times faster than real time; at 1 it takes 4 minutes.",
)
@click.option(
    "--folder", type=click.Path(path_type=Path), help=f"Where the run log goes.  [default: {_FOLDER}]"
)
@click.option("--json", "as_json", is_flag=True, help="No driver's lines; at the end the score as JSON.")
def command(pace: float, folder: Path | None, as_json: bool) -> None:
    """Play a shipped, simulated recording of an invented rig, and score it. Needs no hardware.

    It goes through the same hub, core and run log as the live daemon. It shows mph, gal/ac and psi; JSON
    figures are in m, m2, s, L, L/ha, m/s, % and degrees.
    """
    from rigmon import config, daemon, replay
    from rigmon.analysis.score import score
    from rigmon.analysis.score_text import score_text
    from rigmon.analysis.source import load
    from rigmon.edge.bench import BenchSource
    from rigmon.edge.hub import BenchClock, Hub
    from rigmon.log.header import new_log_path, new_run_id

    folder = _writable(folder)
    data = resources.files("rigmon") / "data"
    with (
        resources.as_file(data / "demo.nmea") as recording,
        resources.as_file(data / "demo.rig.toml") as rig_file,
    ):
        rig, rig_toml = config.load(rig_file)
        clock = BenchClock()
        hub = Hub(clock)
        source = BenchSource(hub, clock, replay.recording(recording, rig), pace)
        if not as_json:
            click.echo(_INTRO.format(pace=pace))
        run_id = new_run_id()
        outcome = daemon.run(
            rig,
            rig_toml,
            new_log_path(folder, run_id),
            [source],
            hub,
            # at this pace a line each second of run time would race by
            None if as_json else driver_lines(rig, every_s=0.5),
            run_id=run_id,
            source_name="rigmon demo (simulated, invented)",
        )
    for trouble in outcome.troubles:
        click.echo(f"rigmon: {trouble}", err=True)
    if outcome.log_path is None:
        raise UsageError("without a run log there is no score; give another --folder")
    run = load(outcome.log_path, None)
    result = score(run)
    if as_json:
        print_json(result)
        return
    click.echo()
    click.echo(score_text(result, run.rig, source=run.source))
    log = typed(outcome.log_path)
    click.echo(f"Run log:       {outcome.log_path}")
    click.echo(f"Score again:   {program()} score {log}")
    click.echo(f"Recompute it:  {program()} check {log}")
    click.echo(f"Your own rig:  {program()} init rig.toml")


def _writable(asked: Path | None) -> Path:
    """The folder that was asked for; else the usual one, or a temporary one where that cannot be written."""
    folder = asked or _FOLDER
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            return folder
    except OSError as error:
        if asked is not None:
            raise UsageError(f"--folder {folder}: cannot be written: {error.strerror}") from error
        other = Path(tempfile.mkdtemp(prefix="rigmon-"))
        click.echo(
            f"rigmon: {folder}: cannot be written: {error.strerror}; the run log goes to {other}", err=True
        )
        return other
