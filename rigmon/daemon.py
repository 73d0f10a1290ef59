"""The daemon: sources, hub, core, run log and feedback wired together, and the only main loop.

The same loop serves a live run (serial sources, the monotonic clock) and a bench run (a recording, the
bench clock). Nothing here imports numpy, pandas, pyproj or click: a small board starts fast and stays lean.
"""

import errno
import os
import signal
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import Final, Protocol

from rigmon.core.gnss import LIVE_RUN
from rigmon.core.pipeline import Pipeline
from rigmon.edge.bench import BenchSource
from rigmon.edge.hub import Hub
from rigmon.edge.serial_nmea import SerialNmea, check_url
from rigmon.errors import LogError, UsageError
from rigmon.log.header import new_run_id, run_header
from rigmon.log.records import record_note
from rigmon.log.writer import RunLogWriter
from rigmon.model import Output, RunHeader, Source, SourceFault
from rigmon.rig import Rig

#: the card's trouble, not the person's: the driver still gets speed and rate, and an alert about the log
_CARD_TROUBLE: Final = {errno.ENOSPC, errno.EROFS, errno.EIO, errno.EDQUOT}


class RunSource(Protocol):
    """Puts readings into a hub from a thread of its own."""

    def start(self) -> None: ...

    def stop(self) -> None: ...


class Feedback(Protocol):
    """Shows what the core makes; `publish` returns at once."""

    @property
    def trouble(self) -> str | None:
        """Why it shows nothing any more, or not all of it; None: it shows all."""

    def start(self) -> None: ...

    def publish(self, outputs: Sequence[Output]) -> None: ...

    def tell(self, t_ns: int, text: str) -> None: ...

    def stop(self) -> None: ...


@dataclass(frozen=True, slots=True)
class RunOutcome:
    """How a run went. `troubles` are sentences for the person: the run went on in spite of them."""

    run_id: str
    log_path: Path | None  #: None: no run log was asked for, or none could be made
    ended_ns: int
    ended_why: str
    readings: int
    outputs: int
    troubles: tuple[str, ...]


# -- what to run ---------------------------------------------------------------------------------------


def live_sources(rig: Rig, hub: Hub) -> list[SerialNmea]:
    """The serial sources that the rig asks for: the GPS port, and the sensor node's where it has its own.

    Raises UsageError for a port that can never work, and for sensors wired to the board.
    """
    _refuse_wired_sensors(rig)
    check_url(rig.gps.port, rig.gps.baud, "gps.port")
    sources = [SerialNmea(hub, Source.GPS, rig.gps.port, rig.gps.baud)]
    if rig.node.port is not None and not _same_port(rig.node.port, rig.gps.port):
        check_url(rig.node.port, rig.node.baud, "node.port")
        sources.append(SerialNmea(hub, Source.NODE, rig.node.port, rig.node.baud))
    return sources


def _same_port(a: str, b: str) -> bool:
    """Also under two names: a port that is opened once for good cannot be opened a second time."""
    return a == b or ("://" not in a + b and os.path.realpath(a) == os.path.realpath(b))


def _refuse_wired_sensors(rig: Rig) -> None:
    """The one place that knows which ways to read a sensor this release has."""
    for key, source in (
        ("flow.source", rig.flow.source),
        ("pressure.source", rig.pressure.source),
        ("boom_switch.source", rig.boom_switch.source),
    ):
        if source not in ("none", "xdr"):
            raise UsageError(
                f"{key} = '{source}' cannot be used yet: this release reads that sensor as NMEA XDR "
                "sentences only; set it to 'xdr' (from a sensor node), or to 'none'"
            )


# -- the run -------------------------------------------------------------------------------------------


def run(
    rig: Rig,
    rig_toml: str,
    log_path: Path | None,
    sources: Sequence[RunSource],
    hub: Hub,
    feedback: Feedback | None = None,
    *,
    run_id: str | None = None,
    source_name: str = "live",
    stop_after_s: float | None = None,
    commit_by_time_ns: int | None = None,
    records: Sequence[str] = (),
) -> RunOutcome:
    """Run until SIGINT, SIGTERM or SIGHUP, until a source closes the hub, or for `stop_after_s` of run time.

    Each reading goes to the run log first and to the core second; what the core makes goes to the log and
    to the feedback. A port, a card or a terminal in trouble does not end the run. `commit_by_time_ns` is
    for bench runs flat out, which would outrun the log's thread: see RunLogWriter. `records` are the
    calibration records that the rig's numbers were taken from, as JSON texts: they go into the run as notes,
    stamped with its start, before any reading (`rigmon.log.records` reads them back).

    Raises UsageError for a time that is not above zero, when the log cannot be made where it was asked
    for, and whatever a recording's items raised; nothing is left running then.
    """
    if stop_after_s is not None and not 0 < stop_after_s < 1e9:
        raise UsageError(f"a run of {stop_after_s:g} s is not possible; give seconds above 0")
    run_id = run_id or new_run_id()
    if stop_after_s is not None:
        hub.stop_at(round(stop_after_s * 1e9), f"stopped after {stop_after_s:g} s")
    for record in records:
        hub.put(0, Source.PERSON, record_note(record))
    if source_name == "live":
        hub.put(0, Source.HUB, LIVE_RUN)
    troubles: list[str] = []
    pipeline = Pipeline(rig)
    writer = None
    if log_path is not None:
        header = run_header(run_id, source_name, rig_toml)
        writer = _open_log(log_path, header, commit_by_time_ns, hub, troubles)
    with _stopped_by_signals(hub):
        started: list[RunSource] = []
        ended_ns: int | None = None
        try:
            if feedback is not None:
                feedback.start()
            for source in sources:
                source.start()
                started.append(source)
            readings, outputs = _loop(hub, pipeline, writer, feedback)
            ended_ns = hub.ended_ns or 0
            last = pipeline.finish(ended_ns)
            if writer is not None:
                writer.outputs(last)
            if feedback is not None:
                feedback.publish(last)
        finally:
            # The log first: whoever sent the signal may not wait long.
            if writer is not None:
                _close_log(writer, ended_ns, hub.why, troubles)
            hub.release()
            for source in started:
                source.stop()
            if feedback is not None:
                feedback.stop()
    for source in started:
        if isinstance(source, BenchSource) and source.error is not None:
            raise source.error
    if feedback is not None and feedback.trouble is not None:
        troubles.append(feedback.trouble)
    return RunOutcome(
        run_id=run_id,
        log_path=log_path if writer is not None else None,
        ended_ns=ended_ns,
        ended_why=hub.why,
        readings=readings,
        outputs=outputs + len(last),
        troubles=tuple(troubles),
    )


def _loop(
    hub: Hub, pipeline: Pipeline, writer: RunLogWriter | None, feedback: Feedback | None
) -> tuple[int, int]:
    """The main loop. Returns how many readings went in and how many outputs came out."""
    n_readings = n_outputs = 0
    while (reading := hub.next(pipeline.deadline_ns)) is not None:
        n_readings += 1
        if writer is not None:
            writer.reading(reading)
        if feedback is not None and type(reading.payload) is SourceFault:
            # the driver should know why a source is silent, not only that it is
            feedback.tell(
                reading.t_ns, f"{reading.source.name}: {reading.payload.kind}: {reading.payload.detail}"
            )
        outputs = pipeline.feed(reading)
        if outputs:
            n_outputs += len(outputs)
            if writer is not None:
                writer.outputs(outputs)
            if feedback is not None:
                feedback.publish(outputs)
    return n_readings, n_outputs


@contextmanager
def _stopped_by_signals(hub: Hub) -> Iterator[None]:
    """Let SIGINT, SIGTERM and SIGHUP (the remote session ended) close the hub, also while the run is closed.

    A signal that whoever started us told us to ignore (nohup) stays ignored. Outside the main thread,
    where Python takes no handlers, nothing is changed.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def stop(signum: int, _frame: FrameType | None) -> None:
        hub.close(f"stopped by {signal.Signals(signum).name}")

    previous = {}
    for signum in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        if signal.getsignal(signum) is not signal.SIG_IGN:
            previous[signum] = signal.signal(signum, stop)
    try:
        yield
    finally:
        for signum, handler in previous.items():
            signal.signal(signum, signal.SIG_DFL if handler is None else handler)


# -- the run log ---------------------------------------------------------------------------------------


def _open_log(
    path: Path, header: RunHeader, commit_by_time_ns: int | None, hub: Hub, troubles: list[str]
) -> RunLogWriter | None:
    """None, with an alert on its way, where the card is in trouble. Raises LogError for a wrong path."""

    def on_trouble(fault: SourceFault) -> None:
        if hub.ended_ns is None:
            hub.put(hub.clock.now_ns(), Source.LOG, fault)
        else:
            troubles.append(f"{path}: {fault.kind}: {fault.detail}")

    try:
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise LogError(f"{path.parent}: the folder cannot be made: {error.strerror}") from error
        return RunLogWriter(path, header, on_trouble, commit_by_time_ns=commit_by_time_ns)
    except LogError as error:
        cause = error.__cause__
        if cause is None or (isinstance(cause, OSError) and cause.errno not in _CARD_TROUBLE):
            raise
        troubles.append(str(error))
        on_trouble(SourceFault("failed", str(error), 0))
        return None


def _close_log(writer: RunLogWriter, ended_ns: int | None, why: str, troubles: list[str]) -> None:
    """End the log cleanly; without `ended_ns`, as after a crash, it keeps what it has and no end."""
    try:
        if ended_ns is None:
            writer.abandon()
        else:
            writer.close(ended_ns, why)
    except LogError as error:
        troubles.append(str(error))
