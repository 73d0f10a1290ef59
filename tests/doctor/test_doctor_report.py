"""The findings as text and JSON, and all checks together on whole boards."""

import json
from pathlib import Path

import pytest
from boards import FakeMachine, only, rig_toml
from test_doctor_baud import BURST, Receiver

from rigmon.doctor import examine as examine_module
from rigmon.doctor.examine import Examination, examine
from rigmon.doctor.findings import Finding, counts, look, ok, unknown, worst_first, wrong
from rigmon.doctor.machine import Ran
from rigmon.doctor.report import summary, text, to_json

SAMPLE = [
    ok("board", "Board", "a board", model="a board"),
    unknown("spi", "SPI", "the rig file uses no converter"),
    look("gps_rate", "GPS rate", "1 Hz (RMC)", "It works; 5 Hz follows sooner.", rate_hz=1.0),
    wrong("gps_port", "GPS port", "/dev/serial0 is not there; no other either", "Plug it in."),
    look("power", "Power", "since the start: under-voltage", "Supply 5 V."),
]  # fmt: skip


def test_the_worst_comes_first_and_order_stays_within() -> None:
    assert [finding.check for finding in worst_first(SAMPLE)] == [
        "gps_port",
        "gps_rate",
        "power",
        "spi",
        "board",
    ]
    assert counts(SAMPLE) == {"wrong": 1, "look": 2, "unknown": 1, "ok": 1}
    assert summary(SAMPLE) == "1 wrong, 2 to look at, 1 not checked, 1 fine"
    assert summary([]) == "nothing checked"


def test_the_text() -> None:
    assert text(SAMPLE, 80) == (
        "WRONG\n"
        "- GPS port: /dev/serial0 is not there; no other either\n"
        "  Do: Plug it in.\n"
        "\n"
        "Have a look\n"
        "- GPS rate: 1 Hz (RMC)\n"
        "  Do: It works; 5 Hz follows sooner.\n"
        "- Power: since the start: under-voltage\n"
        "  Do: Supply 5 V.\n"
        "\n"
        "Not checked\n"
        "- SPI: the rig file uses no converter\n"
        "\n"
        "Fine\n"
        "- Board: a board\n"
        "\n"
        "Doctor: 1 wrong, 2 to look at, 1 not checked, 1 fine\n"
    )


@pytest.mark.parametrize("width", [40, 60, 80])
def test_the_text_fits(width: int) -> None:
    long = wrong("gps_port", "GPS port", "x y " * 60, "Set gps.port = " + "a b " * 60)
    assert max(map(len, text([*SAMPLE, long], width).splitlines())) <= width


def test_json() -> None:
    data = json.loads(json.dumps(to_json(SAMPLE, "Creek rig", "rig.toml"), allow_nan=False))
    assert list(data) == ["doctor_schema", "rig", "rig_file", "state", "counts", "findings"]
    assert data["state"] == "wrong"
    assert [finding["check"] for finding in data["findings"]] == [finding.check for finding in SAMPLE]
    assert data["findings"][2] == {
        "check": "gps_rate", "title": "GPS rate", "state": "look", "seen": "1 Hz (RMC)",
        "do": "It works; 5 Hz follows sooner.", "values": {"rate_hz": 1.0},
    }  # fmt: skip
    assert data["findings"][0]["do"] is None


# -- whole boards ------------------------------------------------------------------------------------------


def examined(machine: FakeMachine, folder: Path, port: str, **sections: str) -> Examination:
    path = folder / "rig.toml"
    path.write_text(rig_toml(gps=f'port = "{port}"', log=f'folder = "{folder}"', **sections))
    return examine(machine, path, must_be=True, listen_s=0.2)


def states(findings: list[Finding]) -> dict[str, str]:
    return {finding.check: finding.state for finding in findings}


ALL_CHECKS = (
    "rig_file", "calibration_catch", "diagnosis", "diagnosis_odds", "board", "system", "bits", "python",
    "power", "temperature", "gpio_chips", "pin_library", "pins_free", "spi", "gps_port", "gps_baud",
    "gps_sentences", "gps_rate", "speed_field", "fix", "clock", "clock_keeper", "log_folder",
    "write_speed", "disk_space", "service",
)  # fmt: skip


def test_a_whole_board(pi4: FakeMachine, tmp_path: Path) -> None:
    pi4.path("/dev/ttyUSB0").unlink(missing_ok=True)
    receiver = Receiver(pi4.path("/dev/ttyUSB0"), 9600, BURST)
    try:
        found = examined(pi4, tmp_path, "/dev/ttyUSB0", buzzer="pin = 26")
    finally:
        receiver.stop()
    assert tuple(states(found.findings)) == ALL_CHECKS
    assert only(found.findings, "gps_sentences").state == "ok"
    assert only(found.findings, "fix").seen == "valid, 9 satellites, HDOP 0.9"
    assert only(found.findings, "clock").state == "ok", "BURST is of the board's noon"
    assert found.busy == ""
    assert found.rig is not None
    assert text(found.findings, 40)
    json.dumps(to_json(found.findings, found.rig.name, "rig.toml"), allow_nan=False)


def test_a_running_rigmon_is_left_alone(
    pi4: FakeMachine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(examine_module, "find", None)  # a look at the stream would fail
    pi4.process(700, "/opt/rigmon/bin/rigmon run --rig rig.toml", holds="/dev/ttyACM0")
    found = examined(pi4, tmp_path, "/dev/ttyACM0", flow='source = "xdr"')
    assert only(found.findings, "gps_port").state == "unknown"
    assert only(found.findings, "flow_xdr").state == "unknown"
    assert only(found.findings, "clock").seen == "not checked: /dev/ttyACM0 is held by a running rigmon"
    assert "held by rigmon run" in found.busy


def test_a_rigmon_on_other_ports_is_in_the_way_of_the_pins_alone(pi4: FakeMachine, tmp_path: Path) -> None:
    pi4.process(700, "rigmon run --rig other.toml")
    assert examined(pi4, tmp_path, "/dev/none").busy == ""
    found = examined(pi4, tmp_path, "/dev/none", buzzer="pin = 26")
    assert found.busy == "a rigmon that runs on this board has the pins"


def test_a_rig_file_that_is_wrong_still_shows_the_board(pi4: FakeMachine, tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_text("[rig]\nname = 3\n")
    found = examine(pi4, path, must_be=True)
    assert only(found.findings, "rig_file").state == "wrong"
    assert only(found.findings, "board").state == "ok"
    assert only(found.findings, "gps_port").state == "unknown"
    assert found.rig is None


def test_a_node_with_a_port_of_its_own(pi4: FakeMachine, tmp_path: Path) -> None:
    found = examined(pi4, tmp_path, "/dev/serial0", node='port = "/dev/ttyUSB7"', flow='source = "xdr"')
    assert only(found.findings, "node_port").state == "wrong"
    told = only(found.findings, "flow_xdr")
    assert "/dev/serial0 is not there; /dev/ttyUSB7 is not there" in told.seen


def test_one_port_under_two_names_is_looked_at_once(pi4: FakeMachine, tmp_path: Path) -> None:
    pi4.denied |= {"/dev/ttyACM0", "/dev/serial/by-id/usb-invented"}
    pi4.link("/dev/serial/by-id/usb-invented", "/dev/ttyACM0")
    found = examined(pi4, tmp_path, "/dev/ttyACM0", node='port = "/dev/serial/by-id/usb-invented"')
    assert "node_port" not in states(found.findings)


def test_power_and_service_are_asked_of_the_machine(pi4: FakeMachine, tmp_path: Path) -> None:
    pi4.commands["vcgencmd"] = Ran(0, "throttled=0x50005", "")
    found = examined(pi4, tmp_path, "/dev/none")
    assert only(found.findings, "power").state == "wrong"
    assert only(found.findings, "service").state == "unknown"
