"""The hub: one clock, one bounded queue, the sequence number, and the tick at the core's deadline.

Sources put from their own threads; one consumer (the main loop) takes readings in order. The queue is a
`queue.SimpleQueue`, whose put() the standard library documents as safe to call from a signal handler:
`close()` is such a put, so a handler needs no lock that the interrupted thread may hold.
"""

import time
from queue import Empty, SimpleQueue
from threading import Condition
from typing import Final, NamedTuple, Protocol

from rigmon.model import Note, Payload, Reading, Source, SourceFault, Tick

#: readings that may wait for the core: about 25 s of a port that is busy all the time at 115 200 baud
CAPACITY: Final = 4096
#: a source that keeps losing readings says so this often, so that the rows about it do not crowd out more
_FAULT_EVERY_NS: Final = 1_000_000_000
#: kinds of faults and notes kept beside a full queue; there are not nearly as many
_ASIDE: Final = 64
#: a single wait is cut to this; the loop around it goes on waiting
_LONGEST_WAIT_S: Final = 3600.0


class Clock(Protocol):
    """What stamps readings, in integer ns since the run's start, and how long to wait for a stamp."""

    def now_ns(self) -> int:
        """The stamp of this moment."""
        ...

    def wait_s(self, t_ns: int) -> float | None:
        """Seconds until the clock shows `t_ns`, 0 or less when it does; None: only a reading moves it."""
        ...


class MonotonicClock:
    """Nanoseconds since its creation, from CLOCK_MONOTONIC: never set back, never jumps with the date."""

    __slots__ = ("_start_ns",)

    def __init__(self) -> None:
        self._start_ns = time.monotonic_ns()

    def now_ns(self) -> int:
        return time.monotonic_ns() - self._start_ns

    def wait_s(self, t_ns: int) -> float:
        return (t_ns - self.now_ns()) / 1e9


class BenchClock:
    """Stands at the newest stamp the bench source has put: no wall time in it, so runs repeat exactly."""

    __slots__ = ("_now_ns",)

    def __init__(self) -> None:
        self._now_ns = 0

    def advance(self, t_ns: int) -> None:
        """Move on to `t_ns`; an older stamp leaves the clock where it is."""
        self._now_ns = max(self._now_ns, t_ns)

    def now_ns(self) -> int:
        return self._now_ns

    def wait_s(self, t_ns: int) -> None:  # noqa: ARG002 - no wall time tells when the next reading comes
        return None


class _Item(NamedTuple):
    t_ns: int
    source: Source
    payload: Payload | None  #: None: the hub was closed at t_ns


class _Loss(NamedTuple):
    t_ns: int  #: stamp of the newest reading lost
    lost: int


class Hub:
    """Orders what the sources put into one sequence of readings, with ticks where nothing came in time.

    `put` and `put_when_room` may be called from any thread, `close` from any thread or signal handler,
    `next` from one thread only.
    """

    def __init__(self, clock: Clock, capacity: int = CAPACITY) -> None:
        if capacity < 1:
            raise ValueError(f"capacity must be at least 1, not {capacity}")
        self.clock: Final = clock
        self._capacity = capacity
        self._queue: SimpleQueue[_Item] = SimpleQueue()
        self._lock = Condition()  # of the producers; the consumer takes it only after a loss or for waiters
        self._waiting = 0
        self._losses: dict[Source, _Loss] = {}
        self._told_ns: dict[Source, int] = {}
        self._aside: dict[tuple[Source, str], _Item] = {}  # oldest first
        self._head: _Item | None = None
        self._seq = 0
        self._newest_ns = 0
        self._stop_ns: int | None = None
        self._stop_why = ""
        self._closing = False
        self._why = ""
        self._ended_ns: int | None = None

    # -- producers ---------------------------------------------------------------------------------

    def put(self, t_ns: int, source: Source, payload: Payload) -> bool:
        """Enqueue one reading with its capture stamp. Never blocks. False: it was not taken.

        With the queue full the reading is dropped and counted, and a SourceFault("overflow") row of its
        source says how many, in the place where they are missing. After close() nothing is taken.

        Faults, notes and what people do are not dropped, for nothing says them again: of each source the
        newest of a kind (of a note: of a text) is kept until there is room. A fault's `lost` is then the sum
        of those it replaced.
        """
        with self._lock:
            if self._closing:
                return False
            if self._aside:
                self._bring_in()  # before the reading: a later fault must not overtake an earlier one
            if self._queue.qsize() >= self._capacity:
                if self._keep_aside(_Item(t_ns, source, payload)):
                    return True
                before = self._losses.get(source)
                self._losses[source] = _Loss(t_ns, 1 + (before.lost if before else 0))
                return False
            if self._losses:
                self._tell_losses(t_ns)
            self._queue.put(_Item(t_ns, source, payload))
            return True

    def put_when_room(self, t_ns: int, source: Source, payload: Payload) -> bool:
        """Enqueue one reading, waiting for room instead of dropping it. False: the hub was closed first."""
        with self._lock:
            self._waiting += 1  # before looking for room: next() must not miss that someone waits
            try:
                while not self._closing and self._queue.qsize() >= self._capacity:
                    self._lock.wait()
            finally:
                self._waiting -= 1
            if self._closing:
                return False
            if self._losses:
                self._tell_losses(t_ns)
            self._queue.put(_Item(t_ns, source, payload))
            return True

    def _keep_aside(self, item: _Item) -> bool:
        """Keep a fault, a note or a deed that finds no room. False: it is none, or there are too many."""
        payload = item.payload
        if type(payload) is SourceFault:
            key = item.source, payload.kind
        elif type(payload) is Note:
            key = item.source, payload.text
        elif item.source is Source.PERSON:
            key = item.source, repr(payload)
        else:
            return False
        before = self._aside.pop(key, None)  # and to the end: the order is that of the newest ones
        if before is None:
            if len(self._aside) >= _ASIDE:
                return False
        elif type(payload) is SourceFault and type(before.payload) is SourceFault:
            item = item._replace(payload=payload._replace(lost=before.payload.lost + payload.lost))
        self._aside[key] = item
        return True

    def _bring_in(self) -> None:
        """Queue what was kept aside, as far as there is room."""
        for key in list(self._aside):
            if self._queue.qsize() >= self._capacity:
                break
            self._queue.put(self._aside.pop(key))

    def _tell_losses(self, now_ns: int | None) -> None:
        """Queue the rows about losses; now_ns None: all of them, else those not told of just before."""
        for source, loss in list(self._losses.items()):
            told_ns = self._told_ns.get(source)
            if now_ns is None or told_ns is None or now_ns - told_ns >= _FAULT_EVERY_NS:
                del self._losses[source]
                self._told_ns[source] = loss.t_ns
                self._queue.put(_Item(loss.t_ns, source, self._overflow(loss)))

    def _overflow(self, loss: _Loss) -> SourceFault:
        readings = "1 reading" if loss.lost == 1 else f"{loss.lost} readings"
        return SourceFault(
            "overflow", f"{readings} dropped: {self._capacity} were waiting already", loss.lost
        )

    # -- the end -----------------------------------------------------------------------------------

    def close(self, why: str = "closed") -> None:
        """Take nothing more: next() gives what is queued, then None. The first call's `why` is kept."""
        if not self._closing:
            self._closing = True
            self._why = why
            self._queue.put(_Item(self.clock.now_ns(), Source.HUB, None))

    def stop_at(self, t_ns: int, why: str = "time is up") -> None:
        """Close by itself at stamp `t_ns`: readings stamped later are not given. Call before next()."""
        self._stop_ns = t_ns
        self._stop_why = why

    def release(self) -> None:
        """Close, and let go every producer that waits for room. Not for signal handlers: takes a lock."""
        self.close()
        with self._lock:
            self._lock.notify_all()

    @property
    def ended_ns(self) -> int | None:
        """Stamp of the end, not older than any reading given; None while next() gives readings."""
        return self._ended_ns

    @property
    def why(self) -> str:
        """Why it ended; empty while open."""
        return self._why

    # -- the consumer ------------------------------------------------------------------------------

    def next(self, deadline_ns: int) -> Reading | None:
        """The next reading in order, or Tick at `deadline_ns` when none is stamped by then; None: ended.

        Waits, without polling, until a reading comes or the clock reaches the deadline.
        """
        if self._ended_ns is not None:
            return self._left_over()
        until_ns = deadline_ns if self._stop_ns is None else min(deadline_ns, self._stop_ns)
        item = self._head or self._take(until_ns)
        if item is None or item.t_ns > until_ns:
            self._head = item
            if until_ns < deadline_ns:
                self.close(self._stop_why)
                return self._end(until_ns)
            return self._reading(deadline_ns, Source.HUB, Tick())
        self._head = None
        if item.payload is None:
            return self._end(item.t_ns)
        return self._reading(item.t_ns, item.source, item.payload)

    def _take(self, until_ns: int) -> _Item | None:
        """Take one item from the queue; None when the clock has reached `until_ns` without one."""
        while True:
            try:
                item = self._queue.get_nowait()
                break
            except Empty:
                wait_s = self.clock.wait_s(until_ns)
            if wait_s is not None and wait_s <= 0:
                return None
            try:
                item = self._queue.get(timeout=None if wait_s is None else min(wait_s, _LONGEST_WAIT_S))
                break
            except Empty:
                continue
        if self._losses or self._waiting or self._aside:
            with self._lock:
                if self._aside and not self._closing:  # behind the end nobody looks into the queue
                    self._bring_in()
                if self._losses and item.payload is not None and self._queue.empty():
                    self._tell_losses(None)  # nobody may put again: a loss must not wait for that
                if self._waiting and self._queue.qsize() <= self._capacity // 2:
                    self._lock.notify_all()
        return item

    def _reading(self, t_ns: int, source: Source, payload: Payload) -> Reading:
        reading = Reading(self._seq, t_ns, source, payload)
        self._seq += 1
        self._newest_ns = max(self._newest_ns, t_ns)
        return reading

    def _end(self, t_ns: int) -> Reading | None:
        self._ended_ns = max(t_ns, self._newest_ns)
        with self._lock:
            self._lock.notify_all()
        return self._left_over()

    def _left_over(self) -> Reading | None:
        """What was kept aside, and losses that no row has told of: neither vanishes with the end."""
        assert self._ended_ns is not None
        with self._lock:
            if self._aside:
                t_ns, source, payload = self._aside.pop(next(iter(self._aside)))
                assert payload is not None
                return self._reading(min(t_ns, self._ended_ns), source, payload)
            if not self._losses:
                return None
            source, loss = self._losses.popitem()
        return self._reading(min(loss.t_ns, self._ended_ns), source, self._overflow(loss))
