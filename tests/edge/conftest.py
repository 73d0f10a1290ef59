"""Fixtures of the edge's tests."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from fakes import RIG_TOML, PtyPort
from gpiozero import Device
from gpiozero.pins.mock import MockFactory
from wiring import SimTime

from rigmon import config
from rigmon.rig import Rig


@pytest.fixture
def port(tmp_path: Path) -> Iterator[PtyPort]:
    pty = PtyPort(tmp_path / "gps")
    yield pty
    pty.unplug()


@pytest.fixture
def us_rig() -> Rig:
    """The Creek rig (invented): 12 nozzles at 20 in, 17 gal/ac at 3.5 mph +-10 %."""
    return config.parse(RIG_TOML, "rig.toml")


@pytest.fixture
def metric_rig() -> Rig:
    return config.parse(RIG_TOML.replace('"us"', '"metric"'), "rig.toml")


@pytest.fixture
def sim(monkeypatch: pytest.MonkeyPatch) -> SimTime:
    """A time that stands until the test moves it, for readings and mock pins alike."""
    sim = SimTime()
    monkeypatch.setattr("gpiozero.pins.mock.monotonic", sim.ticks_s)
    return sim


@pytest.fixture
def factory(monkeypatch: pytest.MonkeyPatch) -> Iterator[MockFactory]:
    """gpiozero's mock pins, as the pins of the board."""
    factory = MockFactory()
    monkeypatch.setattr(Device, "pin_factory", factory)
    yield factory
    factory.reset()
