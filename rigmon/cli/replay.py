"""rigmon replay"""

import os
import tempfile
import time
from collections.abc import Callable, Sequence
from contextlib import ExitStack, suppress
from operator import itemgetter
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from rigmon.cli.common import (
    Pace,
    driver_lines,
    json_option,
    print_json,
    progress,
    refuse_folder,
    rig_option,
    source_argument,
)
from rigmon.cli.whatif import diagnosis_options, tell_asked, what_if
from rigmon.errors import UsageError

#: a replay onto a new log commits once per so much run time
_COMMIT_NS: Final = 10_000_000_000
#: the system refuses to sleep for centuries, which a recording's wrong dates may ask for
_LONGEST_WAIT_S: Final = 1e6
#: beside the one of the live pages
_PORT: Final = 8089

if TYPE_CHECKING:
    from rigmon.analysis.whatif import WhatIf
    from rigmon.log.writer import RunLogWriter
    from rigmon.model import Output
    from rigmon.replay import Opened, Replayed


@click.command("replay")
@source_argument
@rig_option
@click.option(
    "--pace", type=Pace(), help="How many times faster than real time; 1 is real time; left out: flat out."
)
@click.option("--to", "to_path", type=click.Path(path_type=Path), help="Write the replay onto a new run log.")
@click.option(
    "--serve",
    is_flag=True,
    help="Show it in the live pages of this computer, with pause, pace and a time to go to; Ctrl-C ends it.",
)
@click.option(
    "--port", type=click.IntRange(1, 65535), default=_PORT, show_default=True, help="With --serve: the port."
)
@diagnosis_options
@json_option
def command(
    source: Path,
    rig_file: Path | None,
    pace: float | None,
    to_path: Path | None,
    serve: bool,
    port: int,
    as_json: bool,
    **changes: str | None,
) -> None:
    """Run SOURCE, a run log or an NMEA recording, through the same core as the live daemon.

    Flat out it tells what came of it; with --pace it shows the driver's lines as it goes. With --rig, a run
    log is replayed on another rig, with --false-alarms-per-h or --smallest-change on its own one so changed,
    for its diagnoses. With --serve it is shown in the live pages, --pace (1 to 100) to begin with. Figures
    are in the rig's units (ft, ac, gal or m, ha, L); JSON figures are in m, m2, s, L.
    """
    from rigmon import replay
    from rigmon.core.pipeline import Pipeline

    if to_path is not None:
        refuse_folder(to_path, "again.sqlite")
    asked = what_if(**changes)
    if serve:
        if to_path is not None or as_json:
            raise UsageError("--serve shows the replay in pages: leave out --to and --json")
        _serve(source, rig_file, asked, port, 1.0 if pace is None else pace)
        return
    if asked and to_path is not None:
        raise UsageError(
            f"--to {to_path}: a run log carries its rig file, and {' '.join(asked.words())} is in none; "
            "put it into a rig file's [diagnosis] and give that with --rig"
        )
    with ExitStack() as stack:
        opened = stack.enter_context(replay.Opened(source, rig_file))
        opened.rig = asked.applied_to(opened.rig)
        pipeline = Pipeline(opened.rig)
        # a replay that fails half way leaves a log without a clean end
        writer = None if to_path is None else stack.enter_context(_writer(to_path, opened))
        feedback = None
        if pace is not None and not as_json:
            feedback = driver_lines(opened.rig)
        if feedback is not None:
            feedback.start()
            stack.callback(feedback.stop)

        def on_outputs(outputs: Sequence["Output"]) -> None:
            if writer is not None:
                writer.outputs(outputs)
            if feedback is not None:
                feedback.publish(outputs)
                if feedback.trouble is not None:
                    raise UsageError(feedback.trouble)

        with progress("replaying") as tell:
            driven = opened.drive(
                pipeline,
                record=None if writer is None else writer.reading,
                pace=None if pace is None else _pacer(pace),
            )
            # a run log is read by generators, which must end before it is closed
            stack.callback(getattr(driven, "close", lambda: None))
            result = replay.collect(
                pipeline, driven, opened.ended_ns, tell if feedback is None else None, on_outputs
            )
        if opened.log is None and result.sentences == 0:
            if writer is not None:
                _remove(writer)
            raise replay.no_sentence(source, result)
        if writer is not None:
            writer.close(opened.ended_ns if opened.ended_ns is not None else result.last_ns, "replayed")
        if feedback is not None:
            feedback.stop()
        if as_json:
            _tell_json(opened, result, to_path, asked.words())
        else:
            if asked:
                tell_asked(asked)
            _tell(opened, result, to_path, alerts_too=feedback is None)


def _serve(source: Path, rig_file: Path | None, asked: "WhatIf", port: int, pace: float) -> None:
    """Show a run log as it is; anything else is replayed onto a temporary run log first."""
    from rigmon import replay

    try:
        from rigmon.web import playback
    except ModuleNotFoundError as error:
        raise UsageError(f"--serve needs {error.name}: pip install 'rigmon[web]'") from error
    from rigmon.log.reader import RunLog

    if not playback.SLOWEST <= pace <= playback.FASTEST:
        raise UsageError(
            f"--pace {pace:g} must be from {playback.SLOWEST:g} to {playback.FASTEST:g} with --serve"
        )
    with ExitStack() as stack:
        opened = stack.enter_context(replay.Opened(source, rig_file))
        opened.rig = asked.applied_to(opened.rig)
        log = opened.log
        if log is None or rig_file is not None or asked:
            folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="rigmon-replay-")))
            _again(opened, folder / "again.sqlite")
            log = stack.enter_context(RunLog.open(folder / "again.sqlite"))
        address = f"http://127.0.0.1:{port}/"

        def ready() -> None:
            click.echo(
                f"Replay of {source}: {address}crew for the crew, with the controls; {address} for the"
            )
            click.echo("driver. Ctrl-C ends it.")

        playback.serve(log, opened.rig, port, pace, ready)


def _again(opened: "Opened", to_path: Path) -> None:
    """Replay onto a new log, flat out. Raises UsageError for a file without any sentence."""
    from rigmon import replay
    from rigmon.core.pipeline import Pipeline

    pipeline = Pipeline(opened.rig)
    with _writer(to_path, opened) as writer, progress("replaying") as tell:
        driven = opened.drive(pipeline, record=writer.reading)
        result = replay.collect(pipeline, driven, opened.ended_ns, tell, writer.outputs)
        if opened.log is None and result.sentences == 0:
            raise replay.no_sentence(opened.path, result)
        writer.close(opened.ended_ns if opened.ended_ns is not None else result.last_ns, "replayed")


def _writer(to_path: Path, opened: "Opened") -> "RunLogWriter":
    from rigmon.log.header import new_run_id, run_header
    from rigmon.log.writer import RunLogWriter

    name = opened.log.header.source if opened.log is not None else opened.path.name
    header = run_header(new_run_id(), name, opened.rig_toml)
    return RunLogWriter(to_path, header, commit_by_time_ns=_COMMIT_NS)


def _remove(writer: "RunLogWriter") -> None:
    """Leave no new run log of something that was no recording."""
    writer.abandon()
    for end in ("", "-wal", "-shm"):
        with suppress(FileNotFoundError):
            os.unlink(f"{writer.path}{end}")


def _pacer(pace: float) -> Callable[[int], None]:
    started_s = time.monotonic()

    def wait(t_ns: int) -> None:
        ahead_s = t_ns / 1e9 / pace - (time.monotonic() - started_s)
        if ahead_s > 0:
            time.sleep(min(ahead_s, _LONGEST_WAIT_S))

    return wait


def _totals(result: "Replayed") -> dict[str, float]:
    """Added up as the score does: what went onto ground of unknown area is left out."""
    samples = result.samples
    return {
        "distance_m": sum(sample.distance_m or 0.0 for sample in samples),
        "area_m2": sum(sample.area_m2 or 0.0 for sample in samples),
        "volume_l": sum(sample.volume_l or 0.0 for sample in samples if sample.area_m2 is not None),
    }


def _rejected(result: "Replayed") -> dict[str, int]:
    by_reason: dict[str, int] = {}
    for tally in result.tallies:
        kind, _, reason = tally.name.partition(":")
        if kind == "rejected":
            by_reason[reason] = by_reason.get(reason, 0) + tally.n
    return by_reason


def _tell_json(opened: "Opened", result: "Replayed", to_path: Path | None, asked: list[str]) -> None:
    print_json(
        {
            "source": str(opened.path),
            "duration_s": result.last_ns / 1e9,
            "readings": result.readings,
            "sentences": result.sentences,
            "rejected_by_reason": _rejected(result),
            "samples": len(result.samples),
            **_totals(result),
            "alerts": [dict(alert._asdict()) for alert in result.alerts],
            "findings": [dict(finding._asdict()) for finding in result.findings],
            "acts": [dict(act._asdict()) for act in result.acts],
            "run_log": None if to_path is None else str(to_path),
            **({"what_if": asked} if asked else {}),
        }
    )


def _tell(opened: "Opened", result: "Replayed", to_path: Path | None, *, alerts_too: bool) -> None:
    from rigmon import units
    from rigmon.edge.feedback import act_line, alert_line, run_clock

    system, totals = opened.rig.units, _totals(result)
    click.echo(
        f"{opened.path}: {run_clock(result.last_ns)} long, {result.readings} readings, "
        f"{result.sentences} sentences, {sum(_rejected(result).values())} rejected"
    )
    click.echo(
        f"Travelled {units.show(totals['distance_m'], 'length', system, 0)}, "
        f"treated {units.show(totals['area_m2'], 'area', system, 2)} "
        f"with {units.show(totals['volume_l'], 'volume', system)}"
    )
    if alerts_too:
        rig = opened.rig
        lines = [(alert.t_ns, alert_line(alert, rig, run_clock(alert.t_ns))) for alert in result.alerts]
        lines += [(act.t_ns, act_line(act, rig, run_clock(act.t_ns))) for act in result.acts]
        for _, line in sorted(lines, key=itemgetter(0)):
            click.echo(line)
    if to_path is not None:
        click.echo(f"Run log: {to_path}")
