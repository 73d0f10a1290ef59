"""The hub: order, ticks, bounds, losses as rows, and its end."""

import os
import signal
import threading
from itertools import pairwise

import pytest
from fakes import PATIENCE_S, JumpingClock
from hypothesis import given
from hypothesis import strategies as st

from rigmon.edge.hub import BenchClock, Hub, MonotonicClock
from rigmon.model import NmeaLine, Note, Reading, Source, SourceFault, SwitchState, Tick

SECOND = 1_000_000_000


def line(n: int) -> NmeaLine:
    return NmeaLine(b"%d" % n)


def drain(hub: Hub, step_ns: int = SECOND) -> list[Reading]:
    """All readings up to the end, with the deadline always one step after the newest stamp."""
    readings = []
    newest_ns = 0
    while (reading := hub.next(newest_ns + step_ns)) is not None:
        readings.append(reading)
        newest_ns = max(newest_ns, reading.t_ns)
    return readings


def test_the_hub_numbers_readings_in_the_order_they_came() -> None:
    hub = Hub(BenchClock())
    hub.put(10, Source.GPS, line(1))
    hub.put(5, Source.NODE, line(2))  # stamped earlier, came later: arrival decides
    hub.put(20, Source.GPS, line(3))
    hub.close()
    assert drain(hub) == [
        Reading(0, 10, Source.GPS, line(1)),
        Reading(1, 5, Source.NODE, line(2)),
        Reading(2, 20, Source.GPS, line(3)),
    ]


def test_a_reading_stamped_after_the_deadline_waits_behind_ticks_at_the_deadlines() -> None:
    hub = Hub(BenchClock())
    hub.put(100, Source.GPS, line(1))
    hub.put(101, Source.GPS, line(2))
    assert hub.next(100) == Reading(0, 100, Source.GPS, line(1))  # at the deadline is in time
    assert hub.next(50) == Reading(1, 50, Source.HUB, Tick())
    assert hub.next(100) == Reading(2, 100, Source.HUB, Tick())
    assert hub.next(101) == Reading(3, 101, Source.GPS, line(2))


def test_silence_makes_a_tick_at_each_deadline() -> None:
    hub = Hub(JumpingClock())
    readings = [hub.next(n * SECOND) for n in (1, 2, 3)]
    assert readings == [Reading(n - 1, n * SECOND, Source.HUB, Tick()) for n in (1, 2, 3)]


def test_silence_on_the_monotonic_clock_ends_in_a_tick_stamped_exactly_at_the_deadline() -> None:
    clock = MonotonicClock()
    hub = Hub(clock)
    deadline_ns = clock.now_ns() + 20_000_000
    assert hub.next(deadline_ns) == Reading(0, deadline_ns, Source.HUB, Tick())
    assert clock.now_ns() >= deadline_ns


def test_the_monotonic_clock_counts_integer_ns_from_its_creation() -> None:
    clock = MonotonicClock()
    stamps = [clock.now_ns() for _ in range(100)]
    assert all(type(t_ns) is int for t_ns in stamps)
    assert 0 <= stamps[0] < 60 * SECOND
    assert all(a <= b for a, b in pairwise(stamps))


def test_a_waiting_consumer_is_woken_by_a_put() -> None:
    hub = Hub(MonotonicClock())
    got: list[Reading | None] = []
    consumer = threading.Thread(target=lambda: got.append(hub.next(1 << 60)))
    consumer.start()
    hub.put(1, Source.GPS, line(1))
    consumer.join(PATIENCE_S)
    assert got == [Reading(0, 1, Source.GPS, line(1))]


def test_on_the_bench_no_wall_time_makes_a_tick() -> None:
    clock = BenchClock()
    hub = Hub(clock)
    clock.advance(5 * SECOND)
    clock.advance(4 * SECOND)
    assert clock.now_ns() == 5 * SECOND
    assert clock.wait_s(1) is None
    threading.Timer(0, hub.put, (9 * SECOND, Source.GPS, line(1))).start()
    # Only the reading, whenever it comes, tells that the deadline passed in silence.
    assert hub.next(6 * SECOND) == Reading(0, 6 * SECOND, Source.HUB, Tick())


def test_overflow_drops_the_newest_and_tells_so_where_they_are_missing() -> None:
    hub = Hub(BenchClock(), capacity=3)
    for n in range(1, 6):
        hub.put(n, Source.GPS, line(n))
    hub.put(6, Source.NODE, line(6))
    assert hub.next(100) == Reading(0, 1, Source.GPS, line(1))
    hub.put(7, Source.GPS, line(7))
    hub.close()
    detail = "2 readings dropped: 3 were waiting already"
    assert drain(hub) == [
        Reading(1, 2, Source.GPS, line(2)),
        Reading(2, 3, Source.GPS, line(3)),
        Reading(3, 5, Source.GPS, SourceFault("overflow", detail, 2)),
        Reading(4, 6, Source.NODE, SourceFault("overflow", detail.replace("2 readings", "1 reading"), 1)),
        Reading(5, 7, Source.GPS, line(7)),
    ]


def test_a_loss_is_told_of_even_when_nothing_comes_after_it() -> None:
    hub = Hub(BenchClock(), capacity=1)
    hub.put(1, Source.GPS, line(1))
    hub.put(2, Source.GPS, line(2))
    hub.next(100)
    fault = hub.next(100)
    assert fault is not None
    assert isinstance(fault.payload, SourceFault)
    assert (fault.seq, fault.t_ns, fault.payload.kind, fault.payload.lost) == (1, 2, "overflow", 1)


def test_a_loss_is_told_of_even_when_the_run_ends() -> None:
    hub = Hub(BenchClock(), capacity=1)
    hub.put(1, Source.GPS, line(1))
    hub.put(2, Source.GPS, line(2))
    hub.close()
    assert [type(reading.payload) for reading in drain(hub)] == [NmeaLine, SourceFault]


FAILED = SourceFault("failed", "disk full", 2)
RESUMED = SourceFault("resumed", "the disk takes rows again", 0)


def test_a_fault_or_a_note_that_finds_the_queue_full_comes_as_soon_as_there_is_room() -> None:
    hub = Hub(BenchClock(), capacity=2)
    hub.put(1, Source.GPS, line(1))
    hub.put(2, Source.GPS, line(2))
    hub.put(3, Source.LOG, RESUMED)
    hub.put(4, Source.PERSON, Note("stop button"))
    taken = [hub.next(100) for _ in range(4)]  # and nobody has put again
    assert taken[2:] == [
        Reading(2, 3, Source.LOG, RESUMED),
        Reading(3, 4, Source.PERSON, Note("stop button")),
    ]


def test_of_the_faults_kept_beside_a_full_queue_the_newest_of_a_kind_wins_and_their_losses_add_up() -> None:
    hub = Hub(BenchClock(), capacity=1)
    hub.put(1, Source.GPS, line(1))
    hub.put(2, Source.LOG, FAILED)
    hub.put(3, Source.LOG, RESUMED)
    hub.put(4, Source.GPS, SourceFault("failed", "unplugged", 0))
    hub.put(5, Source.LOG, FAILED._replace(detail="read-only", lost=3))
    hub.close()
    assert [(r.source, r.payload) for r in drain(hub)[1:]] == [
        (Source.LOG, RESUMED),  # it is the newest that must come last
        (Source.GPS, SourceFault("failed", "unplugged", 0)),
        (Source.LOG, SourceFault("failed", "read-only", 5)),
    ]


def test_a_fault_put_when_there_is_room_again_does_not_overtake_one_that_was_kept() -> None:
    hub = Hub(BenchClock(), capacity=3)
    for n in range(3):
        hub.put(n, Source.GPS, line(n))
    hub.put(4, Source.LOG, FAILED)
    hub.next(100)
    hub.put(5, Source.LOG, RESUMED)
    hub.close()
    assert [r.payload for r in drain(hub) if r.source is Source.LOG] == [FAILED, RESUMED]


def test_what_is_kept_beside_a_full_queue_is_bounded_too_and_more_is_counted() -> None:
    hub = Hub(BenchClock(), capacity=1)
    hub.put(0, Source.GPS, line(0))
    for n in range(1000):
        hub.put(1, Source.PERSON, Note(f"note {n}"))
    hub.close()
    readings = drain(hub)
    notes = [r for r in readings if isinstance(r.payload, Note)]
    assert len(notes) < 100
    assert len(notes) + sum(_accounted(r) for r in readings[1:] if r not in notes) == 1000


@given(st.lists(st.sampled_from(["failed", "resumed", "line", "take"]), max_size=100), st.integers(1, 4))
def test_the_last_word_of_the_run_log_gets_through_whatever_the_queue_does(
    steps: list[str], capacity: int
) -> None:
    hub = Hub(JumpingClock(), capacity)
    readings: list[Reading] = []
    said: list[str] = []
    lost = 0
    for t_ns, step in enumerate(steps):
        if step == "take":
            readings.append(_must(hub.next(t_ns)))
        elif step == "line":
            hub.put(t_ns, Source.GPS, line(t_ns))
        else:
            hub.put(t_ns, Source.LOG, SourceFault(step, "", 1))
            said.append(step)
            lost += 1
    hub.close()
    readings += drain(hub, 1 << 60)
    faults = [r.payload for r in readings if r.source is Source.LOG]
    assert all(isinstance(fault, SourceFault) for fault in faults)
    assert [fault.kind for fault in faults][-1:] == said[-1:]
    assert sum(fault.lost for fault in faults) == lost


def _must(reading: Reading | None) -> Reading:
    assert reading is not None
    return reading


@given(
    st.lists(st.one_of(st.none(), st.sampled_from([Source.GPS, Source.NODE])), max_size=200),
    st.integers(1, 5),
)
def test_whatever_the_order_of_puts_and_takes_nothing_vanishes(
    steps: list[Source | None], capacity: int
) -> None:
    """Each put is either a reading or counted in a fault row of its source, and the queue stays bounded."""
    hub = Hub(BenchClock(), capacity)
    put = {Source.GPS: 0, Source.NODE: 0}
    readings: list[Reading] = []
    held = 0
    for t_ns, step in enumerate(steps):
        if step is not None:
            hub.put(t_ns * SECOND // 3, step, line(t_ns))
            put[step] += 1
            held += 1
        elif held > 0:
            reading = hub.next(1 << 60)
            assert reading is not None
            readings.append(reading)
            held = sum(put.values()) - sum(_accounted(r) for r in readings)
    hub.close()
    rest = drain(hub, 1 << 60)
    assert len([r for r in rest if isinstance(r.payload, NmeaLine)]) <= capacity
    assert len(rest) <= capacity + 4
    readings += rest
    for source, n in put.items():
        assert sum(_accounted(r) for r in readings if r.source is source) == n
    assert [r.seq for r in readings] == list(range(len(readings)))


def _accounted(reading: Reading) -> int:
    return reading.payload.lost if isinstance(reading.payload, SourceFault) else 1


def test_put_when_room_waits_instead_of_dropping() -> None:
    hub = Hub(BenchClock(), capacity=4)
    taken: list[bool] = []

    def produce() -> None:
        taken.extend(hub.put_when_room(n, Source.GPS, line(n)) for n in range(1000))
        hub.close()

    producer = threading.Thread(target=produce)
    producer.start()
    readings = drain(hub)
    producer.join(PATIENCE_S)
    assert not producer.is_alive()
    assert taken == [True] * 1000
    assert [r.payload for r in readings] == [line(n) for n in range(1000)]


@pytest.mark.parametrize("end", ["release", "drained"])
def test_a_producer_that_waits_for_room_is_let_go_at_the_end(end: str) -> None:
    hub = Hub(BenchClock(), capacity=1)
    hub.put(1, Source.GPS, line(1))
    taken: list[bool] = []
    producer = threading.Thread(target=lambda: taken.append(hub.put_when_room(2, Source.GPS, line(2))))
    if end == "release":
        producer.start()
        hub.release()
    else:
        hub.close()
        producer.start()
        drain(hub)
    producer.join(PATIENCE_S)
    assert taken == [False]


def test_closing_gives_what_is_queued_and_then_none_for_good() -> None:
    hub = Hub(BenchClock())
    hub.put(1, Source.GPS, line(1))
    hub.close("stopped by SIGTERM")
    hub.close("the recording ended")
    hub.put(2, Source.GPS, line(2))
    assert hub.next(100) == Reading(0, 1, Source.GPS, line(1))
    assert hub.next(100) is None
    assert hub.next(100) is None
    assert hub.why == "stopped by SIGTERM"
    assert hub.ended_ns == 1  # no older than the newest reading


def test_deadlines_up_to_the_close_still_get_their_ticks() -> None:
    clock = JumpingClock()
    hub = Hub(clock)
    clock.t_ns = 25 * SECOND // 10
    hub.close()
    assert [r.t_ns for r in drain(hub)] == [1 * SECOND, 2 * SECOND]
    assert hub.ended_ns == 25 * SECOND // 10


def test_stop_at_ends_the_run_at_that_stamp() -> None:
    hub = Hub(JumpingClock())
    hub.stop_at(25 * SECOND // 10, "10 s are up")
    hub.put(0, Source.BOOM, SwitchState(True))
    assert [r.t_ns for r in drain(hub)] == [0, 1 * SECOND, 2 * SECOND]
    assert (hub.ended_ns, hub.why) == (25 * SECOND // 10, "10 s are up")


def test_stop_at_leaves_out_readings_stamped_later() -> None:
    hub = Hub(BenchClock())
    hub.stop_at(15)
    for n in (10, 15, 16):
        hub.put(n, Source.GPS, line(n))
    assert [r.t_ns for r in drain(hub)] == [10, 15]
    assert hub.ended_ns == 15


def test_closing_from_a_signal_handler_wakes_the_waiting_main_thread() -> None:
    """The handler interrupts whatever the main thread does, also where it holds the hub's locks."""
    hub = Hub(BenchClock(), capacity=2)

    def on_signal(_signum: int, _frame: object) -> None:
        hub.close("signalled")

    previous = signal.signal(signal.SIGUSR1, on_signal)
    flood = threading.Thread(target=_flood, args=(hub,))
    try:
        flood.start()
        while (reading := hub.next(1 << 60)) is not None:
            if reading.seq == 500:
                os.kill(os.getpid(), signal.SIGUSR1)
    finally:
        signal.signal(signal.SIGUSR1, previous)
        flood.join(PATIENCE_S)
    assert hub.why == "signalled"
    assert not flood.is_alive()


def _flood(hub: Hub) -> None:
    n = 0
    while hub.put_when_room(n, Source.GPS, line(n)):
        n += 1


def test_a_hub_without_room_is_refused() -> None:
    with pytest.raises(ValueError, match="at least 1, not 0"):
        Hub(BenchClock(), capacity=0)
