"""The records that a rig uses go into its run log, through the whole daemon."""

from dataclasses import replace
from datetime import date
from pathlib import Path

from test_daemon import bench_items, rig_for

from rigmon import daemon, replay
from rigmon.calibration.record import Record
from rigmon.edge.bench import BenchSource
from rigmon.edge.hub import BenchClock, Hub
from rigmon.log.reader import RunLog
from rigmon.log.records import calibration_records
from rigmon.model import Source

CATCH = Record(
    1, "2026-05-30 catch 1", "catch", "Creek rig", "flat fan 02", "flat fan 02", date(2026, 5, 30),
    "2026-05-30T14:05:09Z", "rigmon 0", {"catches": [[1, 0.1 + 0.2]]}, {"boom_flow_l_min": 9.0849882816},
)  # fmt: skip
METER = replace(CATCH, id=2, name="2026-05-29 flowmeter 1", kind="flowmeter", subject="flowmeter")


def run(path: Path, records: list[Record]) -> daemon.RunOutcome:
    rig, text = rig_for()
    clock = BenchClock()
    hub = Hub(clock)
    sources = [BenchSource(hub, clock, bench_items(4), pace=None)]
    return daemon.run(
        rig, text, path, sources, hub, source_name="bench", records=[record.text() for record in records]
    )


def test_the_log_carries_the_records_and_checks(tmp_path: Path) -> None:
    run(tmp_path / "with.sqlite", [CATCH, METER])
    with RunLog.open(tmp_path / "with.sqlite") as log:
        assert [Record.from_json(values) for values in calibration_records(log)] == [CATCH, METER]
        first, second, *rest = log.readings()
        assert [(r.seq, r.t_ns, r.source) for r in (first, second)] == [
            (0, 0, Source.PERSON),
            (1, 0, Source.PERSON),
        ]
        assert all(reading.source is not Source.PERSON for reading in rest)
        assert replay.check(log).same
        assert replay.check(log).complete


def test_records_change_nothing_of_what_is_computed(tmp_path: Path) -> None:
    run(tmp_path / "with.sqlite", [CATCH, METER])
    run(tmp_path / "without.sqlite", [])
    with RunLog.open(tmp_path / "with.sqlite") as one, RunLog.open(tmp_path / "without.sqlite") as other:
        assert calibration_records(other) == []
        assert list(one.outputs()) == list(other.outputs())
        assert list(one.outputs())
