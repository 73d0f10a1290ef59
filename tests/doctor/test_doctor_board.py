"""Board, system and power, over trees that look like boards."""

from pathlib import Path

import pytest
from boards import OS_13, FakeMachine, only

from rigmon.doctor import board, power
from rigmon.doctor.machine import Ran


@pytest.mark.parametrize(
    ("model", "family"),
    [  # as /proc/device-tree/model has them: Raspberry Pi documentation, from memory
        ("Raspberry Pi 3 Model B Plus Rev 1.3", "pi 3-4"),
        ("Raspberry Pi 4 Model B Rev 1.4", "pi 3-4"),
        ("Raspberry Pi 400 Rev 1.0", "pi 3-4"),
        ("Raspberry Pi Compute Module 4 Rev 1.0", "pi 3-4"),
        ("Raspberry Pi Zero 2 W Rev 1.0", "pi 3-4"),
        ("Raspberry Pi 5 Model B Rev 1.0", "pi 5"),
        ("Raspberry Pi 500 Rev 1.0", "pi 5"),
        ("Raspberry Pi Compute Module 5 Rev 1.0", "pi 5"),
        ("Raspberry Pi Zero W Rev 1.1", "other pi"),
        ("Raspberry Pi 2 Model B Rev 1.1", "other pi"),
        ("Raspberry Pi Model B Rev 2", "other pi"),
        ("Some Other Board", "not a pi"),
    ],
)
def test_the_board_is_known_by_its_model(model: str, family: str, tmp_path: Path) -> None:
    machine = FakeMachine.pi(tmp_path / "any", model)
    assert board.family(machine) == family
    found = only(board.check(machine), "board")
    assert found.seen == model
    assert found.state == ("ok" if family in ("pi 3-4", "pi 5") else "look")


def test_a_good_board_has_nothing_amiss(pi4: FakeMachine) -> None:
    findings = [*board.check(pi4), *power.check(pi4)]
    assert [finding.state for finding in findings] == ["ok"] * 6
    assert only(findings, "system").seen == "Debian GNU/Linux 13 (trixie)"
    assert only(findings, "python").seen == "3.13.5"
    assert only(findings, "bits").seen == "yes, aarch64"


def test_a_pc_is_no_board(tmp_path: Path) -> None:
    machine = FakeMachine(tmp_path / "pc")
    machine.kernel = "x86_64"
    findings = board.check(machine)
    assert only(findings, "board").state == "look"
    assert "x86_64" in only(findings, "board").seen
    assert only(findings, "system").state == "unknown"


@pytest.mark.parametrize(
    ("bits", "kernel", "state", "words"),
    [
        (64, "aarch64", "ok", "yes"),
        (32, "armv7l", "wrong", "32 bits, armv7l"),
        (32, "aarch64", "wrong", "under a 64-bit kernel"),
    ],
)
def test_64_bits(bits: int, kernel: str, state: str, words: str, pi4: FakeMachine) -> None:
    pi4.bits, pi4.kernel = bits, kernel
    found = only(board.check(pi4), "bits")
    assert found.state == state
    assert words in found.seen


@pytest.mark.parametrize(
    ("python", "state"), [((3, 10, 9), "wrong"), ((3, 11, 2), "ok"), ((3, 13, 5), "ok"), ((3, 14, 0), "look")]
)
def test_python(python: tuple[int, int, int], state: str, pi4: FakeMachine) -> None:
    pi4.python = python
    assert only(board.check(pi4), "python").state == state


@pytest.mark.parametrize(
    ("release", "state"),
    [
        (OS_13, "ok"),
        (OS_13.replace("13", "12"), "ok"),
        (OS_13.replace("13", "11"), "wrong"),
        (OS_13.replace("ID=debian", "ID=other"), "look"),
    ],
)
def test_the_system(release: str, state: str, pi4: FakeMachine) -> None:
    pi4.put("/etc/os-release", release)
    assert only(board.check(pi4), "system").state == state


# -- power -------------------------------------------------------------------------------------------------


def test_the_bits_of_the_flags() -> None:
    """Raspberry Pi documentation, vcgencmd get_throttled: bits 0 to 3 now, 16 to 19 since the start."""
    assert power.decode(0) == ([], [])
    assert power.decode(0x50005) == (
        ["under-voltage", "processor throttled"],
        ["under-voltage", "processor throttled"],
    )
    assert power.decode(0x80008) == (["soft temperature limit"], ["soft temperature limit"])
    assert power.decode(0x20000) == ([], ["processor frequency capped"])


@pytest.mark.parametrize(
    ("flags", "state", "words"),
    [
        ("0x0", "ok", "no under-voltage"),
        ("0x50000", "look", "since the start: under-voltage, processor throttled"),
        ("0x50005", "wrong", "now: under-voltage"),
        ("0x80000", "look", "since the start: soft temperature limit"),
    ],
)
@pytest.mark.parametrize("source", ["vcgencmd", "sysfs"])
def test_the_supply(source: str, flags: str, state: str, words: str, pi4: FakeMachine) -> None:
    if source == "vcgencmd":
        pi4.commands["vcgencmd"] = Ran(0, f"throttled={flags}", "")
    else:
        pi4.commands["vcgencmd"] = Ran(255, "", "Can't open device file: /dev/vcio")
        pi4.put("/sys/devices/platform/soc/soc:firmware/get_throttled", flags.removeprefix("0x") + "\n")
    found = only(power.check(pi4), "power")
    assert found.state == state
    assert words in found.seen
    assert found.values["flags"] == flags
    assert bool(found.do) == (state != "ok")


@pytest.mark.parametrize(("alarm", "state"), [("0", "ok"), ("1", "wrong")])
def test_the_kernels_own_alarm_where_there_are_no_flags(alarm: str, state: str, pi4: FakeMachine) -> None:
    del pi4.commands["vcgencmd"]
    pi4.put("/sys/class/hwmon/hwmon0/name", "cpu_thermal\n")
    pi4.put("/sys/class/hwmon/hwmon1/name", "rpi_volt\n")
    pi4.put("/sys/class/hwmon/hwmon1/in0_lcrit_alarm", f"{alarm}\n")
    assert only(power.check(pi4), "power").state == state


@pytest.mark.parametrize("printed", ["throttled=", "throttled=odd", "odd"])
def test_flags_that_cannot_be_read_are_not_taken_for_good_ones(printed: str, pi4: FakeMachine) -> None:
    pi4.commands["vcgencmd"] = Ran(0, printed, "")
    assert only(power.check(pi4), "power").state == "unknown"


def test_flags_that_are_not_permitted(pi4: FakeMachine) -> None:
    pi4.commands["vcgencmd"] = Ran(255, "", "Can't open device file: /dev/vcio")
    pi4.put("/dev/vcio")
    pi4.denied.add("/dev/vcio")
    pi4.put("/etc/group", "video:x:44:\n")
    found = only(power.check(pi4), "power")
    assert found.state == "unknown"
    assert found.do == "sudo usermod -aG video $USER, then log out and in again."


def test_a_board_without_flags_is_said_not_to_be_checked(pi4: FakeMachine) -> None:
    del pi4.commands["vcgencmd"]
    found = only(power.check(pi4), "power")
    assert found.state == "unknown"
    assert found.seen.startswith("not checked: ")


@pytest.mark.parametrize(("milli", "state"), [("48312", "ok"), ("82000", "look"), ("odd", "unknown")])
def test_temperature(milli: str, state: str, pi4: FakeMachine) -> None:
    """82 x 9 / 5 + 32 = 179.6."""
    pi4.put("/sys/class/thermal/thermal_zone0/temp", milli)
    found = only(power.check(pi4), "temperature")
    assert found.state == state
    assert state != "look" or "82 °C (180 °F)" in found.seen
