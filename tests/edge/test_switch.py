"""The boom switch: each change at once with the stamp of its first edge, again each second, and no storm."""

import random
import threading
from itertools import pairwise

import pytest
from fakes import Collector
from gpiozero import LED
from gpiozero.pins.mock import MockFactory
from helpers import Run, make_rig
from hypothesis import given
from hypothesis import strategies as st
from wiring import SimTime, faults, held, pin, raising, taken

from rigmon.edge.hub import Hub, MonotonicClock
from rigmon.edge.switch import LONGEST_SETTLE_NS, SETTLE_NS, Contact, SwitchSource
from rigmon.errors import UsageError
from rigmon.model import Reading, Source, SwitchState

PIN = 27
MS = 1_000_000


class Switch:
    """A source without its thread: its turns come where the thread's would, at edges and when one is due."""

    def __init__(self, factory: MockFactory, sim: SimTime, on_level: str = "low") -> None:
        self.hub = Hub(sim)
        self.source = SwitchSource(self.hub, factory, PIN, "up", on_level)
        self._sim = sim
        self._due_ns = 0
        self.mock = pin(factory, PIN)
        self._turn()

    def _turn(self) -> None:
        self.source._wake.clear()
        self._due_ns = self._sim.t_ns + round(self.source.turn() * 1e9)

    def until(self, t_ns: int) -> None:
        while self._due_ns <= t_ns:
            self._sim.t_ns = max(self._due_ns, self._sim.t_ns + 1)
            self._turn()
        self._sim.t_ns = t_ns

    def level(self, t_ns: int, high: bool) -> None:
        self.until(t_ns)
        if high:
            self.mock.drive_high()
        else:
            self.mock.drive_low()
        if self.source._wake.is_set():
            self._turn()

    def bounce(self, t_ns: int, high: bool, times: int = 5, every_ns: int = MS) -> None:
        """The first edge at `t_ns`, then back and forth, and it stays."""
        for k in range(times):
            self.level(t_ns + 2 * k * every_ns, high)
            if k < times - 1:
                self.level(t_ns + (2 * k + 1) * every_ns, not high)

    def said(self) -> list[tuple[float, bool]]:
        """Stamps [ms] and states since the last time."""
        return [(r.t_ns / MS, r.payload.on) for r in taken(self.hub) if isinstance(r.payload, SwitchState)]


def about(*expected: tuple[float, bool]) -> list[tuple[float, bool]]:
    return [(pytest.approx(ms, abs=1e-4), on) for ms, on in expected]


@pytest.fixture
def switch(factory: MockFactory, sim: SimTime) -> Switch:
    return Switch(factory, sim)


@pytest.mark.parametrize("on_level", ["low", "high"])
def test_the_state_at_first_and_each_second(factory: MockFactory, sim: SimTime, on_level: str) -> None:
    """With its pull-up an open switch reads high."""
    switch = Switch(factory, sim, on_level)
    on = on_level == "high"
    switch.until(2500 * MS)
    assert switch.said() == about((0, on), (1000, on), (2000, on))
    switch.level(2600 * MS, False)
    assert switch.said() == about((2600, not on))
    switch.until(4000 * MS)
    assert switch.said() == about((3600, not on))


def test_a_bouncing_contact_is_one_change_with_its_first_edges_stamp(switch: Switch) -> None:
    switch.bounce(300 * MS, False)
    switch.bounce(900 * MS, True)
    switch.until(1500 * MS)
    assert switch.said() == about((0, False), (300, True), (900, False))


def test_a_change_is_reported_before_it_has_settled(switch: Switch) -> None:
    switch.level(300 * MS, False)
    assert switch.said() == about((0, False), (300, True))


# It is on for 5 ms and off again: nobody switched, but what the pin said was so; the way back has the stamp
# of the edge that led there.
def test_a_spike_comes_and_goes(switch: Switch) -> None:
    switch.level(300 * MS, False)
    switch.level(305 * MS, True)
    switch.until(900 * MS)
    assert switch.said() == about((0, False), (300, True), (305, False))


def test_an_edge_that_got_lost_is_made_good_within_a_second(switch: Switch) -> None:
    switch.until(300 * MS)
    switch.mock._state = False
    switch.until(1100 * MS)
    assert switch.said() == about((0, False), (1000, True))


# A wire that picks up ignition noise: an edge each 0.7 ms for 20 s are 28 000 edges
def test_a_storm_of_edges_is_a_few_readings_and_a_row(switch: Switch) -> None:
    dice = random.Random(7)
    for k in range(28_000):
        switch.level(300 * MS + k * 700_000, dice.random() < 0.5)
    end_ms = 300 + 28_000 * 0.7
    switch.level(round(end_ms * MS), False)
    switch.until(round((end_ms + 5000) * MS))
    readings = taken(switch.hub)
    states = [r for r in readings if isinstance(r.payload, SwitchState)]
    # changes after 0.02, 0.04, ... 0.64 s, then one each 0.64 s at most (20 / 0.64 = 31), and the repeats
    assert len(states) < 6 + 32 + 27
    assert states[-1].payload == SwitchState(True)  # and in the end it is right
    rows = [fault for fault in faults(readings) if fault.kind != "opened"]
    assert [row.kind for row in rows] == ["chatter"]
    assert "boom_switch.pin = 27" in rows[0].detail
    # quiet again, it is quick again
    switch.bounce(30_000 * MS, True)
    switch.until(30_050 * MS)
    assert switch.said()[-1:] == about((30_000, False))


def test_the_pin_is_let_go(factory: MockFactory) -> None:
    hub = Hub(MonotonicClock())
    before = threading.enumerate()
    collector = Collector(hub)
    source = SwitchSource(hub, factory, PIN, "up", "low")
    for _ in range(3):
        seen = len(collector.readings)
        source.start()
        assert held(factory) == ["GPIO27"]
        collector.wait_for(lambda r, seen=seen: len(r) >= seen + 2)  # opened, and its state
        pin(factory, PIN).drive_low()  # the thread is woken by the edge: no second goes by
        collector.wait_for(lambda r, seen=seen: len(r) >= seen + 3)
        source.stop()
        assert held(factory) == []
    source.stop()
    collector.stop()
    assert threading.enumerate() == before
    assert {reading.source for reading in collector.readings} == {Source.BOOM}


def test_a_pin_in_use_is_told_with_its_key(factory: MockFactory, sim: SimTime) -> None:
    source = SwitchSource(Hub(sim), factory, PIN, "up", "low")
    with LED(PIN, pin_factory=factory):
        for way in (source.check, source.start):
            with pytest.raises(UsageError, match=r"^boom_switch\.pin = 27 cannot be used: .*in use"):
                way()
    source.check()
    assert held(factory) == []


def test_a_pin_that_fails_is_a_row_and_tried_again(
    switch: Switch, factory: MockFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    switch.said()
    with monkeypatch.context() as patched:
        patched.setattr(type(switch.mock), "_get_state", raising(OSError(19, "No such device")))
        waits = [switch.source.turn() for _ in range(3)]
        assert waits == [0.1, 0.2, 0.4]
        assert held(factory) == []
        kinds = [fault.kind for fault in faults(taken(switch.hub))]
        assert kinds[0] == "closed"
    switch.source.turn()
    readings = taken(switch.hub)
    assert readings[-1].payload == SwitchState(False)  # its resistor pulls it up again
    assert readings[-2].payload.kind == "opened"  # type: ignore[union-attr]


def test_the_way_to_the_core(switch: Switch) -> None:
    """What is treated ends where the first edge said."""
    run = Run(make_rig(boom_switch={"source": "gpio", "pin": PIN}))

    def feed(readings: list[Reading]) -> None:
        for reading in readings:
            run.put(reading.t_ns / 1e9, reading.payload, reading.source)

    for k in range(30):
        t_ns = 200 * MS * k
        switch.until(t_ns)
        feed(taken(switch.hub))
        run.fix(t_ns / 1e9, 2.0)
        if k == 5:
            switch.bounce(t_ns + 50 * MS, False)
        if k == 15:
            switch.bounce(t_ns + 150 * MS, True)
    feed(taken(switch.hub))
    run.finish(6.0)
    treated_ns = sum(sample.dt_ns for sample in run.samples if sample.boom_on == 1)
    assert treated_ns == pytest.approx(2100 * MS, abs=10)  # from 1.05 s to 3.15 s
    assert all(sample.boom_on is not None for sample in run.samples[1:])


# -- the contact alone ---------------------------------------------------------------------------------


@given(
    gaps_us=st.lists(st.integers(1, 400_000), max_size=60),
    ends_on=st.booleans(),
)
def test_whatever_the_contact_does_the_last_word_is_the_pins(gaps_us: list[int], ends_on: bool) -> None:
    """Edges at any times; looks where they are due. Reports are never closer than the settling time, each
    change is a real one, and the state that stays is reported at the latest after the longest settling."""
    contact = Contact(0, False)
    t_ns, level = 0, False
    reports: list[tuple[int, bool]] = []

    def look_until(end_ns: int) -> None:
        while contact.due_ns <= end_ns:
            at_ns = contact.due_ns
            before = contact.on
            if contact.look(at_ns, level) is not None and contact.on is not before:
                reports.append((at_ns, contact.on))

    for gap_us in gaps_us:
        look_until(t_ns + gap_us * 1000)
        t_ns += gap_us * 1000
        level = not level
        if contact.edge(t_ns, level) is not None:
            reports.append((t_ns, contact.on))
    if level is not ends_on:
        t_ns += MS
        look_until(t_ns)
        level = ends_on
        if contact.edge(t_ns, level) is not None:
            reports.append((t_ns, contact.on))
    look_until(t_ns + LONGEST_SETTLE_NS)
    assert contact.on is ends_on
    assert [on for _, on in reports] == [k % 2 == 0 for k in range(len(reports))]
    stamps = [t for t, _ in reports]
    assert all(b - a >= SETTLE_NS for a, b in pairwise(stamps))
