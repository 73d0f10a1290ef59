"""rigmon demo"""

import sys
import tempfile
from importlib import resources
from pathlib import Path

import click

from rigmon.cli.common import print_json

_INTRO = """\
A simulated run of an invented rig, {pace:g} times faster than real time. It wanders, has a slow stretch, a
pressure loss and a GPS dropout. On a real rig: eyes on the ground; the product label is the law.
"""


@click.command("demo")
@click.option("--pace", type=float, default=20.0, show_default=True, help="Times real time.")
@click.option(
    "--folder", type=click.Path(path_type=Path), default="runs", show_default=True, help="For the run log."
)
@click.option("--json", "as_json", is_flag=True, help="No driver's lines; at the end the score as JSON.")
def command(pace: float, folder: Path, as_json: bool) -> None:
    """Play a shipped, simulated recording of an invented rig, and score it. Needs no hardware.

    It goes through the same hub, core and run log as the live daemon.
    """
    from rigmon import config, daemon, replay
    from rigmon.analysis.score import score
    from rigmon.analysis.score_text import score_text
    from rigmon.analysis.source import load
    from rigmon.edge.bench import BenchSource
    from rigmon.edge.feedback import TerminalFeedback
    from rigmon.edge.hub import BenchClock, Hub
    from rigmon.log.header import new_log_path, new_run_id

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
            new_log_path(_writable(folder), run_id),
            [source],
            hub,
            # at this pace a line each second of run time would race by
            None if as_json else TerminalFeedback(rig, sys.stdout, every_s=0.5),
            run_id=run_id,
            source_name="rigmon demo (simulated, invented)",
        )
    for trouble in outcome.troubles:
        click.echo(f"rigmon: {trouble}", err=True)
    if outcome.log_path is None:
        return
    run = load(outcome.log_path, None)
    result = score(run)
    if as_json:
        print_json(result)
        return
    click.echo()
    click.echo(score_text(result, run.rig))
    click.echo()
    click.echo(f"Run log: {outcome.log_path}")
    click.echo(f"Again:   rigmon score {outcome.log_path}    Proof:   rigmon check {outcome.log_path}")


def _writable(folder: Path) -> Path:
    """The folder, or one for passing files where this one cannot be written."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            return folder
    except OSError:
        return Path(tempfile.mkdtemp(prefix="rigmon-"))
