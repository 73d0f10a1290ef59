"""The bench source: the recording's own stamps, its pace, and back-pressure instead of loss."""

import threading
from collections.abc import Iterator

import pytest
from fakes import PATIENCE_S

from rigmon.edge.bench import BenchSource
from rigmon.edge.hub import BenchClock, Hub
from rigmon.errors import UsageError
from rigmon.model import NmeaLine, Reading, Source, Tick

SECOND = 1_000_000_000

Item = tuple[int, Source, NmeaLine]


def items(n: int) -> list[Item]:
    """One line a second."""
    return [(k * SECOND, Source.GPS, NmeaLine(b"%d" % k)) for k in range(n)]


def play(source: BenchSource, hub: Hub, step_ns: int = 10 * SECOND) -> list[Reading]:
    source.start()
    readings: list[Reading] = []
    while (reading := hub.next((readings[-1].t_ns if readings else 0) + step_ns)) is not None:
        readings.append(reading)
    source.stop()
    return readings


def test_flat_out_it_plays_every_item_in_order_with_its_own_stamp() -> None:
    clock = BenchClock()
    hub = Hub(clock, capacity=8)  # far fewer than the items: it must wait, not drop
    readings = play(BenchSource(hub, clock, items(2000), pace=None), hub)
    assert readings == [Reading(k, *item) for k, item in enumerate(items(2000))]
    assert hub.why == "the recording ended"
    assert hub.ended_ns == clock.now_ns() == 1999 * SECOND


def test_a_gap_in_the_recording_is_filled_with_ticks_whatever_the_pace() -> None:
    gap = [items(1)[0], (35 * SECOND // 10, Source.GPS, NmeaLine(b"late"))]
    runs = []
    for pace in (None, 1000.0):
        clock = BenchClock()
        hub = Hub(clock)
        runs.append(play(BenchSource(hub, clock, gap, pace), hub, SECOND))
    assert [(r.t_ns, type(r.payload)) for r in runs[0]] == [
        (0, NmeaLine),
        (1 * SECOND, Tick),
        (2 * SECOND, Tick),
        (3 * SECOND, Tick),
        (35 * SECOND // 10, NmeaLine),
    ]
    assert runs[0] == runs[1]


@pytest.mark.parametrize(("pace", "step_s"), [(1.0, 1.0), (10.0, 0.1)])
def test_it_keeps_pace_with_the_wall_time_it_is_given(pace: float, step_s: float) -> None:
    now_s = 100.0
    waits: list[float] = []

    def wait(seconds: float) -> bool:
        nonlocal now_s
        waits.append(seconds)
        now_s += seconds
        return False

    clock = BenchClock()
    hub = Hub(clock)
    start_ns = 50 * SECOND  # the first item is due at once, whatever its stamp
    shifted = [(t_ns + start_ns, source, payload) for t_ns, source, payload in items(5)]
    source = BenchSource(hub, clock, shifted, pace, monotonic_s=lambda: now_s, wait=wait)
    readings = play(source, hub, 1 << 60)
    assert len(readings) == 5
    assert waits == pytest.approx([step_s] * 4)


def test_falling_behind_it_does_not_wait() -> None:
    now_s = 0.0

    def slow_clock() -> float:
        nonlocal now_s
        now_s += 5.0
        return now_s

    def never(_seconds: float) -> bool:
        raise AssertionError("behind already")

    clock = BenchClock()
    hub = Hub(clock)
    source = BenchSource(hub, clock, items(3), 1.0, monotonic_s=slow_clock, wait=never)
    assert len(play(source, hub, 1 << 60)) == 3


@pytest.mark.parametrize("pace", [0.001, None])
def test_stop_ends_the_thread_while_it_waits(pace: float | None) -> None:
    clock = BenchClock()
    hub = Hub(clock, capacity=1)
    source = BenchSource(hub, clock, items(10), pace)
    before = threading.active_count()
    source.start()
    first = hub.next(1 << 60)
    assert first is not None
    source.stop()
    assert threading.active_count() == before
    while hub.next(1 << 60) is not None:
        pass


def test_closing_the_hub_ends_the_thread_without_stop() -> None:
    clock = BenchClock()
    hub = Hub(clock, capacity=2)
    source = BenchSource(hub, clock, items(100), None)
    source.start()
    first = hub.next(1 << 60)
    assert first is not None
    hub.close("stopped by SIGTERM")
    while hub.next(1 << 60) is not None:
        pass
    source.stop(PATIENCE_S)
    assert hub.why == "stopped by SIGTERM"


def test_a_recording_that_breaks_off_ends_the_run_and_keeps_the_error() -> None:
    def broken() -> Iterator[Item]:
        yield items(1)[0]
        raise UsageError("field.nmea, line 2: no time")

    clock = BenchClock()
    hub = Hub(clock)
    source = BenchSource(hub, clock, broken(), None)
    assert len(play(source, hub)) == 1
    assert isinstance(source.error, UsageError)
    assert hub.why == "the recording cannot be read further: field.nmea, line 2: no time"


@pytest.mark.parametrize("pace", [0.0, -1.0, float("nan")])
def test_a_pace_that_is_not_above_zero_is_refused(pace: float) -> None:
    clock = BenchClock()
    with pytest.raises(UsageError, match="must be above 0"):
        BenchSource(Hub(clock), clock, [], pace)
