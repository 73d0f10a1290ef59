"""The lights on gpiozero's mock pins: what they show when, and that they can hold up nobody."""

import threading
from collections.abc import Iterator
from dataclasses import replace

import gpiozero
import pytest
from fakes import PATIENCE_S, RIG_TOML
from gpiozero.pins.mock import MockFactory

from rigmon import config
from rigmon.edge.lights import LightsFeedback
from rigmon.edge.outputs import OutputPin
from rigmon.edge.pin_feedback import PinFeedback
from rigmon.edge.signals import LAMP_TEST_STEP_S, STALE_S, Light, Signal
from rigmon.errors import UsageError
from rigmon.model import Alert, Anchor, Basis, Output, Sample
from rigmon.rig import Lights, Rig

CREEK = config.parse(RIG_TOML, "rig.toml")
#: hand-worked: 100 L/ha at 2 m/s on 6.096 m is 100 x 2 x 6.096 x 60 / 1e4 L/min; band 1.818 .. 2.222 m/s
FLOW = 100 * 2 * 6.096 * 60 / 1e4
#: the end of the test of four lights, and a little: the clock's sums are rounded
TEST_S = 4 * LAMP_TEST_STEP_S + 1e-6


def rig_with(**lights: object) -> Rig:
    fitted = {"pins": (5, 6, 13), "trouble_pin": 19, **lights}
    target = replace(CREEK.target, rate_l_ha=100.0, speed_m_s=2.0)
    return replace(CREEK, target=target, lights=Lights(**fitted))  # type: ignore[arg-type]


def sample(speed_m_s: float | None = 2.0, **changes: object) -> Sample:
    base = Sample(
        t_ns=10**9, dt_ns=2 * 10**8, lat_deg=None, lon_deg=None, track_deg=None, speed_m_s=speed_m_s,
        speed_sd_m_s=0.02, flow_l_min=FLOW, pressure_kpa=None, boom_on=1, rate_l_ha=100.0, rate_u_pct=5.0,
        basis=Basis.FLOWMETER, distance_m=0.4, area_m2=2.4, volume_l=0.02, flags=0,
    )  # fmt: skip
    return base._replace(**changes)  # type: ignore[arg-type]


LOSS = Alert(10**9, "pressure_loss", True, 100.0, 200.0, "kPa")


class Clock:
    def __init__(self) -> None:
        self.now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def pins() -> Iterator[MockFactory]:
    before = gpiozero.Device.pin_factory
    gpiozero.Device.pin_factory = MockFactory()
    yield gpiozero.Device.pin_factory
    gpiozero.Device.pin_factory.reset()
    gpiozero.Device.pin_factory = before


def about(seconds: float) -> object:
    """A wait is never shorter than 2 ms, so a change may come that much late."""
    return pytest.approx(seconds, abs=0.003)


class Bench:
    """Lights on a clock of the test's own, stepped by hand as the thread would."""

    def __init__(self, pins: MockFactory, rig: Rig) -> None:
        self.clock = Clock()
        self.lights = LightsFeedback(rig, monotonic_s=self.clock)
        self._pins = [pins.pin(n) for n in (*rig.lights.pins, rig.lights.trouble_pin or 19)]
        self.lights.begin()

    @property
    def high(self) -> tuple[bool, ...]:
        return tuple(bool(pin.state) for pin in self._pins)

    def at(self, seconds: float, *outputs: Output) -> tuple[bool, ...]:
        """Levels `seconds` later, after what came then: outputs are stamped with that time."""
        self.clock.now_s += seconds
        self.lights.publish([output._replace(t_ns=round(self.clock.now_s * 1e9)) for output in outputs])
        self.lights.step()
        return self.high

    def settle(self) -> None:
        """Past the test at the start, and the time that the strip gives a boom that came on."""
        self.at(TEST_S, sample())
        assert self.at(1.0, sample())[:-1] == (False, True, False)

    def walk(self, seconds: float) -> list[tuple[float, tuple[bool, ...]]]:
        """Let time pass as the thread would see it: (when, levels) at each change."""
        end_s, start_s = self.clock.now_s + seconds, self.clock.now_s
        changes = []
        while True:
            before = self.high
            wait_s = self.lights.step()
            if self.high != before:
                changes.append((self.clock.now_s - start_s, self.high))
            if wait_s is None or self.clock.now_s + wait_s > end_s:
                self.clock.now_s = end_s
                return changes
            self.clock.now_s += wait_s


def test_the_test_at_the_start_lights_each_in_turn(pins: MockFactory) -> None:
    bench = Bench(pins, rig_with())
    assert bench.high == (False,) * 4
    # 0.15 s each; then both ends: nothing is known yet
    assert bench.walk(TEST_S + 0.1) == [
        (about(0.0), (True, False, False, False)),
        (about(0.15), (False, True, False, False)),
        (about(0.3), (False, False, True, False)),
        (about(0.45), (False, False, False, True)),
        (about(0.6), (True, False, True, False)),
    ]


def test_the_strip_follows_the_newest_sample(pins: MockFactory) -> None:
    bench = Bench(pins, rig_with())
    bench.settle()
    assert bench.at(9.0, sample(1.0), Anchor(0, None), sample(2.15)) == (False, True, True, False)
    assert bench.at(0.2, sample(boom_on=0)) == (False, False, False, False)
    assert bench.at(0.2, sample(None)) == (True, False, True, False)


def test_too_fast_flashes_at_4_hz_on_the_fast_side(pins: MockFactory) -> None:
    bench = Bench(pins, rig_with())
    bench.settle()
    assert bench.at(1.8, sample(3.0)) == (False, False, True, False)  # on at once
    out, on = (False, False, False, False), (False, False, True, False)
    assert bench.walk(0.8) == [(about((i + 1) / 8), out if i % 2 == 0 else on) for i in range(6)]


def test_too_slow_flashes_slowly_on_the_slow_side_and_keeps_its_beat_from_sample_to_sample(
    pins: MockFactory,
) -> None:
    bench = Bench(pins, rig_with())
    bench.settle()
    assert bench.at(1.8, sample(1.0)) == (True, False, False, False)
    assert bench.at(0.3, sample(1.01)) == (True, False, False, False)
    assert bench.at(0.15, sample(1.02)) == (False, False, False, False)  # 0.45 s since it began
    assert bench.at(0.2, sample(1.03)) == (False, False, False, False)
    assert bench.at(0.2, sample(1.04)) == (True, False, False, False)  # 0.85 s


def test_trouble_is_a_light_of_its_own(pins: MockFactory) -> None:
    bench = Bench(pins, rig_with())
    lost = Alert(10**9, "flow_silent", True, 3.0, 2.0, "s")
    bench.settle()
    assert bench.at(0.2, sample(), lost) == (False, True, False, True)
    assert bench.walk(1.0) == []  # steady: nothing the hand could do
    assert bench.at(0.0, sample(), LOSS) == (False, True, False, True)
    assert [when for when, _ in bench.walk(0.4)] == [about(0.125), about(0.25), about(0.375)]
    assert bench.at(0.0, sample(), LOSS._replace(raised=False), lost._replace(raised=False)) == (
        False, True, False, False,
    )  # fmt: skip


def test_when_samples_stop_the_position_goes_within_the_stated_time(pins: MockFactory) -> None:
    bench = Bench(pins, rig_with())
    bench.settle()
    # nobody publishes any more: the thread's own wait ends at the time stated
    assert bench.walk(60.0) == [(about(STALE_S), (True, False, True, True))]
    # and when they come again, it is as if the boom had just come on
    assert bench.at(0.0, sample()) == (False, False, False, False)
    assert bench.at(1.0, sample()) == (False, True, False, False)


def test_lights_that_are_on_at_low_level(pins: MockFactory) -> None:
    bench = Bench(pins, rig_with(on_level="low"))
    assert bench.high == (True,) * 4  # off
    bench.at(TEST_S, sample())
    assert bench.at(1.0, sample()) == (True, False, True, True)
    bench.lights.stop()


def test_a_rig_may_have_a_trouble_light_alone(pins: MockFactory) -> None:
    bench = Bench(pins, rig_with(pins=()))
    assert bench.at(TEST_S, sample(), LOSS) == (True,)


@pytest.mark.parametrize("n", range(3, 9))
def test_strips_of_three_to_eight(pins: MockFactory, n: int) -> None:
    bench = Bench(pins, rig_with(pins=tuple(range(2, 2 + n))))
    bench.at((n + 1) * LAMP_TEST_STEP_S + 1e-6, sample(3.0))
    bench.at(1.0, sample(3.0))
    assert bench.high == (*[False] * (n - 1), True, False)


def test_a_pin_that_cannot_be_used_is_named_and_the_others_are_given_back(pins: MockFactory) -> None:
    held = gpiozero.LED(13)
    with pytest.raises(UsageError, match=r"^lights\.pins = 13 cannot be used"):
        LightsFeedback(rig_with())
    held.close()
    with pytest.raises(UsageError, match=r"^lights\.trouble_pin = 99 cannot be used"):
        LightsFeedback(rig_with(trouble_pin=99))
    LightsFeedback(rig_with()).stop()
    assert pins.pin(5).state is False


# -- the thread ----------------------------------------------------------------------------------------


class Watched:
    """A pin that lets a test wait for its level, or hold up whoever sets it."""

    def __init__(self) -> None:
        self._more = threading.Condition()
        self.level = self.closed = False
        self.flowing = threading.Event()
        self.flowing.set()
        self.entered = threading.Event()
        self.error: Exception | None = None

    def on(self) -> None:
        self._set(True)

    def off(self) -> None:
        self._set(False)

    def _set(self, level: bool) -> None:
        self.entered.set()
        assert self.flowing.wait(PATIENCE_S)
        if self.error is not None:
            raise self.error
        with self._more:
            self.level = level
            self._more.notify_all()

    def close(self) -> None:
        self.closed = True

    def wait_for(self, level: bool) -> None:
        with self._more:
            assert self._more.wait_for(lambda: self.level is level, PATIENCE_S)


class OneLight(PinFeedback):
    """The slow end of three, which is lit while nothing is known, without a test at the start."""

    name = "lights"

    def patterns(self, shown: Signal) -> tuple[Light, ...]:
        return shown.lights[:1]

    def test(self, t_s: float) -> tuple[tuple[bool, ...], float | None]:  # noqa: ARG002
        return (), None


@pytest.fixture
def pin() -> Watched:
    return Watched()


def feedback_on(pin: OutputPin) -> OneLight:
    return OneLight(rig_with(), lambda: [pin])


def test_the_thread_shows_what_is_published_and_switches_off_at_the_end(pin: Watched) -> None:
    feedback = feedback_on(pin)
    feedback.start()
    feedback.publish([sample(None)])
    pin.wait_for(True)
    feedback.publish([sample(boom_on=0)])
    pin.wait_for(False)
    feedback.publish([sample(None)])
    pin.wait_for(True)
    feedback.tell(0, "GPS: closed: unplugged")
    feedback.stop(PATIENCE_S)
    assert (pin.level, pin.closed, feedback.trouble) == (False, True, None)


def test_a_pin_that_hangs_holds_up_nobody(pin: Watched) -> None:
    pin.flowing.clear()
    feedback = feedback_on(pin)
    feedback.start()
    feedback.publish([sample(None)])
    assert pin.entered.wait(PATIENCE_S)
    for n in range(10_000):  # returns at once each time, or this test would not end
        feedback.publish([sample(boom_on=0, t_ns=n), sample(None, t_ns=n)])
    feedback.stop(timeout_s=0.0)
    assert feedback.trouble == "lights: a pin hangs"
    pin.flowing.set()  # let the thread go
    pin.wait_for(False)


def test_pins_that_fail_end_the_lights_and_say_why(pin: Watched) -> None:
    pin.error = OSError("the chip is gone")
    feedback = feedback_on(pin)
    feedback.start()
    feedback.publish([sample(None)])
    assert pin.entered.wait(PATIENCE_S)
    feedback.stop(PATIENCE_S)
    assert feedback.trouble == "lights: no signals any more: the chip is gone"


def test_after_a_stop_it_can_start_again_with_nothing_left_over(pin: Watched) -> None:
    feedback = feedback_on(pin)
    feedback.start()
    feedback.publish([sample(None), LOSS])
    pin.wait_for(True)
    feedback.stop(PATIENCE_S)
    feedback.start()
    feedback.publish([sample(None)])
    pin.wait_for(True)
    feedback.stop(PATIENCE_S)
    assert (pin.level, feedback.trouble) == (False, None)


def test_real_lights_on_the_real_thread(pins: MockFactory) -> None:
    """From the constructor to the end as a run has it, past the test at the start."""
    clock = Clock()
    feedback = LightsFeedback(rig_with(), monotonic_s=clock)
    feedback.start()
    clock.now_s += TEST_S
    trouble, seen = pins.pin(19), threading.Event()
    on = trouble._change_state

    def watch(value: bool) -> bool:
        changed: bool = on(value)
        if value:
            seen.set()
        return changed

    trouble._change_state = watch
    feedback.publish([sample(), LOSS])
    assert seen.wait(PATIENCE_S)
    feedback.stop(PATIENCE_S)
    assert not any(pins.pin(n).state for n in (5, 6, 13, 19))
    assert feedback.trouble is None
