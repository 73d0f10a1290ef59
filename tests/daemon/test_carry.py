"""What one run leaves to the next, through the daemon: known before the first reading, and in the log."""

from pathlib import Path

import pytest
from test_daemon import SECOND, Watcher, rig_for, rmc, sentence

from rigmon import daemon, replay
from rigmon.core.coefficient import boom_key
from rigmon.edge.bench import BenchSource
from rigmon.edge.hub import BenchClock, Hub
from rigmon.log.carried import FILE, read_carried
from rigmon.log.reader import RunLog
from rigmon.model import Carried, NmeaLine, Source


def run(folder: Path, name: str, flow: float = 1.0, seconds: int = 45) -> daemon.RunOutcome:
    """A run with the boom on whose flow is this share of the catch test's, at its pressure."""
    rig, toml = rig_for()
    xdr = sentence(f"YXXDR,P,2.758,B,BOOM,R,{0.15142 * flow:.5f},l,FLOW,S,1,,BOOM")
    items = []
    for n in range(5 * seconds):
        items.append((n * SECOND // 5, Source.GPS, NmeaLine(rmc(n))))
        items.append((n * SECOND // 5 + 50_000_000, Source.NODE, NmeaLine(xdr)))
    clock = BenchClock()
    hub = Hub(clock)
    return daemon.run(
        rig, toml, folder / f"{name}.sqlite", [BenchSource(hub, clock, items, None)], hub, Watcher(),
        run_id=name, source_name="bench", carry_in=folder,
    )  # fmt: skip


def alerts(path: Path) -> list[str]:
    with RunLog.open(path) as log:
        return [alert.code for alert in log.alerts() if alert.raised]


def carried_by(path: Path) -> list[Carried]:
    with RunLog.open(path) as log:
        return [reading.payload for reading in log.readings() if isinstance(reading.payload, Carried)]


def test_wear_from_run_to_run_is_found_and_its_log_checks(tmp_path: Path) -> None:
    """2.5 % more in each run: never seen against the newest, but in the third, 5.1 % since the first."""
    flow = 1.0
    for name in ("a", "b", "c"):
        outcome = run(tmp_path, name, flow)
        assert outcome.troubles == ()
        flow *= 1.025
    assert [alerts(tmp_path / f"{name}.sqlite") for name in "abc"] == [[], [], ["nozzles_worn"]]
    assert carried_by(tmp_path / "a.sqlite") == []
    (known,) = carried_by(tmp_path / "c.sqlite")
    assert known.run_id == "b"
    assert known.flow_l_min / known.first_flow_l_min == pytest.approx(1.025, rel=1e-4)
    with RunLog.open(tmp_path / "c.sqlite") as log:
        checked = replay.check(log)
    assert checked.same


def test_a_run_that_began_wrong_is_not_what_the_next_is_held_to(tmp_path: Path) -> None:
    for name, flow in (("a", 1.0), ("b", 0.94), ("c", 0.94)):
        run(tmp_path, name, flow)
    assert [alerts(tmp_path / f"{name}.sqlite") for name in "abc"] == [
        [],
        ["start_mismatch"],
        ["start_mismatch"],
    ]
    found = read_carried(tmp_path, boom_key(rig_for()[0]))
    assert found is not None
    assert found.run_id == "a"


def test_a_short_run_leaves_what_was_known(tmp_path: Path) -> None:
    run(tmp_path, "a")
    before = (tmp_path / FILE).read_bytes()
    run(tmp_path, "b", seconds=10)
    assert (tmp_path / FILE).read_bytes() == before


def test_a_broken_file_harms_no_run(tmp_path: Path) -> None:
    (tmp_path / FILE).write_text('{"version": 1, "boom": ')
    assert run(tmp_path, "a").troubles == ()
    assert carried_by(tmp_path / "a.sqlite") == []
    run(tmp_path, "b")
    assert len(carried_by(tmp_path / "b.sqlite")) == 1


def test_a_file_that_cannot_be_written_is_told_and_nothing_else(tmp_path: Path) -> None:
    (tmp_path / FILE).mkdir()
    (tmp_path / FILE / "kept").write_text("")
    outcome = run(tmp_path, "a")
    (trouble,) = outcome.troubles
    assert f"{FILE}: cannot be written" in trouble
    assert outcome.log_path is not None
