"""The buzzer on a mock pin: when it sounds, for how long, and when it is quiet."""

from collections.abc import Iterator
from dataclasses import replace

import gpiozero
import pytest
from fakes import RIG_TOML
from gpiozero.pins.mock import MockFactory

from rigmon import config
from rigmon.edge.buzzer import BuzzerFeedback
from rigmon.edge.signals import SPEED_SOUND_AFTER_S, STALE_S
from rigmon.errors import UsageError
from rigmon.model import Act, Alert, Basis, Output, Sample
from rigmon.rig import Buzzer, Rig

PIN = 26
CREEK = config.parse(RIG_TOML, "rig.toml")
#: hand-worked: 100 L/ha at 2 m/s on 6.096 m is 100 x 2 x 6.096 x 60 / 1e4 L/min; band 1.818 .. 2.222 m/s
FLOW = 100 * 2 * 6.096 * 60 / 1e4


def rig_with(on_level: str = "high", pin: int | None = PIN) -> Rig:
    target = replace(CREEK.target, rate_l_ha=100.0, speed_m_s=2.0)
    return replace(CREEK, target=target, buzzer=Buzzer(pin, on_level))


def sample(speed_m_s: float = 2.0, boom_on: int = 1) -> Sample:
    return Sample(
        t_ns=10**9, dt_ns=2 * 10**8, lat_deg=None, lon_deg=None, track_deg=None, speed_m_s=speed_m_s,
        speed_sd_m_s=0.02, flow_l_min=FLOW if boom_on else 0.0, pressure_kpa=None, boom_on=boom_on,
        rate_l_ha=100.0, rate_u_pct=5.0, basis=Basis.FLOWMETER, distance_m=0.4, area_m2=2.4, volume_l=0.02,
        flags=0,
    )  # fmt: skip


def raised(code: str) -> Alert:
    return Alert(10**9, code, True, None, None, "")


def cleared(code: str) -> Alert:
    return raised(code)._replace(raised=False)


@pytest.fixture
def pins() -> Iterator[MockFactory]:
    before = gpiozero.Device.pin_factory
    gpiozero.Device.pin_factory = MockFactory()
    yield gpiozero.Device.pin_factory
    gpiozero.Device.pin_factory.reset()
    gpiozero.Device.pin_factory = before


class Bench:
    """A buzzer on a clock of the test's own, past its chirp."""

    def __init__(self, pins: MockFactory, rig: Rig) -> None:
        self.now_s = 0.0
        self.buzzer = BuzzerFeedback(rig, monotonic_s=lambda: self.now_s)
        self._pin = pins.pin(PIN)
        self.buzzer.begin()
        self.buzzer.step()
        assert self.high is (rig.buzzer.on_level == "high")  # the chirp
        self.now_s = 1.0
        self.publish()

    @property
    def high(self) -> bool:
        return bool(self._pin.state)

    def publish(self, *outputs: Output) -> None:
        self.buzzer.publish([output._replace(t_ns=round(self.now_s * 1e9)) for output in outputs])
        self.buzzer.step()

    def tones(self, seconds: float, *repeated: Output) -> list[tuple[float, float]]:
        """(begin, length) of each tone in the time to come, with `repeated` published five times a second."""
        start_s, tones, since_s = self.now_s, [], self.now_s if self.high else None
        news_s = self.now_s
        while self.now_s < start_s + seconds:
            if self.now_s >= news_s:
                t_ns = round(self.now_s * 1e9)
                self.buzzer.publish([output._replace(t_ns=t_ns) for output in repeated])
                news_s += 0.2
            wait_s = self.buzzer.step()
            if self.high and since_s is None:
                since_s = self.now_s
            elif not self.high and since_s is not None:
                tones.append((round(since_s - start_s, 2), round(self.now_s - since_s, 2)))
                since_s = None
            self.now_s = min(news_s, self.now_s + (9.9 if wait_s is None else wait_s))
        return tones


def test_it_is_silent_when_all_is_well(pins: MockFactory) -> None:
    assert Bench(pins, rig_with()).tones(60.0, sample()) == []


def test_a_pressure_loss_is_one_long_tone_again_and_again(pins: MockFactory) -> None:
    bench = Bench(pins, rig_with())
    bench.publish(sample(), raised("pressure_loss"))
    assert bench.tones(7.0, sample()) == [(0.0, 0.9), (3.0, 0.9), (6.0, 0.9)]


def test_it_stops_at_once_when_the_alert_clears(pins: MockFactory) -> None:
    bench = Bench(pins, rig_with())
    bench.publish(sample(), raised("rate_low"))
    assert bench.high
    bench.publish(sample(), cleared("rate_low"))
    assert not bench.high
    assert bench.tones(60.0, sample()) == []


def test_an_acknowledged_alert_is_silent_until_it_comes_again(pins: MockFactory) -> None:
    bench = Bench(pins, rig_with())
    bench.publish(sample(), raised("pressure_loss"))
    assert bench.high
    bench.publish(Act(10**9, "acknowledge", "pressure_loss"))
    assert not bench.high
    assert bench.tones(5, sample()) == []
    bench.publish(sample(), raised("boom_leak"))  # another one was not acknowledged
    assert bench.high
    bench.publish(cleared("boom_leak"))
    assert not bench.high
    bench.publish(cleared("pressure_loss"), raised("pressure_loss"))
    assert bench.high


def test_it_stops_at_once_when_the_boom_goes_off(pins: MockFactory) -> None:
    bench = Bench(pins, rig_with())
    bench.publish(sample(), raised("pressure_loss"))
    assert bench.high
    bench.publish(sample(boom_on=0))
    assert not bench.high
    assert bench.tones(60.0, sample(boom_on=0)) == []


def test_too_fast_is_four_quick_ticks_when_the_strip_was_not_seen(pins: MockFactory) -> None:
    bench = Bench(pins, rig_with())
    bench.publish(sample(3.0), raised("speed_fast"))
    tones = bench.tones(SPEED_SOUND_AFTER_S + 3.9, sample(3.0))
    begins = [3.0, 3.2, 3.4, 3.6, 6.0, 6.2, 6.4, 6.6]
    assert tones == [(pytest.approx(at, abs=0.011), 0.08) for at in begins]


def test_too_slow_is_two_slow_ones_and_ends_in_the_band(pins: MockFactory) -> None:
    bench = Bench(pins, rig_with())
    bench.publish(sample(1.0), raised("speed_slow"))
    tones = bench.tones(SPEED_SOUND_AFTER_S + 1.0, sample(1.0))
    assert tones == [(pytest.approx(at, abs=0.011), 0.25) for at in (3.0, 3.6)]
    assert bench.tones(30.0, sample(2.0)) == []  # the alert itself is still up


def test_what_the_hand_cannot_mend_makes_no_sound(pins: MockFactory) -> None:
    bench = Bench(pins, rig_with())
    bench.publish(sample(), raised("gps_lost"), raised("run_log_trouble"), raised("flow_silent"))
    assert bench.tones(30.0, sample()) == []


def test_when_samples_stop_it_falls_silent(pins: MockFactory) -> None:
    bench = Bench(pins, rig_with())
    bench.publish(sample(), raised("pressure_loss"))
    assert len(bench.tones(60.0)) == 1
    assert STALE_S < 3.0  # or a second tone would have come


def test_a_buzzer_that_sounds_at_low_level(pins: MockFactory) -> None:
    bench = Bench(pins, rig_with("low"))
    assert bench.high
    bench.publish(sample(), raised("pressure_loss"))
    assert not bench.high
    bench.publish(sample(), cleared("pressure_loss"))
    assert bench.high


def test_a_pin_that_is_in_use_is_named(pins: MockFactory) -> None:  # noqa: ARG001
    held = gpiozero.LED(PIN)
    with pytest.raises(UsageError, match=r"^buzzer\.pin = 26 cannot be used"):
        BuzzerFeedback(rig_with())
    held.close()
    with pytest.raises(ValueError, match=r"no buzzer\.pin"):
        BuzzerFeedback(rig_with(pin=None))
