"""rigmon replay"""

import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from rigmon.cli.common import json_option, print_json, progress, rig_option, source_argument
from rigmon.errors import UsageError

#: a replay onto a new log commits once per so much run time
_COMMIT_NS: Final = 10_000_000_000

if TYPE_CHECKING:
    from rigmon.model import Output
    from rigmon.replay import Opened, Replayed


@click.command("replay")
@source_argument
@rig_option
@click.option("--pace", type=float, help="Times real time, such as 1; left out: flat out.")
@click.option("--to", "to_path", type=click.Path(path_type=Path), help="Write the replay onto a new run log.")
@json_option
def command(
    source: Path, rig_file: Path | None, pace: float | None, to_path: Path | None, as_json: bool
) -> None:
    """Run SOURCE, a run log or an NMEA recording, through the same core as the live daemon.

    Flat out it tells what came of it; with --pace it shows the driver's line as it goes. With --rig, a run
    log is replayed on another rig. JSON figures are in m, m2, s, L.
    """
    from rigmon import replay
    from rigmon.core.pipeline import Pipeline

    if pace is not None and not pace > 0:
        raise UsageError(f"--pace {pace:g} must be above 0: 1 is real time, 10 ten times faster")
    with replay.Opened(source, rig_file) as opened:
        pipeline = Pipeline(opened.rig)
        writer = None
        if to_path is not None:
            from rigmon.log.header import new_run_id, run_header
            from rigmon.log.writer import RunLogWriter

            name = opened.log.header.source if opened.log is not None else source.name
            header = run_header(new_run_id(), name, opened.rig_toml)
            writer = RunLogWriter(to_path, header, commit_by_time_ns=_COMMIT_NS)
        feedback = None
        if pace is not None and not as_json:
            from rigmon.edge.feedback import TerminalFeedback

            feedback = TerminalFeedback(opened.rig, sys.stdout)
            feedback.start()

        def on_outputs(outputs: Sequence["Output"]) -> None:
            if writer is not None:
                writer.outputs(outputs)
            if feedback is not None:
                feedback.publish(outputs)

        try:
            with progress("replaying") as tell:
                driven = opened.drive(
                    pipeline,
                    record=None if writer is None else writer.reading,
                    pace=None if pace is None else _pacer(pace),
                )
                result = replay.collect(
                    pipeline, driven, opened.ended_ns, tell if feedback is None else None, on_outputs
                )
        finally:
            if feedback is not None:
                feedback.stop()
        if writer is not None:
            writer.close(opened.ended_ns if opened.ended_ns is not None else result.last_ns, "replayed")
        _tell(opened, result, to_path, as_json)


def _pacer(pace: float) -> Callable[[int], None]:
    started_s = time.monotonic()

    def wait(t_ns: int) -> None:
        ahead_s = t_ns / 1e9 / pace - (time.monotonic() - started_s)
        if ahead_s > 0:
            time.sleep(ahead_s)

    return wait


def _tell(opened: "Opened", result: "Replayed", to_path: Path | None, as_json: bool) -> None:
    from rigmon import units
    from rigmon.edge.feedback import alert_line, run_clock

    distance_m = sum(sample.distance_m or 0.0 for sample in result.samples)
    area_m2 = sum(sample.area_m2 or 0.0 for sample in result.samples)
    volume_l = sum(sample.volume_l or 0.0 for sample in result.samples)
    rejected = {t.name.removeprefix("rejected:"): 0 for t in result.tallies if t.name.startswith("rejected:")}
    for tally in result.tallies:
        if tally.name.startswith("rejected:"):
            rejected[tally.name.removeprefix("rejected:")] += tally.n
    if as_json:
        print_json(
            {
                "source": str(opened.path),
                "duration_s": result.last_ns / 1e9,
                "readings": result.readings,
                "sentences": result.sentences,
                "rejected_by_reason": rejected,
                "samples": len(result.samples),
                "distance_m": distance_m,
                "area_m2": area_m2,
                "volume_l": volume_l,
                "alerts": [dict(alert._asdict()) for alert in result.alerts],
                "run_log": None if to_path is None else str(to_path),
            }
        )
        return
    system = opened.rig.units
    click.echo(
        f"{opened.path}: {run_clock(result.last_ns)} h of run, {result.readings} readings, "
        f"{result.sentences} sentences, {sum(rejected.values())} rejected"
    )
    click.echo(
        f"travelled {units.show(distance_m, 'length', system, 0)}, "
        f"treated {units.show(area_m2, 'area', system, 2)} with {units.show(volume_l, 'volume', system, 1)}"
    )
    for alert in result.alerts:
        click.echo(alert_line(alert, opened.rig, run_clock(alert.t_ns)))
    if to_path is not None:
        click.echo(f"Run log: {to_path}")
