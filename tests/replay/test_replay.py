"""Replay: ticks where the deadline passes, the same numbers every time, a check that finds a difference."""

import shutil
import sqlite3
import tempfile
from collections.abc import Collection, Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from helpers import ALL_XDR, Run, gga, make_rig, rig_toml, rmc, sentence, tagged
from hypothesis import given, settings
from hypothesis import strategies as st

from rigmon import replay
from rigmon.core.pipeline import Pipeline
from rigmon.errors import UsageError
from rigmon.log.reader import RunLog
from rigmon.log.writer import RunLogWriter
from rigmon.model import (
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
    Tick,
)
from rigmon.simulate import Event, Scenario, simulate
from rigmon.simulate import readings as simulated_readings

TOML = rig_toml(**ALL_XDR)
RIG = make_rig(**ALL_XDR)
ROOT = Path(__file__).resolve().parents[2]
Item = tuple[int, Source, Payload]


def ns(seconds: float) -> int:
    return round(seconds * 1e9)


def header(toml: str = TOML) -> RunHeader:
    return RunHeader("20260530-100000-test", "test", toml, "rigmon test", "bench", None, "", None, None)


def drive_text(seconds: int = 30) -> bytes:
    """Five fixes and five XDR sentences a second; silence from 12 to 17 s, low flow at the end."""
    parts = [b"# Made up for a test\r\n"]
    for k in range(5 * seconds):
        t = 36_000 + 0.2 * k
        if 60 <= k < 85:
            continue
        flow = 0.05 if k > 100 else 0.1
        parts.append(
            rmc(t, 2.0) + b"\r\n" + sentence(f"YXXDR,P,2.0,B,BOOM,R,{flow},l,FLOW,S,1,,BOOM") + b"\r\n"
        )
        if k % 37 == 0:
            parts.append(b"\xb5b$\x00garbage\r\n" + rmc(t, 2.0)[:-1] + b"\n")
    return b"".join(parts)


@pytest.fixture
def text_file(tmp_path: Path) -> Path:
    path = tmp_path / "drive.nmea"
    path.write_bytes(drive_text())
    return path


# -- recordings ----------------------------------------------------------------------------------------


def test_a_recording_gives_its_lines_with_stamps(tmp_path: Path) -> None:
    path = tmp_path / "a.nmea"
    path.write_bytes(
        b"# a comment\r\n"
        + rmc(100, 2.0)
        + b"\r\n\r\nrubbish\n"
        + rmc(100.2, 2.0)
        + b"\r#not$a comment\n$GPGGA,unfin"
    )
    assert list(replay.recording(path, RIG)) == [
        (0, Source.GPS, NmeaLine(rmc(100, 2.0))),
        (0, Source.GPS, NmeaLine(b"rubbish")),
        (ns(0.2), Source.GPS, NmeaLine(rmc(100.2, 2.0))),
        (ns(0.2), Source.GPS, NmeaLine(b"#not$a comment")),
        (ns(0.2), Source.GPS, NmeaLine(b"$GPGGA,unfin")),
    ]


def test_any_chunk_size_gives_the_same_items(text_file: Path) -> None:
    expected = list(replay.recording(text_file, RIG))
    assert len(expected) > 250
    for chunk_bytes in (1, 7, 100, 4096):
        assert list(replay.recording(text_file, RIG, chunk_bytes)) == expected


def test_tag_blocks_stamp_every_line(tmp_path: Path) -> None:
    path = tmp_path / "tagged.nmea"
    path.write_bytes(b"\r\n".join(tagged(f"c:{1_780_000_000_000 + 50 * k}", rmc(100, 2.0)) for k in range(4)))
    assert [t_ns for t_ns, _, _ in replay.recording(path, RIG)] == [ns(0.05 * k) for k in range(4)]


@pytest.mark.parametrize("folder", [False, True])
def test_a_recording_that_cannot_be_read_is_named(tmp_path: Path, folder: bool) -> None:
    path = tmp_path / "gone.nmea"
    if folder:
        path.mkdir()
    with pytest.raises(UsageError, match=r"gone\.nmea: cannot be read"):
        list(replay.recording(path, RIG))


# -- the tick rule -------------------------------------------------------------------------------------


def test_silence_is_filled_with_ticks_at_the_deadlines() -> None:
    """Longest samples; the receiver is given 2 s to speak; then gps_lost pends for 1 s."""
    items: list[Item] = [(ns(0.1), Source.PERSON, Note("a")), (ns(6.0), Source.PERSON, Note("b"))]
    pipeline = Pipeline(make_rig())
    readings = [reading for reading, _ in replay.drive(pipeline, items)]
    assert [r.seq for r in readings] == list(range(len(readings)))
    ticks = [r for r in readings if isinstance(r.payload, Tick)]
    assert {r.source for r in ticks} == {Source.HUB}
    # the note closes a sample at 0.1 s
    assert [r.t_ns for r in ticks] == [ns(1.2), ns(2.0) + 1, ns(3.0) + 1, ns(4.1) + 1, ns(5.2) + 1]


def test_an_item_exactly_at_the_deadline_needs_no_tick() -> None:
    pipeline = Pipeline(make_rig())
    readings = [r for r, _ in replay.drive(pipeline, [(pipeline.deadline_ns, Source.PERSON, Note("x"))])]
    assert [type(r.payload) for r in readings] == [Note]
    late = Pipeline(make_rig())
    readings = [r for r, _ in replay.drive(late, [(late.deadline_ns + 1, Source.PERSON, Note("x"))])]
    assert [(type(r.payload), r.t_ns) for r in readings] == [(Tick, ns(1.1)), (Note, ns(1.1) + 1)]


def test_every_reading_is_recorded_before_it_is_computed_and_paced_by_its_stamp() -> None:
    class Spy(Pipeline):
        def feed(self, reading: Reading) -> Any:
            events.append(("feed", reading.seq))
            return super().feed(reading)

    events: list[tuple[str, int]] = []
    stamps: list[int] = []
    items: list[Item] = [(ns(t), Source.GPS, NmeaLine(rmc(t, 2.0))) for t in (0, 0.2, 3.0)]
    driven = replay.drive(Spy(make_rig()), items, lambda r: events.append(("record", r.seq)), stamps.append)
    readings = [reading for reading, _ in driven]
    assert stamps == [r.t_ns for r in readings]
    assert len(readings) > 3
    expected = [(what, r.seq) for r in readings for what in ("record", "feed")]
    assert events == expected


def test_the_same_recording_gives_the_same_numbers(text_file: Path) -> None:
    told: list[int] = []
    first = replay.replay(replay.recording(text_file, RIG), RIG, told.append)
    assert first == replay.replay(replay.recording(text_file, RIG, 13), RIG)
    assert len(first.samples) > 100
    assert told == sorted(told)
    assert told[-1] <= first.last_ns == first.samples[-1].t_ns == ns(29.8)
    assert first.readings > len(list(replay.recording(text_file, RIG)))  # ticks in the silence
    assert "gps_lost" in [a.code for a in first.alerts]
    assert first.sentences == sum(t.n for t in first.tallies if t.name == "sentence") > 200


# -- a run log -----------------------------------------------------------------------------------------


def write_log(
    path: Path, items: Iterator[Item] | list[Item], toml: str = TOML, end: bool = True
) -> replay.Replayed:
    """Record what `items` give, as a replay onto a log does. Returns what came of it."""
    rig = make_rig(**ALL_XDR) if toml == TOML else replay.config.parse(toml, "test rig")
    pipeline = Pipeline(rig)
    writer = RunLogWriter(path, header(toml), commit_by_time_ns=10**10)
    driven = replay.drive(pipeline, items, writer.reading)
    result = replay.collect(pipeline, driven, None, on_outputs=writer.outputs)
    if end:
        writer.close(result.last_ns, "test over")
    else:
        writer.abandon()
    return result


@pytest.fixture
def log_file(tmp_path: Path, text_file: Path) -> Path:
    path = tmp_path / "run.rigmon"
    write_log(path, replay.recording(text_file, RIG))
    return path


def test_a_recording_and_its_run_log_give_the_same_outputs(tmp_path: Path, text_file: Path) -> None:
    path = tmp_path / "run.rigmon"
    recorded = write_log(path, replay.recording(text_file, RIG))
    assert recorded == replay.replay(replay.recording(text_file, RIG), RIG)
    with RunLog.open(path) as log:
        told: list[int] = []
        again = replay.replay_log(log, replay.rig_of(log), told.append)
        assert again == recorded
        assert told
        assert (list(log.samples()), list(log.alerts())) == (recorded.samples, recorded.alerts)
        assert (list(log.anchors()), list(log.tallies())) == (recorded.anchors, recorded.tallies)
        # no tick is made anew: the log has its own
        assert sum(isinstance(r.payload, Tick) for r in log.readings()) > 3
        assert again.readings == log.readings_count


def test_check_finds_a_sound_log_sound(log_file: Path) -> None:
    with RunLog.open(log_file) as log:
        found = replay.check(log)
        assert found == replay.Check(True, log.outputs_count, None, True)
        assert found.compared > 100


def alter(path: Path, statement: str) -> None:
    with sqlite3.connect(path) as connection:
        changed = connection.execute(statement).rowcount
    connection.close()
    assert changed == 1


# The smallest change of a number, a lost row, an added row, in each kind of output
@pytest.mark.parametrize(
    ("kind", "statement"),
    [
        ("sample", "UPDATE sample SET speed_m_s = speed_m_s * (1 + 3e-16) WHERE t_ns = 20000000000"),
        ("sample", "UPDATE sample SET flags = flags + 8192 WHERE t_ns = 20000000000"),
        ("sample", "UPDATE sample SET pressure_kpa = NULL WHERE t_ns = 20000000000"),
        ("sample", "DELETE FROM sample WHERE t_ns = 20000000000"),
        ("sample", "DELETE FROM sample WHERE n = (SELECT max(n) FROM sample)"),
        (
            "sample",
            "INSERT INTO sample SELECT 1000000, * FROM (SELECT {sample} FROM sample ORDER BY n LIMIT 1)",
        ),
        ("alert", "UPDATE alert SET t_ns = t_ns + 1 WHERE n = (SELECT min(n) FROM alert)"),
        ("alert", "DELETE FROM alert WHERE n = (SELECT max(n) FROM alert)"),
        ("anchor", "UPDATE anchor SET utc_ms = utc_ms + 1"),
        ("tally", "UPDATE tally SET counted = counted + 1 WHERE n = (SELECT min(n) FROM tally)"),
    ],
)
def test_check_finds_what_was_changed(log_file: Path, kind: str, statement: str) -> None:
    columns = ", ".join(f'"{name}"' for name in Sample._fields)
    alter(log_file, statement.replace("{sample}", columns))
    with RunLog.open(log_file) as log:
        found = replay.check(log)
    assert not found.same
    assert found.difference is not None
    assert found.difference.kind == kind
    assert found.difference.recorded != found.difference.recomputed


def test_check_names_the_place(log_file: Path) -> None:
    alter(log_file, "UPDATE sample SET pressure_kpa = 1.5 WHERE t_ns = 20000000000")
    with RunLog.open(log_file) as log:
        samples = list(log.samples())
        found = replay.check(log)
    assert found.difference is not None
    assert samples[found.difference.place].t_ns == ns(20)
    assert found.difference.recorded == samples[found.difference.place]
    assert isinstance(found.difference.recomputed, Sample)
    assert found.difference.recomputed.pressure_kpa == pytest.approx(200.0)


def test_check_of_a_log_that_was_cut(tmp_path: Path, text_file: Path) -> None:
    """What is there must be equal; the newest outputs may be missing. More than there can be may not."""
    path = tmp_path / "cut.rigmon"
    write_log(path, replay.recording(text_file, RIG), end=False)
    with RunLog.open(path) as log:
        found = replay.check(log)
        assert (found.same, found.complete, found.compared) == (True, False, log.outputs_count)
    alter(path, "DELETE FROM sample WHERE n = (SELECT max(n) FROM sample)")
    with RunLog.open(path) as log:
        found = replay.check(log)
        assert (found.same, found.complete, found.compared) == (True, False, log.outputs_count)
    alter(path, "UPDATE sample SET dt_ns = dt_ns + 1 WHERE n = (SELECT max(n) FROM sample)")
    with RunLog.open(path) as log:
        assert not replay.check(log).same


def test_check_of_a_log_that_was_cut_while_it_was_ended(tmp_path: Path, text_file: Path) -> None:
    """Its last outputs are there, made at the run's end; the row that tells of the end is not."""
    path = tmp_path / "cut.rigmon"
    pipeline = Pipeline(RIG)
    writer = RunLogWriter(path, header(), commit_by_time_ns=1_000_000_000)
    driven = replay.drive(pipeline, replay.recording(text_file, RIG), writer.reading)
    result = replay.collect(pipeline, driven, ns(29.95), on_outputs=writer.outputs)
    writer.abandon()
    with RunLog.open(path) as log:
        assert log.last_ns is not None
        assert log.last_ns < result.samples[-1].t_ns == ns(29.95)
        assert replay.check(log) == replay.Check(True, log.outputs_count, None, False)
    alter(path, "UPDATE sample SET flags = flags + 1 WHERE n = (SELECT max(n) FROM sample)")
    with RunLog.open(path) as log:
        assert not replay.check(log).same


def test_check_of_outputs_lost_before_readings_were(tmp_path: Path, text_file: Path) -> None:
    """As when the disk is full: first there is no room for outputs, then for readings."""
    path = tmp_path / "lossy.rigmon"
    lossy_log(path, text_file, readings=range(150, 170), outputs=range(40, 60))
    with RunLog.open(path) as log:
        found = replay.check(log)
        assert (found.same, found.complete) == (True, False)
        assert found.compared > 30
    alter(path, "DELETE FROM sample WHERE n = 30")
    with RunLog.open(path) as log:
        assert not replay.check(log).same


class Lossy:
    """Hands on to a live writer, but spoils some samples so that they cannot be stored (the log says so), and
    keeps some readings back (the log sees that their numbers are missing).
    """

    def __init__(self, path: Path, readings: Collection[int], outputs: Collection[int]) -> None:
        self.writer = RunLogWriter(path, header(), commit_every_s=0.01, outputs_every_s=0.02)
        self._kept_back, self._spoilt = readings, outputs
        self._n = 0

    def reading(self, reading: Reading) -> None:
        if reading.seq not in self._kept_back:
            self.writer.reading(reading)

    def outputs(self, outputs: Sequence[Output]) -> None:
        handed: list[Output] = []
        for output in outputs:
            self._n += 1
            spoilt = self._n in self._spoilt and isinstance(output, Sample)
            handed.append(output._replace(speed_m_s=float("nan")) if spoilt else output)
        self.writer.outputs(handed)


def lossy_log(
    path: Path, text_file: Path, readings: Collection[int] = (), outputs: Collection[int] = ()
) -> replay.Replayed:
    pipeline = Pipeline(RIG)
    writer = Lossy(path, readings, outputs)
    driven = replay.drive(pipeline, replay.recording(text_file, RIG), writer.reading)
    result = replay.collect(pipeline, driven, None, on_outputs=writer.outputs)
    assert writer.writer.flush()
    writer.writer.close(result.last_ns, "test over")
    return result


def test_check_passes_over_outputs_that_the_log_says_it_lost(tmp_path: Path, text_file: Path) -> None:
    path = tmp_path / "lossy.rigmon"
    result = lossy_log(path, text_file, outputs={20, 21, 90})
    with RunLog.open(path) as log:
        assert sum(gap.lost for gap in log.gaps) == 3
        found = replay.check(log)
        assert (found.same, found.complete, found.compared) == (True, False, log.outputs_count)
        assert len(list(log.samples())) == len(result.samples) - 3
    # a fourth one missing, or one that is changed, is found all the same
    other = shutil.copy(path, tmp_path / "other.rigmon")
    alter(other, "DELETE FROM sample WHERE t_ns = 20000000000")
    alter(path, "UPDATE sample SET flags = flags + 1 WHERE t_ns = 20000000000")
    for altered in (path, other):
        with RunLog.open(altered) as log:
            assert not replay.check(log).same


def test_check_goes_as_far_as_the_readings_go_without_a_loss(tmp_path: Path, text_file: Path) -> None:
    path = tmp_path / "lossy.rigmon"
    lossy_log(path, text_file, readings={150})
    with RunLog.open(path) as log:
        assert [(gap.what, gap.first, gap.last) for gap in log.gaps] == [("readings", 150, 150)]
        found = replay.check(log)
        assert (found.same, found.complete) == (True, False)
        assert 0 < found.compared < log.outputs_count
    # the third sample lies before the loss
    alter(path, "UPDATE sample SET flags = flags + 1 WHERE t_ns = 600000000")
    with RunLog.open(path) as log:
        assert not replay.check(log).same


def test_check_knows_of_readings_lost_at_the_end(log_file: Path) -> None:
    alter(
        log_file,
        'INSERT INTO loss (what, "first", "last", lost, from_ns, to_ns, why)'
        " VALUES ('readings', 100000, 100000, 1, 0, 0, 'no room')",
    )
    with RunLog.open(log_file) as log:
        found = replay.check(log)
        assert (found.same, found.complete) == (True, False)
        assert 0 < found.compared <= log.outputs_count


_step = st.tuples(
    st.sampled_from([0.0, 0.1, 0.2, 0.7, 1.1, 2.5]),
    st.sampled_from(["fix", "fix", "fast", "void", "xdr", "off", "junk", "gga", "fault", "pulses", "note"]),
)


@settings(max_examples=15)
@given(st.lists(_step, max_size=40))
def test_check_holds_on_any_run(run_folders: Path, steps: list[tuple[float, str]]) -> None:
    items: list[Item] = []
    t = 0.0
    for dt, what in steps:
        t = round(t + dt, 1)
        if what == "fault":
            items.append((ns(t), Source.NODE, SourceFault("overflow", "", 2)))
        elif what == "pulses":
            items.append((ns(t), Source.FLOW, PulseCount(int(40 * t), ns(t), 0)))
        elif what == "note":
            items.append((ns(t), Source.PERSON, Note("x")))
        else:
            line = {
                "fix": rmc(t, 2.0),
                "fast": rmc(t, 12.0),
                "void": rmc(t, None, status="V", mode="N"),
                "gga": gga(t, "4807.038,N", "01131.000,E"),
                "xdr": sentence("YXXDR,P,2.0,B,BOOM,R,0.1,l,FLOW,S,1,,BOOM"),
                "off": sentence("YXXDR,P,0.0,B,BOOM,R,0.0,l,FLOW,S,0,,BOOM"),
                "junk": b"\xff$GPRMC,\x00",
            }[what]
            items.append((ns(t), Source.GPS, NmeaLine(line)))
    path = Path(tempfile.mkdtemp(dir=run_folders)) / "run.rigmon"
    write_log(path, items)
    with RunLog.open(path) as log:
        assert replay.check(log) == replay.Check(True, log.outputs_count, None, True)


_event = st.builds(
    Event,
    st.sampled_from(
        ["gps_dropout", "void_fix", "stuck_zero_speed", "boom_left_off", "flow_silent", "garbled"]
    ),
    st.integers(0, 15).map(float),
    st.integers(1, 10).map(float),
)


@settings(max_examples=8)
@given(
    seed=st.integers(0, 1000),
    gps_hz=st.integers(1, 20),
    sentences=st.sampled_from([("RMC",), ("VTG", "GGA"), ("GGA",), ("RMC", "VTG", "GGA")]),
    place=st.tuples(st.floats(-80, 80), st.floats(-180, 180)),
    start_utc=st.datetimes(datetime(2026, 1, 1), datetime(2026, 12, 31, 23, 59, 59)),
    nmea41=st.booleans(),
    correlated_noise_m_s=st.sampled_from([0.0, 0.06]),
    latency_s=st.sampled_from([0.0, 0.4]),
    events=st.lists(_event, max_size=2),
)
def test_check_holds_on_any_simulated_run(
    run_folders: Path, place: tuple[float, float], start_utc: datetime, events: list[Event], **parameters: Any
) -> None:
    scenario = Scenario(
        rig=replay.config.parse(TOML, "test rig"),
        passes=1,
        pass_length_m=30.0,
        origin_lat_deg=place[0],
        origin_lon_deg=place[1],
        start_utc=start_utc.replace(microsecond=0, tzinfo=UTC),
        events=tuple(events),
        **parameters,
    )
    path = Path(tempfile.mkdtemp(dir=run_folders)) / "run.rigmon"
    result = write_log(path, list(simulated_readings(simulate(scenario))))
    assert len(result.samples) > 20
    with RunLog.open(path) as log:
        assert replay.check(log) == replay.Check(True, log.outputs_count, None, True)


# -- opening by path -----------------------------------------------------------------------------------


@pytest.fixture
def rig_file(tmp_path: Path) -> Path:
    path = tmp_path / "rig.toml"
    path.write_text(TOML, encoding="utf-8")
    return path


def test_a_recording_is_opened_with_a_rig_file(text_file: Path, rig_file: Path) -> None:
    with replay.Opened(text_file, rig_file) as opened:
        assert (opened.log, opened.rig, opened.rig_toml, opened.ended_ns) == (None, RIG, TOML, None)
        assert opened.replay() == replay.replay(replay.recording(text_file, RIG), RIG)


def test_a_run_log_brings_its_rig(log_file: Path, text_file: Path) -> None:
    with replay.Opened(log_file, None) as opened:
        assert opened.log is not None
        assert (opened.rig, opened.rig_toml, opened.ended_ns) == (RIG, TOML, ns(29.8))
        assert opened.replay() == replay.replay(replay.recording(text_file, RIG), RIG)


def test_a_run_log_on_another_rig(log_file: Path, tmp_path: Path) -> None:
    """With half the swath, half the area."""
    other = tmp_path / "other.toml"
    other.write_text(
        rig_toml(**ALL_XDR, rig={"nozzle_count": 5}, target={"rate": "200 L/ha"}), encoding="utf-8"
    )
    areas = []
    for rig in (None, other):
        with replay.Opened(log_file, rig) as opened:
            areas.append(sum(s.area_m2 or 0 for s in opened.replay().samples))
    assert areas[1] == pytest.approx(areas[0] / 2)


def test_recording_and_pacing_through_an_opened_file(log_file: Path, text_file: Path, rig_file: Path) -> None:
    for path, rig in ((log_file, None), (text_file, rig_file)):
        recorded: list[Reading] = []
        stamps: list[int] = []
        with replay.Opened(path, rig) as opened:
            driven = list(opened.drive(Pipeline(opened.rig), recorded.append, stamps.append))
        assert [reading for reading, _ in driven] == recorded
        assert [reading.t_ns for reading in recorded] == stamps
        assert [reading.seq for reading in recorded] == list(range(len(recorded)))


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("nowhere.nmea", "is not there"),
        ("folder", "is a folder"),
        ("bare.nmea", "not a run log; .* carries no rig: add --rig FILE"),
    ],
)
def test_what_cannot_be_opened_is_named(tmp_path: Path, name: str, message: str) -> None:
    (tmp_path / "folder").mkdir()
    (tmp_path / "bare.nmea").write_bytes(rmc(1, 2.0))
    with pytest.raises(UsageError, match=message) as raised:
        replay.Opened(tmp_path / name, None)
    assert name in str(raised.value)


@pytest.mark.parametrize("content", [b"", b"hello\nworld\n", rmc(1, 2.0)[:-1], b"\x00" * 5000])
def test_a_file_without_a_sentence_is_refused(tmp_path: Path, rig_file: Path, content: bytes) -> None:
    path = tmp_path / "letter.txt"
    path.write_bytes(content)
    with (
        replay.Opened(path, rig_file) as opened,
        pytest.raises(UsageError, match=r"letter\.txt: holds no NMEA 0183 sentence"),
    ):
        opened.replay()


# a receiver's binary protocol, say: what it holds instead is told, by reason
def test_a_file_without_a_sentence_is_refused_with_what_it_holds(tmp_path: Path, rig_file: Path) -> None:
    path = tmp_path / "binary.ubx"
    path.write_bytes(b"\xb5b\x01\x02\n" * 3 + rmc(1, 2.0)[:-1] + b"0\n")
    with (
        replay.Opened(path, rig_file) as opened,
        pytest.raises(UsageError, match=r"sentence \(rejected checksum: 1, not_nmea: 3\); give"),
    ):
        opened.replay()


def test_readings_of_a_live_run_replay_to_the_same_outputs() -> None:
    """Ticks, faults, late readings and two ports, as a hub would number them."""
    run = Run(RIG)
    run.drive(0.0, 5.0, 2.0, flow_l_min=6.0, pressure_kpa=200.0, boom=1)
    run.put(5.0, SourceFault("closed", "unplugged", 0), Source.GPS)
    run.silence(9.0)
    run.line(8.0, rmc(8.0, 2.0), Source.NODE)
    run.finish(10.0)
    pipeline = Pipeline(RIG)
    again: list[Output] = [o for reading in run.readings for o in pipeline.feed(reading)]
    assert again + list(pipeline.finish(ns(10.0))) == run.outputs
