"""Findings are outputs: in the stream before their alert, in the log, recomputed by `check`."""

import sqlite3
from pathlib import Path

import pytest
from helpers.faulty import as_of_version_1, faulty_log, faulty_run

from rigmon.log.reader import RunLog
from rigmon.model import Alert, Finding
from rigmon.replay import check, replay_log, rig_of


def found(outputs: list) -> list:
    return [output for output in outputs if isinstance(output, Finding)]


def test_a_finding_comes_with_its_sample_and_before_its_alert() -> None:
    run = faulty_run()
    assert run.pipeline.watch is not None
    assert found(run.outputs) == run.pipeline.watch.findings
    (finding,) = found(run.outputs)
    at = run.outputs.index(finding)
    following = run.outputs[at + 1]
    assert isinstance(following, Alert)
    assert (following.code, following.raised, following.t_ns) == (finding.code, True, finding.t_ns)
    assert run.outputs[at - 1].t_ns == finding.t_ns


def test_what_the_rig_file_switches_off_is_not_handed_out() -> None:
    run = faulty_run(alerts_nozzles_plugged={"enabled": False})
    assert run.pipeline.watch is not None
    assert run.pipeline.watch.findings
    assert found(run.outputs) == []
    assert found(faulty_run(diagnosis={"enabled": False}).outputs) == []


def test_the_log_holds_them_and_check_computes_them_again(tmp_path: Path) -> None:
    path = faulty_log(tmp_path / "run.sqlite")
    with RunLog.open(path) as log:
        assert list(log.findings()) == found(faulty_run().outputs)
        assert replay_log(log, rig_of(log)).findings == list(log.findings())
        result = check(log)
        assert result.same
        assert result.compared == log.outputs_count == len(faulty_run().outputs)
    connection = sqlite3.connect(path)
    connection.execute("UPDATE finding SET nozzles = 2")
    connection.commit()
    connection.close()
    with RunLog.open(path) as log:
        result = check(log)
    assert not result.same
    assert result.difference is not None
    assert (result.difference.kind, result.difference.place) == ("finding", 0)


def test_a_log_of_version_1_is_read_and_checked(tmp_path: Path) -> None:
    """It kept no findings and did not number them, so nothing is missing in it."""
    path = faulty_log(tmp_path / "run.sqlite")
    as_of_version_1(path)
    with RunLog.open(path) as log:
        assert not log.keeps_findings
        assert list(log.findings()) == []
        assert log.outputs_count == len(faulty_run().outputs) - 1
        assert check(log).same
        assert log.problems() == []


@pytest.mark.parametrize("column", ["change_pct", "flow_l_min", "confidence"])
def test_the_view_tells_of_them_in_both_systems(tmp_path: Path, column: str) -> None:
    path = faulty_log(tmp_path / "run.sqlite")
    (finding,) = found(faulty_run().outputs)
    with RunLog.open(path) as log:
        log.connection.row_factory = sqlite3.Row
        (row,) = log.connection.execute("SELECT * FROM finding_list").fetchall()
    # 2026-05-30, by the receiver; its clock began with the run
    assert row["found_utc"] == f"2026-05-30T00:01:{finding.t_ns / 1e9 - 60:06.3f}Z"
    assert (row["code"], row["nozzles"], row["since_s"]) == ("nozzles_plugged", 1, finding.since_ns / 1e9)
    value = getattr(finding, column)
    if column == "flow_l_min":
        # US liquid gallon 3.785411784 L, NIST SP 811 (2008), B.8
        assert row["boom_flow_l_min"] == value
        assert row["boom_flow_gal_min"] == pytest.approx(value / 3.785411784)
    elif column == "confidence":
        assert row["nozzles_confidence_pct"] == pytest.approx(100 * value)
    else:
        assert row[column] == value
