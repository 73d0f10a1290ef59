"""The converter over gpiozero's mock SPI: its counts, its faults, and what the core makes of them."""

import threading
from collections.abc import Iterator

import gpiozero
import pytest
from fakes import Collector
from gpiozero.pins.mock import MockFactory
from helpers import Run, make_rig
from wiring import MockConverter, SimTime, faults, held, payloads, raising, taken

from rigmon.edge.adc import AdcSource
from rigmon.edge.hub import Hub, MonotonicClock
from rigmon.errors import UsageError
from rigmon.model import AdcCount, Flag, Source, SwitchState
from rigmon.rig import PressureSensor

#: what the bus takes: CE0 or CE1, MISO, MOSI, SCLK
BUS = ["GPIO10", "GPIO11", "GPIO8", "GPIO9"]


def sensor(**keys: object) -> PressureSensor:
    return make_rig(pressure={"source": "adc", **keys}).pressure


@pytest.fixture
def hub(sim: SimTime) -> Hub:
    return Hub(sim)


@pytest.mark.parametrize(
    ("chip", "bits", "channel", "supply_channel"),
    [("MCP3004", 10, 0, 3), ("MCP3008", 10, 7, 1), ("MCP3204", 12, 2, None), ("MCP3208", 12, 5, 6)],
)
@pytest.mark.parametrize("device", [0, 1])
def test_counts_of_both_channels_one_right_after_the_other(
    factory: MockFactory,
    hub: Hub,
    chip: str,
    bits: int,
    channel: int,
    supply_channel: int | None,
    device: int,
) -> None:
    keys = {"chip": chip, "channel": channel, "spi_device": device}
    if supply_channel is not None:
        keys["supply_channel"] = supply_channel
    converter = MockConverter(factory, bits, device)
    source = AdcSource(hub, factory, sensor(**keys))
    assert source.turn() is None
    full = (1 << bits) - 1
    expected = []
    for counts, rail in [(0, full), (1, 930), (full, 0), (full // 2, full - 1)]:
        converter.channels[channel] = counts
        if supply_channel is not None:
            converter.channels[supply_channel] = rail
        source.turn()
        expected.append(AdcCount(counts, bits, None if supply_channel is None else rail))
    assert [p for p in payloads(hub) if isinstance(p, AdcCount)][1:] == expected
    channels = [channel] if supply_channel is None else [channel, supply_channel]
    assert converter.asked == channels * 5
    source.stop()


def test_the_bus_is_held_from_start_to_stop(factory: MockFactory) -> None:
    MockConverter(factory)
    hub = Hub(MonotonicClock())
    before = threading.enumerate()
    collector = Collector(hub)
    source = AdcSource(hub, factory, sensor(supply_channel=1))
    for _ in range(2):
        seen = len(collector.readings)
        source.start()
        assert held(factory) == BUS
        collector.wait_for(lambda r, seen=seen: len(r) >= seen + 3)  # opened, and two readings
        source.stop()
        assert held(factory) == []
    source.stop()
    collector.stop()
    assert threading.enumerate() == before
    kinds = [reading.payload.kind for reading in collector.readings if hasattr(reading.payload, "kind")]
    assert kinds == ["opened", "opened"]
    assert {reading.source for reading in collector.readings} == {Source.PRESSURE}


def test_a_transfer_that_fails_is_a_row_and_the_bus_is_opened_anew(
    factory: MockFactory, hub: Hub, monkeypatch: pytest.MonkeyPatch
) -> None:
    MockConverter(factory).channels[0] = 400
    source = AdcSource(hub, factory, sensor())
    source.turn()
    with monkeypatch.context() as patched:
        patched.setattr("gpiozero.pins.spi.SPISoftware.transfer", raising(OSError("SPI transfer error -1")))
        waits = [source.turn() for _ in range(5)]
        # each time the bus itself opens, but the reading fails
        assert waits == [0.1, 0.2, 0.4, 0.8, 1.0]
        assert held(factory) == []
    assert source.turn() is None
    readings = taken(hub)
    rows = [(fault.kind, fault.detail.rpartition(": ")[2]) for fault in faults(readings)]
    assert rows[0][0] == "opened"
    assert rows[1] == ("closed", "SPI transfer error -1")
    assert rows[-1][0] == "opened"
    assert readings[-1].payload == AdcCount(400, 10, None)
    assert len(readings) <= 14
    source.stop()


def test_check_says_what_is_wrong_before_a_run(
    factory: MockFactory, hub: Hub, monkeypatch: pytest.MonkeyPatch
) -> None:
    MockConverter(factory)
    source = AdcSource(hub, factory, sensor(spi_device=0))
    source.check()
    assert held(factory) == []
    with (
        gpiozero.LED(10, pin_factory=factory),
        pytest.raises(UsageError, match=r"pressure\.source = adc: .*GPIO10.*in use.*pins 7 to 11"),
    ):
        source.check()
    with monkeypatch.context() as patched:
        patched.setattr("gpiozero.pins.spi.SPISoftware.transfer", raising(OSError("SPI transfer error -1")))
        with pytest.raises(UsageError, match=r"MCP3008 on SPI 0\.0.*SPI transfer error -1.*spi_device"):
            source.check()
    assert held(factory) == []


def test_a_bus_that_is_switched_off_is_told_and_not_worked_around(
    factory: MockFactory, hub: Hub, monkeypatch: pytest.MonkeyPatch
) -> None:
    """gpiozero would warn, and then move the pins one by one."""
    software = factory._get_spi_class

    def classes(shared: bool, hardware: bool) -> object:
        return raising(OSError("can not open SPI device")) if hardware else software(shared, hardware)

    monkeypatch.setattr(factory, "_get_spi_class", classes)
    with pytest.raises(
        UsageError, match=r"pressure\.source = adc: .*can not open SPI device.*do_spi 0.*'spi'"
    ):
        AdcSource(hub, factory, sensor()).check()
    assert held(factory) == []


# -- what the core makes of it -------------------------------------------------------------------------


class Line:
    """A 0.5 to 4.5 V transducer of 1000 kPa on 5 V through 10k/15k, the rail on channel 1 through the same.

    On the converter's 3.3 V: zero 0.5 x 0.6 / 3.3 = 0.0909 of full scale, the rail 0.909: hand-worked.
    """

    def __init__(self, factory: MockFactory, sim: SimTime) -> None:
        self.converter = MockConverter(factory, 12)
        keys = {"chip": "MCP3208", "channel": 0, "supply_channel": 1}
        self.run = Run(
            make_rig(pressure={"source": "adc", **keys}, boom_switch={"source": "gpio", "pin": 27})
        )
        self.hub = Hub(sim)
        self.source = AdcSource(self.hub, factory, sensor(**keys))
        self._sim = sim
        self.rail_v = 5.0
        self._k = 0

    def volts(self, signal_v: float, rail_v: float | None = None) -> None:
        """What is at the sensor's pins now; read for a second."""
        rail_v = self.rail_v if rail_v is None else rail_v
        for channel, volts in ((0, signal_v), (1, rail_v)):
            self.converter.channels[channel] = min(4095, max(0, int(volts * 0.6 / 3.3 * 4096)))
        for _ in range(10):
            t_s = self._k * 0.1
            self._sim.at(t_s)
            self.source.turn()
            if self._k % 10 == 0:
                self.run.put(t_s, SwitchState(True), Source.BOOM)
            self.run.fix(t_s, 2.0)
            for reading in taken(self.hub):
                self.run.put(reading.t_ns / 1e9, reading.payload, reading.source)
            self._k += 1

    @property
    def seen(self) -> tuple[float | None, bool]:
        sample = self.run.samples[-1]
        return sample.pressure_kpa, bool(sample.flags & Flag.PRESSURE_IMPLAUSIBLE)


@pytest.fixture
def line(factory: MockFactory, sim: SimTime) -> Iterator[Line]:
    line = Line(factory, sim)
    yield line
    line.source.stop()


def test_zero_pressure_and_an_open_wire_are_told_apart(line: Line) -> None:
    line.volts(2.5)  # (2.5 / 5 - 0.1) / 0.8 x 1000
    assert line.seen == (pytest.approx(500, abs=2), False)
    line.volts(0.5)
    assert line.seen == (pytest.approx(0, abs=2), False)
    line.volts(0.0)  # nothing drives the divider
    assert line.seen == (None, True)
    line.volts(0.02)
    assert line.seen == (None, True)
    line.volts(5.0)
    assert line.seen == (None, True)
    line.volts(1.3)  # (1.3 / 5 - 0.1) / 0.8 x 1000 = 200
    assert line.seen == (pytest.approx(200, abs=2), False)
    line.run.finish(line._k * 0.1)
    assert line.run.tallies["pressure:open"] == 20
    assert line.run.tallies["pressure:short"] == 10
    assert "pressure_implausible" in [alert.code for alert in line.run.alerts]


def test_a_sagging_rail_cancels(line: Line) -> None:
    """The transducer's output follows its rail; so does the rail's own channel."""
    for rail_v in (5.2, 5.0, 4.8, 4.5):
        line.rail_v = rail_v
        line.volts(rail_v * 0.26)
        assert line.seen == (pytest.approx(200, abs=2), False)


def test_a_rail_that_cannot_be_true(line: Line) -> None:
    for rail_v in (0.0, 1.0, 6.0):
        line.volts(1.3, rail_v)
        assert line.seen == (None, True)
    line.run.finish(line._k * 0.1)
    assert line.run.tallies == {**line.run.tallies, "pressure:supply": 30}


def test_the_stand_in_speaks_as_gpiozero_asks(factory: MockFactory) -> None:
    """All counts of both widths through the real gpiozero classes."""
    for chip, bits in ((gpiozero.MCP3008, 10), (gpiozero.MCP3208, 12)):
        converter = MockConverter(factory, bits)
        with chip(channel=3, pin_factory=factory) as device:
            for counts in (0, 1, 2, 341, 682, (1 << bits) - 2, (1 << bits) - 1):
                converter.channels[3] = counts
                assert (device.raw_value, device.bits) == (counts, bits)
        converter.close()
