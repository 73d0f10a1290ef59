"""Flow pulses: both readers, the source around them, and the whole way to the flow in a sample."""

import inspect
import random
import sys
import threading
import types
from collections.abc import Callable, Iterator

import gpiod
import pytest
from fakes import Collector
from gpiozero import LED, Device, DigitalInputDevice
from gpiozero.pins import Factory
from gpiozero.pins.mock import MockFactory, MockPin
from helpers import Run, make_rig
from standins import FakeChip, FakeLgpio, FakeRequest, fake_gpiod
from wiring import BOOT_NS, SimTime, faults, held, payloads, pin, pulse, raising, taken

from rigmon.core.flow import FlowMeter
from rigmon.edge.board import _own_folder
from rigmon.edge.hub import Hub, MonotonicClock
from rigmon.edge.pulses import GpiozeroPulses, PulseReader, PulseSource
from rigmon.edge.pulses_gpiod import HEADER_LABELS, GpiodPulses, header_chip, libgpiod
from rigmon.errors import UsageError
from rigmon.model import PulseCount, Source, SourceFault, SwitchState

PIN = 17


@pytest.fixture
def hub(sim: SimTime) -> Hub:
    return Hub(sim)


def gpiozero_reader(factory: object, sim: SimTime, pull: str = "up") -> GpiozeroPulses:
    return GpiozeroPulses(factory, PIN, pull, sim)


# -- gpiozero, mock pins -------------------------------------------------------------------------------


def test_each_rising_edge_is_one_pulse_with_its_own_stamp(factory: MockFactory, sim: SimTime) -> None:
    reader = gpiozero_reader(factory, sim)
    reader.open()
    assert reader.read() == PulseCount(0, None, 0)
    mock = pin(factory, PIN)
    sim.at(1.0)
    mock.drive_low()
    assert reader.read() == PulseCount(0, None, 0)
    sim.at(1.25)
    mock.drive_high()
    sim.at(1.5)
    mock.drive_low()
    assert reader.read() == PulseCount(1, pytest.approx(1_250_000_000, abs=5), 0)


def rise_three_times(mock: MockPin) -> None:
    for _ in range(3):
        mock.drive_high()
        mock._state = False  # the fall gets lost: nobody sees it


def test_rises_whose_falls_got_lost_are_pulses(factory: MockFactory, sim: SimTime) -> None:
    """gpiozero's own DigitalInputDevice counts one: why the pins are read below it."""
    counted = []
    with DigitalInputDevice(PIN, pin_factory=factory) as device:
        device.when_activated = lambda: counted.append(1)
        rise_three_times(device.pin)
    assert len(counted) == 1
    reader = gpiozero_reader(factory, sim, "down")
    reader.open()
    rise_three_times(pin(factory, PIN))
    assert reader.read().total == 3


@pytest.mark.parametrize(("pull", "expected"), [("up", "up"), ("down", "down"), ("none", "floating")])
def test_the_pins_resistor(factory: MockFactory, sim: SimTime, pull: str, expected: str) -> None:
    reader = gpiozero_reader(factory, sim, pull)
    reader.open()
    mock = pin(factory, PIN)
    assert (mock.function, mock.pull, mock.edges, mock.bounce) == ("input", expected, "rising", None)
    assert reader.read().total == 0  # switching the resistor on is no pulse


def test_a_closed_reader_holds_nothing_and_opens_from_zero(factory: MockFactory, sim: SimTime) -> None:
    reader = gpiozero_reader(factory, sim)
    reader.close()
    reader.open()
    assert held(factory) == ["GPIO17"]
    mock = pin(factory, PIN)
    pulse(mock)
    assert reader.read().total == 1
    reader.close()
    reader.close()
    assert (held(factory), mock.when_changed) == ([], None)
    pulse(mock)
    reader.open()
    assert reader.read() == PulseCount(0, None, 0)
    reader.close()


def test_a_pin_in_use_is_told_with_its_key(factory: MockFactory, sim: SimTime) -> None:
    why = r"^flow\.pin = 17 cannot be used: .*already in use.*pin of its own$"
    with LED(PIN, pin_factory=factory), pytest.raises(UsageError, match=why):
        gpiozero_reader(factory, sim).open()
    assert held(factory) == []


def test_a_resistor_that_is_soldered_in_is_told_with_its_key(factory: MockFactory, sim: SimTime) -> None:
    """BCM 2 and 3 have pull-ups on the board itself (Raspberry Pi's GPIO documentation)."""
    with pytest.raises(UsageError, match=r"flow\.pin = 2 cannot be used: .*so flow\.pull = 'down'.*to 'up'"):
        GpiozeroPulses(factory, 2, "down", sim).open()
    assert held(factory) == []


def test_a_pin_that_the_board_does_not_have(factory: MockFactory, sim: SimTime) -> None:
    with pytest.raises(UsageError, match=r"flow\.pin = 50 cannot be used: .*2 to 27"):
        GpiozeroPulses(factory, 50, "up", sim).open()


def test_a_pin_factory_without_kernel_stamps_is_refused(sim: SimTime) -> None:
    class OtherFactory(Factory):
        pass

    with pytest.raises(UsageError, match=r"flow\.pin = 17 .*OtherFactory.*GPIOZERO_PIN_FACTORY"):
        gpiozero_reader(OtherFactory(), sim).open()


# -- gpiozero's own lgpio pins, over a stand-in for the module below them ------------------------------


@pytest.fixture
def lgpio(monkeypatch: pytest.MonkeyPatch) -> Iterator[FakeLgpio]:
    """gpiozero.pins.lgpio is the real one; it is loaded anew upon the stand-in, and forgotten afterwards."""
    lgpio = FakeLgpio()
    monkeypatch.setitem(sys.modules, "lgpio", lgpio)
    monkeypatch.delitem(sys.modules, "gpiozero.pins.lgpio", raising=False)
    monkeypatch.setattr("gpiozero.pins.local.get_pi_revision", lambda: 0xD04170)  # a Pi 5
    yield lgpio
    sys.modules.pop("gpiozero.pins.lgpio", None)


@pytest.fixture
def lgpio_factory(lgpio: FakeLgpio) -> Iterator[object]:  # noqa: ARG001
    from gpiozero.pins.lgpio import LGPIOFactory

    factory = LGPIOFactory()
    yield factory
    factory.close()


def test_lgpios_ticks_become_stamps_of_the_readings_clock(
    lgpio: FakeLgpio, lgpio_factory: object, sim: SimTime, monkeypatch: pytest.MonkeyPatch
) -> None:
    """lgpio's ticks are the kernel's CLOCK_MONOTONIC nanoseconds; gpiozero hands them on as seconds."""
    monkeypatch.setattr(type(lgpio_factory), "ticks", staticmethod(sim.ticks_s))
    sim.at(3.0)
    reader = gpiozero_reader(lgpio_factory, sim)
    reader.open()
    lgpio.edge(PIN, 0, BOOT_NS + 4_000_000_000)
    lgpio.edge(PIN, 1, BOOT_NS + 4_000_012_345)
    assert reader.read() == PulseCount(1, pytest.approx(4_000_012_345, abs=5), 0)
    reader.close()
    assert (lgpio.callbacks, lgpio.alerts) == ([], {})


def test_lgpio_is_asked_for_rising_edges_without_debounce(
    lgpio: FakeLgpio, lgpio_factory: object, sim: SimTime
) -> None:
    reader = gpiozero_reader(lgpio_factory, sim)
    reader.open()
    assert lgpio.alerts == {PIN: lgpio.RISING_EDGE}
    assert lgpio.modes[PIN] & lgpio.SET_PULL_UP
    assert lgpio.debounce_us == {PIN: 0}
    reader.close()


def test_falling_edges_and_watchdog_reports_are_no_pulses(
    lgpio: FakeLgpio, lgpio_factory: object, sim: SimTime
) -> None:
    """Where both edges come, because the line was asked for both, the level tells them apart."""
    reader = gpiozero_reader(lgpio_factory, sim)
    reader.open()
    lgpio.alerts[PIN] = lgpio.BOTH_EDGES
    for k in range(10):
        lgpio.edge(PIN, 1, 1000 + k)
        lgpio.edge(PIN, 0, 1001 + k)
        lgpio.edge(PIN, 1, 1002 + k, watchdog=True)
    assert reader.read().total == 10
    reader.close()


def test_no_edges_for_good_is_no_rest(
    lgpio: FakeLgpio, lgpio_factory: object, sim: SimTime, hub: Hub
) -> None:
    """lgpio's one thread ends when anybody's handler raises: the flow must not read as 0 from then on."""
    thread = threading.Thread(target=lambda: None)
    thread.start()
    thread.join()
    source = PulseSource(hub, gpiozero_reader(lgpio_factory, sim))
    source.turn()
    lgpio._notify_thread = thread  # type: ignore[attr-defined]
    for _ in range(5):
        assert source.turn() is not None
    *_, closed, failed = faults(taken(hub))
    assert (closed.kind, failed.kind) == ("closed", "failed")
    assert "start rigmon again" in failed.detail
    assert (lgpio.callbacks, lgpio.alerts) == ([], {})


def test_a_line_that_another_program_holds(lgpio: FakeLgpio, lgpio_factory: object, sim: SimTime) -> None:
    lgpio.busy.add(PIN)
    with pytest.raises(UsageError, match=r"flow\.pin = 17 .*GPIO busy: another program holds it; 'gpioinfo'"):
        gpiozero_reader(lgpio_factory, sim).open()


def test_the_stand_in_has_the_real_modules_names(lgpio: FakeLgpio) -> None:
    del sys.modules["lgpio"]
    with _own_folder():  # or it would leave its pipe here
        real = pytest.importorskip(
            "lgpio", reason="lgpio is not installed: the stand-in is not compared with it"
        )
    for name in ("BOTH_EDGES", "RISING_EDGE", "FALLING_EDGE", "SET_PULL_NONE", "SET_PULL_UP"):
        assert getattr(lgpio, name) == getattr(real, name)
    for name in ("gpio_claim_input", "gpio_claim_alert", "gpio_read", "gpio_get_mode", "gpio_free",
                 "gpio_set_debounce_micros", "callback", "gpiochip_open", "spi_open"):  # fmt: skip
        assert callable(getattr(real, name))


# -- libgpiod ------------------------------------------------------------------------------------------


@pytest.fixture
def gpiod_reader(sim: SimTime, monkeypatch: pytest.MonkeyPatch) -> Iterator[GpiodPulses]:
    monkeypatch.setattr("time.monotonic_ns", lambda: BOOT_NS + sim.t_ns)
    reader = GpiodPulses(fake_gpiod(), "/dev/gpiochip4", PIN, "up", sim)
    yield reader
    reader.close()


def requested() -> FakeRequest:
    return FakeChip.requests[-1][0]


def test_libgpiod_is_asked_for_rising_edges_and_the_largest_buffer(gpiod_reader: GpiodPulses) -> None:
    gpiod_reader.open()
    ((request, asked),) = FakeChip.requests
    assert request.offset == PIN
    assert asked["event_buffer_size"] == 1024
    settings = asked["settings"]
    assert settings.edge_detection is gpiod.line.Edge.RISING
    assert settings.direction is gpiod.line.Direction.INPUT
    assert settings.bias is gpiod.line.Bias.PULL_UP
    assert settings.event_clock is gpiod.line.Clock.MONOTONIC
    assert not settings.debounce_period
    assert FakeChip.opened == 0  # the request outlives its chip, which is closed


def test_libgpiod_counts_with_the_kernels_stamps(gpiod_reader: GpiodPulses) -> None:
    gpiod_reader.open()
    assert gpiod_reader.read() == PulseCount(0, None, 0)
    requested().rises(*(BOOT_NS + 1_000_000 * k for k in range(1, 301)))  # more than one fetch gives
    assert gpiod_reader.read() == PulseCount(300, 300_000_000, 0)
    assert gpiod_reader.read() == PulseCount(300, 300_000_000, 0)


# 1500 edges while nobody looked: the kernel keeps the newest 1024, so 476 are missing
def test_what_the_kernel_dropped_is_known(gpiod_reader: GpiodPulses) -> None:
    gpiod_reader.open()
    requested().rises(*(BOOT_NS + k for k in range(1, 1501)))
    assert gpiod_reader.read() == PulseCount(1024, 1500, 476)
    requested().rises(BOOT_NS + 1501)
    assert gpiod_reader.read() == PulseCount(1025, 1501, 476)


def test_edge_numbers_go_round_after_32_bits(gpiod_reader: GpiodPulses) -> None:
    gpiod_reader.open()
    gpiod_reader._number = gpiod_reader._total = (1 << 32) - 3  # some weeks later
    requested().start_numbers_at((1 << 32) - 3)
    requested().rises(*(BOOT_NS + k for k in range(5)))
    assert gpiod_reader.read() == PulseCount((1 << 32) + 2, 4, 0)


def test_a_pin_that_oscillates_does_not_keep_the_thread(
    gpiod_reader: GpiodPulses, monkeypatch: pytest.MonkeyPatch
) -> None:
    gpiod_reader.open()
    monkeypatch.setattr(requested(), "wait_edge_events", lambda _timeout: True)
    monkeypatch.setattr(requested(), "read_edge_events", lambda: [gpiod.EdgeEvent(1, BOOT_NS, PIN, 1, 1)])
    gpiod_reader.read()  # comes back


def test_libgpiod_lets_go(gpiod_reader: GpiodPulses) -> None:
    gpiod_reader.open()
    assert FakeChip.held == {PIN}
    with pytest.raises(UsageError, match=r"flow\.pin = 17 cannot be used: another program.*'gpioinfo'"):
        GpiodPulses(fake_like(), "/dev/gpiochip4", PIN, "up", SimTime()).open()
    gpiod_reader.close()
    gpiod_reader.close()
    assert FakeChip.held == set()


def fake_like() -> object:
    """The stand-in as it is, not made anew."""
    return types.SimpleNamespace(Chip=FakeChip, LineSettings=gpiod.LineSettings, line=gpiod.line)


def test_libgpiod_without_permission() -> None:
    package = fake_gpiod()
    FakeChip.refused.add("/dev/gpiochip4")
    with pytest.raises(UsageError, match=r"flow\.pin = 17 .*/dev/gpiochip4 .*group 'gpio'"):
        GpiodPulses(package, "/dev/gpiochip4", PIN, "none", SimTime()).open()


def test_the_headers_chip_is_found_by_its_label() -> None:
    package = fake_gpiod()
    paths = list(FakeChip.LABELS)
    assert header_chip(package, lambda: paths) == "/dev/gpiochip4"
    assert header_chip(package, lambda: paths[:2]) is None
    FakeChip.refused.add("/dev/gpiochip4")
    assert header_chip(package, lambda: paths) is None
    assert "pinctrl-bcm2711" in HEADER_LABELS  # the Pi 4's


def test_the_old_libgpiod_is_not_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    """Version 1's package has the same name and no LineSettings."""
    assert libgpiod() is gpiod
    monkeypatch.setitem(sys.modules, "gpiod", types.ModuleType("gpiod"))
    assert libgpiod() is None
    monkeypatch.setitem(sys.modules, "gpiod", None)
    assert libgpiod() is None


def test_the_stand_ins_take_what_the_real_package_takes() -> None:
    real, fake = gpiod.Chip.request_lines, FakeChip.request_lines
    assert set(inspect.signature(fake).parameters) <= set(inspect.signature(real).parameters)
    for name in ("wait_edge_events", "read_edge_events", "release"):
        assert inspect.signature(getattr(gpiod.LineRequest, name)).parameters.keys() == (
            inspect.signature(getattr(FakeRequest, name)).parameters.keys()
        )
    assert {"line_seqno", "timestamp_ns"} <= set(gpiod.EdgeEvent.__annotations__)
    assert "label" in gpiod.ChipInfo.__annotations__
    for name in ("get_info", "close", "__enter__", "__exit__"):
        assert callable(getattr(gpiod.Chip, name))


# -- the source ----------------------------------------------------------------------------------------


class Scripted:
    """A reader that gives what the test sets, or raises it."""

    about = "flow.pin = 17, scripted"

    def __init__(self) -> None:
        self.gives: PulseCount | Exception = PulseCount(0, None, 0)
        self.opens: Exception | None = None
        self.is_open = 0

    def open(self) -> None:
        if self.opens is not None:
            raise self.opens
        self.is_open += 1

    def read(self) -> PulseCount:
        if isinstance(self.gives, Exception):
            raise self.gives
        return self.gives

    def close(self) -> None:
        self.is_open = 0


def test_a_count_is_handed_over_each_turn_also_when_nothing_came(
    factory: MockFactory, sim: SimTime, hub: Hub
) -> None:
    source = PulseSource(hub, gpiozero_reader(factory, sim))
    assert source.turn() is None
    sim.at(0.1)
    source.turn()
    pulse(pin(factory, PIN))
    sim.at(0.2)
    source.turn()
    readings = taken(hub)
    assert {reading.source for reading in readings} == {Source.FLOW}
    assert [(reading.t_ns, reading.payload) for reading in readings[1:]] == [
        (0, PulseCount(0, None, 0)),
        (100_000_000, PulseCount(0, None, 0)),
        (200_000_000, PulseCount(1, pytest.approx(100_000_000, abs=5), 0)),
    ]
    (opened,) = faults(readings)
    assert (opened.kind, opened.lost) == ("opened", 0)
    assert "17" in opened.detail
    source.stop()


def test_known_losses_are_rows_and_told_once_a_second(sim: SimTime, hub: Hub) -> None:
    reader = Scripted()
    source = PulseSource(hub, reader)
    for k, lost in enumerate([0, 3, 3, 5, 6, 6, 6, 6, 6, 6, 6, 6, 6, 7]):
        sim.at(0.1 * k)
        reader.gives = PulseCount(100 * k, sim.t_ns, lost)
        source.turn()
    told = [(r.t_ns, r.payload.lost) for r in taken(hub) if getattr(r.payload, "kind", "") == "overflow"]
    # 3 at once; what came until a second later together, so that the rows add up to what is missing
    assert told == [(100_000_000, 3), (1_100_000_000, 3)]
    sim.at(2.2)
    source.turn()
    (row, count) = payloads(hub)
    assert row == SourceFault(
        "overflow", "1 pulse dropped: the kernel's buffer ran over before it was read", 1
    )
    assert isinstance(count, PulseCount)


def test_a_pin_that_fails_is_a_row_and_tried_again_ever_more_slowly(hub: Hub) -> None:
    reader = Scripted()
    source = PulseSource(hub, reader)
    source.turn()
    reader.gives = OSError(19, "No such device")
    waits = [source.turn()]
    assert reader.is_open == 0
    reader.opens = UsageError("flow.pin = 17 cannot be used: gone")
    waits += [source.turn() for _ in range(6)]
    assert waits == [0.1, 0.2, 0.4, 0.8, 1.0, 1.0, 1.0]
    reader.opens = None
    reader.gives = PulseCount(5, 0, 0)
    assert source.turn() is None
    kinds = [fault.kind for fault in faults(taken(hub))]
    assert kinds == ["opened", "closed", "failed", "opened"]
    reader.gives = OSError(5, "Input/output error")
    assert source.turn() == 0.1


def test_the_thread_and_the_pin_are_gone_after_stop(factory: MockFactory) -> None:
    hub = Hub(MonotonicClock())
    before = threading.enumerate()
    collector = Collector(hub)
    source = PulseSource(hub, GpiozeroPulses(factory, PIN, "up", hub.clock))
    for _ in range(3):
        seen = len(collector.readings)
        source.start()
        assert held(factory) == ["GPIO17"]
        collector.wait_for(lambda r, seen=seen: len(r) >= seen + 3)  # opened, and two counts
        source.stop()
        assert held(factory) == []
    collector.stop()
    assert threading.enumerate() == before


def test_a_source_that_cannot_have_its_pin_says_so_at_its_start(factory: MockFactory) -> None:
    hub = Hub(MonotonicClock())
    source = PulseSource(hub, GpiozeroPulses(factory, PIN, "up", hub.clock))
    with LED(PIN, pin_factory=factory):
        for way in (source.check, source.start):
            with pytest.raises(UsageError, match=r"flow\.pin"):
                way()
    source.check()
    source.stop()
    assert held(factory) == []


# -- the whole way: edges on a pin -> flow in a sample -------------------------------------------------


class Spray:
    """Edges on a mock pin, through the source and the hub, into a pipeline; the boom is on.

    Pulses come at the times of `pulses`; between them the source has its turn each 0.1 s.
    """

    def __init__(self, factory: MockFactory, sim: SimTime, pulses_per_l: float, reader: PulseReader) -> None:
        rig = make_rig(
            flow={"source": "gpio", "pin": PIN, "pulses_per_l": pulses_per_l, "maximum": "400 L/min"},
            boom_switch={"source": "gpio", "pin": 27},
        )
        self.hub = Hub(sim)
        self.source = PulseSource(self.hub, reader)
        self.run = Run(rig)
        self._sim = sim
        self._mock = pin(factory, PIN)
        self._turns = 0

    def until(self, end_s: float, pulses: Callable[[], float | None]) -> None:
        """`pulses` gives the time of the next pulse, None: there is none."""
        due_s = pulses()
        while (turn_s := self._turns * 0.1) <= end_s:
            while due_s is not None and due_s <= turn_s:
                self._sim.at(due_s)
                pulse(self._mock)
                due_s = pulses()
            self._sim.at(turn_s)
            self.source.turn()
            if self._turns % 10 == 0:
                self.run.put(turn_s, SwitchState(True), Source.BOOM)
                self.run.fix(turn_s, 2.0)
            for reading in taken(self.hub):
                self.run.put(reading.t_ns / 1e9, reading.payload, reading.source)
            self._turns += 1


def steady(rate_hz: float, start_s: float = 0.05, jitter_s: float = 0.0) -> Callable[[], float | None]:
    count = -1
    dice = random.Random(4)

    def next_s() -> float:
        nonlocal count
        count += 1
        return start_s + count / rate_hz + (dice.uniform(-jitter_s, jitter_s) if jitter_s else 0.0)

    return next_s


# flow = rate / pulses per litre x 60 s; with the kernel's stamps the period is exact, whatever the turns'
# pace. Jitter of the stamps: +-50 us is an interrupt's order of size; over the 0.8 s window less than
# 2 x 50e-6 / 0.7 = 0.014 %.
@pytest.mark.parametrize("rate_hz", [0.5, 1.0, 3.3, 10.0, 67.5, 450.0, 999.0, 2000.0])
@pytest.mark.parametrize("jitter_s", [0.0, 50e-6])
def test_flow_from_edges_at_any_rate(
    factory: MockFactory, sim: SimTime, rate_hz: float, jitter_s: float
) -> None:
    spray = Spray(factory, sim, 450.0, gpiozero_reader(factory, sim))
    periods_s = 2 / rate_hz
    end_s = max(3.0, 3 * periods_s)
    spray.until(end_s, steady(rate_hz, jitter_s=jitter_s if rate_hz > 1 else jitter_s * 100))
    after = [s.flow_l_min for s in spray.run.samples if s.t_ns > (0.3 + periods_s) * 1e9]
    assert len(after) >= 3
    expected = pytest.approx(rate_hz / 450 * 60, rel=5e-3 if jitter_s and rate_hz <= 1 else 3e-4)
    assert after == [expected] * len(after)


# After the last pulse no more can have flowed than one pulse over the wait; after 2.5 s it is at rest.
@pytest.mark.parametrize("rate_hz", [0.5, 67.5, 2000.0])
def test_flow_is_zero_after_silence_and_starts_anew(
    factory: MockFactory, sim: SimTime, rate_hz: float
) -> None:
    spray = Spray(factory, sim, 450.0, gpiozero_reader(factory, sim))
    run_s = max(2.0, 4 / rate_hz)
    next_s = steady(rate_hz)
    last_s = 0.05 + int((run_s - 0.05) * rate_hz) / rate_hz

    def until_last() -> float | None:
        due_s = next_s()
        return due_s if due_s <= last_s + 1e-9 else None

    spray.until(run_s + 6.0, until_last)
    flow = rate_hz / 450 * 60
    for sample in spray.run.samples:
        waited_s = sample.t_ns / 1e9 - last_s
        if waited_s > 2.6:
            assert sample.flow_l_min == 0.0
        elif waited_s > 0.3:
            assert sample.flow_l_min is not None
            assert sample.flow_l_min <= min(flow, 60 / 450 / (waited_s - 0.3)) * 1.001
    assert spray.run.samples[-1].flow_l_min == 0.0
    restart_s = run_s + 6.3
    spray.until(restart_s + max(2.0, 3 / rate_hz), steady(rate_hz, restart_s))
    assert spray.run.samples[-1].flow_l_min == pytest.approx(flow, rel=1e-4)


def test_a_counter_that_starts_again_is_seen_and_the_flow_found_again(
    factory: MockFactory, sim: SimTime
) -> None:
    spray = Spray(factory, sim, 450.0, gpiozero_reader(factory, sim))
    spray.until(2.0, steady(67.5))
    spray.source.stop()
    spray.source._is_open = False
    spray.until(4.0, steady(67.5, 2.05))
    flows = [(s.t_ns / 1e9, s.flow_l_min) for s in spray.run.samples]
    assert any(flow is not None for t, flow in flows if 0.4 < t < 2.0)
    assert all(flow is None or flow == pytest.approx(9.0, rel=1e-4) for t, flow in flows if t > 0.4)
    assert flows[-1][1] == pytest.approx(9.0, rel=1e-4)
    spray.run.finish(4.2)
    assert spray.run.tallies["flow_reset"] == 1


# A tenth of the pulses is lost on the way in, but known: the flow is right all the same, and the run says so.
def test_flow_with_known_losses(sim: SimTime, hub: Hub) -> None:
    reader = Scripted()
    source = PulseSource(hub, reader)
    meter = FlowMeter(make_rig(flow={"source": "gpio", "pin": PIN, "pulses_per_l": 450}).flow)
    told = 0
    for k in range(1, 60):
        sim.at(0.1 * k)
        reader.gives = PulseCount(90 * k, sim.t_ns - 1_000_000, 10 * k)
        source.turn()
        for reading in taken(hub):
            if isinstance(reading.payload, PulseCount):
                meter.set_pulses(reading.t_ns, reading.payload)
            else:
                told += reading.payload.lost
        if k > 1:
            assert meter.flow_l_min == pytest.approx(1000 / 450 * 60, rel=1e-9)
    assert told >= 500


def test_a_meter_with_a_stuck_source_turns_stale(factory: MockFactory, sim: SimTime) -> None:
    spray = Spray(factory, sim, 450.0, gpiozero_reader(factory, sim))
    spray.until(2.0, steady(67.5))
    assert spray.run.samples[-1].basis == 1
    spray.source._reader.read = raising(OSError(19, "No such device"))  # type: ignore[method-assign]
    spray.source._reader.open = raising(UsageError("gone"))  # type: ignore[method-assign]
    spray.until(6.0, lambda: None)
    assert (
        spray.run.samples[-1].basis == 3
    )  # the catch test's flow: the meter's last is not passed off as live
    assert "flow_silent" in [alert.code for alert in spray.run.alerts]


def test_the_mock_board_is_gone_after_the_tests() -> None:
    assert Device.pin_factory is None
