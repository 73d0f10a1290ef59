"""The rig file, its calibrations, and the service."""

from datetime import date
from pathlib import Path

import pytest
from boards import FakeMachine, only, rig_toml

from rigmon.calibration.book import Book
from rigmon.doctor import rig_file, service
from rigmon.doctor.examine import examine, usual_rig_file
from rigmon.doctor.findings import Finding
from rigmon.doctor.machine import Ran

TODAY = date(2026, 5, 30)


def written(tmp_path: Path, **sections: str) -> Path:
    path = tmp_path / "rig.toml"
    path.write_text(rig_toml(**sections))
    return path


def ages(path: Path, today: date = TODAY, clock_is_good: bool = True) -> list[Finding]:
    rig = rig_file.load(path, must_be=True).rig
    assert rig is not None
    return rig_file.calibrations(rig, path, today, clock_is_good, "us")


def test_a_good_rig_file(tmp_path: Path) -> None:
    loaded = rig_file.load(written(tmp_path), must_be=True)
    assert loaded.rig is not None
    assert loaded.finding.state == "ok"
    assert "Creek rig, GPS alone" in loaded.finding.seen
    loaded = rig_file.load(written(tmp_path, flow='source = "xdr"'), must_be=True)
    assert "flow xdr" in loaded.finding.seen


def test_what_is_wrong_in_a_rig_file_is_a_finding(tmp_path: Path) -> None:
    path = written(tmp_path)
    path.write_text(path.read_text().replace("nozzle_count = 12", "nozzle_count = 0"))
    loaded = rig_file.load(path, must_be=True)
    assert loaded.rig is None
    assert loaded.finding.state == "wrong"
    assert "rig.nozzle_count = 0 is out of bounds" in loaded.finding.seen
    assert loaded.finding.do == f"Correct {path}."


def test_no_rig_file_at_the_usual_place_is_no_fault(tmp_path: Path) -> None:
    assert rig_file.load(tmp_path / "rig.toml", must_be=False).finding.state == "unknown"
    assert rig_file.load(tmp_path / "rig.toml", must_be=True).finding.state == "wrong"


# -- calibrations ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("today", "state", "words"),
    [
        (date(2026, 5, 30), "ok", "10 days old"),
        (date(2026, 6, 19), "ok", "30 days old"),
        (date(2026, 6, 20), "wrong", "31 days old (2026-05-20), more than max_age_days = 30"),
        (date(2026, 5, 1), "look", "after today"),
    ],
)
def test_the_age_of_the_catch_test_in_the_rig_file(
    today: date, state: str, words: str, tmp_path: Path
) -> None:
    found = only(ages(written(tmp_path), today), "calibration_catch")
    assert found.state == state
    assert words in found.seen
    assert bool(found.do) == (state != "ok")


def test_ages_are_not_judged_by_a_clock_that_is_wrong(tmp_path: Path) -> None:
    found = only(ages(written(tmp_path), date(1970, 1, 1), clock_is_good=False), "calibration_catch")
    assert found.state == "unknown"


def test_sensors_want_their_calibrations(tmp_path: Path) -> None:
    findings = ages(written(tmp_path, flow='source = "xdr"', pressure='source = "xdr"'))
    assert only(findings, "calibration_flowmeter").state == "look"
    assert only(findings, "calibration_transducer").seen == "none in the book"


def test_the_book_is_asked_and_the_nozzle_set_matters(tmp_path: Path) -> None:
    path = written(tmp_path, nozzles='set = "flat fan 02"')
    with Book(tmp_path / "calibration.sqlite") as book:
        book.add("catch", "Creek rig", "old 04", "old 04", date(2026, 5, 25), {}, {"boom_flow_l_min": 9.0})
    findings = ages(path)
    assert "'old 04'" in only(findings, "calibration_other_nozzles").seen
    assert only(findings, "calibration_other_nozzles").state == "wrong"


def test_a_book_that_is_none_is_told(tmp_path: Path) -> None:
    path = written(tmp_path)
    (tmp_path / "calibration.sqlite").write_text("no book, and long enough to be looked at " * 100)
    (found,) = ages(path)
    assert found.state == "wrong"
    assert "calibration.sqlite" in found.seen


def test_looking_makes_no_book(tmp_path: Path) -> None:
    ages(written(tmp_path))
    assert [path.name for path in tmp_path.iterdir()] == ["rig.toml"]


# -- service -----------------------------------------------------------------------------------------------

RUNNING = {
    "LoadState": "loaded", "UnitFileState": "enabled", "ActiveState": "active", "SubState": "running",
    "Result": "success", "NRestarts": "0", "WorkingDirectory": "/var/lib/rigmon",
    "ExecStart": "{ path=/opt/rigmon/bin/rigmon ; argv[]=/opt/rigmon/bin/rigmon run --rig "
    "/var/lib/rigmon/rig.toml --quiet ; ignore_errors=no ; start_time=[n/a] ; pid=0 ; status=0/0 }",
}  # fmt: skip
THEIRS = Path("/var/lib/rigmon/rig.toml")


def shown(machine: FakeMachine, **changed: str) -> service.Unit:
    """The unit as systemctl(1) shows it."""
    told = "\n".join(f"{key}={value}" for key, value in {**RUNNING, **changed}.items())
    machine.commands["systemctl"] = Ran(0, told, "")
    return service.unit(machine)


@pytest.mark.parametrize(
    ("changed", "state", "words"),
    [
        ({}, "ok", "enabled, active (running)"),
        ({"NRestarts": "3"}, "look", "started anew 3 times"),
        ({"UnitFileState": "disabled", "ActiveState": "inactive", "SubState": "dead"}, "look", "disabled"),
        ({"ActiveState": "failed", "SubState": "failed", "Result": "watchdog"}, "wrong", "watchdog"),
        ({"LoadState": "not-found", "UnitFileState": "", "ExecStart": ""}, "look", "not installed"),
        ({"LoadState": "bad-setting"}, "wrong", "bad-setting"),
    ],
)
def test_the_service(changed: dict[str, str], state: str, words: str, pi4: FakeMachine) -> None:
    (found,) = service.check(shown(pi4, **changed), THEIRS)
    assert found.state == state
    assert words in found.seen
    assert bool(found.do) == (state != "ok")


def test_a_service_with_another_rig_file(pi4: FakeMachine, tmp_path: Path) -> None:
    (found,) = service.check(shown(pi4), written(tmp_path))
    assert found.state == "look"
    assert found.do.startswith("Ask with --rig /var/lib/rigmon/rig.toml")


def test_the_services_rig_file_is_taken_where_none_is_here(pi4: FakeMachine, tmp_path: Path) -> None:
    theirs = tmp_path / "var"
    theirs.mkdir()
    words = RUNNING["ExecStart"].replace(str(THEIRS), "rig.toml")
    unit = shown(pi4, ExecStart=words, WorkingDirectory=str(theirs))
    assert unit.rig_file == theirs / "rig.toml", "relative names are from its folder"
    here = tmp_path / "rig.toml"
    assert usual_rig_file(pi4, here) == here, "it is not there either"
    written(theirs)
    assert usual_rig_file(pi4, here) == theirs / "rig.toml"
    found = examine(pi4, theirs / "rig.toml", must_be=True)
    assert only(found.findings, "log_folder").values["folder"] == str(theirs / "runs")
    written(tmp_path)
    assert usual_rig_file(pi4, here) == here
    assert only(examine(pi4, here, must_be=True).findings, "log_folder").values["folder"] == str(
        Path("runs").absolute()
    )


def test_without_systemd_it_is_not_checked(pi4: FakeMachine) -> None:
    assert service.check(service.unit(pi4), THEIRS)[0].state == "unknown"
    pi4.commands["systemctl"] = Ran(1, "", "System has not been booted with systemd as init system (PID 1).")
    (found,) = service.check(service.unit(pi4), THEIRS)
    assert found.state == "unknown"
    assert "not been booted with systemd" in found.seen
