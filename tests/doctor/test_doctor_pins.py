"""Pins, the pin library and SPI."""

import sys
from pathlib import Path

import pytest
from boards import FakeMachine, only, rig_with

from rigmon.doctor import pins
from rigmon.doctor.machine import Chip, Line, Machine, Ran
from rigmon.rig import Rig

FLOW = 'source = "gpio"\npin = 17\npulses_per_l = 450'
ADC = 'source = "adc"'


@pytest.fixture
def wired() -> Rig:
    return rig_with(
        flow=FLOW, pressure=ADC, boom_switch='source = "gpio"\npin = 27', lights="pins = [5, 6, 13]",
        buzzer="pin = 26",
    )  # fmt: skip


def test_a_rig_without_pins_needs_none(gps_rig: Rig, tmp_path: Path) -> None:
    findings = pins.check(FakeMachine(tmp_path / "pc"), gps_rig, serving=False)
    assert {finding.state for finding in findings} == {"unknown"}


@pytest.mark.parametrize("board", ["pi4", "pi5"])
def test_a_wired_rig_on_a_good_board(board: str, wired: Rig, request: pytest.FixtureRequest) -> None:
    findings = pins.check(request.getfixturevalue(board), wired, serving=False)
    assert {finding.check: finding.state for finding in findings} == {
        "gpio_chips": "ok", "pin_library": "ok", "pins_free": "ok", "spi": "ok",
    }  # fmt: skip
    assert only(findings, "pins_free").values["pins"] == 6


def test_every_pin_of_the_rig_file_is_looked_at() -> None:
    rig = rig_with(
        flow=FLOW, lights="pins = [5, 6, 13]\ntrouble_pin = 19", buzzer="pin = 26", runs="stop_pin = 22",
        power="fail_pin = 23", boom_switch='source = "gpio"\npin = 27',
    )  # fmt: skip
    assert pins.wired(rig) == {
        17: "flow.pin", 27: "boom_switch.pin", 5: "lights.pins", 6: "lights.pins", 13: "lights.pins",
        19: "lights.trouble_pin", 26: "buzzer.pin", 22: "runs.stop_pin", 23: "power.fail_pin",
    }  # fmt: skip


def test_a_machine_without_gpio(wired: Rig, tmp_path: Path) -> None:
    machine = FakeMachine(tmp_path / "pc")
    machine.says_of_pins()
    assert only(pins.check(machine, wired, serving=False), "gpio_chips").state == "wrong"


def test_a_user_outside_the_group(wired: Rig, pi4: FakeMachine) -> None:
    pi4.denied.add("/dev/gpiochip0")
    found = only(pins.check(pi4, wired, serving=False), "gpio_chips")
    assert found.state == "wrong"
    assert found.do == "sudo usermod -aG gpio $USER, then log out and in again."
    pi4.in_groups.add("gpio")
    assert "udev" in only(pins.check(pi4, wired, serving=False), "gpio_chips").do


def test_the_header_is_found_by_its_label(wired: Rig, pi5: FakeMachine) -> None:
    """A Pi 5 before kernel 6.6.45 has it as gpiochip4."""
    pi5.chips["/dev/gpiochip0"] = Chip("/dev/gpiochip0", "gpiochip0", "gpio-brcmstb@107d508500", 32)
    pi5.put("/dev/gpiochip4")
    pi5.chips["/dev/gpiochip4"] = Chip("/dev/gpiochip4", "gpiochip4", "pinctrl-rp1", 54)
    findings = pins.check(pi5, wired, serving=False)
    assert only(findings, "gpio_chips").values["device"] == "/dev/gpiochip4"
    assert only(findings, "pin_library").state == "wrong"
    assert "gpiochip0, the header is /dev/gpiochip4" in only(findings, "pin_library").seen
    pi5.says_of_pins(chip=4)
    assert only(pins.check(pi5, wired, serving=False), "pin_library").state == "ok"


def test_pins_that_something_else_has(wired: Rig, pi4: FakeMachine) -> None:
    pi4.lines[17] = Line("GPIO17", "onewire@0", True)
    found = only(pins.check(pi4, wired, serving=False), "pins_free")
    assert found.state == "wrong"
    assert found.seen == "taken: flow.pin = 17 (onewire@0)"
    # a rigmon that runs has them: nothing is wrong with that
    assert only(pins.check(pi4, wired, serving=True), "pins_free").state == "unknown"


def test_a_pin_that_the_board_does_not_have(pi4: FakeMachine) -> None:
    pi4.chips["/dev/gpiochip0"] = Chip("/dev/gpiochip0", "gpiochip0", "pinctrl-bcm2711", 20)
    found = only(pins.check(pi4, rig_with(buzzer="pin = 26"), serving=False), "pins_free")
    assert found.state == "wrong"
    assert "buzzer.pin = 26" in found.seen


# -- the library -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("told", "state", "words"),
    [
        ({"gpiozero": None, "factory": None, "trouble": "No module 'gpiozero'"}, "wrong", "No module"),
        ({"lgpio": "0.0.0.2", "lgpio_bytes": 0, "lgpio_works": False, "factory": None}, "wrong", "0 bytes"),
        ({"factory": None, "trouble": "can not open gpiochip"}, "wrong", "can not open gpiochip"),
        ({"factory": "MockFactory", "chip": None}, "look", "mock pins"),
        ({"factory": "RPiGPIOFactory", "chip": None}, "wrong", "RPiGPIOFactory"),
        ({"libgpiod": None}, "look", "lost ones are not known"),
        ({}, "ok", "libgpiod 2.5.0"),
    ],
)  # fmt: skip
def test_what_the_probe_tells(
    told: dict[str, object], state: str, words: str, wired: Rig, pi4: FakeMachine
) -> None:
    pi4.says_of_pins(**told)
    found = only(pins.check(pi4, wired, serving=False), "pin_library")
    assert found.state == state
    assert words in found.seen
    assert bool(found.do) == (state != "ok")


@pytest.mark.parametrize("printed", [None, Ran(1, "", "killed"), Ran(0, "no json", ""), Ran(0, "{}", "")])
def test_a_probe_that_does_not_end_well(printed: Ran | None, wired: Rig, pi4: FakeMachine) -> None:
    del pi4.commands["python3"]
    if printed is not None:
        pi4.commands["python3"] = printed
    assert only(pins.check(pi4, wired, serving=False), "pin_library").state == "unknown"


def test_the_real_probe_with_mock_pins(monkeypatch: pytest.MonkeyPatch) -> None:
    """gpiozero's own mock factory, in a process of its own."""
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "mock")
    found = pins._library(Machine(), None, counts_pulses=False)
    assert found.state == "look"
    assert found.values["factory"] == "MockFactory"


def test_the_real_probe_sees_through_an_empty_lgpio(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What pip installs on Python 3.13 when it may not build: an empty module, version 0.0.0.2."""
    (tmp_path / "lgpio.py").touch()
    (tmp_path / "lgpio-0.0.0.2.dist-info").mkdir()
    (tmp_path / "lgpio-0.0.0.2.dist-info" / "METADATA").write_text("Name: lgpio\nVersion: 0.0.0.2\n")
    monkeypatch.delenv("GPIOZERO_PIN_FACTORY", raising=False)
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    found = pins._library(Machine(), None, counts_pulses=False)
    assert found.state == "wrong"
    assert found.seen.startswith("lgpio 0.0.0.2 is an empty stand-in (0 bytes)")
    assert "pip uninstall lgpio" in found.do


def test_the_real_probe_without_lgpio(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("GPIOZERO_PIN_FACTORY", raising=False)
    machine = Machine()
    if machine.run(sys.executable, "-c", "import lgpio").code == 0:  # type: ignore[union-attr]
        pytest.skip("this machine has lgpio")
    found = pins._library(machine, None, counts_pulses=False)
    assert found.state == "wrong"
    assert "lgpio" in found.seen + found.do


# -- SPI ---------------------------------------------------------------------------------------------------


def test_spi_that_is_off(pi4: FakeMachine) -> None:
    for name in ("spidev0.0", "spidev0.1"):
        pi4.path(f"/dev/{name}").unlink()
    found = only(pins.check(pi4, rig_with(pressure=ADC), serving=False), "spi")
    assert found.state == "wrong"
    assert "dtparam=spi=on" in found.do


def test_the_other_chip_select(pi4: FakeMachine) -> None:
    pi4.path("/dev/spidev0.1").unlink()
    found = only(pins.check(pi4, rig_with(pressure=f"{ADC}\nspi_device = 1"), serving=False), "spi")
    assert found.state == "wrong"
    assert "but /dev/spidev0.0" in found.seen
    assert "CE0" in found.do


def test_spi_that_is_not_permitted(pi4: FakeMachine) -> None:
    pi4.denied.add("/dev/spidev0.0")
    found = only(pins.check(pi4, rig_with(pressure=ADC), serving=False), "spi")
    assert found.do == "sudo usermod -aG spi $USER, then log out and in again."


def test_the_kernels_answers_are_read_by_its_own_layout() -> None:
    """linux/gpio.h: sizes of the structures are in the numbers of the calls."""
    from rigmon.doctor import machine

    assert machine._CHIP_INFO >> 16 & 0x3FFF == machine._CHIP_FORMAT.size == 68
    assert machine._LINE_INFO >> 16 & 0x3FFF == machine._LINE_FORMAT.size == 256
    assert Machine().gpio_chip("/dev/null") is None
    assert Machine().gpio_line("/dev/null", 4) is None
    assert Machine().gpio_chip("/dev/not-there") is None
