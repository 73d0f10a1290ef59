"""The daemon: sources, hub, core, run log and feedback wired together, and the only main loop.

The same loop serves a live run (serial sources, the monotonic clock) and a bench run (a recording, the
bench clock): `run` is one run from its start to its end, `serve` one run after another, as the work begins
and ends. Nothing here imports numpy, pandas, pyproj or click: a small board starts fast and stays lean.
"""

import errno
import os
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import Final, NamedTuple, Protocol

from rigmon.carry import Carry
from rigmon.core.gnss import LIVE_RUN
from rigmon.core.pipeline import Pipeline
from rigmon.edge.acts import Acts
from rigmon.edge.bench import BenchSource
from rigmon.edge.hub import Hub
from rigmon.edge.serial_nmea import SerialNmea, check_url
from rigmon.errors import LogError, UsageError
from rigmon.lifecycle import STOP_HELD, SUPPLY_FAILED, LifeCycle, PreRoll, ended_by
from rigmon.log.background import BackgroundLog
from rigmon.log.header import new_run_id, run_header
from rigmon.log.records import record_note
from rigmon.log.space import SHORT_OF_ROOM
from rigmon.log.writer import RunLogWriter
from rigmon.model import (
    Acknowledge,
    Act,
    Alert,
    Carried,
    EndRun,
    Note,
    Output,
    Payload,
    PulseCount,
    Reading,
    Retarget,
    RunHeader,
    Sample,
    Source,
    SourceFault,
    Tick,
)
from rigmon.rig import Retargeted, Rig

#: the card's trouble, not the person's: the driver still gets speed and rate, and an alert about the log
_CARD_TROUBLE: Final = {errno.ENOSPC, errno.EROFS, errno.EIO, errno.EDQUOT}


#: begins the note that a feedback has failed
FEEDBACK_TROUBLE: Final = "the driver's feedback has failed"
#: so long a log may take to be closed
_LOG_PATIENCE_S: Final = 12.0


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

    def use(self, rig: Rig) -> None: ...

    def stop(self) -> None: ...


class Notifier(Protocol):
    """Tells the service manager how the daemon is; see `rigmon.edge.notify`."""

    def ready(self) -> None: ...

    def show(self, outputs: Sequence[Output]) -> None: ...

    def use(self, rig: Rig) -> None: ...

    def handled(self, healthy: bool, run: str) -> None: ...

    def stopping(self) -> None: ...


class RunWatcher(Protocol):
    """Is told, from the loop, which run what the core makes belongs to."""

    def began(self, run: str, outputs: Sequence[Output]) -> None:
        """A run has begun; `outputs` came of readings from before it, and no feedback was shown them."""

    def ended(self) -> None: ...


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


def live_sources(rig: Rig, hub: Hub) -> list[RunSource]:
    """The sources that the rig asks for: its ports, and the sensors that are wired to the board.

    Raises UsageError for a port that can never work, and for pins that cannot be had. Call it before other
    threads are started (see `rigmon.edge.board`).
    """
    sources: list[RunSource] = [*serial_sources(rig, hub)]
    if {rig.flow.source, rig.pressure.source, rig.boom_switch.source} & {"gpio", "adc"}:
        from rigmon.edge.wired import wired_sources

        sources += wired_sources(rig, hub)
    return sources


def serial_sources(rig: Rig, hub: Hub) -> list[SerialNmea]:
    """The GPS port, and the sensor node's where it has its own.

    Raises UsageError for a port that can never work.
    """
    check_url(rig.gps.port, rig.gps.baud, "gps.port")
    sources = [SerialNmea(hub, Source.GPS, rig.gps.port, rig.gps.baud)]
    if rig.node.port is not None and not _same_port(rig.node.port, rig.gps.port):
        check_url(rig.node.port, rig.node.baud, "node.port")
        sources.append(SerialNmea(hub, Source.NODE, rig.node.port, rig.node.baud))
    return sources


def _same_port(a: str, b: str) -> bool:
    """Also under two names: a port that is opened once for good cannot be opened a second time."""
    return a == b or ("://" not in a + b and os.path.realpath(a) == os.path.realpath(b))


def control_sources(rig: Rig, hub: Hub) -> list[RunSource]:
    """The stop button and the power-fail pin, as far as the rig has them. Raises UsageError for a pin that
    cannot be used.
    """
    if rig.runs.stop_pin is None and rig.power.fail_pin is None:
        return []
    from rigmon.edge.buttons import control_pins

    return list(control_pins(rig, hub, STOP_HELD, SUPPLY_FAILED))


# -- the loop ------------------------------------------------------------------------------------------


class _Loop:
    """From the hub to the log first, to the core second; what the core makes goes to the log and the driver.

    `zero_ns` is the run's start on the hub's clock: the core and the log know stamps from there on.
    `next_seq` numbers the readings of a run that does not begin with the hub's first one.
    """

    def __init__(
        self,
        rig: Rig,
        hub: Hub,
        feedback: Feedback | None,
        notifier: Notifier | None = None,
        acts: Acts | None = None,
    ) -> None:
        self.hub = hub
        self.acts = acts
        self.pipeline = Pipeline(rig)
        self.log: RunLogWriter | BackgroundLog | None = None
        self.run_words = "no run log"
        self.zero_ns = 0
        self.next_seq: int | None = None
        self.newest_ns = 0
        self.readings = self.outputs = 0
        self.active: dict[str, Alert] = {}
        self.acknowledged: set[str] = set()  # of these
        self.told: list[str] = []  # about the log, for the person
        self._feedback = feedback
        self._feedback_trouble: str | None = None
        self._notifier = notifier

    def go(self, after: Callable[[Reading, Sequence[Output]], None] | None = None) -> None:
        """Until the hub ends. `after` gets each reading as the hub gave it, and what the core made of it."""
        hub, notifier = self.hub, self._notifier
        while (reading := hub.next(self.zero_ns + self.pipeline.deadline_ns)) is not None:
            outputs = self.take(self.moved(reading))
            self.show(outputs)
            if after is not None:
                after(reading, outputs)
            if notifier is not None:
                # The end of the pipeline, and nowhere else: a tick comes at the latest each 1.1 s. A card
                # that is slow, full or hangs is the alert's business: a new start would mend none of these
                # and cost the driver the guidance. A log thread that has died is a fault that it does mend.
                notifier.handled(self.log is None or self.log.alive, self.run_words)

    def moved(self, reading: Reading) -> Reading:
        """The reading with its number and stamp in this run."""
        if self.next_seq is None:
            self.newest_ns = max(self.newest_ns, reading.t_ns)
            return reading
        zero_ns, payload = self.zero_ns, reading.payload
        if type(payload) is PulseCount and payload.last_edge_ns is not None:
            payload = payload._replace(last_edge_ns=payload.last_edge_ns - zero_ns)
        # held back on the way in for longer than the pre-roll: no run has stamps below zero
        t_ns = max(0, reading.t_ns - zero_ns)
        self.newest_ns = max(self.newest_ns, t_ns)
        seq, self.next_seq = self.next_seq, self.next_seq + 1
        return Reading(seq, t_ns, reading.source, payload)

    def take(self, reading: Reading, *, told: bool = False) -> Sequence[Output]:
        """One reading into the log and the core. `told`: the driver has heard of it before."""
        log = self.log
        self.readings += 1
        if log is not None:
            log.reading(reading)
        payload = reading.payload
        if type(payload) is SourceFault:
            # the driver should know why a source is silent, not only that it is
            if not told:
                self._tell(reading.t_ns, f"{reading.source.name}: {payload.kind}: {payload.detail}")
            if payload.kind == SHORT_OF_ROOM:
                self.told.append(payload.detail)
        elif type(payload) is Note and reading.source is Source.LOG:
            self.told.append(payload.text)
            if not told:
                self._tell(reading.t_ns, payload.text)
        outputs = self.pipeline.feed(reading)
        if outputs:
            self.outputs += len(outputs)
            if log is not None:
                log.outputs(outputs)
        return outputs

    def finish(self, ended_ns: int) -> None:
        """The run's last interval and tallies."""
        last = self.pipeline.finish(ended_ns)
        self.outputs += len(last)
        if self.log is not None:
            self.log.outputs(last)
        self.show(last)

    def show(self, outputs: Sequence[Output]) -> None:
        """To the driver, and to the service manager's status."""
        if not outputs:
            return
        for output in outputs:
            if type(output) is Alert:
                self.acknowledged.discard(output.code)
                if output.raised:
                    self.active[output.code] = output
                else:
                    self.active.pop(output.code, None)
            elif type(output) is Act and output.kind == "acknowledge":
                self.acknowledged.add(output.text)
        if self.acts is not None:
            self.acts.sees(outputs)
        if self._feedback is not None:
            self._feedback.publish(outputs)
            trouble = self._feedback.trouble
            if trouble != self._feedback_trouble:
                self._feedback_trouble = trouble
                for note in self.feedback_notes():
                    self.hub.put(self.hub.clock.now_ns(), Source.HUB, note)
        if self._notifier is not None:
            self._notifier.show(outputs)

    def use(self, rig: Rig) -> None:
        """Show by this rig from now on."""
        for shown in (self.acts, self._feedback, self._notifier):
            if shown is not None:
                shown.use(rig)

    def feedback_notes(self) -> list[Note]:
        """What the driver does not see or hear: it belongs into the run log beside what was shown."""
        trouble = self._feedback_trouble
        return [] if trouble is None else [Note(f"{FEEDBACK_TROUBLE}: {trouble}")]

    def _tell(self, t_ns: int, text: str) -> None:
        if self._feedback is not None:
            self._feedback.tell(t_ns, text)


@contextmanager
def _running(
    hub: Hub,
    sources: Sequence[RunSource],
    feedback: Feedback | None,
    notifier: Notifier | None,
    close_logs: Callable[[], None],
) -> Iterator[None]:
    """Everything started; afterwards, however it ended, everything let go, and signals as before."""
    started: list[RunSource] = []
    with _stopped_by_signals(hub):
        try:
            if feedback is not None:
                feedback.start()
            for source in sources:
                source.start()
                started.append(source)
            if notifier is not None:
                notifier.ready()
            yield
        finally:
            if notifier is not None:
                notifier.stopping()
            # The log first: whoever sent the signal, or the supply, may not wait long.
            close_logs()
            hub.release()
            for source in started:
                source.stop()
            if feedback is not None:
                feedback.stop()
    for source in started:
        if isinstance(source, BenchSource) and source.error is not None:
            raise source.error


def _first_notes(
    records: Sequence[str], source_name: str, carried: Carried | None
) -> list[tuple[Source, Payload]]:
    """What each run begins with: the calibration records in use first, then what else is known of it."""
    notes: list[tuple[Source, Payload]] = [(Source.PERSON, record_note(record)) for record in records]
    if source_name == "live":
        notes.append((Source.HUB, LIVE_RUN))
    if carried is not None:
        notes.append((Source.HUB, carried))
    return notes


def _check_seconds(stop_after_s: float | None) -> None:
    if stop_after_s is not None and not 0 < stop_after_s < 1e9:
        raise UsageError(f"a run of {stop_after_s:g} s is not possible; give seconds above 0")


# -- one run -------------------------------------------------------------------------------------------


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
    notifier: Notifier | None = None,
    make_room: Callable[[], None] | None = None,
    carry_in: Path | None = None,
    acts: Acts | None = None,
) -> RunOutcome:
    """Run until SIGINT, SIGTERM or SIGHUP, until a source closes the hub, or for `stop_after_s` of run time.

    Each reading goes to the run log first and to the core second; what the core makes goes to the log and
    to the feedback. A port, a card or a terminal in trouble does not end the run. `commit_by_time_ns` is
    for bench runs flat out, which would outrun the log's thread: see RunLogWriter. `records` are the
    calibration records that the rig's numbers were taken from, as JSON texts: they go into the run as notes,
    stamped with its start, before any reading (`rigmon.log.records` reads them back). `make_room` is called
    before the log is made. What earlier runs left in the folder `carry_in` comes behind them as a reading,
    and is brought up to date there at the end. At the desk `acts` people do what they do; whoever ends the
    run ends the program.

    Raises UsageError for a time that is not above zero, when the log cannot be made where it was asked
    for, and whatever a recording's items raised; nothing is left running then.
    """
    _check_seconds(stop_after_s)
    run_id = run_id or new_run_id()
    if stop_after_s is not None:
        hub.stop_at(round(stop_after_s * 1e9), f"stopped after {stop_after_s:g} s")
    carry = Carry(carry_in)
    for source, note in _first_notes(records, source_name, carry.known(rig)):
        hub.put(0, source, note)
    troubles: list[str] = []
    loop = _Loop(rig, hub, feedback, notifier, acts)
    if acts is not None:
        acts.serves(single=True, run_going=True)
    writer: RunLogWriter | BackgroundLog | None = None
    if log_path is not None:
        if make_room is not None:
            make_room()
        header = run_header(run_id, source_name, rig_toml)
        loop.log = writer = _open_log(log_path, header, commit_by_time_ns, hub, troubles)
        if writer is not None:
            loop.run_words = f"run {run_id}"
    ended_ns: int | None = None

    def close_log() -> None:
        if writer is not None:
            _close_log(writer, ended_ns, hub.why, troubles)

    def after(reading: Reading, _: Sequence[Output]) -> None:
        why = ended_by(reading) if type(reading.payload) is EndRun else None
        if why is not None:
            hub.close(why)

    with _running(hub, sources, feedback, notifier, close_log):
        loop.go(after)
        ended_ns = hub.ended_ns or 0
        loop.finish(ended_ns)
        carry.ended(loop.pipeline, run_id)
    not_carried = carry.finish()
    if not_carried is not None:
        troubles.append(not_carried)
    assert ended_ns is not None
    if feedback is not None and feedback.trouble is not None:
        troubles.append(feedback.trouble)
    return RunOutcome(
        run_id=run_id,
        log_path=log_path if isinstance(writer, RunLogWriter) or (writer and writer.made) else None,
        ended_ns=ended_ns,
        ended_why=hub.why,
        readings=loop.readings,
        outputs=loop.outputs,
        troubles=(*loop.told, *troubles),
    )


# -- one run after another -----------------------------------------------------------------------------


class _Ending(NamedTuple):
    """A run whose log is being closed."""

    log: BackgroundLog
    path: Path
    outcome: RunOutcome


class _Runs:
    """Begins and ends runs, each with its own log, number, sequence and time zero, as the life cycle says."""

    def __init__(
        self,
        rig: Rig,
        rig_toml: str,
        new_log: Callable[[str], Path],
        loop: _Loop,
        feedback: Feedback | None,
        on_ended: Callable[[RunOutcome], None],
        source_name: str,
        records: Sequence[str],
        make_room: Callable[[], None] | None,
        watcher: RunWatcher | None,
        carry: Carry,
    ) -> None:
        self._watcher = watcher
        self._carry = carry
        self._using = Retargeted(rig, rig_toml, tuple(records))
        self._new_log = new_log
        self._loop = loop
        self._feedback = feedback
        self._on_ended = on_ended
        self._source_name = source_name
        self._make_room = make_room
        self._cycle = LifeCycle(rig)
        self._before = PreRoll()
        self._log: BackgroundLog | None = None
        self._run_id = ""
        self._path = Path()
        self._ending: list[_Ending] = []
        self.count = 0
        self.troubles: list[str] = []  # of no run

    def begin(self) -> None:
        """A new run, from the oldest reading of the pre-roll on."""
        loop = self._loop
        run_id = self._run_id = new_run_id()
        path = self._path = self._new_log(run_id)
        header = run_header(run_id, self._source_name, self._using.rig_toml)

        def open_writer() -> RunLogWriter:
            _make_folder(path)
            if self._make_room is not None:
                self._make_room()
            return RunLogWriter(path, header, self._on_trouble)

        loop.log = self._log = BackgroundLog(open_writer, self._on_trouble)
        loop.run_words = f"run {run_id}"
        zero_ns, first = self._before.take()
        self._cycle.begun()
        self.count += 1
        notes = _first_notes(self._using.records, self._source_name, self._carry.known(self._using.rig))
        notes += [(Source.HUB, note) for note in loop.feedback_notes()]
        if self._before.lost:
            lost = f"{self._before.lost} notes and refills between runs were too many to keep"
            notes.append((Source.HUB, Note(lost)))
            self._before.lost = 0
        if loop.acts is not None:
            loop.acts.serves(single=False, run_going=True)
        made = self._new_core(zero_ns, [*(Reading(0, zero_ns, *note) for note in notes)], first)
        self._tell("a run has begun")
        if self._watcher is not None:
            self._watcher.began(run_id, made)
        self._show_news(made)

    def _new_core(self, zero_ns: int, notes: Sequence[Reading], first: Sequence[Reading]) -> list[Output]:
        """A core that begins at `zero_ns` of the hub's clock and knows `first`; returns what it made of them.

        What was acknowledged and stands on is acknowledged in the new one too.
        """
        loop = self._loop
        loop.zero_ns, loop.next_seq, loop.newest_ns = zero_ns, 0, 0
        loop.readings = loop.outputs = 0
        loop.told.clear()
        loop.pipeline = pipeline = Pipeline(self._using.rig)
        made: list[Output] = []
        for note in notes:
            made += loop.take(loop.moved(note))
        for reading in first:
            # the rule for ticks, as the hub keeps it
            while reading.t_ns - zero_ns > pipeline.deadline_ns:
                tick = Reading(0, zero_ns + pipeline.deadline_ns, Source.HUB, Tick())
                made += loop.take(loop.moved(tick))
            made += loop.take(loop.moved(reading), told=True)
        standing: dict[str, bool] = {}
        for output in made:
            if type(output) is Alert:
                standing[output.code] = output.raised
            elif type(output) is Act and output.kind == "acknowledge":
                standing[output.text] = False
        for code in sorted(loop.acknowledged):
            if standing.get(code):
                now_ns = zero_ns + loop.newest_ns
                made += loop.take(loop.moved(Reading(0, now_ns, Source.PERSON, Acknowledge(code))), told=True)
        return made

    def _show_news(self, made: Sequence[Output]) -> None:
        """The core is a new one: the driver sees what has changed with it, not what is as it was."""
        loop = self._loop
        now_active: dict[str, Alert] = {}
        newest: Sample | None = None
        for output in made:
            if type(output) is Alert:
                if output.raised:
                    now_active[output.code] = output
                else:
                    now_active.pop(output.code, None)
            elif type(output) is Sample:
                newest = output
        news: list[Output] = [
            Alert(loop.newest_ns, code, False, None, None, alert.unit)
            for code, alert in loop.active.items()
            if code not in now_active
        ]
        news += [alert for code, alert in now_active.items() if code not in loop.active]
        loop.show([*news, *([] if newest is None else [newest])])

    def after(self, reading: Reading, outputs: Sequence[Output]) -> None:
        """Called when a reading went through: does the run end, or begin, with it?"""
        payload = reading.payload
        asked = type(payload) is Retarget and reading.source is Source.PERSON
        new = self._retargeted(payload) if asked else None  # type: ignore[arg-type]
        if self._log is None:
            self._before.add(reading)
            if new is not None:
                self._use(new, self._before.newest())
            elif self._cycle.begins_with(reading) or self._cycle.begins(outputs):
                self.begin()
        elif not asked or new is not None:
            why = self._cycle.ends(reading, outputs)
            if why is not None:
                self.end(self._loop.newest_ns, why)
            if new is not None:
                self._use(new, [reading._replace(payload=Tick())])
        if self._ending:
            self._tell_ended()

    def _retargeted(self, choice: Retarget) -> Retargeted | None:
        """The rig with the target that a person chose; None: it cannot be, and the person was told."""
        acts = self._loop.acts
        try:
            if acts is None:
                raise UsageError("no calibration book is at hand")
            return acts.prepared(choice)
        except UsageError as error:
            text = f"the target is not changed: {error}"
            self._tell(text)
            hub = self._loop.hub
            hub.put(hub.clock.now_ns(), Source.HUB, Note(text))
            return None

    def _use(self, new: Retargeted, newest: Sequence[Reading]) -> None:
        """Guide by another target from now on, with a new core that knows the `newest` readings."""
        self._using = new
        loop = self._loop
        made = self._new_core(min(reading.t_ns for reading in newest), [], newest)
        loop.use(new.rig)
        self._show_news(made)
        self._tell(f"the target is {new.rig.target.record or 'that of the rig file'} from now on")

    def end(self, ended_ns: int, why: str) -> None:
        """End the run, if there is one. The core goes on for the driver; the log is closed meanwhile."""
        loop, log = self._loop, self._log
        if log is None:
            return
        loop.finish(ended_ns)
        log.close(ended_ns, why)
        self._carry.ended(loop.pipeline, self._run_id)
        outcome = RunOutcome(
            self._run_id, self._path, ended_ns, why, loop.readings, loop.outputs, tuple(loop.told)
        )
        self._ending.append(_Ending(log, self._path, outcome))
        loop.log = self._log = None
        loop.run_words = "between runs"
        if loop.acts is not None:
            loop.acts.serves(single=False, run_going=False)
        self._tell(f"the run has ended: {why}")
        if self._watcher is not None:
            self._watcher.ended()

    def close(self, why: str, timeout_s: float = _LOG_PATIENCE_S) -> None:
        """Leave no log open. A run that is still going was broken off: it keeps what it has and no end."""
        if self._log is not None:
            self._log.abandon()
            self._log.join(timeout_s)
            if self._log.trouble is not None:
                self.troubles.append(self._log.trouble)
            self.troubles.append(f"{self._path}: the run was broken off: {why or 'by an error'}")
            self._log = self._loop.log = None
        for ending in self._ending:
            ending.log.join(timeout_s)
        self._tell_ended(all_of_them=True)
        not_carried = self._carry.finish()
        if not_carried is not None:
            self.troubles.append(not_carried)
        left = [reading.payload for reading in self._before.left()]
        if left:
            said = "; ".join(str(payload)[:80] for payload in left[-5:])
            self.troubles.append(
                f"{len(left)} notes or refills made after the last run are in no run log; the newest: {said}"
            )

    def _tell_ended(self, all_of_them: bool = False) -> None:
        for ending in list(self._ending):
            if ending.log.done or all_of_them:
                self._ending.remove(ending)
                outcome = _with_trouble(ending)
                self._tell(
                    f"no run log: {outcome.troubles[-1]}"
                    if outcome.log_path is None
                    else f"run log: {outcome.log_path}"
                )
                self._on_ended(outcome)

    def _on_trouble(self, fault: SourceFault) -> None:
        hub = self._loop.hub
        if hub.ended_ns is None:
            hub.put(hub.clock.now_ns(), Source.LOG, fault)
        else:
            self.troubles.append(f"run log: {fault.kind}: {fault.detail}")

    def _tell(self, text: str) -> None:
        if self._feedback is not None:
            self._feedback.tell(self._loop.newest_ns, text)


def _with_trouble(ending: _Ending) -> RunOutcome:
    outcome, trouble = ending.outcome, ending.log.trouble
    return RunOutcome(
        outcome.run_id,
        ending.path if ending.log.made else None,
        outcome.ended_ns,
        outcome.ended_why,
        outcome.readings,
        outcome.outputs,
        outcome.troubles if trouble is None else (*outcome.troubles, trouble),
    )


class ServeOutcome(NamedTuple):
    """How it went when runs come and go. `troubles` belong to no single run."""

    runs: int
    ended_why: str
    troubles: tuple[str, ...]


def serve(
    rig: Rig,
    rig_toml: str,
    new_log: Callable[[str], Path],
    sources: Sequence[RunSource],
    hub: Hub,
    feedback: Feedback | None,
    on_ended: Callable[[RunOutcome], None],
    *,
    source_name: str = "live",
    stop_after_s: float | None = None,
    records: Sequence[str] = (),
    notifier: Notifier | None = None,
    make_room: Callable[[], None] | None = None,
    carry_in: Path | None = None,
    watcher: RunWatcher | None = None,
    acts: Acts | None = None,
) -> ServeOutcome:
    """One run after another, as the rig's `runs` rules say, until a signal or a source closes the hub.

    Each run has its own log at `new_log(run_id)`, a sequence and stamps from zero, and the readings of the
    last seconds before its work. Between runs the driver is guided all the same. Logs are made and closed on
    a thread of their own; what one run leaves to the next is kept in the folder `carry_in`. `on_ended` gets
    each run, from this thread, when its log is closed. `make_room` is called before each log is made.
    `watcher` is told of each run. At the desk `acts` people begin and end runs and choose a target too; what
    they note between runs goes into the next one's log. The other parameters are those of `run`.

    Raises UsageError for a time that is not above zero and for a folder that can never hold a log, and
    whatever a recording's items raised.
    """
    _check_seconds(stop_after_s)
    if stop_after_s is not None:
        hub.stop_at(round(stop_after_s * 1e9), f"stopped after {stop_after_s:g} s")
    _check_folder(new_log(new_run_id()))
    loop = _Loop(rig, hub, feedback, notifier, acts)
    if acts is not None:
        acts.serves(single=False, run_going=False)
    loop.run_words = "between runs"
    runs = _Runs(rig, rig_toml, new_log, loop, feedback, on_ended, source_name, records, make_room, watcher,
                 Carry(carry_in))  # fmt: skip
    with _running(hub, sources, feedback, notifier, lambda: runs.close(hub.why)):
        if rig.runs.begin == "start":
            runs.begin()
        loop.go(runs.after)
        runs.end(max(loop.newest_ns, (hub.ended_ns or 0) - loop.zero_ns), hub.why)
    troubles = runs.troubles
    if feedback is not None and feedback.trouble is not None:
        troubles.append(feedback.trouble)
    return ServeOutcome(runs.count, hub.why, tuple(troubles))


# -- signals -------------------------------------------------------------------------------------------


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
) -> RunLogWriter | BackgroundLog | None:
    """Where the card is in trouble an alert is on its way, and the log is tried again until it can be made;
    flat out it is not: None. Raises LogError for a wrong path.
    """

    def on_trouble(fault: SourceFault) -> None:
        if hub.ended_ns is None:
            hub.put(hub.clock.now_ns(), Source.LOG, fault)
        else:
            troubles.append(f"{path}: {fault.kind}: {fault.detail}")

    def open_writer() -> RunLogWriter:
        _make_folder(path)
        return RunLogWriter(path, header, on_trouble, commit_by_time_ns=commit_by_time_ns)

    try:
        return open_writer()
    except LogError as error:
        if not _is_card_trouble(error):
            raise
        on_trouble(SourceFault("failed", str(error), 0))
        if commit_by_time_ns is None:
            return BackgroundLog(open_writer, on_trouble, told=True)
        troubles.append(str(error))
        return None


def _make_folder(path: Path) -> None:
    """The folder of a log. Raises LogError."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise LogError(f"{path.parent}: the folder cannot be made: {error.strerror}") from error


def _check_folder(path: Path) -> None:
    """Raise LogError where no log can ever be made; a card in trouble may get well."""
    try:
        _make_folder(path)
        if not os.access(path.parent, os.W_OK | os.X_OK):
            raise LogError(
                f"{path.parent}: this user cannot write there; log.folder must be a folder of its own"
            )
    except LogError as error:
        if not _is_card_trouble(error):
            raise


def _is_card_trouble(error: LogError) -> bool:
    cause = error.__cause__
    return cause is not None and not (isinstance(cause, OSError) and cause.errno not in _CARD_TROUBLE)


def _close_log(
    writer: RunLogWriter | BackgroundLog, ended_ns: int | None, why: str, troubles: list[str]
) -> None:
    """End the log cleanly; without `ended_ns`, as after a crash, it keeps what it has and no end."""
    try:
        if ended_ns is None:
            writer.abandon()
        else:
            writer.close(ended_ns, why)
    except LogError as error:
        troubles.append(str(error))
    if isinstance(writer, BackgroundLog):
        writer.join(_LOG_PATIENCE_S)
        if writer.trouble is not None:
            troubles.append(writer.trouble)
