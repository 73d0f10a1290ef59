"""rigmon calibrate pace"""

import os
import signal
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rigmon.cli.calibrate.common import (
    Keep,
    Setup,
    check_apply,
    go_on_options,
    present_json,
    present_text,
    record_options,
    rig_file_option,
    setup,
    store,
    units_option,
)
from rigmon.cli.common import print_json
from rigmon.cli.dialogue import Dialogue, wrapped
from rigmon.cli.typed import option
from rigmon.errors import UsageError

if TYPE_CHECKING:
    from rigmon.calibration.pace import PaceResult
    from rigmon.edge.beat import Lateness, Sounder
    from rigmon.rig import Buzzer


#: over a shorter time, the scatter of single beats hides what drift there is
_DRIFT_FROM_S = 20.0


@click.command("pace")
@rig_file_option
@click.option("--steps", metavar="N", help="Steps counted, left and right each one.")
@click.option("--distance", metavar="QUANTITY", help="Distance they took, such as '100 ft' or '30 m'.")
@click.option("--swath", metavar="QUANTITY", help="Swath, such as '6 ft' or '2 m'.  [default: the rig's]")
@click.option("--flow", metavar="QUANTITY", help="Boom flow, such as '0.8 gal/min'.  [default: the rig's]")
@click.option("--rate", metavar="QUANTITY", help="Rate, such as '20 gal/ac'.  [default: the rig's target]")
@click.option("--last", is_flag=True, help="Take the newest pace in the book; measure nothing.")
@click.option("--beat", is_flag=True, help="Then sound and flash the beat until Ctrl-C.")
@click.option(
    "--pin",
    type=click.IntRange(0, 53),
    metavar="N",
    help="Sound the buzzer on this BCM pin too.  [default: the rig's buzzer.pin]",
)
@click.option(
    "--for", "stop_after_s", type=float, metavar="SECONDS", help="Stop the beat after so many seconds."
)
@go_on_options
@units_option
@record_options
def command(
    rig_file: Path | None,
    steps: str | None,
    distance: str | None,
    swath: str | None,
    flow: str | None,
    rate: str | None,
    last: bool,
    beat: bool,
    pin: int | None,
    stop_after_s: float | None,
    resume: bool | None,
    units_shown: str | None,
    keep: Keep,
) -> None:
    """Steps a minute that hold the target rate with a boom carried by hand, and the beat to walk by.

    Count your steps over a measured distance at the gait of the work. Speeds are shown in mph or km/h, rates
    in gal/ac or L/ha; JSON has m, m/s, L/min, L/ha, s, steps/min; the beat's lateness is in ms.
    """
    check_apply(keep, "pace")
    if not beat and (pin is not None or stop_after_s is not None):
        words = "--pin" if pin is not None else "--for"
        raise UsageError(f"{words} belongs to --beat; add it, or leave {words} out")
    if stop_after_s is not None and not 0 < stop_after_s < 1e6:
        raise UsageError(f"--for {stop_after_s:g} must be a number of seconds above 0, such as 60")
    where = setup(rig_file, units_shown, keep.book)
    if last:
        given = [
            name for name, text in (("--steps", steps), ("--distance", distance), ("--swath", swath),
                                    ("--flow", flow), ("--rate", rate)) if text is not None
        ]  # fmt: skip
        if given or not beat:
            what = f"{given[0]} measures a new one" if given else "it is for --beat"
            raise UsageError(f"--last takes the newest pace in the book, and {what}; leave one of them out")
        record, steps_per_min = _newest(where)
        if keep.as_json:
            late = _beat(steps_per_min, pin, where.rig.buzzer, stop_after_s)
            print_json({"record": record, "steps_per_min": steps_per_min, "beat": asdict(late)})
        else:
            click.echo(wrapped(f"{record}: {steps_per_min:.0f} steps a minute."))
            click.echo(wrapped(_lateness(_beat(steps_per_min, pin, where.rig.buzzer, stop_after_s))))
        return
    dialogue = Dialogue(where.system, "pace", where.session("pace"), {"rig": where.rig.name}, resume)
    result = dialogue.run(lambda d: _measure(d, where, _Asked(steps, distance, swath, flow, rate)))
    stored = store(where, keep, "pace", "", result)
    dialogue.finish(keep.dry_run)
    if keep.as_json:
        extra = {}
        if beat:
            extra = {"beat": asdict(_beat(result.steps_per_min, pin, where.rig.buzzer, stop_after_s))}
        present_json(where, stored, result, extra)
        return
    present_text(where, keep, stored, result, f"Pace, {where.rig.name}, {keep.taken_on}")
    if beat:
        click.echo(wrapped(_lateness(_beat(result.steps_per_min, pin, where.rig.buzzer, stop_after_s))))


@dataclass(frozen=True, slots=True)
class _Asked:
    steps: str | None
    distance: str | None
    swath: str | None
    flow: str | None
    rate: str | None


def _measure(d: Dialogue, where: Setup, asked: _Asked) -> "PaceResult":
    from rigmon.calibration.pace import hand_boom_pace

    us = where.system == "us"
    rig = where.rig
    distance_m = d.quantity(
        "distance", "Distance walked", "length", example="100 ft" if us else "30 m", low=1.0, high=2000.0,
        given=asked.distance, option="--distance", about="Along a tape, over ground like the job's.",
    )  # fmt: skip
    steps = d.whole(
        "steps", "Steps counted", 1, 5000, given=asked.steps, option="--steps",
        about="Left and right each count one.",
    )  # fmt: skip
    swath_m = _or_rig(d, "--swath", asked.swath, "length", rig.swath_m)
    of_rig = None if rig.calibration is None else rig.calibration.flow_l_min
    if asked.flow is None and of_rig is None:
        flow_l_min = d.quantity(
            "flow", "Boom flow", "flow", example="0.8 gal/min" if us else "3 L/min", high=2000.0,
            option="--flow", about="All nozzles together, from the catch test.",
        )  # fmt: skip
    else:
        flow_l_min = _or_rig(d, "--flow", asked.flow, "flow", of_rig or 0.0)
    rate_l_ha = _or_rig(d, "--rate", asked.rate, "rate", rig.target.rate_l_ha)
    return hand_boom_pace(
        steps=steps,
        distance_m=distance_m,
        swath_m=swath_m,
        flow_l_min=flow_l_min,
        rate_l_ha=rate_l_ha,
        tolerance_pct=rig.target.tolerance_pct,
        flow_u_pct=2.5 if rig.calibration is None else rig.calibration.uncertainty_pct,
        swath_u_pct=rig.swath_uncertainty_pct,
        system=where.system,
    )


def _or_rig(d: Dialogue, name: str, text: str | None, dimension: str, of_rig: float) -> float:
    return of_rig if text is None else option(d.typed, name, text, dimension)


def _newest(where: Setup) -> tuple[str, float]:
    from rigmon.calibration.book import Book

    with Book(where.book) as book:
        record = book.latest("pace", where.rig.name)
    if record is None:
        raise UsageError(f"{where.book}: holds no pace of this rig; measure one with --steps and --distance")
    return record.name, float(record.result["steps_per_min"])


# -- the beat ------------------------------------------------------------------------------------------------


def _buzzer(pin: int | None, of_rig: "Buzzer") -> "Sounder | None":
    """The buzzer on the pin that was asked for, or the rig's; None where the rig has none.

    Raises UsageError for a pin that was asked for and cannot be used. The rig's own may be elsewhere, as when
    this is a laptop: then the terminal gives the beat alone, and it is said why.
    """
    from rigmon.edge.beat import PinBuzzer

    if pin is not None:
        return PinBuzzer(pin, of_rig.on_level if pin == of_rig.pin else "high", "--pin")
    if of_rig.pin is None:
        return None
    try:
        return PinBuzzer(of_rig.pin, of_rig.on_level, "buzzer.pin")
    except UsageError as error:
        click.echo(f"rigmon: {error}. The beat is on the terminal alone.", err=True)
        return None


def _beat(steps_per_min: float, pin: int | None, of_rig: "Buzzer", stop_after_s: float | None) -> "Lateness":
    """Sound the beat on stderr and the buzzer until Ctrl-C, a signal, or `stop_after_s`."""
    from rigmon.calibration.pace import beat, beat_ns
    from rigmon.edge.beat import LatenessMeter, TerminalBell

    err: Any = sys.stderr
    sounders: list[Sounder] = []
    if (buzzer := _buzzer(pin, of_rig)) is not None:
        sounders.append(buzzer)
    if err is not None:
        sounders.append(
            TerminalBell(err, escapes=err.isatty() and os.environ.get("TERM") not in (None, "dumb"))
        )
        click.echo("Ctrl-C stops the beat.", err=True)
    meter = LatenessMeter()
    start_ns = time.monotonic_ns()
    end_ns = None if stop_after_s is None else start_ns + round(stop_after_s * 1e9)

    def emit(k: int) -> None:
        try:
            for sounder in sounders:
                sounder.beat(k)
        except OSError:  # the terminal is gone
            stop.set()
            return
        due_ns = beat_ns(k, steps_per_min)
        meter.add(due_ns, time.monotonic_ns() - clock.first_ns - due_ns)

    clock = _Clock()
    with _stopped_by_signals() as stop:
        try:
            beat(
                steps_per_min,
                emit,
                clock,
                lambda seconds: stop.wait(_no_longer(seconds, end_ns)),
                lambda: stop.is_set() or (end_ns is not None and time.monotonic_ns() >= end_ns),
            )
        finally:
            for sounder in sounders:
                with suppress(OSError):
                    sounder.close()
    late = meter.result()
    return late if late.lasted_s >= _DRIFT_FROM_S else replace(late, drift_ms_per_min=None)


class _Clock:
    """Monotonic ns; its first reading is where the beats count from."""

    def __init__(self) -> None:
        self.first_ns = 0

    def __call__(self) -> int:
        now_ns = time.monotonic_ns()
        self.first_ns = self.first_ns or now_ns
        return now_ns


def _no_longer(seconds: float, end_ns: int | None) -> float:
    return seconds if end_ns is None else max(0.0, min(seconds, (end_ns - time.monotonic_ns()) / 1e9))


@contextmanager
def _stopped_by_signals() -> Iterator[threading.Event]:
    """Ctrl-C, SIGTERM and a lost connection end the beat in order."""
    stop = threading.Event()
    previous = {}
    if threading.current_thread() is threading.main_thread():
        for signum in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            if signal.getsignal(signum) is not signal.SIG_IGN:
                previous[signum] = signal.signal(signum, lambda *_: stop.set())
    try:
        yield stop
    finally:
        for signum, handler in previous.items():
            signal.signal(signum, handler)


def _lateness(late: "Lateness") -> str:
    if not late.beats:
        return "No beat was given."
    drift = ""
    if late.drift_ms_per_min is not None:
        drift = f", drift {late.drift_ms_per_min:+.2f} ms a minute"
    return (
        f"{late.beats} beats in {late.lasted_s:.1f} s: {late.mean_ms:.2f} ms late on average, "
        f"at most {late.max_ms:.2f} ms{drift}."
    )
