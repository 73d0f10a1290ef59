"""What people do, through the real hub, core and run log: every log checks. Times and texts are invented."""

import json
import threading
from collections.abc import Callable, Iterable
from datetime import date
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from fakes import PATIENCE_S, PtyPort
from hypothesis import given, settings
from hypothesis import strategies as st
from test_daemon import SECOND, Watcher, rig_for, rmc, sentence
from test_serve import DRIVE, RUNS, SPRAY, STAND, Item, checked, day, with_rules

from rigmon import config, daemon, replay
from rigmon.calibration.book import CHOSEN_TARGET, Book
from rigmon.calibration.chosen import ChosenTarget
from rigmon.edge.acts import Acts
from rigmon.edge.bench import BenchSource
from rigmon.edge.hub import BenchClock, Hub, MonotonicClock
from rigmon.log.reader import RunLog
from rigmon.log.records import calibration_records
from rigmon.model import (
    Acknowledge,
    Act,
    Alert,
    BeginRun,
    EndRun,
    NmeaLine,
    Note,
    Refill,
    Retarget,
    Sample,
    Source,
)
from rigmon.rig import Rig

PERSON = Source.PERSON


def with_deeds(items: Iterable[Item], *deeds: tuple[float, Any]) -> list[Item]:
    """A day with what people did, each at its time [s]."""
    said = [(round(t_s * SECOND), PERSON, deed) for t_s, deed in deeds]
    return sorted([*items, *said], key=lambda item: item[0])


class Viewer(Watcher):
    """A feedback that follows another target too."""

    def __init__(self) -> None:
        super().__init__()
        self.rigs: list[Rig] = []

    def use(self, rig: Rig) -> None:
        self.rigs.append(rig)


class Bench:
    """`serve` over a bench recording with a desk; deeds are in it as if the desk had taken them."""

    def __init__(self, items: Iterable[Item], folder: Path, toml: str = RUNS, targets: bool = False) -> None:
        self.rig, self.text = with_rules(toml + f'[log]\nfolder = "{folder / "runs"}"\n')
        self.rig_file = folder / "rig.toml"
        self.rig_file.write_text(self.text)
        clock = BenchClock()
        hub = self.hub = Hub(clock)
        self.viewer = Viewer()
        self.targets = ChosenTarget(self.rig_file, self.rig, self.text) if targets else None
        self.acts = Acts(hub, self.rig, self.targets)
        self.ended: list[daemon.RunOutcome] = []
        self.outcome = daemon.serve(
            self.rig, self.text, lambda run_id: folder / "runs" / f"{run_id}.sqlite",
            [BenchSource(hub, clock, items, None)], hub, self.viewer, self.ended.append,
            source_name="day.nmea", acts=self.acts,
        )  # fmt: skip

    def acts_of(self, n: int) -> list[Act]:
        with RunLog.open(self.ended[n].log_path or "") as log:
            return list(log.acts())


def kinds(acts: Iterable[Act]) -> list[str]:
    return [act.kind for act in acts]


# -- begin and end -------------------------------------------------------------------------------------


def test_a_person_begins_and_ends_a_run_while_the_rig_stands(tmp_path: Path) -> None:
    bench = Bench(with_deeds(day((60, STAND)), (20, BeginRun()), (35, EndRun("field done"))), tmp_path)
    (only,) = bench.ended
    assert only.ended_why == "ended by a person: field done"
    readings = checked(only.log_path)
    assert readings[-1].payload == EndRun("field done")
    assert kinds(bench.acts_of(0)) == ["begin_run", "end_run"]
    # the pre-roll of 10 s before the begin at 20 s belongs to it, and it ends with the deed at 35 s
    assert only.ended_ns == pytest.approx(25 * SECOND, abs=SECOND)


def test_after_a_persons_end_the_next_work_begins_the_next_run(tmp_path: Path) -> None:
    items = day((20, DRIVE), (20, SPRAY), (20, STAND), (20, DRIVE), (20, SPRAY))
    bench = Bench(with_deeds(items, (45, EndRun(""))), tmp_path, '[runs]\nbegin = "work"\n')
    assert [o.ended_why for o in bench.ended] == ["ended by a person", "the recording ended"]
    for outcome in bench.ended:
        checked(outcome.log_path)


def test_begin_within_a_run_and_end_between_runs_change_nothing(tmp_path: Path) -> None:
    items = day((20, DRIVE), (20, SPRAY), (40, STAND))
    bench = Bench(with_deeds(items, (10, EndRun("")), (35, BeginRun())), tmp_path)
    (only,) = bench.ended
    assert only.ended_why == "stood still with the boom off for 20 s"
    checked(only.log_path)


def test_nobody_else_in_the_house_ends_a_run(tmp_path: Path) -> None:
    items = day((20, DRIVE), (20, SPRAY))
    items = sorted([*items, (35 * SECOND, Source.HUB, EndRun("x"))], key=lambda item: item[0])
    bench = Bench(items, tmp_path)
    assert [o.ended_why for o in bench.ended] == ["the recording ended"]
    checked(bench.ended[0].log_path)


def test_a_single_run_is_ended_by_a_person_and_keeps_its_target(tmp_path: Path) -> None:
    rig, text = rig_for()
    clock = BenchClock()
    hub = Hub(clock)
    # more readings than the hub holds, so that the recording has not ended when the deed comes
    items = with_deeds(day((600, STAND)), (20, BeginRun()), (25, Retarget("x", "{}")), (30, EndRun("rain")))
    outcome = daemon.run(
        rig, text, tmp_path / "run.sqlite", [BenchSource(hub, clock, items, None)], hub,
        source_name="bench", acts=Acts(hub, rig),
    )  # fmt: skip
    assert outcome.ended_why == "ended by a person: rain"
    checked(outcome.log_path)
    with RunLog.open(tmp_path / "run.sqlite") as log:
        assert log.header.rig_toml == text
        assert kinds(log.acts()) == ["begin_run", "retarget", "end_run"]


# -- notes, refills, acknowledgements ------------------------------------------------------------------


def test_what_is_noted_between_runs_is_in_the_next_runs_log(tmp_path: Path) -> None:
    """However long before it."""
    items = day((20, SPRAY), (200, STAND), (20, DRIVE), (20, SPRAY))
    deeds = ((60, Refill(94.6, True)), (61, Note("new tip, nozzle 4")), (225, Note("gate is shut")))
    bench = Bench(with_deeds(items, *deeds), tmp_path)
    first, second = bench.ended
    assert bench.acts_of(0) == []
    checked(first.log_path)
    readings = checked(second.log_path)
    said = [(reading.t_ns, reading.payload) for reading in readings if reading.source is PERSON]
    assert said[:2] == [(0, Refill(94.6, True)), (0, Note("new tip, nozzle 4"))]
    assert said[2] == (0, Note("gate is shut"))
    assert kinds(bench.acts_of(1)) == ["refill", "note", "note"]
    assert bench.outcome.troubles == ()


def test_what_no_run_came_after_is_told(tmp_path: Path) -> None:
    bench = Bench(with_deeds(day((20, SPRAY), (100, STAND)), (60, Refill(94.6, True))), tmp_path)
    (told,) = bench.outcome.troubles
    assert "1 notes or refills made after the last run are in no run log" in told
    assert "94.6" in told


def without_pressure(items: Iterable[Item]) -> list[Item]:
    """The sensor node sends no pressure, so that pressure_silent stands."""
    return [
        (t, s, NmeaLine(sentence("YXXDR,R,0.15142,l,FLOW,S,1,,BOOM")) if s is Source.NODE else p)
        for t, s, p in items
    ]


def test_an_acknowledged_alert_stands_and_stays_acknowledged_in_the_next_run(tmp_path: Path) -> None:
    items = without_pressure(day((20, DRIVE), (40, SPRAY)))
    deeds = ((15, Acknowledge("pressure_silent")), (45, Acknowledge("boom_leak")))
    bench = Bench(with_deeds(items, *deeds), tmp_path, '[runs]\nbegin = "work"\n')
    (only,) = bench.ended
    checked(only.log_path)
    # the switch says on from the start, so that the run begins after 1 s; the alert came up in it
    assert [(act.kind, act.text) for act in bench.acts_of(0)] == [("acknowledge", "pressure_silent")]
    with RunLog.open(only.log_path or "") as log:
        counts = {tally.name: tally.n for tally in log.tallies()}
    assert counts["acknowledged_not_standing"] == 1


def test_what_was_acknowledged_before_the_run_is_acknowledged_in_it(tmp_path: Path) -> None:
    items = [
        (t, s, p) for t, s, p in day((30, DRIVE), (20, SPRAY)) if s is not Source.NODE or t > 29 * SECOND
    ]
    items = [*without_pressure(items)]
    deed = (15, Acknowledge("pressure_silent"))
    bench = Bench(with_deeds(items, deed), tmp_path, '[runs]\nbegin = "work"\n')
    (only,) = bench.ended
    readings = checked(only.log_path)
    assert [(act.kind, act.text) for act in bench.acts_of(0)] == [("acknowledge", "pressure_silent")]
    assert [r.payload for r in readings if r.source is PERSON] == [Acknowledge("pressure_silent")]
    told = [o for o in bench.viewer.outputs if isinstance(o, Alert) and o.code == "pressure_silent"]
    assert [alert.raised for alert in told] == [True]  # the driver heard of it once


deeds = st.one_of(
    st.builds(Note, st.text(max_size=30)),
    st.builds(Refill, st.none() | st.floats(), st.booleans()),
    st.builds(Acknowledge, st.sampled_from(["pressure_silent", "speed_fast", "rate_low", "x\x00"])),
    st.builds(BeginRun),
    st.builds(EndRun, st.text(max_size=10)),
    st.builds(Retarget, st.sampled_from(["", "2026-05-30 target 1"]), st.sampled_from(["", "{}", "["])),
)
stretches = st.lists(
    st.tuples(st.integers(1, 40).map(float), st.sampled_from([STAND, DRIVE, SPRAY, (1, 0.0)])),
    min_size=1, max_size=6,
)  # fmt: skip


@given(
    stretches, st.lists(st.tuples(st.floats(0, 150), deeds), max_size=8), st.sampled_from(["start", "work"])
)
@settings(max_examples=15, deadline=None)
def test_whatever_people_do_each_log_checks(
    parts: list[tuple[float, tuple[int, float]]], said: list[tuple[float, Any]], begin: str
) -> None:
    with TemporaryDirectory() as folder:
        rules = f'[runs]\nbegin = "{begin}"\nend_after = "20 s"\n'
        bench = Bench(with_deeds(day(*parts), *said), Path(folder), rules, targets=True)
        for outcome in bench.ended:
            with RunLog.open(outcome.log_path or "") as log:
                assert log.ended_cleanly
                # a number that no block can hold is refused by the log, and that is a row
                lost = any(gap.what == "readings" for gap in log.gaps)
                check = replay.check(log)
            assert check.same
            assert check.complete or lost


# -- the target ----------------------------------------------------------------------------------------


def book_with_targets(rig_file: Path, rig: Rig) -> None:
    """Two targets (invented): 20 gal/ac at 3 mph, and 15 gal/ac at 4 mph with a tolerance of 5 %."""
    with Book(rig_file.parent / rig.book_file) as book:
        for rate_l_ha, speed_m_s, given in (
            (187.0792, 1.34112, {}),
            (140.3094, 1.78816, {"tolerance_pct": 5.0}),
        ):
            book.add(
                "target", rig.name, "", None, date(2026, 5, 30), given,
                {"rate_l_ha": rate_l_ha, "speed_m_s": speed_m_s},
            )  # fmt: skip
        book.add("pace", rig.name, "", None, date(2026, 5, 30), {}, {"pace_m": 1.5})


@pytest.fixture
def choice(tmp_path: Path) -> Retarget:
    rig, text = with_rules(RUNS)
    book_with_targets(tmp_path / "rig.toml", rig)
    record = ChosenTarget(tmp_path / "rig.toml", rig, text).record("2026-05-30 target 2")
    return Retarget("2026-05-30 target 2", record)


def test_a_new_target_ends_the_run_and_the_next_has_it(tmp_path: Path, choice: Retarget) -> None:
    items = day((20, DRIVE), (20, SPRAY), (15, STAND), (20, DRIVE), (20, SPRAY), (30, STAND))
    bench = Bench(with_deeds(items, (45, choice)), tmp_path, targets=True)
    first, second = bench.ended
    assert first.ended_why == "the target was changed: 2026-05-30 target 2"
    assert bench.outcome.troubles == ()
    for outcome in bench.ended:
        checked(outcome.log_path)
    with RunLog.open(first.log_path or "") as log:
        assert log.header.rig_toml == bench.text
        assert kinds(log.acts()) == ["retarget"]
    with RunLog.open(second.log_path or "") as log:
        rig = replay.rig_of(log)
        assert [record["name"] for record in calibration_records(log)] == ["2026-05-30 target 2"]
        assert kinds(log.acts()) == []
    # 15 gal/ac and 4 mph, to the six digits that a rig file has
    assert rig.target.rate_l_ha == pytest.approx(140.3094, rel=1e-5)
    assert rig.target.speed_m_s == pytest.approx(1.78816, rel=1e-5)
    assert (rig.target.tolerance_pct, rig.target.record) == (5.0, "2026-05-30 target 2")
    assert bench.viewer.rigs == [rig]
    assert bench.rig_file.read_text() == bench.text  # the file stays as it is


def test_between_runs_the_driver_is_guided_by_it_at_once(tmp_path: Path, choice: Retarget) -> None:
    bench = Bench(with_deeds(day((60, STAND), (20, SPRAY)), (30, choice)), tmp_path, targets=True)
    (only,) = bench.ended
    checked(only.log_path)
    (rig,) = bench.viewer.rigs
    assert rig.target.tolerance_pct == 5.0
    place = bench.viewer.told.index("the target is 2026-05-30 target 2 from now on")
    assert place < bench.viewer.told.index("a run has begun")
    samples = [output for output in bench.viewer.outputs if isinstance(output, Sample)]
    assert samples[-1].speed_m_s is not None
    with RunLog.open(only.log_path or "") as log:
        assert replay.rig_of(log) == rig


def test_back_to_the_rig_files_own(tmp_path: Path, choice: Retarget) -> None:
    deeds = ((30, choice), (40, Retarget("", "")))
    bench = Bench(with_deeds(day((60, STAND)), *deeds), tmp_path, targets=True)
    assert [rig.target.tolerance_pct for rig in bench.viewer.rigs] == [5.0, bench.rig.target.tolerance_pct]
    assert bench.viewer.rigs[1] == bench.rig


@pytest.mark.parametrize(
    ("name", "record", "words"),
    [
        ("2026-05-30 target 2", "{}", "cannot be read"),
        ("2026-05-30 target 2", "[", "cannot be read"),
        ("another", None, "cannot be read"),
        ("2026-05-30 target 2", "pace", "cannot be read"),
    ],
)
def test_a_target_that_cannot_be_leaves_run_and_target_as_they_are(
    tmp_path: Path, choice: Retarget, name: str, record: str | None, words: str
) -> None:
    odd = Retarget(name, choice.record if record is None else record)
    items = day((20, DRIVE), (20, SPRAY), (10, STAND), (20, SPRAY))
    bench = Bench(with_deeds(items, (45, odd)), tmp_path, targets=True)
    (only,) = bench.ended
    assert only.ended_why == "the recording ended"
    checked(only.log_path)
    assert bench.viewer.rigs == []
    assert any("the target is not changed" in text and words in text for text in bench.viewer.told)


# -- live ----------------------------------------------------------------------------------------------


class Served:
    """`serve` on a thread with a real port and clock; deeds are offered from this one, as a page's are."""

    def __init__(self, port: PtyPort, folder: Path) -> None:
        text = rig_for(port.link)[1] + f'[log]\nfolder = "{folder / "runs"}"\n[runs]\nbegin = "work"\n'
        rig = config.parse(text, "rig.toml")
        (folder / "rig.toml").write_text(text)
        self.port = port
        self.hub = Hub(MonotonicClock())
        self.viewer = Viewer()
        self.acts = Acts(self.hub, rig, ChosenTarget(folder / "rig.toml", rig, text))
        self.ended: list[daemon.RunOutcome] = []
        self.sent = 0
        port.plug()
        sources = daemon.live_sources(rig, self.hub)

        def work() -> None:
            daemon.serve(
                rig, text, lambda run_id: folder / "runs" / f"{run_id}.sqlite", sources, self.hub,
                self.viewer, self.ended.append, acts=self.acts,
            )  # fmt: skip

        self.thread = threading.Thread(target=work, daemon=True)
        self.thread.start()

    def until(self, true: Callable[[], bool], knots: float = 0.0) -> None:
        """Send fixes, at about 20 Hz, until something is so."""
        for _ in range(400):
            if true():
                return
            self.port.send(rmc(self.sent, knots) + b"\r\n")
            self.sent += 1
            self.viewer.look_for(lambda _: False, len(self.viewer.outputs), 0.05)
        raise AssertionError(f"never: {self.viewer.told}")

    def told(self, words: str) -> Callable[[], bool]:
        return lambda: any(words in text for text in self.viewer.told)


def test_from_another_thread_while_the_rig_really_runs(
    port: PtyPort, tmp_path: Path, choice: Retarget
) -> None:
    served = Served(port, tmp_path)
    try:
        assert served.acts.ask({"act": "begin_run"}).outcome == "refused"  # nothing is known yet
        served.until(lambda: served.acts.why_not() is not None and "stop first" in served.acts.why_not(), 3.0)
        assert served.acts.ask({"act": "begin_run"}).outcome == "refused"
        served.until(lambda: served.acts.why_not() is None)
        assert served.acts.ask({"act": "refill", "volume": "25 gal", "full": True}).done
        assert served.acts.ask({"act": "begin_run"}).done
        served.until(served.told("a run has begun"))
        served.until(lambda: served.acts.why_not() is None)
        assert served.acts.ask({"act": "note", "text": "first headland"}).done
        assert served.acts.ask({"act": "retarget", "record": choice.name}).done
        served.until(served.told(f"the target is {choice.name} from now on"))
        served.until(lambda: served.acts.why_not() is None)
        assert served.acts.ask({"act": "begin_run"}).done
        served.until(lambda: served.viewer.told.count("a run has begun") == 2)
        served.until(
            lambda: served.acts.why_not() is None
        )  # a new core knows the speed from its first fix on
        assert served.acts.ask({"act": "end_run", "why": "rain"}).done
        served.until(served.told("the run has ended: ended by a person: rain"))
    finally:
        served.hub.close("the test is over")
        served.thread.join(PATIENCE_S)
    assert [outcome.ended_why for outcome in served.ended] == [
        f"the target was changed: {choice.name}", "ended by a person: rain",
    ]  # fmt: skip
    made: list[list[str]] = []
    for outcome in served.ended:
        checked(outcome.log_path)
        with RunLog.open(outcome.log_path or "") as log:
            made.append(kinds(log.acts()))
            last = replay.rig_of(log).target.record
    assert made == [["refill", "begin_run", "note", "retarget"], ["begin_run", "end_run"]]
    assert last == choice.name
    assert (tmp_path / "runs" / CHOSEN_TARGET).exists()
    assert served.acts.refused == 2


# -- the choice over a restart -------------------------------------------------------------------------


class Chosen:
    def __init__(self, folder: Path, more: str = "") -> None:
        text = rig_for()[1] + f'[log]\nfolder = "{folder / "runs"}"\n' + more
        self.rig_file = folder / "rig.toml"
        self.rig_file.write_text(text)
        self.target = ChosenTarget(self.rig_file, config.parse(text, "rig.toml"), text)


def test_the_choice_outlives_a_restart(tmp_path: Path, choice: Retarget) -> None:
    assert Chosen(tmp_path).target.remembered() == (None, None)
    first = Chosen(tmp_path).target
    assert first.remember(choice) is None
    assert [entry["in_use"] for entry in first.choices()] == [True, False]
    again = Chosen(tmp_path).target
    new, words = again.remembered()
    assert new == first.retargeted(choice)
    assert words is not None
    assert "'2026-05-30 target 2', chosen while rigmon ran" in words
    assert again.remember(Retarget("", "")) is None
    assert Chosen(tmp_path).target.remembered() == (None, None)


def test_a_rig_file_that_was_changed_counts_again(tmp_path: Path, choice: Retarget) -> None:
    Chosen(tmp_path).target.remember(choice)
    changed = Chosen(tmp_path, "# new hose\n").target
    new, words = changed.remembered()
    assert new is None
    assert "was chosen before" in (words or "")
    assert changed.remembered() == (None, None)  # said once


@pytest.mark.parametrize(
    "text", ["", "{", "[]", "null", '{"rigmon_chosen_target": 1}', "[" * 9999, "\x00\xff"]
)
def test_a_damaged_file_is_told_and_taken_away(tmp_path: Path, text: str) -> None:
    target = Chosen(tmp_path).target
    target.path.parent.mkdir()
    target.path.write_text(text)
    new, words = target.remembered()
    assert new is None
    assert f"{CHOSEN_TARGET}: is damaged" in (words or "")
    assert not target.path.exists()


def test_a_folder_that_cannot_be_written_is_told(tmp_path: Path, choice: Retarget) -> None:
    target = Chosen(tmp_path).target
    (tmp_path / "runs").write_text("not a folder")
    assert "cannot be written" in (target.remember(choice) or "")


def test_what_is_no_target_is_refused(tmp_path: Path, choice: Retarget) -> None:
    target = Chosen(tmp_path).target
    text = target.record("2026-05-30 pace 1")
    with pytest.raises(Exception, match="of kind 'pace', and a target is chosen here"):
        target.retargeted(Retarget("2026-05-30 pace 1", text))
    other = {**json.loads(choice.record), "rig": "another rig"}
    with pytest.raises(Exception, match="is of the rig 'another rig'"):
        target.retargeted(choice._replace(record=json.dumps(other)))
    with pytest.raises(Exception, match="has no record 'nothing'"):
        target.record("nothing")
