"""The desk: what it takes, and what it refuses with which words; hostile requests too. All is invented."""

import json
from typing import Any

import pytest
from fakes import RIG_TOML
from hypothesis import given
from hypothesis import strategies as st

from rigmon import config
from rigmon.core.acts import TEXT_MAX
from rigmon.edge.acts import Acts, deed_of
from rigmon.edge.hub import BenchClock, Hub
from rigmon.errors import UsageError
from rigmon.model import (
    Acknowledge,
    Act,
    Alert,
    BeginRun,
    EndRun,
    Note,
    Refill,
    Retarget,
    Sample,
    Source,
    Tick,
)
from rigmon.rig import Retargeted, Rig

SECOND = 1_000_000_000
US = config.parse(RIG_TOML, "rig.toml")
METRIC = config.parse(RIG_TOML.replace('units = "us"', 'units = "metric"'), "rig.toml")


def sample(speed_m_s: float | None = 0.0) -> Sample:
    values: dict[str, Any] = dict.fromkeys(Sample._fields)
    return Sample(**values | {"t_ns": 1, "dt_ns": 1, "speed_m_s": speed_m_s, "basis": 0, "flags": 0})


class Book:
    """Targets without a file behind them."""

    def __init__(self, trouble: str | None = None) -> None:
        self.remembered: list[Retarget] = []
        self.trouble = trouble

    def choices(self) -> list[dict[str, Any]]:
        return [{"name": "2026-05-30 target 1"}]

    def record(self, name: str) -> str:
        if name not in ("", "2026-05-30 target 1"):
            raise UsageError(f"book: has no record {name!r}; it is empty")
        return '{"n": 1}' if name else ""

    def retargeted(self, choice: Retarget) -> Retargeted:
        if choice.record == "{}":
            raise UsageError("x: the calibration record cannot be read; choose again")
        return Retargeted(US, choice.name, ())

    def remember(self, choice: Retarget) -> str | None:
        self.remembered.append(choice)
        return self.trouble


class Desk:
    def __init__(self, rig: Rig = US, capacity: int = 4096, book: Book | None = None) -> None:
        self.clock = BenchClock()
        self.hub = Hub(self.clock, capacity)
        self.acts = Acts(self.hub, rig, book)
        self.acts.serves(single=False, run_going=False)
        self.acts.sees([sample()])

    def taken(self) -> list[Any]:
        """What is in the hub, ticks left out; then it is closed."""
        self.hub.close()
        found = []
        while (reading := self.hub.next(1 << 60)) is not None:
            assert reading.source is Source.PERSON or isinstance(reading.payload, Tick)
            found.append(reading.payload)
        return found


@pytest.mark.parametrize(
    ("request_", "deed"),
    [
        ({"act": "note", "text": "  wind is up "}, Note("wind is up")),
        # 25 US gal x 3.785411784 L/gal, exact by definition
        ({"act": "refill", "volume": "25 gal"}, Refill(94.6352946, False)),
        ({"act": "refill", "volume": "25", "full": True}, Refill(94.6352946, True)),
        ({"act": "refill", "volume": "95 L"}, Refill(95.0, False)),
        ({"act": "refill", "volume_l": 20}, Refill(20, False)),
        ({"act": "refill", "full": True}, Refill(None, True)),
        ({"act": "begin_run"}, BeginRun()),
    ],
)
def test_what_is_asked_for_becomes_a_reading(request_: dict[str, Any], deed: Any) -> None:
    desk = Desk()
    answer = desk.acts.ask(request_)
    assert answer.done, answer
    assert answer.to_json() == {"done": True, "outcome": "done", "words": answer.words}
    assert desk.taken() == [deed]


def test_a_bare_volume_is_in_the_rigs_unit() -> None:
    assert deed_of({"act": "refill", "volume": "95"}, METRIC) == Refill(95.0, False)
    assert deed_of({"act": "refill", "volume": " .5 "}, US) == Refill(pytest.approx(1.892705892), False)


@pytest.mark.parametrize(
    ("request_", "words"),
    [
        (None, "a JSON object"), ([], "a JSON object"), ("note", "a JSON object"), ({}, "act is not known"),
        ({"act": 5}, "act is not known"), ({"act": "reboot"}, "act 'reboot' is not known; it must be one of"),
        ({"act": "note"}, "note: text must be a text"), ({"act": "note", "text": 5}, "must be a text"),
        ({"act": "note", "text": " "}, "note: it is empty"),
        ({"act": "note", "text": "x" * (TEXT_MAX + 1)}, f"too long; at most {TEXT_MAX} characters"),
        ({"act": "note", "text": "a\x1b[2J"}, "control character"),
        ({"act": "note", "text": 'calibration record {"name": 1}'}, "is no note"),
        ({"act": "note", "text": "x", "sudo": 1}, "unknown key 'sudo'; it takes: text"),
        ({"act": "begin_run", "now": True}, "unknown key 'now'; it takes none"),
        ({"act": "refill"}, "refill: the volume must be above 0"),
        ({"act": "refill", "volume": "much"}, "'much'"), ({"act": "refill", "volume": 25}, "must be a text"),
        ({"act": "refill", "volume": "25 mph"}, "mph"), ({"act": "refill", "volume": "-1 gal"}, "above 0"),
        ({"act": "refill", "volume": "1e9 gal"}, "above 0, at most 50000 L"),
        ({"act": "refill", "volume_l": "25"}, "above 0"), ({"act": "refill", "volume_l": True}, "above 0"),
        ({"act": "refill", "volume": "1 L", "volume_l": 1}, "not both"),
        ({"act": "refill", "volume": "1 L", "full": 1}, "full must be true or false"),
        ({"act": "end_run", "why": None}, "why must be a text"),
        ({"act": "retarget", "record": "x"}, "no calibration book is at hand"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_told_and_counted(request_: Any, words: str) -> None:
    desk = Desk()
    answer = desk.acts.ask(request_)
    assert answer.outcome == "invalid"
    assert words in answer.words
    assert answer.to_json()["error"] == answer.words
    assert desk.acts.refused == 1
    assert desk.taken() == []


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)
_KEYS = ["act", "text", "volume", "volume_l", "full", "code", "why", "record"]
_ACTS = ["note", "refill", "acknowledge", "begin_run", "end_run", "retarget"]


@given(json_values | st.dictionaries(st.sampled_from(_KEYS), json_values | st.sampled_from(_ACTS)))
def test_no_request_is_too_odd(request_: Any) -> None:
    desk = Desk(book=Book())
    answer = desk.acts.ask(request_)
    assert answer.outcome in ("done", "refused", "invalid")
    assert answer.words
    json.dumps(answer.to_json(), allow_nan=False)
    assert len(desk.taken()) == answer.done
    assert desk.acts.refused == (not answer.done)


# -- now, or not -------------------------------------------------------------------------------------


@pytest.mark.parametrize(("speed", "words"), [(1.5, "stop first"), (None, "speed is unknown")])
def test_while_the_rig_moves_nothing_is_done(speed: float | None, words: str) -> None:
    desk = Desk(book=Book())
    assert desk.acts.why_not() is None
    desk.acts.sees([sample(speed)])
    for name in ("note", "refill", "begin_run", "end_run", "retarget"):
        more = {"note": {"text": "x"}, "refill": {"full": True}, "retarget": {"record": ""}}.get(name, {})
        answer = desk.acts.ask({"act": name, **more})
        assert answer.outcome == "refused"
        assert words in answer.words
    assert words in (desk.acts.why_not() or "")
    assert desk.acts.refused == 5
    assert desk.taken() == []


def test_an_old_sample_says_nothing_of_now() -> None:
    desk = Desk()
    desk.clock.advance(2 * SECOND)
    assert desk.acts.why_not() is None
    desk.clock.advance(2 * SECOND + 1)
    assert "nothing is known of the speed" in desk.acts.offer(Note("x")).words


def test_runs_begin_and_end_once() -> None:
    desk = Desk()
    assert desk.acts.ask({"act": "end_run"}) == ("refused", "no run is under way")
    assert desk.acts.ask({"act": "begin_run"}).done
    assert "under way already" in desk.acts.ask({"act": "begin_run"}).words  # a second click
    desk.acts.serves(single=False, run_going=True)
    assert desk.acts.ask({"act": "end_run", "why": "rain"}).done
    assert desk.taken() == [BeginRun(), EndRun("rain")]


def test_a_single_run_only_ends() -> None:
    desk = Desk(book=Book())
    desk.acts.serves(single=True, run_going=True)
    assert "makes one run" in desk.acts.ask({"act": "begin_run"}).words
    assert "'rigmon calibrate apply'" in desk.acts.ask({"act": "retarget", "record": ""}).words
    assert desk.acts.ask({"act": "end_run"}).done


def test_only_what_stands_is_acknowledged_and_once() -> None:
    desk = Desk()
    ask = {"act": "acknowledge", "code": "gps_lost"}
    assert desk.acts.ask(ask) == ("refused", "GPS lost: that alert does not stand now")
    up = Alert(1, "gps_lost", True, None, None, "s")
    desk.acts.sees([up])
    assert desk.acts.ask(ask).done
    desk.acts.sees([Act(2, "acknowledge", "gps_lost")])
    assert desk.acts.ask(ask) == ("refused", "GPS lost: acknowledged already")
    desk.acts.sees([up._replace(raised=False), up])
    assert desk.acts.ask(ask).done
    assert desk.taken() == [Acknowledge("gps_lost")] * 2


# -- the target --------------------------------------------------------------------------------------


def test_a_target_is_prepared_remembered_and_taken_by_the_loop() -> None:
    book = Book()
    desk = Desk(book=book)
    assert desk.acts.choices() == [{"name": "2026-05-30 target 1"}]
    answer = desk.acts.ask({"act": "retarget", "record": "2026-05-30 target 1"})
    assert answer == ("done", "the target is 2026-05-30 target 1 from now on")
    (choice,) = desk.taken()
    assert choice == Retarget("2026-05-30 target 1", '{"n": 1}')
    assert book.remembered == [choice]
    assert desk.acts.prepared(choice).rig_toml == "2026-05-30 target 1"
    assert desk.acts.prepared(Retarget("", "")).rig_toml == ""  # whatever was not prepared is worked out


def test_what_is_kept_only_until_the_next_start_is_told() -> None:
    desk = Desk(book=Book("chosen-target.json: cannot be written: No space left on device"))
    answer = desk.acts.ask({"act": "retarget", "record": ""})
    assert answer.done
    assert "only until rigmon is started again" in answer.words
    assert "No space left" in answer.words


def test_an_unknown_or_unreadable_target_changes_nothing() -> None:
    book = Book()
    desk = Desk(book=book)
    assert "has no record 'x'" in desk.acts.ask({"act": "retarget", "record": "x"}).words
    assert desk.acts.offer(Retarget("x", "{}")).outcome == "invalid"
    assert (desk.taken(), book.remembered) == ([], [])


# -- too many ----------------------------------------------------------------------------------------


def test_nobody_fills_a_run_log_through_the_desk() -> None:
    desk = Desk()
    answers = [desk.acts.offer(Note(f"note {n}")) for n in range(25)]
    assert [answer.outcome for answer in answers] == ["done"] * 20 + ["busy"] * 5
    desk.clock.advance(10 * SECOND)
    desk.acts.sees([sample()])
    assert desk.acts.offer(Note("later")).done
    assert len(desk.taken()) == 21


def test_with_the_queue_full_a_deed_waits_beside_it() -> None:
    desk = Desk(capacity=2)
    for n in range(2):
        desk.hub.put(n, Source.PERSON, Note(f"{n}"))
    assert desk.acts.offer(Refill(5.0, False)).done
    assert desk.acts.offer(EndRun("")).outcome == "refused"  # no run is under way
    assert desk.acts.offer(BeginRun()).done
    assert desk.taken() == [Note("0"), Note("1"), Refill(5.0, False), BeginRun()]


def test_after_the_end_nothing_is_taken() -> None:
    desk = Desk()
    desk.hub.close("stopped")
    answer = desk.acts.offer(Note("x"))
    assert (answer.outcome, desk.acts.refused) == ("busy", 1)
    assert "stopping" in answer.words
