"""Which sources a rig's wired sensors get, and what is said before a run when they cannot work."""

import subprocess
import sys
from pathlib import Path

import pytest
from fakes import PATIENCE_S
from gpiozero import LED
from gpiozero.pins.mock import MockFactory
from helpers import make_rig
from standins import FakeChip, fake_gpiod
from wiring import MockConverter, SimTime, held

from rigmon.edge import wired
from rigmon.edge.adc import AdcSource
from rigmon.edge.hub import Hub
from rigmon.edge.pulses import GpiozeroPulses, PulseSource
from rigmon.edge.pulses_gpiod import GpiodPulses
from rigmon.edge.switch import SwitchSource
from rigmon.edge.wired import is_wired, wired_sources
from rigmon.errors import UsageError

ALL_WIRED = {
    "flow": {"source": "gpio", "pin": 17, "pulses_per_l": 450},
    "pressure": {"source": "adc", "supply_channel": 1},
    "boom_switch": {"source": "gpio", "pin": 27},
}


@pytest.fixture
def hub(sim: SimTime) -> Hub:
    return Hub(sim)


def test_each_wired_sensor_has_its_source_and_nothing_is_held_yet(factory: MockFactory, hub: Hub) -> None:
    MockConverter(factory)
    sources = wired_sources(make_rig(**ALL_WIRED), hub)
    assert [type(source) for source in sources] == [PulseSource, AdcSource, SwitchSource]
    assert held(factory) == []
    for source in sources:
        source.start()
    assert held(factory) == ["GPIO10", "GPIO11", "GPIO17", "GPIO27", "GPIO8", "GPIO9"]
    for source in sources:
        source.stop()
    assert held(factory) == []


@pytest.mark.parametrize(
    ("section", "kind"), [("flow", PulseSource), ("pressure", AdcSource), ("boom_switch", SwitchSource)]
)
def test_one_sensor_alone(factory: MockFactory, hub: Hub, section: str, kind: type) -> None:
    MockConverter(factory)
    (source,) = wired_sources(make_rig(**ALL_WIRED), hub, section)
    assert type(source) is kind
    (source,) = wired_sources(make_rig(**{section: ALL_WIRED[section]}), hub)
    assert type(source) is kind


def test_a_rig_without_wired_sensors_has_none(hub: Hub) -> None:
    for how in ("none", "xdr"):
        rig = make_rig(flow={"source": how}, pressure={"source": how}, boom_switch={"source": how})
        assert wired_sources(rig, hub) == []
        assert not any(is_wired(rig, section) for section in ALL_WIRED)


def test_a_pin_in_use_is_told_before_a_run(factory: MockFactory, hub: Hub) -> None:
    MockConverter(factory)
    with (
        LED(27, pin_factory=factory),
        pytest.raises(UsageError, match=r"^boom_switch\.pin = 27 cannot be used: .*in use"),
    ):
        wired_sources(make_rig(**ALL_WIRED), hub)
    assert held(factory) == []


def test_libgpiod_is_taken_where_it_sees_the_header(hub: Hub, monkeypatch: pytest.MonkeyPatch) -> None:
    rig = make_rig(flow=ALL_WIRED["flow"])
    package = fake_gpiod()
    monkeypatch.delenv("GPIOZERO_PIN_FACTORY", raising=False)
    monkeypatch.setattr(wired, "libgpiod", lambda: package)
    monkeypatch.setattr(wired, "header_chip", lambda _package: "/dev/gpiochip4")
    (source,) = wired_sources(rig, hub)
    assert isinstance(source, PulseSource)
    assert isinstance(source._reader, GpiodPulses)
    assert FakeChip.held == set()
    assert len(FakeChip.requests) == 1  # it was tried


@pytest.mark.parametrize("why", ["mock pins", "environment", "no package", "no chip"])
def test_else_gpiozero_is(factory: MockFactory, hub: Hub, monkeypatch: pytest.MonkeyPatch, why: str) -> None:
    package = fake_gpiod()
    monkeypatch.delenv("GPIOZERO_PIN_FACTORY", raising=False)
    if why != "mock pins":
        monkeypatch.setattr("gpiozero.pins.mock.MockFactory", type("Other", (), {}))  # nobody's mock pins
    if why == "environment":
        monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "mock")
    monkeypatch.setattr(wired, "libgpiod", lambda: None if why == "no package" else package)
    monkeypatch.setattr(wired, "header_chip", lambda _package: None if why == "no chip" else "/dev/gpiochip4")
    (source,) = wired_sources(make_rig(flow=ALL_WIRED["flow"]), hub)
    assert isinstance(source, PulseSource)
    assert isinstance(source._reader, GpiozeroPulses)
    assert held(factory) == []


_LEAN = """
import sys
sys.path[:0] = {paths!r}
from helpers import make_rig
from rigmon.edge.hub import Hub, MonotonicClock
from rigmon.edge import wired
rig = make_rig(flow={{"source": "xdr"}})
assert wired.wired_sources(rig, Hub(MonotonicClock())) == []
heavy = {{"gpiozero", "gpiod", "lgpio"}} & set(sys.modules)
assert not heavy, heavy
"""


def test_nothing_of_the_boards_is_loaded_for_a_rig_without_wired_sensors() -> None:
    tests = Path(__file__).parents[1]
    code = _LEAN.format(paths=[str(tests), str(tests.parent)])
    done = subprocess.run(
        [sys.executable, "-I", "-c", code], capture_output=True, text=True, timeout=PATIENCE_S, check=False
    )
    assert done.returncode == 0, done.stderr
