"""The live pages: extra, port, the address to type, the service's network, the broker's password."""

import socket
from pathlib import Path

import pytest
from boards import FakeMachine, only, rig_with

from rigmon.doctor import pages
from rigmon.doctor.findings import Finding
from rigmon.doctor.machine import Holder, Machine, Ran
from rigmon.doctor.service import Unit

NO_UNIT = Unit({}, "there is no systemctl here")


def looked(
    machine: FakeMachine,
    unit: Unit = NO_UNIT,
    running: bool = False,
    address: str = "0.0.0.0",
    mqtt: str = "",
) -> list[Finding]:
    sections = {"web": f'enabled = true\naddress = "{address}"'}
    if mqtt:
        sections["mqtt"] = mqtt
    rig = rig_with(**sections)
    return pages.check(machine, rig, unit, [Holder(7, "rigmon run")] if running else [])


@pytest.fixture
def on_a_network(pi4: FakeMachine) -> FakeMachine:
    pi4.commands["hostname"] = Ran(0, "10.42.0.1 fd00::1 \n", "")
    return pi4


def test_without_pages_nothing_is_said_of_them(pi4: FakeMachine) -> None:
    assert pages.check(pi4, rig_with(), NO_UNIT, []) == []


def test_all_is_well_on_the_rigs_own_network(on_a_network: FakeMachine) -> None:
    findings = looked(on_a_network)
    assert {finding.check: finding.state for finding in findings} == {
        "pages_extra": "ok", "pages_port": "ok", "pages_address": "ok",
    }  # fmt: skip
    assert only(findings, "pages_address").seen == "http://10.42.0.1:8088/"
    assert only(findings, "pages_port").seen == "0.0.0.0 port 8088 is free"


def test_a_missing_extra(on_a_network: FakeMachine) -> None:
    on_a_network.not_installed = {"uvicorn", "starlette"}
    found = only(looked(on_a_network), "pages_extra")
    assert (found.state, found.seen) == ("wrong", "not installed: starlette, uvicorn")
    assert "rigmon[web]" in found.do


def test_a_port_that_another_has(on_a_network: FakeMachine) -> None:
    on_a_network.port_troubles["0.0.0.0", 8088] = "taken"
    assert only(looked(on_a_network), "pages_port").state == "wrong"
    assert only(looked(on_a_network, running=True), "pages_port").state == "ok"
    on_a_network.port_troubles["0.0.0.0", 8088] = "Permission denied"
    assert only(looked(on_a_network), "pages_port").state == "unknown"


def test_an_address_that_the_board_does_not_have(on_a_network: FakeMachine) -> None:
    on_a_network.port_troubles["10.9.9.9", 8088] = "no address"
    found = only(looked(on_a_network, address="10.9.9.9"), "pages_port")
    assert found.state == "wrong"
    assert "0.0.0.0" in found.do


def test_for_this_board_alone(on_a_network: FakeMachine) -> None:
    assert only(looked(on_a_network, address="127.0.0.1"), "pages_address").seen == (
        "http://127.0.0.1:8088/, on this board alone"
    )
    assert only(looked(on_a_network, address="::1"), "pages_address").seen.startswith("http://[::1]:8088/")


def test_on_no_network(pi4: FakeMachine) -> None:
    pi4.commands["hostname"] = Ran(0, "\n", "")
    assert only(looked(pi4), "pages_address").state == "look"
    del pi4.commands["hostname"]
    assert only(looked(pi4), "pages_address").state == "unknown"


def test_where_the_internet_reaches_them(pi4: FakeMachine) -> None:
    """8.8.8.8 stands for any address that is not private (RFC 1918)."""
    pi4.commands["hostname"] = Ran(0, "192.168.1.5 8.8.8.8 \n", "")
    found = only(looked(pi4), "pages_address")
    assert found.state == "look"
    assert "; 8.8.8.8 can be reached from the internet" in found.seen
    assert only(looked(pi4, address="192.168.1.5"), "pages_address").state == "ok"


def test_a_service_without_network(on_a_network: FakeMachine) -> None:
    shut = Unit({"LoadState": "loaded", "PrivateNetwork": "yes"})
    assert "config/install.sh --pages" in only(looked(on_a_network, shut), "pages_service").do
    let_out = Unit({"LoadState": "loaded", "PrivateNetwork": "no"})
    assert "pages_service" not in {finding.check for finding in looked(on_a_network, let_out)}


def test_the_brokers_password(on_a_network: FakeMachine) -> None:
    path = on_a_network.put("/etc/mqtt-password", "invented")
    keys = 'host = "10.42.0.2"\nusername = "rig"\npassword_file = "/etc/mqtt-password"'
    path.chmod(0o640)
    assert only(looked(on_a_network, mqtt=keys), "mqtt_password").state == "ok"
    path.chmod(0o644)
    assert only(looked(on_a_network, mqtt=keys), "mqtt_password").do == "chmod o= /etc/mqtt-password"
    path.unlink()
    assert only(looked(on_a_network, mqtt=keys), "mqtt_password").state == "wrong"


def test_this_machine_itself(tmp_path: Path) -> None:
    machine = Machine(tmp_path)
    assert machine.missing(["starlette", "no_such_package", "no_such.package"]) == [
        "no_such_package",
        "no_such.package",
    ]
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        assert machine.port_trouble("127.0.0.1", port) == "taken"
    assert machine.port_trouble("127.0.0.1", port) == ""
    assert machine.port_trouble("192.0.2.1", port) == "no address"  # RFC 5737: nobody has it
