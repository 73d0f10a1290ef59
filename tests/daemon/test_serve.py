"""One run after another, through the real hub, core and run log: each log is whole and checks."""

import errno
import threading
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from fakes import PATIENCE_S
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from test_daemon import SECOND, Watcher, rig_for, rmc, sentence

from rigmon import config, daemon, replay
from rigmon.core.gnss import LIVE_RUN
from rigmon.edge.bench import BenchSource
from rigmon.edge.hub import BenchClock, Hub
from rigmon.errors import LogError, UsageError
from rigmon.lifecycle import STOP_HELD, SUPPLY_FAILED
from rigmon.log.reader import RunLog
from rigmon.log.records import calibration_records
from rigmon.log.writer import RunLogWriter
from rigmon.model import (
    Alert,
    Carried,
    NmeaLine,
    Note,
    Output,
    Payload,
    PulseCount,
    Reading,
    RunHeader,
    Sample,
    Source,
    SourceFault,
    SwitchState,
    Tick,
)
from rigmon.rig import Rig

Item = tuple[int, Source, Payload]
RUNS = '[runs]\nbegin = "work"\nend_after = "20 s"\n'
#: the speed that holds the rate, and none
KNOTS = 3.04
STAND, DRIVE, SPRAY = (0, 0.0), (0, KNOTS), (1, KNOTS)


def day(*stretches: tuple[float, tuple[int, float]]) -> list[Item]:
    """Stretches of (seconds, (boom, knots)) at 5 Hz, as an RMC and an XDR sentence each."""
    items: list[Item] = []
    n = 0
    for seconds, (boom, knots) in stretches:
        xdr = sentence(f"YXXDR,P,2.758,B,BOOM,R,{0.15142 * boom:.5f},l,FLOW,S,{boom},,BOOM")
        for _ in range(round(5 * seconds)):
            t_ns = n * SECOND // 5
            items.append((t_ns, Source.GPS, NmeaLine(rmc(n, knots))))
            items.append((t_ns + 50_000_000, Source.NODE, NmeaLine(xdr)))
            n += 1
    return items


class Served:
    """`serve` over a bench recording, and what became of it."""

    def __init__(self, items: Any, folder: Path, toml: str = RUNS, **kwargs: Any) -> None:
        self.rig, text = with_rules(toml)
        clock = BenchClock()
        hub = self.hub = Hub(clock)
        self.watcher = kwargs.pop("feedback", None) or Watcher()
        self.ended: list[daemon.RunOutcome] = []
        sources = [BenchSource(hub, clock, items, None)]
        self.outcome = daemon.serve(
            self.rig, text, lambda run_id: folder / f"{run_id}.sqlite", sources, hub, self.watcher,
            self.ended.append, source_name=kwargs.pop("source_name", "day.nmea"), **kwargs,
        )  # fmt: skip


def with_rules(toml: str) -> tuple[Rig, str]:
    text = rig_for()[1] + toml
    return config.parse(text, "rig.toml"), text


def checked(path: Path | None) -> list[Reading]:
    """The readings of a log that ended cleanly and whose every number can be computed again."""
    assert path is not None
    with RunLog.open(path) as log:
        assert log.ended_cleanly
        assert not log.gaps
        readings = list(log.readings())
        assert [r.seq for r in readings] == list(range(len(readings)))
        check = replay.check(log)
    assert (check.same, check.complete) == (True, True)
    assert check.compared > 0
    return readings


def lines(readings: Sequence[Reading]) -> list[NmeaLine]:
    return [r.payload for r in readings if isinstance(r.payload, NmeaLine)]


# -- begin and end by work -----------------------------------------------------------------------------


def test_two_jobs_are_two_logs_and_the_way_between_is_in_none(tmp_path: Path) -> None:
    items = day((60, DRIVE), (40, SPRAY), (30, STAND), (100, DRIVE), (50, SPRAY), (60, STAND))
    served = Served(items, tmp_path / "runs")
    first, second = served.ended
    assert (served.outcome.runs, served.outcome.ended_why, served.outcome.troubles) == (
        2, "the recording ended", (),
    )  # fmt: skip
    assert first.run_id != second.run_id
    assert first.log_path != second.log_path
    assert [o.ended_why for o in served.ended] == ["stood still with the boom off for 20 s"] * 2
    assert [o.troubles for o in served.ended] == [(), ()]
    logs = [checked(o.log_path) for o in served.ended]
    for outcome, readings in zip(served.ended, logs, strict=True):
        assert outcome.readings == len(readings)
        assert readings[0].t_ns == 0
        with RunLog.open(outcome.log_path or "") as log:
            assert (log.header.run_id, log.header.ended_ns) == (outcome.run_id, outcome.ended_ns)
            assert log.outputs_count == outcome.outputs
    # every line of the jobs, from about 10 s before each, byte for byte: work begins at 60 s and 230 s, it
    # counts after 1 s, and the pre-roll is 10 s; the runs end 20 s after standing began at 100 s and 280 s
    everything = [item[2] for item in items]
    for readings, begin_s, end_s in zip(logs, (51, 221), (120, 300), strict=True):
        said = lines(readings)
        place = everything.index(said[0])
        assert said == everything[place : place + len(said)]
        assert place / 10 == pytest.approx(begin_s, abs=0.5)
        assert (place + len(said)) / 10 == pytest.approx(end_s, abs=2.0)
    # the speed is known from the work's first moment on: nothing treated is unknown
    for outcome, seconds in zip(served.ended, (40, 50), strict=True):
        with RunLog.open(outcome.log_path or "") as log:
            treated = [sample for sample in log.samples() if sample.boom_on == 1]
        assert sum(sample.dt_ns for sample in treated) / SECOND == pytest.approx(seconds, abs=0.5)
        assert None not in [sample.area_m2 for sample in treated]
        # 3.04 kn x 1852 / 3600 x 12 x 0.508 m
        assert sum(sample.area_m2 or 0 for sample in treated) == pytest.approx(
            seconds * 1.5639 * 6.096, rel=0.02
        )


def test_the_driver_is_guided_before_between_and_after(tmp_path: Path) -> None:
    items = day((30, DRIVE), (10, SPRAY), (30, STAND), (30, DRIVE))
    served = Served(items, tmp_path)
    samples = [output for output in served.watcher.outputs if isinstance(output, Sample)]
    assert len(served.ended) == 1
    # about five a second all the time but for the pre-roll, of which the newest is shown once more
    assert len(samples) == pytest.approx(5 * 100, abs=10)
    assert "a run has begun" in served.watcher.told
    assert "the run has ended: stood still with the boom off for 20 s" in served.watcher.told


def test_a_day_without_work_leaves_no_log(tmp_path: Path) -> None:
    served = Served(day((60, DRIVE), (60, STAND)), tmp_path)
    assert (served.outcome.runs, served.ended, list(tmp_path.iterdir())) == (0, [], [])


def test_the_end_of_the_program_ends_the_run(tmp_path: Path) -> None:
    served = Served(day((20, DRIVE), (20, SPRAY)), tmp_path)
    (only,) = served.ended
    assert only.ended_why == "the recording ended"
    assert lines(checked(only.log_path))[-1] == day((20, DRIVE), (20, SPRAY))[-1][2]


def test_with_begin_at_start_the_first_run_has_all_of_it(tmp_path: Path) -> None:
    items = day((20, DRIVE), (20, SPRAY), (40, STAND), (10, DRIVE), (20, SPRAY))
    served = Served(items, tmp_path, '[runs]\nend_after = "20 s"\n')
    first, second = served.ended
    assert lines(checked(first.log_path))[0] == items[0][2]
    assert first.ended_ns == pytest.approx(60 * SECOND, abs=SECOND)
    assert len(lines(checked(second.log_path))) == pytest.approx(10 * (9 + 20), abs=5)


def test_silence_within_and_before_the_run_replays(tmp_path: Path) -> None:
    """Ticks come from the hub in the run and are made anew for the pre-roll."""
    items = day((30, DRIVE), (40, SPRAY), (30, STAND))
    silent = [item for item in items if not (27 * SECOND < item[0] < 29.5 * SECOND)]
    silent = [item for item in silent if not (50 * SECOND < item[0] < 58 * SECOND)]
    served = Served(silent, tmp_path)
    (only,) = served.ended
    readings = checked(only.log_path)
    ticks = [r.t_ns for r in readings if isinstance(r.payload, Tick)]
    assert len([t for t in ticks if t < 10 * SECOND]) >= 2
    assert len([t for t in ticks if t > 25 * SECOND]) >= 6
    with RunLog.open(only.log_path or "") as log:
        assert [a.raised for a in log.alerts() if a.code == "gps_lost"] == [True, False, True, False]


def test_a_feedback_that_failed_before_a_run_is_noted_in_that_run_too(tmp_path: Path) -> None:
    dark = Watcher()
    dark.trouble = "lights: no signals any more: pin gone"  # type: ignore[assignment]
    job = ((20, DRIVE), (20, SPRAY), (30, STAND))
    served = Served(day(*job, *job), tmp_path, feedback=dark)
    said = Note(f"{daemon.FEEDBACK_TROUBLE}: {dark.trouble}")
    assert [[r.payload for r in checked(o.log_path)].count(said) for o in served.ended] == [1, 1]


def test_a_new_core_tells_the_driver_only_what_changed(tmp_path: Path) -> None:
    """An alert that is up before the run and in it is not told twice; one that is not up is cleared."""
    no_pressure = [
        (t, source, NmeaLine(sentence(f"YXXDR,R,0.15142,l,FLOW,S,{int(t > 30 * SECOND)},,BOOM")))
        if source is Source.NODE
        else (t, source, payload)
        for t, source, payload in day((30, DRIVE), (30, SPRAY))
    ]
    served = Served(no_pressure, tmp_path)
    told = [o for o in served.watcher.outputs if isinstance(o, Alert) and o.code == "pressure_silent"]
    assert [alert.raised for alert in told] == [True]
    assert len(served.ended) == 1
    with RunLog.open(served.ended[0].log_path or "") as log:
        assert [a.raised for a in log.alerts() if a.code == "pressure_silent"] == [True]


def test_a_stop_button_ends_the_run_and_the_next_begins_with_the_next_work(tmp_path: Path) -> None:
    items = day((20, DRIVE), (20, SPRAY), (10, SPRAY), (10, DRIVE), (20, SPRAY))
    press = (40 * SECOND, Source.PERSON, Note(STOP_HELD))
    items = sorted([*items, press], key=lambda item: item[0])
    served = Served(items, tmp_path, '[runs]\nbegin = "work"\nstop_pin = 22\n')
    first, second = served.ended
    assert (first.ended_why, second.ended_why) == (STOP_HELD, "the recording ended")
    readings = checked(first.log_path)
    assert readings[-1].payload == Note(STOP_HELD)
    # the second begins with its own work at 60 s, not while the first's goes on; no reading is in both
    said = lines(checked(second.log_path))
    began_ns = next(t_ns for t_ns, _, payload in items if payload == said[0])
    assert began_ns == pytest.approx(51 * SECOND, abs=0.5 * SECOND)
    assert not set(said) & set(lines(readings)) - {line for line in said if b"XDR" in line.raw}


def test_each_log_carries_the_records_first_and_then_what_a_live_run_says(tmp_path: Path) -> None:
    items = day((20, SPRAY), (30, STAND), (20, SPRAY))
    served = Served(items, tmp_path, records=['{"n": 1}', '{"n": 2}'], source_name="live")
    for outcome in served.ended:
        readings = checked(outcome.log_path)
        assert [r.t_ns for r in readings[:3]] == [0, 0, 0]
        assert (readings[2].source, readings[2].payload) == (Source.HUB, LIVE_RUN)
        with RunLog.open(outcome.log_path or "") as log:
            assert calibration_records(log) == [{"n": 1}, {"n": 2}]
    assert len(served.ended) == 2


def test_wired_sensors_are_on_the_runs_clock(tmp_path: Path) -> None:
    """Pulses carry a stamp of their own; the switch was on long before the work."""
    toml = '[runs]\nbegin = "work"\n'
    rig_text = rig_for()[1].replace(
        '[flow]\nsource = "xdr"', '[flow]\nsource = "gpio"\npin = 17\npulses_per_l = 450'
    )
    rig_text = rig_text.replace('[boom_switch]\nsource = "xdr"', '[boom_switch]\nsource = "gpio"\npin = 27')
    rig = config.parse(rig_text + toml, "rig.toml")
    items: list[Item] = []
    total = 0
    for n in range(5 * 90):
        t_ns = n * SECOND // 5
        # stands for 60 s with the boom switched on, and no flow
        if n % 5 == 0:
            items.append((t_ns, Source.BOOM, SwitchState(True)))
        items.append((t_ns, Source.GPS, NmeaLine(rmc(n, KNOTS if n > 300 else 0.0))))
        total += 14 if n > 300 else 0
        items.append((t_ns + 1, Source.FLOW, PulseCount(total, t_ns - 3_000_000 if total else None, 0)))
    clock = BenchClock()
    hub = Hub(clock)
    ended: list[daemon.RunOutcome] = []
    daemon.serve(
        rig, rig_text + toml, lambda run_id: tmp_path / f"{run_id}.sqlite",
        [BenchSource(hub, clock, items, None)], hub, None, ended.append, source_name="wired",
    )  # fmt: skip
    (only,) = ended
    readings = checked(only.log_path)
    pulses = [(r.t_ns, r.payload.last_edge_ns) for r in readings if isinstance(r.payload, PulseCount)]
    assert pulses[0][1] is None
    assert {t - edge for t, edge in pulses if edge is not None} == {3_000_001}
    with RunLog.open(only.log_path or "") as log:
        # 14 pulses in 0.2 s at 450 a litre: 14 x 5 x 60 / 450 = 9.33 L/min
        flows = [sample.flow_l_min for sample in log.samples()][-20:]
        assert flows == pytest.approx([9.333] * 20, rel=0.01)


def _stretches() -> st.SearchStrategy[list[tuple[float, tuple[int, float]]]]:
    kinds = st.sampled_from([STAND, DRIVE, SPRAY, (1, 0.0)])
    return st.lists(st.tuples(st.integers(1, 40).map(float), kinds), min_size=1, max_size=8)


@given(_stretches(), st.lists(st.integers(0, 4000), max_size=3), st.lists(st.integers(0, 4000), max_size=3),
       st.lists(st.integers(0, 4000), max_size=3), st.sampled_from(["start", "work"]))  # fmt: skip
@settings(max_examples=12)
def test_whatever_the_day_each_log_checks_and_no_reading_is_in_two(
    stretches: list[tuple[float, tuple[int, float]]],
    silences: list[int],
    late: list[int],
    presses: list[int],
    begin: str,
) -> None:
    """Days with silences of 5 s, readings held back by 15 s, and the stop button at any time."""
    items = day(*stretches)
    for place in silences:
        del items[place : place + 50]
    for place in late:
        if place < len(items):
            t_ns, source, payload = items[place]
            items[place] = (max(0, t_ns - 15 * SECOND), source, payload)
    for place in presses:
        if 0 < place < len(items):
            items.insert(place, (items[place][0], Source.PERSON, Note(STOP_HELD)))
    assume(items)  # of nothing nothing is made
    with TemporaryDirectory() as folder:
        served = Served(
            items, Path(folder), f'[runs]\nbegin = "{begin}"\nend_after = "20 s"\nstop_pin = 22\n'
        )
        assert served.outcome.troubles == ()
        at = 0
        everything = [payload for _, _, payload in items]
        for outcome in served.ended:
            assert outcome.troubles == ()
            own = [r.payload for r in checked(outcome.log_path) if not isinstance(r.payload, Tick | Carried)]
            # each log is one stretch of the day, whole and in order, behind the one before
            at = _find(everything, own, at) + len(own)


def _find(everything: Sequence[Payload], own: Sequence[Payload], after: int) -> int:
    for place in range(after, len(everything) - len(own) + 1):
        if everything[place : place + len(own)] == own:
            return place
    raise AssertionError(f"{len(own)} readings are not in the day from {after} on")


# -- the card ------------------------------------------------------------------------------------------


def _made_when(allowed: Callable[[], bool], error: OSError) -> type:
    class Writer(RunLogWriter):
        def __init__(self, path: Path, header: RunHeader, on_trouble: Any, **kwargs: Any) -> None:
            if not allowed():
                raise LogError(f"{path}: the run log cannot be made: {error}") from error
            super().__init__(path, header, on_trouble, **kwargs)

    return Writer


def test_a_log_that_is_slow_to_be_made_loses_nothing_and_holds_nobody_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The card takes its time until the driver has seen the whole run."""
    seen_all = threading.Event()

    class Watching(Watcher):
        def publish(self, outputs: Sequence[Output]) -> None:
            super().publish(outputs)
            if sum(isinstance(output, Sample) and output.boom_on == 1 for output in self.outputs) > 90:
                seen_all.set()

    monkeypatch.setattr(
        daemon, "RunLogWriter", _made_when(lambda: seen_all.wait(PATIENCE_S), OSError(errno.EIO, "?"))
    )
    items = day((20, DRIVE), (20, SPRAY))
    served = Served(items, tmp_path, feedback=Watching())
    (only,) = served.ended
    assert seen_all.is_set()
    said = lines(checked(only.log_path))
    assert said == [item[2] for item in items][-len(said) :]
    # work begins at 20 s and counts at 21 s; 10 s go before it: from 11 s to 40 s
    assert len(said) == pytest.approx(290, abs=5)


def test_a_card_in_trouble_is_an_alert_and_an_outcome_without_a_log(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told = threading.Event()
    monkeypatch.setattr(daemon, "RunLogWriter", _made_when(lambda: False, OSError(errno.ENOSPC, "full")))

    class Watching(Watcher):
        def tell(self, t_ns: int, text: str) -> None:
            super().tell(t_ns, text)
            if text.startswith("LOG: failed"):
                told.set()

    def items() -> Iterator[Item]:
        for item in day((20, DRIVE), (20, SPRAY)):
            if item[0] > 30 * SECOND:
                assert told.wait(PATIENCE_S)
            yield item

    served = Served(items(), tmp_path, feedback=Watching())
    (only,) = served.ended
    assert only.log_path is None
    assert "cannot be made" in only.troubles[-1]
    raised = [o.code for o in served.watcher.outputs if isinstance(o, Alert) and o.raised]
    assert "run_log_trouble" in raised


def test_a_place_where_no_log_can_be_is_refused_at_the_start(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(LogError, match=r"Not a directory|File exists"):
        Served(day((1, DRIVE)), tmp_path / "file")


def test_room_is_made_before_each_run_and_the_note_is_in_its_log(tmp_path: Path) -> None:
    rig, text = with_rules(RUNS)
    clock = BenchClock()
    hub = Hub(clock)
    made: list[Note] = []

    def make_room() -> None:
        """On the thread that makes the log; what it tells is a reading of the new run."""
        note = Note(f"run log old{len(made) + 1}.sqlite was deleted to make room")
        hub.put(clock.now_ns(), Source.LOG, note)
        made.append(note)

    def items() -> Iterator[Item]:
        """Two jobs; in each, time stands until room was made for its log."""
        for t_ns, source, payload in day((20, SPRAY), (30, STAND), (20, SPRAY), (5, DRIVE)):
            if t_ns == 10 * SECOND:
                assert wait_until(lambda: len(made) == 1)
            if t_ns == 65 * SECOND:
                assert wait_until(lambda: len(made) == 2)
            yield t_ns, source, payload

    ended: list[daemon.RunOutcome] = []
    watcher = Watcher()
    daemon.serve(
        rig, text, lambda run_id: tmp_path / f"{run_id}.sqlite", [BenchSource(hub, clock, items(), None)],
        hub, watcher, ended.append, source_name="day", make_room=make_room,
    )  # fmt: skip
    for note, outcome in zip(made, ended, strict=True):
        assert [r.payload for r in checked(outcome.log_path) if r.source is Source.LOG] == [note]
        assert outcome.troubles == (note.text,)
        assert note.text in watcher.told
    assert len(ended) == 2


def wait_until(found: Callable[[], bool]) -> bool:
    """Poll for what another thread does; bounded for a failing test only."""
    pause = threading.Event()
    return any(found() or pause.wait(0.002) for _ in range(round(PATIENCE_S / 0.002))) or found()


# -- errors and the end ---------------------------------------------------------------------------------


def test_a_recording_that_breaks_off_is_told_after_the_log_is_closed(tmp_path: Path) -> None:
    def broken() -> Iterator[Item]:
        yield from day((20, SPRAY))
        raise UsageError("day.nmea: cannot be read: Input/output error")

    with pytest.raises(UsageError, match=r"day\.nmea"):
        Served(broken(), tmp_path)
    (path,) = tmp_path.glob("*.sqlite")
    checked(path)


def test_a_fault_of_ours_leaves_what_came_in_and_nothing_running(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Broken(daemon.Pipeline):
        def feed(self, reading: Reading) -> Sequence[Output]:
            if reading.t_ns > 15 * SECOND and reading.source is Source.GPS and self.deadline_ns > 0:
                raise RuntimeError("a fault of ours")
            return super().feed(reading)

    monkeypatch.setattr(daemon, "Pipeline", Broken)
    before = threading.active_count()
    with pytest.raises(RuntimeError, match="a fault of ours"):
        Served(day((30, SPRAY)), tmp_path)
    assert threading.active_count() == before
    (path,) = tmp_path.glob("*.sqlite")
    with RunLog.open(path) as log:
        assert not log.ended_cleanly
        assert log.readings_count > 100


def test_the_supply_failing_ends_the_run_at_once(tmp_path: Path) -> None:
    class Failing(BenchSource):
        """Plays the pin's part: the note, then the end."""

        def _run(self) -> None:
            self._play()
            self._hub.put(self._clock.now_ns(), Source.PERSON, Note(SUPPLY_FAILED))
            self._hub.close(SUPPLY_FAILED)

    rig, text = with_rules(RUNS)
    clock = BenchClock()
    hub = Hub(clock)
    ended: list[daemon.RunOutcome] = []
    outcome = daemon.serve(
        rig, text, lambda run_id: tmp_path / f"{run_id}.sqlite",
        [Failing(hub, clock, day((20, SPRAY)), None)], hub, None, ended.append, source_name="day",
    )  # fmt: skip
    assert outcome.ended_why == SUPPLY_FAILED
    assert [o.ended_why for o in ended] == [SUPPLY_FAILED]
    assert checked(ended[0].log_path)[-1].payload == Note(SUPPLY_FAILED)


def test_faults_between_runs_are_told_too(tmp_path: Path) -> None:
    items = day((5, STAND))
    items.append((5 * SECOND, Source.GPS, SourceFault("closed", "unplugged?", 0)))
    served = Served(items, tmp_path)
    assert served.watcher.told == ["GPS: closed: unplugged?"]


def test_what_was_told_before_the_run_is_in_its_log_but_not_told_again(tmp_path: Path) -> None:
    fault = (15 * SECOND, Source.NODE, SourceFault("opened", "/dev/ttyACM1", 0))
    note = (15 * SECOND, Source.LOG, Note("run log old.sqlite was deleted to make room"))
    items = sorted([*day((20, DRIVE), (20, SPRAY)), fault, note], key=lambda item: item[0])
    served = Served(items, tmp_path)
    (only,) = served.ended
    assert [r.payload for r in checked(only.log_path) if r.source in (Source.LOG, Source.PERSON)] == [note[2]]
    assert fault[2] in [r.payload for r in checked(only.log_path)]
    assert only.troubles == (note[2].text,)
    assert [text for text in served.watcher.told if "deleted" in text or "opened" in text] == [
        "NODE: opened: /dev/ttyACM1",
        note[2].text,
    ]


@pytest.mark.parametrize("seconds", [0.0, float("nan")])
def test_a_time_that_is_not_above_zero_is_refused(tmp_path: Path, seconds: float) -> None:
    with pytest.raises(UsageError, match="give seconds above 0"):
        Served([], tmp_path, stop_after_s=seconds)
