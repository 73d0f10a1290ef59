"""A run with sensors that are wired to the board: gpiozero's mock pins, everything else real."""

import threading
from pathlib import Path

import pytest
from fakes import RIG_TOML
from gpiozero import Device
from gpiozero.pins.mock import MockFactory

from rigmon import config, daemon, replay
from rigmon.edge.hub import Hub, MonotonicClock
from rigmon.errors import UsageError
from rigmon.log.reader import RunLog
from rigmon.model import PulseCount, Source, SwitchState

_PULSES = '[flow]\nsource = "gpio"\npin = 17\npulses_per_l = 450\n'
_SWITCH = '[boom_switch]\nsource = "gpio"\npin = 27\n'


def test_wired_sensors_are_read_from_the_board(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Device, "pin_factory", MockFactory())
    rig = config.parse(f"{RIG_TOML}{_PULSES}{_SWITCH}", "rig.toml")
    sources = daemon.live_sources(rig, Hub(MonotonicClock()))
    assert [getattr(source, "source", None) for source in sources] == [Source.GPS, Source.FLOW, Source.BOOM]


def test_without_a_board_wired_sensors_are_refused_by_their_key(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Device, "pin_factory", None)
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "none-such")
    for toml, key in ((_PULSES, "flow.pin = 17"), (_SWITCH, "boom_switch.pin = 27")):
        with pytest.raises(UsageError, match="the board's pins cannot be used") as caught:
            daemon.live_sources(config.parse(RIG_TOML + toml, "rig.toml"), Hub(MonotonicClock()))
        assert str(caught.value).startswith(key)


def test_a_run_with_wired_sensors(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Edges on a pin, through threads, hub, log and core; the log checks, and no thread or pin is left."""
    factory = MockFactory()
    monkeypatch.setattr(Device, "pin_factory", factory)
    toml = f"{RIG_TOML}{_PULSES}{_SWITCH}"
    rig = config.parse(toml, "rig.toml")
    before = threading.enumerate()
    hub = Hub(MonotonicClock())
    _, flow, boom = daemon.live_sources(rig, hub)
    path = tmp_path / "run.sqlite"

    class Wheel:
        """Turns as the run begins: 30 pulses, and the boom is switched on."""

        def start(self) -> None:
            for _ in range(30):
                factory.pin(17).drive_low()
                factory.pin(17).drive_high()
            factory.pin(27).drive_low()

        def stop(self) -> None:
            assert factory.pin(17).when_changed is None

    outcome = daemon.run(rig, toml, path, [flow, boom, Wheel()], hub, stop_after_s=0.5)
    assert outcome.troubles == ()
    assert threading.enumerate() == before
    with RunLog.open(path) as log:
        assert replay.check(log).same
        readings = list(log.readings())
    counts = [r.payload for r in readings if isinstance(r.payload, PulseCount)]
    assert counts[-1].total == 30
    assert counts[-1].last_edge_ns is not None
    assert 0 < counts[-1].last_edge_ns < 500_000_000
    assert [r.payload.on for r in readings if isinstance(r.payload, SwitchState)][-1] is True
