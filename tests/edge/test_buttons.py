"""Stop button and power-fail pin on gpiozero's mock pins: they count when held, and notes say so."""

import threading
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from fakes import PATIENCE_S, RIG_TOML, Collector
from gpiozero.pins.mock import MockFactory

from rigmon import config
from rigmon.edge.buttons import PowerSense, StopButton, control_pins
from rigmon.edge.hub import Hub, MonotonicClock
from rigmon.errors import UsageError
from rigmon.model import Note, Reading, Source

#: no test waits so long: a pin that is let go before has not been held
LONG_S = 60.0
SHORT_S = 0.001
STOP, FAILED = "stop button held", "the supply failed"


@pytest.fixture
def hub(factory: MockFactory) -> Hub:  # noqa: ARG001 - the pins are the mock ones
    return Hub(MonotonicClock())


@pytest.fixture
def collector(hub: Hub) -> Iterator[Collector]:
    collector = Collector(hub)
    yield collector
    collector.stop()


def notes(readings: list[Reading]) -> list[str]:
    return [r.payload.text for r in readings if isinstance(r.payload, Note) and r.source is Source.PERSON]


def settle(found: Callable[[], bool]) -> None:
    """Wait for gpiozero's hold thread, which tells nobody when it has begun to wait."""
    pause = threading.Event()
    for _ in range(round(PATIENCE_S / 0.002)):
        if found():
            return
        pause.wait(0.002)
    raise AssertionError


def press(factory: MockFactory, number: int, level: str, down: bool) -> None:
    pin: Any = factory.pin(f"GPIO{number}")
    if (level == "high") is down:
        pin.drive_high()
    else:
        pin.drive_low()


@pytest.mark.parametrize("level", ["low", "high"])
def test_a_button_that_is_held_is_noted(
    factory: MockFactory, hub: Hub, collector: Collector, level: str
) -> None:
    button = StopButton(hub, 22, level, STOP, SHORT_S)
    button.start()
    press(factory, 22, level, True)
    collector.wait_for(lambda readings: notes(readings) == [STOP])
    press(factory, 22, level, False)
    press(factory, 22, level, True)
    collector.wait_for(lambda readings: notes(readings) == [STOP, STOP])
    button.stop()


def test_a_button_that_is_brushed_is_not(factory: MockFactory, hub: Hub, collector: Collector) -> None:
    button = StopButton(hub, 22, "low", STOP, LONG_S)
    button.start()
    for _ in range(5):
        press(factory, 22, "low", True)
        settle(lambda: not button._button._hold_thread.holding.is_set())
        press(factory, 22, "low", False)
    button.stop()
    hub.put(0, Source.PERSON, Note("end"))
    assert notes(collector.wait_for(bool)) == ["end"]


@pytest.mark.parametrize("level", ["low", "high"])
def test_a_supply_that_stays_away_closes_the_hub(
    factory: MockFactory, hub: Hub, collector: Collector, level: str
) -> None:
    press(factory, 23, level, False)
    sense = PowerSense(hub, 23, level, SHORT_S, FAILED)
    sense.start()
    assert not sense.failing
    press(factory, 23, level, True)
    assert notes(collector.wait_for(bool)) == [FAILED]  # in the log, and then the end
    settle(lambda: hub.ended_ns is not None)
    assert hub.why == FAILED
    assert sense.failing
    sense.stop()


def test_a_dip_is_ridden_through_and_noted(factory: MockFactory, hub: Hub, collector: Collector) -> None:
    press(factory, 23, "low", False)
    sense = PowerSense(hub, 23, "low", LONG_S, FAILED)
    sense.start()
    press(factory, 23, "low", True)
    settle(lambda: not sense._button._hold_thread.holding.is_set())
    press(factory, 23, "low", False)
    (note,) = notes(collector.wait_for(lambda readings: bool(notes(readings))))
    assert note.startswith("the supply dipped once for 0.")
    assert note.endswith(" s: ridden through")
    assert hub.why == ""
    sense.stop()


def test_a_pin_that_chatters_does_not_flood_the_log(
    factory: MockFactory, hub: Hub, collector: Collector
) -> None:
    press(factory, 23, "low", False)
    sense = PowerSense(hub, 23, "low", LONG_S, FAILED)
    sense.start()
    for _ in range(500):
        press(factory, 23, "low", True)
        press(factory, 23, "low", False)
    hub.put(0, Source.PERSON, Note("end"))
    said = notes(collector.wait_for(lambda readings: notes(readings)[-1:] == ["end"]))
    assert len(said) < 100  # one a second; a machine that takes 100 s for this is stuck
    assert said[0].startswith("the supply dipped once")
    assert hub.why == ""
    sense.stop()


def test_a_pin_that_fails_from_the_start_is_not_believed(
    factory: MockFactory, hub: Hub, collector: Collector
) -> None:
    """One wired the wrong way round would switch the board off at every boot."""
    sense = PowerSense(hub, 23, "low", SHORT_S, FAILED)
    press(factory, 23, "low", True)  # before it is watched; a mock pin begins at its pull's level
    sense.start()
    (note,) = notes(collector.wait_for(bool))
    assert "ignored until it is good" in note
    press(factory, 23, "low", False)
    assert hub.why == ""
    press(factory, 23, "low", True)
    settle(lambda: hub.why == FAILED)
    sense.stop()


def test_the_rig_says_which_pins_there_are(hub: Hub) -> None:
    def made(toml: str) -> list[type]:
        pins = control_pins(config.parse(RIG_TOML + toml, "rig.toml"), hub, STOP, FAILED)
        for pin in pins:
            pin.stop()
        return [type(pin) for pin in pins]

    assert made("") == []
    assert made("[runs]\nstop_pin = 22\n") == [StopButton]
    assert made("[power]\nfail_pin = 23\n") == [PowerSense]
    assert made("[runs]\nstop_pin = 22\n[power]\nfail_pin = 23\n") == [StopButton, PowerSense]


def test_a_pin_that_cannot_be_used_is_named_by_its_key(hub: Hub) -> None:
    with pytest.raises(UsageError, match=r"runs\.stop_pin = 53 cannot be used"):
        StopButton(hub, 53, "low", STOP)
    held = StopButton(hub, 23, "low", STOP)
    with pytest.raises(UsageError, match=r"power\.fail_pin = 23 cannot be used"):
        PowerSense(hub, 23, "low", 0.5, FAILED)
    held.stop()
