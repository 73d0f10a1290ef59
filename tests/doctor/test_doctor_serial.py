"""The serial port: there, permitted, free, and the one that is meant."""

import os
import subprocess
import sys
import tty
from pathlib import Path

import pytest
from boards import FakeMachine, only

from rigmon.doctor import serial_port
from rigmon.doctor.machine import Holder, Machine

USB = "/dev/ttyACM0"


def test_a_free_port(pi4: FakeMachine) -> None:
    looked = serial_port.check(pi4, "gps", USB)
    assert looked.may_listen
    assert only(looked.findings, "gps_port").state == "ok"


def test_a_url_is_no_device(pi4: FakeMachine) -> None:
    looked = serial_port.check(pi4, "node", "socket://192.0.2.7:10110")
    assert looked.may_listen
    assert only(looked.findings, "node_port").state == "ok"
    assert not serial_port.has_baud(pi4, "socket://192.0.2.7:10110")


@pytest.mark.parametrize(
    ("device", "real"),
    [("/dev/ttyACM0", False), ("/dev/ttyUSB0", True), ("/dev/ttyAMA0", True), ("/dev/pts/3", False)],
)
def test_which_ports_have_a_baud(device: str, real: bool, pi4: FakeMachine) -> None:
    assert serial_port.has_baud(pi4, device) is real


@pytest.mark.parametrize(
    ("board", "port", "words"),
    [
        ("pi4", "/dev/serial0", "do_serial_hw 0"),
        ("pi5", "/dev/ttyAMA0", "dtparam=uart0=on"),
        ("pi4", "/dev/ttyUSB0", "If it is one of those"),
    ],
)
def test_a_missing_port(board: str, port: str, words: str, request: pytest.FixtureRequest) -> None:
    looked = serial_port.check(request.getfixturevalue(board), "gps", port)
    assert not looked.may_listen
    found = only(looked.findings, "gps_port")
    assert found.state == "wrong"
    assert f"{port} is not there; there are: {USB}" in found.seen
    assert words in found.do


def test_a_port_that_is_not_permitted(pi4: FakeMachine) -> None:
    pi4.denied.add(USB)
    looked = serial_port.check(pi4, "gps", USB)
    assert not looked.may_listen
    assert (
        only(looked.findings, "gps_port").do == "sudo usermod -aG dialout $USER, then log out and in again."
    )


def test_a_name_that_stays_is_advised(pi4: FakeMachine) -> None:
    name = "/dev/serial/by-id/usb-invented_receiver_0001-if00"
    pi4.link(name, USB)
    found = only(serial_port.check(pi4, "gps", USB).findings, "gps_port")
    assert found.state == "look"
    assert found.do == f'Set gps.port = "{name}": it stays the same.'
    assert only(serial_port.check(pi4, "gps", name).findings, "gps_port").state == "ok"


def test_by_path_where_the_stick_has_no_serial_number(pi4: FakeMachine) -> None:
    pi4.link("/dev/serial/by-path/platform-usb-0:1.2:1.0", USB)
    assert "by-path" in only(serial_port.check(pi4, "gps", USB).findings, "gps_port").do


# -- who has it --------------------------------------------------------------------------------------------


def test_another_program_has_it(pi4: FakeMachine) -> None:
    pi4.process(612, "/usr/sbin/gpsd -n /dev/ttyACM0", holds=USB)
    looked = serial_port.check(pi4, "gps", USB)
    assert not looked.may_listen
    found = only(looked.findings, "gps_port")
    assert found.state == "wrong"
    assert "gpsd -n ttyACM0 (process 612)" in found.seen
    assert found.values["held_by"] == "612"


def test_a_running_rigmon_is_left_alone(pi4: FakeMachine) -> None:
    pi4.process(700, "/opt/rigmon/.venv/bin/python /opt/rigmon/.venv/bin/rigmon run --rig r.toml", holds=USB)
    looked = serial_port.check(pi4, "gps", USB)
    assert not looked.may_listen
    found = only(looked.findings, "gps_port")
    assert found.state == "unknown", "that is as it should be"
    assert "rigmon run" in found.seen
    assert "systemctl stop rigmon" in found.do
    assert [holder.pid for holder in pi4.rigmon_runs()] == [700]


def test_other_commands_of_rigmon_are_not_taken_for_the_daemon(pi4: FakeMachine) -> None:
    pi4.process(701, "/usr/bin/rigmon runs")
    pi4.process(702, "vi rigmon run")
    pi4.process(703, "python3 /usr/bin/rigmon score run")
    pi4.process(704, "rigmon run --rig rig.toml")
    assert [holder.pid for holder in pi4.rigmon_runs()] == [704]


def test_a_lock_shows_a_holder_whose_files_are_hidden(pi4: FakeMachine) -> None:
    """/proc/locks is for everybody; another user's /proc/PID/fd is not."""
    status = os.stat(pi4.path(USB))
    place = f"{os.major(status.st_dev):02x}:{os.minor(status.st_dev):02x}:{status.st_ino}"
    pi4.put(
        "/proc/locks",
        f"1: POSIX  ADVISORY  READ 9 00:01:1 0 EOF\n2: FLOCK  ADVISORY  WRITE 811 {place} 0 EOF\n",
    )
    pi4.put("/proc/811/cmdline", "rigmon\0run\0")
    assert pi4.holders(USB) == [Holder(811, "rigmon run")]


@pytest.mark.parametrize(
    "command",
    ["/usr/sbin/gpsd -n /dev/ttyACM0", "/usr/sbin/gpsd /dev/serial/by-id/usb-invented", "x ttyACM0"],
)
def test_a_holder_whose_files_are_hidden_may_name_the_port(command: str, pi4: FakeMachine) -> None:
    pi4.link("/dev/serial/by-id/usb-invented", USB)
    pi4.process(612, command)
    pi4.process(613, "/usr/sbin/gpsd /dev/ttyACM1")
    assert [holder.pid for holder in pi4.holders(USB)] == [612]


def test_a_process_whose_files_are_seen_is_not_judged_by_its_words(pi4: FakeMachine) -> None:
    pi4.put("/dev/ttyUSB0")
    pi4.process(614, "less /dev/ttyACM0", holds="/dev/ttyUSB0")
    assert pi4.holders(USB) == []


def test_a_real_holder_of_a_real_terminal_is_named() -> None:
    master, slave = os.openpty()
    tty.setraw(slave)
    name = os.ttyname(slave)
    os.close(slave)
    code = (
        "import sys, serial; port = serial.Serial(sys.argv[1], exclusive=True); print('open', flush=True); "
        "sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, name], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == b"open\n"
        machine = Machine()
        assert [holder.pid for holder in machine.holders(name)] == [child.pid]
        assert child.pid in list(machine._lockers(name))
        looked = serial_port.check(machine, "gps", name)
        assert not looked.may_listen
        assert f"(process {child.pid})" in only(looked.findings, "gps_port").seen
        child.communicate()
    assert Machine().holders(name) == []
    os.close(master)


# -- ports of the board ------------------------------------------------------------------------------------


def board_port(machine: FakeMachine, device: str, link: str = "/dev/serial0") -> None:
    machine.put(device)
    machine.link(link, device)


def test_on_a_pi_5_serial0_is_the_debug_connector(pi5: FakeMachine) -> None:
    board_port(pi5, "/dev/ttyAMA10")
    for port in ("/dev/serial0", "/dev/ttyAMA10"):
        looked = serial_port.check(pi5, "gps", port)
        assert not looked.may_listen
        found = only(looked.findings, "gps_port")
        assert found.state == "wrong"
        assert "debug connector" in found.seen
        assert "dtparam=uart0=on" in found.do


def test_the_header_of_a_pi_5(pi5: FakeMachine) -> None:
    pi5.put("/dev/ttyAMA0")
    assert only(serial_port.check(pi5, "gps", "/dev/ttyAMA0").findings, "gps_port").state == "ok"


def test_the_small_uart_of_a_pi_4(pi4: FakeMachine) -> None:
    board_port(pi4, "/dev/ttyS0")
    looked = serial_port.check(pi4, "gps", "/dev/serial0")
    assert looked.may_listen
    found = only(looked.findings, "gps_port")
    assert found.state == "look"
    assert "enable_uart=1" in found.do


def test_the_bluetooths_port_of_a_pi_4(pi4: FakeMachine) -> None:
    board_port(pi4, "/dev/ttyS0")
    board_port(pi4, "/dev/ttyAMA0", "/dev/serial1")
    found = only(serial_port.check(pi4, "gps", "/dev/ttyAMA0").findings, "gps_port")
    assert found.state == "wrong"
    assert "Bluetooth" in found.seen


def test_the_full_uart_of_a_pi_4(pi4: FakeMachine) -> None:
    board_port(pi4, "/dev/ttyAMA0")
    found = only(serial_port.check(pi4, "gps", "/dev/serial0").findings, "gps_port")
    assert (found.state, found.seen) == ("ok", "/dev/serial0 -> /dev/ttyAMA0, permitted, free")


@pytest.mark.parametrize("where", ["cmdline", "active", "login"])
def test_a_console_on_the_port(where: str, pi4: FakeMachine) -> None:
    board_port(pi4, "/dev/ttyAMA0")
    if where == "cmdline":
        pi4.put("/proc/cmdline", "console=serial0,115200 console=tty1 root=PARTUUID=1")
    elif where == "active":
        pi4.put("/sys/class/tty/console/active", "tty1 ttyAMA0\n")
    else:
        pi4.process(500, "/sbin/agetty --keep-baud ttyAMA0", holds="/dev/ttyAMA0")
    looked = serial_port.check(pi4, "gps", "/dev/serial0")
    assert not looked.may_listen
    found = only(looked.findings, "gps_console")
    assert found.state == "wrong"
    assert "do_serial_cons 1" in found.do


def test_a_console_does_not_hide_the_small_uart(pi4: FakeMachine) -> None:
    board_port(pi4, "/dev/ttyS0")
    pi4.put("/proc/cmdline", "console=serial0,115200 console=tty1")
    findings = serial_port.check(pi4, "gps", "/dev/serial0").findings
    assert [finding.state for finding in findings] == ["look", "wrong"]


def test_the_tree_is_read_below_its_root_alone(tmp_path: Path) -> None:
    machine = FakeMachine(tmp_path / "empty")
    assert machine.names("/dev/*") == []
    assert machine.text("/proc/cmdline") is None
    assert machine.resolved("/dev/null") == "/dev/null"
    assert not machine.exists("/dev/null")
