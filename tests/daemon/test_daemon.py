"""The daemon: real core, real run log, real ports; the wiring is what is tested."""

import errno
import itertools
import os
import select
import signal
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import pytest
from fakes import PATIENCE_S, RIG_TOML, JumpingClock, PtyPort

from rigmon import config, daemon, replay
from rigmon.core.gnss import LIVE_RUN
from rigmon.core.pipeline import Pipeline
from rigmon.edge.bench import BenchSource
from rigmon.edge.feedback import TerminalFeedback
from rigmon.edge.hub import BenchClock, Hub, MonotonicClock
from rigmon.edge.serial_nmea import SerialNmea
from rigmon.errors import LogError, UsageError
from rigmon.log.reader import RunLog
from rigmon.log.writer import RunLogWriter
from rigmon.model import Alert, NmeaLine, Note, Output, Reading, RunHeader, Sample, Source, SourceFault, Tick
from rigmon.rig import Rig

SECOND = 1_000_000_000

#: sensors on the GPS port, and alerts that come within a test's patience
XDR_TOML = (
    RIG_TOML
    + """
[gps]
port = "PORT"
stale = "0.5 s"
[flow]
source = "xdr"
[pressure]
source = "xdr"
[boom_switch]
source = "xdr"
[alerts.gps_lost]
on_delay = "0 s"
off_delay = "0 s"
"""
)


def sentence(body: str) -> bytes:
    check = 0
    for byte in body.encode():
        check ^= byte
    return f"${body}*{check:02X}".encode()


def rmc(n: int, knots: float = 3.04) -> bytes:
    """Fix number n of a 5 Hz receiver (invented place and day); 3.04 kn is 3.5 mph."""
    s = n / 5
    return sentence(
        f"GPRMC,12{int(s) // 60 % 60:02d}{s % 60:05.2f},A,0000.000,N,02500.000,W,{knots:.2f},090.0,010626,,,A"
    )


#: 40 psi = 2.758 bar and 2.4 gal/min = 0.15142 L/s, hand-worked
XDR = sentence("YXXDR,P,2.758,B,BOOM,R,0.15142,l,FLOW,S,1,,BOOM")


def bench_items(seconds: int) -> list[tuple[int, Source, NmeaLine]]:
    items = []
    for n in range(5 * seconds):
        t_ns = n * SECOND // 5
        items.append((t_ns, Source.GPS, NmeaLine(rmc(n))))
        items.append((t_ns + 50_000_000, Source.NODE, NmeaLine(XDR)))
    return items


def rig_for(port: object = "/dev/serial0") -> tuple[Rig, str]:
    text = XDR_TOML.replace("PORT", str(port))
    return config.parse(text, "rig.toml"), text


class Watcher:
    """A feedback that lets a test wait for what the core made."""

    trouble = None

    def __init__(self) -> None:
        self.outputs: list[Output] = []
        self.told: list[str] = []
        self._more = threading.Condition()
        self.started = self.stopped = False

    def start(self) -> None:
        self.started = True

    def stop(self) -> None:
        self.stopped = True

    def publish(self, outputs: Sequence[Output]) -> None:
        with self._more:
            self.outputs += outputs
            self._more.notify_all()

    def tell(self, _t_ns: int, text: str) -> None:
        self.told.append(text)

    def look_for(self, found: Callable[[Output], bool], after: int, patience_s: float) -> int | None:
        """Wait for an output from place `after` on; returns the place behind it, None: it did not come."""
        places: list[int] = []

        def there() -> bool:
            fresh = enumerate(self.outputs[after:], after + 1)
            places.extend(place for place, output in fresh if found(output))
            return bool(places)

        with self._more:
            return places[0] if self._more.wait_for(there, patience_s) else None

    def wait_for(self, found: Callable[[Output], bool], after: int = 0) -> int:
        place = self.look_for(found, after, PATIENCE_S)
        assert place is not None, f"not among {self.outputs[after:]}"
        return place


def on_bench(
    items: Sequence[tuple[int, Source, NmeaLine]], log_path: Path | None, **kwargs: object
) -> daemon.RunOutcome:
    rig, text = rig_for()
    clock = BenchClock()
    hub = Hub(clock)
    source = BenchSource(hub, clock, items, None)
    return daemon.run(rig, text, log_path, [source], hub, source_name="bench.nmea", **kwargs)  # type: ignore[arg-type]


# -- the loop ------------------------------------------------------------------------------------------


def test_a_bench_run_leaves_a_closed_log_that_checks(tmp_path: Path) -> None:
    path = tmp_path / "runs" / "one.sqlite"  # the folder is made
    watcher = Watcher()
    outcome = on_bench(bench_items(20), path, feedback=watcher, run_id="one")
    assert (outcome.run_id, outcome.log_path, outcome.troubles) == ("one", path, ())
    assert outcome.ended_why == "the recording ended"
    assert outcome.ended_ns == bench_items(20)[-1][0]
    assert outcome.outputs == len(watcher.outputs) > 0
    assert watcher.started
    assert watcher.stopped
    with RunLog.open(path) as log:
        assert (log.header.run_id, log.header.source) == ("one", "bench.nmea")
        assert (log.header.ended_ns, log.header.ended_why) == (outcome.ended_ns, outcome.ended_why)
        readings = list(log.readings())
        assert len(readings) == outcome.readings == 200
        assert [(r.t_ns, r.source, r.payload) for r in readings] == bench_items(20)
        assert replay.check(log).same
        samples = [output for output in watcher.outputs if isinstance(output, Sample)]
        assert list(log.samples()) == samples
    assert samples[-1].rate_l_ha is not None


def test_the_daemon_and_the_replayer_make_the_same_of_the_same_items() -> None:
    """Two ways of making ticks, one rule; with a gap that needs some."""
    items = bench_items(5) + [(t + 12 * SECOND, source, line) for t, source, line in bench_items(5)]
    watcher = Watcher()
    on_bench(items, None, feedback=watcher)
    again = replay.replay(items, rig_for()[0])
    assert [o for o in watcher.outputs if isinstance(o, Sample)] == again.samples
    assert [o for o in watcher.outputs if isinstance(o, Alert)] == again.alerts
    assert any(alert.code == "gps_lost" for alert in again.alerts)


def test_a_bench_run_gives_the_same_outputs_each_time() -> None:
    first, second = Watcher(), Watcher()
    on_bench(bench_items(10), None, feedback=first)
    on_bench(bench_items(10), None, feedback=second)
    assert first.outputs == second.outputs


def test_raw_first(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each reading is with the log before the core sees it; the outputs follow."""
    order: list[tuple[str, int]] = []

    class Writer:
        def __init__(self, *_args: object, **_kwargs: object) -> None: ...

        def reading(self, reading: Reading) -> None:
            order.append(("log", reading.seq))

        def outputs(self, outputs: Sequence[Output]) -> None:
            if outputs:
                order.append(("outputs", len(outputs)))

        def close(self, _ended_ns: int, _why: str) -> None:
            order.append(("closed", 0))

    class Core(Pipeline):
        def feed(self, reading: Reading) -> Sequence[Output]:
            order.append(("core", reading.seq))
            return super().feed(reading)

    monkeypatch.setattr(daemon, "RunLogWriter", Writer)
    monkeypatch.setattr(daemon, "Pipeline", Core)
    on_bench(bench_items(2), Path("unused.sqlite"))
    steps = [step for step in order if step[0] != "outputs"]
    assert steps == [(who, seq) for seq in range(20) for who in ("log", "core")] + [("closed", 0)]
    first = next(place for place, (who, _) in enumerate(order) if who == "outputs")
    assert order[first - 1][0] == "core"


def test_stop_after_is_run_time_and_silence_is_ticks(tmp_path: Path) -> None:
    rig, text = rig_for()
    path = tmp_path / "run.sqlite"
    outcome = daemon.run(rig, text, path, [], Hub(JumpingClock()), stop_after_s=30.0)
    assert (outcome.ended_ns, outcome.ended_why) == (30 * SECOND, "stopped after 30 s")
    with RunLog.open(path) as log:
        readings = list(log.readings())
        assert readings[0] == Reading(0, 0, Source.HUB, LIVE_RUN)
        assert {type(r.payload) for r in readings[1:]} == {Tick}
        assert all(b.t_ns - a.t_ns <= 1.2 * SECOND for a, b in itertools.pairwise(readings))
        assert {alert.code for alert in log.alerts()} >= {"gps_lost", "flow_silent", "pressure_silent"}
        assert sum(sample.dt_ns for sample in log.samples()) == 30 * SECOND
        assert replay.check(log).same
        assert log.header.ended_ns == 30 * SECOND


@pytest.mark.parametrize("seconds", [0.0, -1.0, float("nan"), float("inf")])
def test_a_time_that_is_not_above_zero_is_refused(seconds: float) -> None:
    rig, text = rig_for()
    with pytest.raises(UsageError, match="give seconds above 0"):
        daemon.run(rig, text, None, [], Hub(JumpingClock()), stop_after_s=seconds)


def test_a_recording_that_breaks_off_is_told_after_the_log_is_closed(tmp_path: Path) -> None:
    path = tmp_path / "run.sqlite"

    def broken() -> object:
        yield from bench_items(1)
        raise UsageError("field.nmea: cannot be read: Input/output error")

    with pytest.raises(UsageError, match=r"field\.nmea"):
        on_bench(broken(), path)  # type: ignore[arg-type]
    with RunLog.open(path) as log:
        assert log.header.ended_ns is not None
        assert len(list(log.readings())) == 10


def test_a_fault_of_ours_leaves_what_came_in_and_nothing_running(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "run.sqlite"

    class Broken(Pipeline):
        def feed(self, reading: Reading) -> Sequence[Output]:
            if reading.seq == 7:
                raise RuntimeError("a fault of ours")
            return super().feed(reading)

    monkeypatch.setattr(daemon, "Pipeline", Broken)
    before = threading.active_count()
    watcher = Watcher()
    with pytest.raises(RuntimeError, match="a fault of ours"):
        on_bench(bench_items(5), path, feedback=watcher)
    assert watcher.stopped
    assert threading.active_count() == before
    with RunLog.open(path) as log:
        assert log.header.ended_ns is None
        assert [r.seq for r in log.readings()] == list(range(8))  # the one that broke it is there


# -- a feedback in trouble -----------------------------------------------------------------------------


def test_a_feedback_that_fails_on_the_way_is_a_note_in_the_run_log(tmp_path: Path) -> None:
    class Failing(Watcher):
        def publish(self, outputs: Sequence[Output]) -> None:
            super().publish(outputs)
            if len(self.outputs) > 20:
                self.trouble = "lights: no signals any more: pin gone"  # type: ignore[assignment]

    rig, text = rig_for()
    clock = BenchClock()
    hub = Hub(clock)
    path = tmp_path / "run.sqlite"
    feedback = Failing()
    outcome = daemon.run(
        rig, text, path, [BenchSource(hub, clock, bench_items(20), 40.0)], hub, feedback, source_name="bench"
    )
    assert outcome.troubles == (feedback.trouble,)
    with RunLog.open(path) as log:
        notes = [reading for reading in log.readings() if isinstance(reading.payload, Note)]
        (note,) = notes
        assert (note.source, note.payload) == (
            Source.HUB, Note(f"the driver's feedback has failed: {feedback.trouble}")
        )  # fmt: skip
        assert 0 < note.t_ns < 20 * SECOND
        assert replay.check(log).same


# -- the run log in trouble ----------------------------------------------------------------------------


def _refusing(cause: Exception) -> type:
    class Refusing:
        def __init__(self, path: Path, *_args: object, **_kwargs: object) -> None:
            raise LogError(f"{path}: the run log cannot be made: {cause}") from cause

    return Refusing


@pytest.mark.parametrize(
    "cause",
    [
        OSError(errno.ENOSPC, "No space left on device"),
        OSError(errno.EROFS, "Read-only file system"),
        sqlite3.OperationalError("database or disk is full"),
    ],
)
def test_a_card_in_trouble_at_start_costs_the_log_not_the_feedback(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, cause: Exception
) -> None:
    monkeypatch.setattr(daemon, "RunLogWriter", _refusing(cause))
    watcher = Watcher()
    outcome = on_bench(bench_items(5), tmp_path / "run.sqlite", feedback=watcher)
    assert outcome.log_path is None
    assert len(outcome.troubles) == 1
    assert "cannot be made" in outcome.troubles[0]
    raised = [output.code for output in watcher.outputs if isinstance(output, Alert) and output.raised]
    assert "run_log_trouble" in raised
    assert any(isinstance(output, Sample) and output.rate_l_ha for output in watcher.outputs)


def test_a_wrong_place_for_the_log_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(LogError, match=r"Not a directory|File exists"):
        on_bench(bench_items(1), tmp_path / "file" / "run.sqlite")
    (tmp_path / "run.sqlite").write_text("mine")
    with pytest.raises(LogError, match="is there already"):
        on_bench(bench_items(1), tmp_path / "run.sqlite")
    assert (tmp_path / "run.sqlite").read_text() == "mine"


def test_trouble_with_the_log_on_the_way_is_a_reading_and_an_alert(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    class Slow(RunLogWriter):
        """Tells of a slow commit at the tenth reading, and of its end ten readings later."""

        def __init__(
            self, path: Path, header: RunHeader, on_trouble: Callable[[SourceFault], None], **_: object
        ) -> None:
            super().__init__(path, header)
            take = self.reading

            def reading(r: Reading) -> None:
                take(r)
                if r.source is not Source.LOG:
                    taken.release()
                if r.seq == 10:
                    on_trouble(SourceFault("slow", "a commit has been going on for 2.0 s", 0))
                if r.seq == 20:
                    on_trouble(SourceFault("resumed", "logging again after 2.0 s", 0))

            self.reading = reading

    taken = threading.Semaphore(1)

    def one_by_one() -> Iterator[tuple[int, Source, NmeaLine]]:
        """Each when the one before was taken, so that the news comes right behind."""
        for item in bench_items(20):
            assert taken.acquire(timeout=PATIENCE_S)
            yield item

    monkeypatch.setattr(daemon, "RunLogWriter", Slow)
    path = tmp_path / "run.sqlite"
    rig, text = rig_for()
    clock = BenchClock()
    hub = Hub(clock)
    daemon.run(rig, text, path, [BenchSource(hub, clock, one_by_one(), None)], hub)
    with RunLog.open(path) as log:
        faults = [r for r in log.readings() if r.source is Source.LOG]
        assert [r.payload.kind for r in faults if isinstance(r.payload, SourceFault)] == ["slow", "resumed"]
        alerts = [a.raised for a in log.alerts() if a.code == "run_log_trouble"]
        assert alerts == [True, False]
        assert replay.check(log).same


def test_a_log_that_cannot_be_ended_is_told(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    class Stuck(RunLogWriter):
        def close(self, ended_ns: int, why: str, timeout_s: float = 10.0) -> None:  # noqa: ARG002
            self.abandon()
            raise LogError("run.sqlite: the disk has not answered")

    monkeypatch.setattr(daemon, "RunLogWriter", Stuck)
    outcome = on_bench(bench_items(2), tmp_path / "run.sqlite")
    assert outcome.troubles == ("run.sqlite: the disk has not answered",)


# -- live ----------------------------------------------------------------------------------------------


class Live:
    """A live run on a thread, for tests that play its surroundings."""

    def __init__(self, port: PtyPort, log_path: Path) -> None:
        rig, text = rig_for(port.link)
        self.watcher = Watcher()
        self.hub = Hub(MonotonicClock())
        self.outcome: daemon.RunOutcome | None = None
        self._args = (rig, text, log_path, daemon.live_sources(rig, self.hub), self.hub, self.watcher)
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        self.outcome = daemon.run(*self._args)

    def stop(self) -> daemon.RunOutcome:
        self.hub.close("the test is over")
        self._thread.join(PATIENCE_S)
        assert self.outcome is not None
        return self.outcome


def test_unplug_and_replug_while_running(port: PtyPort, tmp_path: Path) -> None:
    """Speed known, then GPS lost while the port is away, then known again; nothing ends the run."""
    live = Live(port, tmp_path / "run.sqlite")
    port.plug()
    sent = 0

    def send_until(found: Callable[[Output], bool], after: int) -> int:
        """Send fixes, at about 20 Hz, until an output is there; returns the place behind it."""
        nonlocal sent
        for _ in range(400):
            port.send(rmc(sent) + b"\r\n" + XDR + b"\r\n")
            sent += 1
            place = live.watcher.look_for(found, after, 0.05)
            if place is not None:
                return place
        raise AssertionError(f"not among {live.watcher.outputs[after:]}")

    def moving(output: Output) -> bool:
        return isinstance(output, Sample) and output.rate_l_ha is not None

    def gps_lost(raised: bool) -> Callable[[Output], bool]:
        return lambda o: isinstance(o, Alert) and o.code == "gps_lost" and o.raised is raised

    place = send_until(moving, 0)
    port.unplug()
    place = live.watcher.wait_for(gps_lost(True), place)
    port.plug()
    place = send_until(gps_lost(False), place)
    send_until(moving, place)
    outcome = live.stop()
    assert outcome.ended_why == "the test is over"
    assert any(text.startswith("GPS: closed: ") for text in live.watcher.told)  # the driver is told why
    with RunLog.open(tmp_path / "run.sqlite") as log:
        kinds = [r.payload.kind for r in log.readings() if isinstance(r.payload, SourceFault)]
        assert [kind for kind in kinds if kind != "failed"] == ["opened", "closed", "opened"]
        assert replay.check(log).same
        assert log.header.ended_ns == outcome.ended_ns


def test_a_run_leaves_no_thread_and_no_descriptor(port: PtyPort, tmp_path: Path) -> None:
    port.plug()
    before = sorted(os.listdir("/proc/self/fd")), threading.active_count()
    for n in range(2):
        live = Live(port, tmp_path / f"run{n}.sqlite")
        live.watcher.wait_for(lambda output: isinstance(output, Sample))
        live.stop()
    assert (sorted(os.listdir("/proc/self/fd")), threading.active_count()) == before


def test_a_signal_ends_a_daemon_process_cleanly(tmp_path: Path) -> None:
    """Three of them side by side, for most of their time is waiting."""
    running: dict[signal.Signals, tuple[PtyPort, Path, subprocess.Popen[bytes]]] = {}
    try:
        for signum in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            folder = tmp_path / signum.name
            folder.mkdir()
            port = PtyPort(folder / "gps")
            port.plug()
            (folder / "rig.toml").write_text(rig_for(port.link)[1])
            process = subprocess.Popen(
                [sys.executable, "-c", _DAEMON, str(folder / "rig.toml"), str(folder / "run.sqlite")],
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
            )
            running[signum] = port, folder, process
        for port, _, process in running.values():
            assert process.stdout is not None
            _read_line(process.stdout.fileno(), b"boom --")  # it runs, before anything has come in
            port.send(XDR + b"\r\n")
            for n in range(3):
                port.send(rmc(n) + b"\r\n")
        for signum, (_, _, process) in running.items():
            assert process.stdout is not None
            _read_line(process.stdout.fileno(), b"boom on")
            process.send_signal(signum)
        for signum, (_, folder, process) in running.items():
            out, err = process.communicate(timeout=PATIENCE_S)
            assert (process.returncode, err) == (0, b"")
            assert out.splitlines()[-1].decode() == f"ended: stopped by {signum.name}"
            assert_ended_by(signum, folder)
    finally:
        for port, _, process in running.values():
            process.kill()
            process.communicate()
            port.unplug()


def assert_ended_by(signum: signal.Signals, folder: Path) -> None:
    assert sorted(p.name for p in folder.glob("run.sqlite*")) == ["run.sqlite"]  # one copyable file
    with RunLog.open(folder / "run.sqlite") as log:
        assert log.header.ended_why == f"stopped by {signum.name}"
        assert log.header.ended_ns is not None
        lines = [r.payload.raw for r in log.readings() if isinstance(r.payload, NmeaLine)]
        assert lines == [XDR, rmc(0), rmc(1), rmc(2)]
        assert replay.check(log).same


_DAEMON = """
import sys
from pathlib import Path
from rigmon import config, daemon
from rigmon.edge.feedback import TerminalFeedback
from rigmon.edge.hub import Hub, MonotonicClock
rig, text = config.load(Path(sys.argv[1]))
hub = Hub(MonotonicClock())
feedback = TerminalFeedback(rig, sys.stdout, every_s=0.0)
outcome = daemon.run(rig, text, Path(sys.argv[2]), daemon.live_sources(rig, hub), hub, feedback)
print(f"ended: {outcome.ended_why}")
"""


def _read_line(fd: int, found: bytes) -> None:
    """Read whole lines until one holds `found`."""
    line = b""
    while True:
        assert select.select([fd], [], [], PATIENCE_S)[0], line
        byte = os.read(fd, 1)
        assert byte, line
        line += byte
        if byte == b"\n":
            if found in line:
                return
            line = b""


def test_handlers_are_put_back_and_ignored_signals_stay_ignored() -> None:
    def mine(_signum: int, _frame: object) -> None: ...

    kept = {s: signal.getsignal(s) for s in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)}
    try:
        signal.signal(signal.SIGTERM, mine)
        signal.signal(signal.SIGHUP, signal.SIG_IGN)  # as nohup does

        class Looker(Watcher):
            during: tuple[object, object]

            def start(self) -> None:
                self.during = signal.getsignal(signal.SIGTERM), signal.getsignal(signal.SIGHUP)

        looker = Looker()
        on_bench(bench_items(1), None, feedback=looker)
        assert looker.during[0] is not mine
        assert looker.during[1] is signal.SIG_IGN
        assert signal.getsignal(signal.SIGTERM) is mine
        assert signal.getsignal(signal.SIGINT) is kept[signal.SIGINT]
    finally:
        for signum, handler in kept.items():
            signal.signal(signum, handler)


def test_a_terminal_that_is_gone_does_not_end_the_run() -> None:
    read_end, write_end = os.pipe()
    os.close(read_end)
    with open(write_end, "w", encoding="ascii") as out:
        outcome = on_bench(bench_items(20), None, feedback=TerminalFeedback(rig_for()[0], out, every_s=0.0))
    assert outcome.readings == 200
    assert len(outcome.troubles) == 1
    assert "Broken pipe" in outcome.troubles[0]


# -- what to run ---------------------------------------------------------------------------------------


def ports(rig: Rig) -> list[tuple[Source, str]]:
    sources = daemon.live_sources(rig, Hub(MonotonicClock()))
    return [(source.source, source.url) for source in sources if isinstance(source, SerialNmea)]


def with_node(port: object) -> Rig:
    return config.parse(RIG_TOML + f'[gps]\nport = "/dev/ttyACM0"\n[node]\nport = "{port}"\n', "rig.toml")


def test_the_rig_says_which_ports_are_read() -> None:
    assert ports(rig_for("/dev/ttyACM0")[0]) == [(Source.GPS, "/dev/ttyACM0")]
    assert ports(with_node("/dev/ttyACM1")) == [(Source.GPS, "/dev/ttyACM0"), (Source.NODE, "/dev/ttyACM1")]


def test_one_port_under_two_names_is_opened_once(tmp_path: Path) -> None:
    (tmp_path / "by-id").symlink_to("/dev/ttyACM0")
    assert ports(with_node(tmp_path / "by-id")) == [(Source.GPS, "/dev/ttyACM0")]


def test_a_port_that_can_never_work_is_refused_by_its_key() -> None:
    with pytest.raises(UsageError, match=r"node\.port = 'carrier://pigeon'"):
        ports(with_node("carrier://pigeon"))


def test_importing_the_daemon_loads_nothing_heavy() -> None:
    heavy = {"numpy", "pandas", "pyproj", "click", "gpiozero", "sqlite_utils", "matplotlib"}
    code = "import sys, rigmon.daemon; print(*sorted({name.split('.')[0] for name in sys.modules}))"
    env = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    loaded = subprocess.run(
        [sys.executable, "-c", code], env=env, check=True, capture_output=True, text=True
    ).stdout.split()
    assert {"rigmon", "serial", "pynmea2", "sqlite3"} <= set(loaded)
    assert not heavy & set(loaded)
