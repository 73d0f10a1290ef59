"""When runs begin and end by themselves: the pure rules, on hand-made samples. Times are invented."""

from typing import Any

import pytest
from fakes import RIG_TOML

from rigmon import config
from rigmon.lifecycle import CARRIED_DEEDS, PRE_ROLL_NS, STOP_HELD, LifeCycle, PreRoll, has_rules
from rigmon.model import NmeaLine, Note, Reading, Refill, Sample, Source, Tick

SECOND = 1_000_000_000
NOTHING = Reading(0, 0, Source.HUB, Tick())
LINE = NmeaLine(b"$")
STOP = Reading(0, 0, Source.PERSON, Note(STOP_HELD))

#: the Creek rig's speed.minimum is 0.5 mph, its speed.stationary 0.2 mph; 1.56 m/s is 3.5 mph
MOVING, CREEPING, STANDING = 1.56, 0.15, 0.0
WORK = (1, MOVING)


def cycle(runs: str = 'begin = "work"\nend_after = "60 s"') -> LifeCycle:
    return LifeCycle(config.parse(f"{RIG_TOML}[runs]\n{runs}\n", "rig.toml"))


def sample(t_s: float, boom: int | None, speed_m_s: float | None) -> Sample:
    values: dict[str, Any] = dict.fromkeys(Sample._fields)
    values |= {"t_ns": round(t_s * SECOND), "dt_ns": SECOND // 5, "boom_on": boom, "speed_m_s": speed_m_s}
    return Sample(**values | {"basis": 0, "flags": 0})


def begins_at(cycle: LifeCycle, *stretches: tuple[float, int | None, float | None]) -> float | None:
    """Play stretches of (seconds, boom, speed) at 5 Hz; the time at which a run begins."""
    t_s = 0.0
    for seconds, boom, speed in stretches:
        for _ in range(round(seconds * 5)):
            t_s = round(t_s + 0.2, 1)
            if cycle.begins([sample(t_s, boom, speed)]):
                return t_s
    return None


def ends_at(cycle: LifeCycle, *stretches: tuple[float, int | None, float | None]) -> float | None:
    t_s = 0.0
    for seconds, boom, speed in stretches:
        for _ in range(round(seconds * 5)):
            t_s = round(t_s + 0.2, 1)
            if cycle.ends(NOTHING, [sample(t_s, boom, speed)]):
                return t_s
    return None


# -- begin ---------------------------------------------------------------------------------------------


def test_a_run_begins_with_a_second_of_work() -> None:
    assert begins_at(cycle(), (10, 0, MOVING), (10, *WORK)) == 11.0  # 10 s + 1 s


@pytest.mark.parametrize(
    "idle",
    [(0, MOVING), (1, STANDING), (1, CREEPING), (None, MOVING), (1, None), (None, None)],
    ids=["boom off", "standing", "creeping", "boom unknown", "speed unknown", "nothing known"],
)
def test_anything_less_than_work_begins_none(idle: tuple[int | None, float | None]) -> None:
    assert begins_at(cycle(), (600, *idle)) is None


def test_a_touched_switch_begins_none() -> None:
    touched = [(0.8, *WORK), (5.0, 0, MOVING)] * 10
    assert begins_at(cycle(), *touched) is None


# -- end -----------------------------------------------------------------------------------------------


def test_a_run_ends_when_the_rig_stood_with_the_boom_off_for_so_long() -> None:
    assert ends_at(cycle(), (30, *WORK), (600, 0, STANDING)) == 90.0  # 30 s + 60 s


def test_a_turn_or_a_refill_ends_none() -> None:
    stretches = [(30.0, *WORK), (50.0, 0, STANDING), (10.0, 0, MOVING), (59.0, 0, STANDING)] * 3
    assert ends_at(cycle(), *stretches) is None


def test_spraying_while_standing_ends_none() -> None:
    """Such as spot work from the seat."""
    assert ends_at(cycle(), (600, 1, STANDING)) is None


def test_a_shed_without_gps_lets_the_time_go_on() -> None:
    assert ends_at(cycle(), (30, *WORK), (5, 0, STANDING), (600, 0, None)) == 90.0


def test_what_is_unknown_does_not_begin_the_time() -> None:
    assert ends_at(cycle(), (30, *WORK), (600, 0, None), (600, None, None), (600, None, STANDING)) is None


def test_without_the_key_only_the_button_ends_it() -> None:
    assert ends_at(cycle('begin = "work"'), (30, *WORK), (86_400 / 20, 0, STANDING)) is None


def test_the_stop_button_ends_the_run_at_once_and_the_work_must_pause_before_the_next() -> None:
    rules = cycle()
    assert rules.ends(STOP, []) == STOP_HELD
    assert begins_at(rules, (60, *WORK)) is None
    assert begins_at(rules, (10, None, None), (60, *WORK)) is None  # unknown is no pause
    assert begins_at(rules, (0.4, 0, MOVING), (60, *WORK)) == 1.4


def test_a_note_that_only_reads_like_the_button_ends_none() -> None:
    rules = cycle()
    assert rules.ends(STOP._replace(payload=Note(STOP_HELD + "!")), []) is None
    assert rules.ends(STOP._replace(source=Source.LOG), []) is None


def test_after_standing_the_next_work_begins_the_next_run() -> None:
    rules = cycle()
    assert ends_at(rules, (30, *WORK), (600, 0, STANDING)) == 90.0
    rules.begun()
    assert begins_at(rules, (5, *WORK)) == 1.0


@pytest.mark.parametrize(
    ("runs", "several"),
    [("", False), ('begin = "start"', False), ('begin = "work"', True), ('end_after = "1 min"', True),
     ("stop_pin = 22", True)],
)  # fmt: skip
def test_which_rigs_have_rules(runs: str, several: bool) -> None:
    assert has_rules(config.parse(f"{RIG_TOML}[runs]\n{runs}\n", "rig.toml")) is several


# -- the readings before the work ----------------------------------------------------------------------


def reading(seq: int, t_s: float, payload: Any = LINE) -> Reading:
    return Reading(seq, round(t_s * SECOND), Source.GPS, payload)


def test_the_pre_roll_is_the_newest_seconds_without_ticks() -> None:
    before = PreRoll()
    for n in range(100):
        before.add(reading(2 * n, n))
        before.add(reading(2 * n + 1, n + 0.5, Tick()))
    zero_ns, readings = before.take()
    # a tick at 99.5 s is the newest: from 89.5 s on
    assert (zero_ns, PRE_ROLL_NS) == (90 * SECOND, 10 * SECOND)
    assert [r.t_ns // SECOND for r in readings] == list(range(90, 100))
    assert before.take()[1] == []  # no reading belongs to two runs


def test_the_pre_roll_is_bounded() -> None:
    before = PreRoll(capacity=5)
    for n in range(100):
        before.add(reading(n, 1.0))
    assert [r.seq for r in before.take()[1]] == [95, 96, 97, 98, 99]


def test_a_run_without_readings_begins_where_the_time_is() -> None:
    before = PreRoll()
    before.add(reading(0, 7.0, Tick()))
    assert before.take() == (7 * SECOND, [])
    assert PreRoll().take() == (0, [])


def test_a_reading_that_was_held_back_does_not_come_before_the_start() -> None:
    before = PreRoll()
    for seq, t_s in enumerate((5.0, 4.0, 6.0)):
        before.add(reading(seq, t_s))
    zero_ns, readings = before.take()
    assert zero_ns == 4 * SECOND
    assert [r.seq for r in readings] == [0, 1, 2]


def test_notes_and_refills_are_kept_however_old_but_not_the_stop_button() -> None:
    before = PreRoll()
    deeds = [Note("gate open"), Refill(5.0, False), Note(STOP_HELD)]
    for seq, deed in enumerate(deeds):
        before.add(Reading(seq, seq * SECOND, Source.PERSON, deed))
    assert [r.payload for r in before.left()] == deeds[:2]
    before.add(reading(3, 100))
    assert [r.payload for r in before.left()] == deeds[:2]
    before.add(Reading(4, 101 * SECOND, Source.PERSON, Note("gate shut")))
    zero_ns, readings = before.take()
    # the old ones at the run's begin, the others as they came
    assert zero_ns == 100 * SECOND
    assert [(r.t_ns // SECOND, r.payload) for r in readings] == [
        (100, deeds[0]), (100, deeds[1]), (100, LINE), (101, Note("gate shut")),
    ]  # fmt: skip
    assert before.left() == []


def test_notes_and_refills_are_bounded_and_those_lost_are_counted() -> None:
    before = PreRoll()
    for seq in range(CARRIED_DEEDS + 3):
        before.add(Reading(seq, 0, Source.PERSON, Note(f"{seq}")))
    before.add(reading(1000, 100))
    assert (len(before.left()), before.lost) == (CARRIED_DEEDS, 3)
    assert before.left()[0].payload == Note("3")
