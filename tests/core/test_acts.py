"""What people do, through the pipeline: what is taken, what is counted, and what acknowledging does.

Volumes, texts and times are invented.
"""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rigmon import config
from rigmon.core.acts import NO_EFFECT, REFUSED, TEXT_MAX, act_of, may_act, why_not
from rigmon.core.pipeline import Pipeline
from rigmon.model import (
    Acknowledge,
    Act,
    Alert,
    BeginRun,
    EndRun,
    NmeaLine,
    Note,
    Output,
    Payload,
    Reading,
    Refill,
    Retarget,
    Sample,
    Source,
    Tally,
    Tick,
)

SECOND = 1_000_000_000
RIG = config.parse(
    """
[rig]
name = "Creek rig"
nozzle_count = 12
nozzle_spacing = "20 in"
[target]
rate = "17 gal/ac"
speed = "3.5 mph"
[calibration]
flow = "2.4 gal/min"
[gps]
stale = "1 s"
[alerts.gps_lost]
on_delay = "1 s"
off_delay = "0 s"
""",
    "rig.toml",
)


def line(body: str) -> NmeaLine:
    check = 0
    for byte in body.encode():
        check ^= byte
    return NmeaLine(f"${body}*{check:02X}".encode())


def rmc(n: int, knots: float = 0.0) -> NmeaLine:
    return line(f"GPRMC,12{n // 60:02d}{n % 60:02d}.00,A,0000.000,N,02500.000,W,{knots:.2f},090.0,010626,,,A")


class Core:
    """A pipeline that is fed payloads at whole seconds, with the ticks that silence asks for."""

    def __init__(self) -> None:
        self.pipeline = Pipeline(RIG)
        self.seq = 0
        self.out: list[Output] = []

    def feed(self, t_s: float, payload: Payload, source: Source = Source.PERSON) -> list[Output]:
        t_ns = round(t_s * SECOND)
        while t_ns > self.pipeline.deadline_ns:
            self._put(self.pipeline.deadline_ns, Source.HUB, Tick())
        return self._put(t_ns, source, payload)

    def _put(self, t_ns: int, source: Source, payload: Payload) -> list[Output]:
        made = list(self.pipeline.feed(Reading(self.seq, t_ns, source, payload)))
        self.seq += 1
        self.out += made
        return made

    def finish(self, t_s: float) -> dict[str, int]:
        self.out += self.pipeline.finish(round(t_s * SECOND))
        return {output.name: output.n for output in self.out if isinstance(output, Tally)}

    def of(self, kind: type[Any]) -> list[Any]:
        return [output for output in self.out if isinstance(output, kind)]


@pytest.mark.parametrize(
    ("deed", "act"),
    [
        (Note("wind is up"), Act(5 * SECOND, "note", "wind is up")),
        (Refill(94.6, False), Act(5 * SECOND, "refill", "", 94.6, False)),
        (Refill(20, True), Act(5 * SECOND, "refill", "", 20.0, True)),
        (Refill(None, True), Act(5 * SECOND, "refill", "", None, True)),
        (BeginRun(), Act(5 * SECOND, "begin_run", "")),
        (EndRun("field done"), Act(5 * SECOND, "end_run", "field done")),
        (EndRun(""), Act(5 * SECOND, "end_run", "")),
        (Retarget("2026-05-30 target 1", "{}"), Act(5 * SECOND, "retarget", "2026-05-30 target 1")),
        (Retarget("", ""), Act(5 * SECOND, "retarget", "")),
    ],
)
def test_a_deed_makes_an_act(deed: Payload, act: Act) -> None:
    core = Core()
    core.feed(4.9, rmc(0), Source.GPS)
    assert core.feed(5, deed)[0] == act
    assert core.of(Act) == [act]


@pytest.mark.parametrize(
    ("deed", "reason"),
    [
        (Note(""), "empty"), (Note(" \n\t"), "empty"), (Note("x" * (TEXT_MAX + 1)), "too_long"),
        (Note("a\x1b[2Jb"), "control_character"), (Note("a\x00"), "control_character"),
        (Note("\u202egnol"), "control_character"), (Note("\ud800"), "control_character"),
        (Note(5), "no_text"), (Refill(None, False), "volume"), (Refill(0.0, False), "volume"),
        (Refill(-1.0, True), "volume"), (Refill(float("nan"), False), "volume"),
        (Refill(float("inf"), False), "volume"), (Refill(10**400, False), "volume"),
        (Refill(True, False), "volume"), (Refill("25", False), "volume"), (Refill(5.0, 1), "full"),
        (Acknowledge([]), "no_text"), (Acknowledge(""), "empty"), (EndRun(None), "no_text"),
        (Retarget("x", ""), "record"), (Retarget("", "{}"), "record"), (Retarget("x", None), "record"),
        (Retarget("x", "y" * 70_000), "record"), (Retarget(None, None), "no_text"),
    ],
)  # fmt: skip
def test_bad_content_is_counted_and_makes_no_act(deed: Any, reason: str) -> None:
    core = Core()
    core.feed(5, deed)
    assert core.of(Act) == []
    assert core.finish(6)[REFUSED + reason] == 1
    assert may_act(standing(), deed) is not None


def test_who_is_no_person_does_nothing_and_notes_of_the_house_are_no_acts() -> None:
    core = Core()
    core.feed(1, Refill(5.0, False), Source.HUB)
    core.feed(2, Note("run log: late"), Source.LOG)
    core.feed(3, Note('calibration record {"name": "2026-05-30 catch 1"}'))
    assert core.of(Act) == []
    assert core.finish(4) == {REFUSED + "source": 1}


def lost_gps() -> Core:
    """The receiver is silent from 2 s on, so that gps_lost stands from 4 s on."""
    core = Core()
    for n in range(3):
        core.feed(n, rmc(n), Source.GPS)
    core.feed(6, Tick(), Source.HUB)
    assert [(alert.code, alert.raised) for alert in core.of(Alert)] == [("gps_lost", True)]
    return core


def test_an_acknowledged_alert_stands_on_and_when_it_comes_again_it_is_not_acknowledged() -> None:
    core = lost_gps()
    assert core.feed(7, Acknowledge("gps_lost"))[0] == Act(7 * SECOND, "acknowledge", "gps_lost")
    core.feed(7.5, Acknowledge("gps_lost"))  # again: nothing more to acknowledge
    assert [alert.raised for alert in core.of(Alert)] == [True]  # it was not cleared by that
    core.feed(8, rmc(8), Source.GPS)
    assert [alert.raised for alert in core.of(Alert)] == [True, False]
    core.feed(8.5, Acknowledge("gps_lost"))  # it does not stand
    core.feed(14, Tick(), Source.HUB)
    assert [alert.raised for alert in core.of(Alert)] == [True, False, True]
    core.feed(15, Acknowledge("gps_lost"))
    assert [act.t_ns // SECOND for act in core.of(Act)] == [7, 15]
    assert core.finish(16)[NO_EFFECT] == 2


@pytest.mark.parametrize("code", ["flow_silent", "no such alert", "gps_lost "])
def test_what_does_not_stand_cannot_be_acknowledged(code: str) -> None:
    core = lost_gps()
    core.feed(7, Acknowledge(code))
    assert core.of(Act) == []
    assert core.finish(8)[NO_EFFECT] == 1


hostile = st.one_of(
    st.text(), st.none(), st.integers(), st.floats(), st.booleans(), st.lists(st.integers(), max_size=2)
)
deeds = st.one_of(
    st.builds(Note, hostile), st.builds(Refill, hostile, hostile), st.builds(Acknowledge, hostile),
    st.builds(BeginRun), st.builds(EndRun, hostile), st.builds(Retarget, hostile, hostile),
)  # fmt: skip


@given(st.lists(st.tuples(st.sampled_from([Source.PERSON, Source.GPS]), deeds), max_size=8))
def test_no_content_is_too_odd_and_twice_the_same_is_twice_the_same(said: list[tuple[Source, Any]]) -> None:
    def outputs() -> list[Output]:
        core = Core()
        for n, (source, deed) in enumerate(said):
            core.feed(n, deed, source)
        core.finish(len(said) + 1)
        return core.out

    made = outputs()
    assert made == outputs()
    acts = [output for output in made if isinstance(output, Act)]
    assert len(acts) + sum(
        output.n for output in made if isinstance(output, Tally) and output.name.startswith(("act_", "ack"))
    ) == len(said) - sum(
        isinstance(deed, Note) and source is not Source.PERSON for source, deed in said
    )  # none is lost: taken or counted
    for act in acts:
        act.text.encode()  # a file and a page can hold it
        assert len(act.text) <= TEXT_MAX


# -- when something may be done --------------------------------------------------------------------------


def standing(speed_m_s: float | None = 0.0) -> Sample:
    values: dict[str, Any] = dict.fromkeys(Sample._fields)
    return Sample(**values | {"t_ns": 1, "dt_ns": 1, "speed_m_s": speed_m_s, "basis": 0, "flags": 0})


@pytest.mark.parametrize(
    ("sample", "words"),
    [(None, "nothing is known"), (standing(None), "speed is unknown"), (standing(0.31), "stop first")],
)
def test_nothing_is_done_while_the_rig_moves_or_nobody_knows(sample: Sample | None, words: str) -> None:
    for deed in (Note("x"), Refill(None, True), Acknowledge("gps_lost"), BeginRun(), EndRun("")):
        assert words in (may_act(sample, deed) or "")
    assert words in (why_not(sample) or "")


def test_standing_everything_may_be_done() -> None:
    for deed in (Note("x"), Refill(5.0, False), Acknowledge("gps_lost"), EndRun(""), Retarget("a", "{}")):
        assert may_act(standing(), deed) is None
    assert type(act_of(0, Tick())) is type(None)
