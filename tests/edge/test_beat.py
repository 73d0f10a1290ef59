"""The beat's sounders and the measure of its lateness."""

import io
from collections.abc import Iterator

import gpiozero
import pytest
from gpiozero.pins.mock import MockFactory

from rigmon.calibration.pace import beat, beat_ns
from rigmon.edge.beat import LatenessMeter, PinBuzzer, TerminalBell
from rigmon.errors import UsageError


def test_a_bell_and_a_side_for_every_beat() -> None:
    out = io.StringIO()
    bell = TerminalBell(out, escapes=False)
    for k in range(3):
        bell.beat(k)
    bell.close()
    assert out.getvalue() == ("\a\r LEFT              1\a\r        RIGHT      2\a\r LEFT              3\n")


def test_the_flash_is_inverse_where_the_terminal_can() -> None:
    out = io.StringIO()
    TerminalBell(out, escapes=True).beat(1)
    assert out.getvalue() == "\a\r       \x1b[7m RIGHT \x1b[0m     2"


@pytest.fixture
def pins() -> Iterator[MockFactory]:
    before = gpiozero.Device.pin_factory
    gpiozero.Device.pin_factory = MockFactory()
    yield gpiozero.Device.pin_factory
    gpiozero.Device.pin_factory.reset()
    gpiozero.Device.pin_factory = before


def test_a_buzzer_sounds_on_its_pin(pins: MockFactory) -> None:
    buzzer = PinBuzzer(17)
    pin = pins.pin(17)
    pin.clear_states()
    buzzer.beat(0)
    buzzer.close()
    assert True in [state.state for state in pin.states]
    assert pin.state is False or pin.function == "input"


def test_a_buzzer_that_sounds_at_low_level(pins: MockFactory) -> None:
    buzzer = PinBuzzer(17, "low")
    pin = pins.pin(17)
    assert pin.state is True
    pin.clear_states()
    buzzer.beat(0)
    buzzer.close()
    assert False in [state.state for state in pin.states]


def test_a_pin_that_is_in_use_is_refused(pins: MockFactory) -> None:  # noqa: ARG001
    first = PinBuzzer(17)
    with pytest.raises(UsageError, match=r"^buzzer\.pin = 17 cannot be used"):
        PinBuzzer(17, where="buzzer.pin")
    first.close()


def test_lateness_is_measured_exactly() -> None:
    """2 ms late on average, drifting by 1 ms in 60 s: late = 1.5 ms + t / 60 s x 1 ms over a minute."""
    meter = LatenessMeter()
    for second in range(61):
        meter.add(second * 10**9, 1_500_000 + round(second / 60 * 1e6))
    late = meter.result()
    assert late.beats == 61
    assert late.lasted_s == 60
    assert late.mean_ms == pytest.approx(2.0, abs=1e-5)
    assert late.max_ms == pytest.approx(2.5)
    assert late.drift_ms_per_min == pytest.approx(1.0, abs=1e-5)


def test_few_beats_have_no_drift() -> None:
    meter = LatenessMeter()
    assert meter.result().drift_ms_per_min is None
    assert meter.result().beats == 0
    meter.add(0, 1000)
    meter.add(10**9, 1000)
    assert meter.result().drift_ms_per_min is None
    assert meter.result().sd_ms == 0


def test_an_hour_of_beats_with_a_wandering_wait_does_not_drift() -> None:
    """Every wait comes back up to 3 ms late, on a clock of the test's own."""
    now = 0
    k_of_wait = 0

    def wait(seconds: float) -> None:
        nonlocal now, k_of_wait
        k_of_wait += 1
        now += round(seconds * 1e9) + (k_of_wait * 7919) % 3_000_000

    meter = LatenessMeter()
    pace = 107.3
    end_ns = 3600 * 10**9

    def emit(k: int) -> None:
        meter.add(beat_ns(k, pace), now - beat_ns(k, pace))

    done = beat(pace, emit, lambda: now, wait, lambda: now >= end_ns)
    late = meter.result()
    assert done.skipped == 0
    assert late.beats == pytest.approx(107.3 * 60, abs=2)
    assert late.max_ms < 3.1
    assert late.drift_ms_per_min is not None
    assert abs(late.drift_ms_per_min) < 0.01
