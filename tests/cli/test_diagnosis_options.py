"""Other settings of the diagnoses, as a rerun: score, report, replay. The run is that of `helpers.faulty`."""

import json
from pathlib import Path
from typing import Any

import pytest
from helpers.faulty import faulty_log
from invoking import rigmon

RERUN = "The same readings run again with these settings; the log is as it was."


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return faulty_log(tmp_path_factory.mktemp("rerun") / "run.sqlite")


def as_json(*args: object) -> Any:
    result = rigmon(*args, "--json")
    assert result.code == 0, result.err
    return json.loads(result.out)


def test_a_larger_smallest_change_finds_nothing_and_the_log_stays(log: Path) -> None:
    before = log.read_bytes()
    assert [one["code"] for one in as_json("score", log)["diagnoses"]] == ["nozzles_plugged"]
    again = as_json("score", log, "--smallest-change", "20%")
    assert again["diagnoses"] == []
    assert again["diagnosis"]["smallest_change_pct"] == 20
    assert again["what_if"] == ["--smallest-change 20%"]
    assert log.read_bytes() == before


def test_rarer_false_alarms_find_it_no_sooner(log: Path) -> None:
    (usual,) = as_json("score", log)["diagnoses"]
    (rarer,) = as_json("score", log, "--false-alarms-per-h", 0.001)["diagnoses"]
    assert rarer["found_s"] >= usual["found_s"]
    result = rigmon("score", log, "--false-alarms-per-h", 0.001)
    assert result.out.splitlines()[:2] == ["What if: --false-alarms-per-h 0.001", RERUN]
    assert "nozzle plugged: 1 of 12 nozzles" in result.out


def test_replay_tells_its_findings_and_reruns(log: Path) -> None:
    told = as_json("replay", log)
    assert [one["code"] for one in told["findings"]] == ["nozzles_plugged"]
    assert "what_if" not in told
    again = as_json("replay", log, "--smallest-change", 20)
    assert (again["findings"], again["what_if"]) == ([], ["--smallest-change 20"])
    assert RERUN in rigmon("replay", log, "--smallest-change", 20).out
    assert RERUN not in rigmon("replay", log).out


def test_the_report_reruns_too(log: Path) -> None:
    assert [one["code"] for one in as_json("report", log)["diagnoses"]] == ["nozzles_plugged"]
    again = as_json("report", log, "--smallest-change", 20)
    assert (again["diagnoses"], again["what_if"]) == ([], ["--smallest-change 20"])


@pytest.mark.parametrize("command", ["score", "report", "replay"])
@pytest.mark.parametrize(
    ("option", "value"),
    [("--false-alarms-per-h", "often"), ("--false-alarms-per-h", "0"), ("--smallest-change", "99")],
)
def test_bad_settings_are_refused(log: Path, command: str, option: str, value: str) -> None:
    more = ["--json"] if command == "report" else []
    result = rigmon(command, log, option, value, *more)
    assert (result.code, result.out) == (2, "")
    assert f"{option} = '{value}'" in result.err
    assert "Traceback" not in result.err


def test_a_log_with_another_rig_file_than_it_carries_is_not_written(log: Path, tmp_path: Path) -> None:
    to = tmp_path / "again.sqlite"
    result = rigmon("replay", log, "--smallest-change", "5", "--to", to)
    assert result.code == 2
    assert "--smallest-change 5" in result.err
    assert "--rig" in result.err
    assert not to.exists()


def test_check_compares_findings(log: Path) -> None:
    assert as_json("check", log)["same"] is True
