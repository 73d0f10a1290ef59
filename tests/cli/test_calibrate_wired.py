"""Calibrating wired sensors with --live: gpiozero's mock pins and SPI, driven between the answers."""

import json
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from gpiozero import LED, Device
from gpiozero.pins.mock import MockFactory
from invoking import PATIENCE_S, Made, refused, rigmon
from wiring import MockConverter, held, pin, pulse

from rigmon.cli.calibrate import flowmeter
from rigmon.edge.pulses import PulseSource

FLOW = 'source = "gpio"\npin = 17\npulses_per_l = 400\n'
PRESSURE = 'source = "adc"\nchip = "MCP3208"\nsupply_channel = 1\n'


class Person:
    """Types an answer a line, and does something with the water before some of them. Stands in for stdin."""

    def __init__(self, *answers: str | tuple[Callable[[], None], str]) -> None:
        self._answers = iter(answers)

    def readline(self) -> str:
        answer = next(self._answers, None)
        if answer is None:
            return ""
        if isinstance(answer, tuple):
            act, answer = answer
            act()
        return answer + "\n"

    def isatty(self) -> bool:
        return False


@pytest.fixture
def board(monkeypatch: pytest.MonkeyPatch) -> Iterator[MockFactory]:
    factory = MockFactory()
    monkeypatch.setattr(Device, "pin_factory", factory)
    yield factory
    assert held(factory) == []
    factory.reset()


@pytest.fixture
def folder(made: Made, tmp_path: Path) -> Path:
    """A rig with its meter and transducer wired; its receiver is not there, and need not be."""
    toml = made.rig.read_text()
    toml = toml.replace('[flow]\nsource = "xdr"', f"[flow]\n{FLOW}")
    toml = toml.replace('[pressure]\nsource = "xdr"', f"[pressure]\n{PRESSURE}")
    (tmp_path / "rig.toml").write_text(toml)
    return tmp_path


def typed(monkeypatch: pytest.MonkeyPatch, person: Person, *args: object, cwd: Path) -> dict[str, dict]:
    monkeypatch.setattr("sys.stdin", person)
    before = threading.enumerate()
    result = rigmon("calibrate", *args, "--dry-run", "--json", cwd=cwd)
    assert result.code == 0, result.err
    assert threading.enumerate() == before
    made: dict[str, dict] = json.loads(result.out[result.out.index("{\n") :])
    return made


# 2.0 L are 900 pulses: 450 a litre
def test_a_wired_flowmeter_is_counted_while_the_water_runs(
    folder: Path, board: MockFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(flowmeter, "_SETTLE_NS", 250_000_000)  # two reports of the count
    monkeypatch.setattr(flowmeter, "_SHORTEST_NS", 1)
    turn, turned = PulseSource.turn, threading.Semaphore(0)

    def seen_turn(source: PulseSource) -> float | None:
        wait_s = turn(source)
        turned.release()
        return wait_s

    monkeypatch.setattr(PulseSource, "turn", seen_turn)

    def water() -> None:
        for _ in range(900):
            pulse(pin(board, 17))
        while turned.acquire(blocking=False):
            pass
        for _ in range(3):  # reports of all of them
            assert turned.acquire(timeout=PATIENCE_S)

    run = ("", (water, ""), "2.0 L")
    person = Person(*run, *run, *run, "n")
    made = typed(monkeypatch, person, "flowmeter", "--live", cwd=folder)
    assert [run["pulses"] for run in made["inputs"]["runs"]] == [900, 900, 900]
    assert made["result"]["pulses_per_l"] == pytest.approx(450.0)


# Zero at 0.1 of the rail, 0.8 of it over 1000 kPa, which is the rig file's span; the rail reads 3600
def test_a_wired_transducer_is_read_at_the_gauges_pressures(
    folder: Path, board: MockFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    converter = MockConverter(board, 12)
    converter.channels[:2] = [360, 3600]

    def pressure(kpa: float) -> Callable[[], None]:
        def set_it() -> None:
            converter.channels[0] = round(3600 * (0.1 + 0.8 * kpa / 1000))

        return set_it

    points = [((pressure(kpa), f"{kpa} kPa"), "") for kpa in (0, 200, 400)]
    answers = [answer for point in points for answer in point]
    made = typed(monkeypatch, Person(*answers, ""), "transducer", "--live", "--average", "0.4 s", cwd=folder)
    result = made["result"]
    assert result["zero_fraction"] == pytest.approx(0.1, abs=2e-4)
    assert (result["span_fraction"], result["span_kpa"]) == (pytest.approx(0.9, abs=5e-4), 1000.0)


def test_a_pin_that_is_held_is_told(folder: Path, board: MockFactory) -> None:
    with LED(17, pin_factory=board):
        refused("calibrate", "flowmeter", "--live", naming="flow.pin = 17 cannot be used", cwd=folder)


def test_without_a_board_it_is_told(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Device, "pin_factory", None)
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "none-such")
    for kind, key in (("flowmeter", "flow.pin = 17"), ("transducer", "pressure.source = adc")):
        refused("calibrate", kind, "--live", naming=key, cwd=folder)
