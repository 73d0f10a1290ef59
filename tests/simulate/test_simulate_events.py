"""Events as typed: sizes as percentages, nozzles and seconds; ramps, names, shares; and what is refused."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rigmon.errors import UsageError
from rigmon.simulate import EVENT_KINDS, Event, Scenario, parse_event, record, scenario_from_dict
from rigmon.simulate.scenario import scenario_as_dict


@pytest.mark.parametrize(
    ("text", "event"),
    [
        ("nozzles_plugged,120s,60s,1", Event("nozzles_plugged", 120, 60, 1)),
        ("nozzles_plugged,120s,60s", Event("nozzles_plugged", 120, 60, 1)),  # the default
        ("nozzles_plugged,2min,60s,nozzles=3+4", Event("nozzles_plugged", 120, 60, 2, nozzles=(3, 4))),
        (
            "nozzles_plugged,1s,60s,2,ramp=20s,nozzles=3+4,share=50%",
            Event("nozzles_plugged", 1, 60, 2, 20, (3, 4), 0.5),
        ),
        ("leak,1s,2s,10%,ramp=1s", Event("leak", 1, 2, 0.1, 1)),
        ("hose_off,1s,2s", Event("hose_off", 1, 2, 4.0)),
        ("flowmeter_drift,1s,60s,-5%", Event("flowmeter_drift", 1, 60, -0.05, 60)),  # slow: over all of it
        ("flowmeter_drift,1s,60s,-5%,ramp=0s", Event("flowmeter_drift", 1, 60, -0.05, 0)),
        ("pressure_offset,1s,60s,+3%", Event("pressure_offset", 1, 60, 0.03, 0)),
        ("speed_late,1s,60s,1500ms", Event("speed_late", 1, 60, 1.5)),
        ("speed_frozen,1s,60s", Event("speed_frozen", 1, 60)),
    ],
)
def test_an_event_is_read_as_typed(text: str, event: Event) -> None:
    assert parse_event(text) == event


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("nozzles_plugged,1s,2s,8%", "size '8%' must be a number of nozzles, such as 1"),
        ("nozzles_plugged,1s,2s,1.5", "must be a number of nozzles"),
        ("nozzles_plugged,1s,2s,0", "size 0 must be at most 1000 and above 0"),
        ("nozzles_plugged,1s,2s,3,nozzles=3+4", "size 3 is not the number of nozzles named, 2"),
        ("nozzles_plugged,1s,2s,nozzles=3+3", "nozzles 3+3 must be different whole numbers from 1"),
        ("nozzles_plugged,1s,2s,nozzles=0", "nozzles 0 must be different whole numbers from 1"),
        ("nozzles_plugged,1s,2s,nozzles=left", "nozzles 'left' must be whole numbers joined by +"),
        ("nozzles_plugged,1s,2s,1,share=0%", "share 0% must be above 0% and at most 100%"),
        ("nozzles_plugged,1s,2s,1,share=half", "share 'half' must be a percentage"),
        ("nozzles_plugged,1s,2s,1,ramp=20", "'20' has no unit of time"),
        ("nozzles_plugged,1s,2s,1,ramp=-2s", "ramp -2 s must be 0 s or longer"),
        ("nozzles_plugged,1s,2s,1,slope=3", "'slope=3' is not known; use ramp=20s"),
        ("nozzles_plugged,1s,2s,1,ramp=2s,ramp=3s", "ramp is given twice"),
        ("nozzles_plugged,1s,2s,ramp=2s,1", "kind,start,duration"),
        ("leak,1s,2s", "needs a size, such as 30%"),
        ("leak,1s,2s,10%,nozzles=3", "names no nozzles"),
        ("leak,1s,2s,10%,share=30%", "takes no share"),
        ("leak,1s,2s,-10%", "size -10% must be above 0%"),
        ("pressure_loss,1s,2s,10%,ramp=1s", "takes no ramp"),
        ("flowmeter_drift,1s,2s,0%", "size 0% must be from -100% to 100%, but not 0"),
        ("flowmeter_drift,1s,2s,-101%", "size -101% must be from -100% to 100%"),
        ("speed_late,1s,2s", "needs a size, such as 1.5 s"),
        ("speed_late,1s,2s,20%", "20%"),
        ("speed_late,1s,2s,11s", "size 11 s must be at most 10 s and above 0"),
        ("speed_frozen,1s,2s,5%", "takes no size"),
    ],
)
def test_a_wrong_event_is_refused_with_its_text_and_the_reason(text: str, says: str) -> None:
    with pytest.raises(UsageError) as refused:
        parse_event(text)
    assert f"event '{text}'" in str(refused.value)
    assert says in str(refused.value)


_PIECES = st.one_of(
    st.sampled_from(
        [*EVENT_KINDS, "1s", "2min", "1:30", "-1s", "5%", "-5%", "nan%", "1e999%", "3", "9" * 400, "1_0", "²"]
    ),
    st.sampled_from(["ramp=", "nozzles=", "share=", "=", "nozzles=1+", "ramp=1e999s", "share=-1%"]),
    st.text(max_size=8),
)


@given(text=st.one_of(st.text(max_size=40), st.lists(_PIECES, min_size=2, max_size=7).map(",".join)))
def test_whatever_is_typed_is_an_event_or_refused_with_its_text(text: str) -> None:
    try:
        event = parse_event(text)
    except UsageError as refused:
        assert f"event '{text}'" in str(refused)  # noqa: PT017
    else:
        assert event.kind in EVENT_KINDS
        assert event.duration_s > 0


def test_nozzles_that_are_not_there_are_refused() -> None:
    """The demo rig has 12."""
    for events, says in (
        ((Event("nozzles_plugged", 10, 5, nozzles=(13,)),), "nozzle 13 is not there; the rig has 12"),
        ((Event("nozzles_plugged", 10, 5, 13),), "13 nozzles are more than the 12 of 12"),
        (
            (Event("nozzles_plugged", 10, 5, 7), Event("tip_missing", 12, 5, 6)),
            "6 nozzles are more than the 5 of 12 that no other event has",
        ),
    ):
        with pytest.raises(UsageError) as refused:
            record(Scenario(passes=1, events=events))
        assert says in str(refused.value)


def test_what_the_list_says_of_a_kind_holds() -> None:
    """Its default is allowed; a kind without size has none; a slow kind can be ramped."""
    for name, kind in EVENT_KINDS.items():
        if not kind.size_means:
            assert Event(name, 1, 2).size is None
        elif kind.default_size is not None:
            assert Event(name, 1, 2).size == kind.default_size
        assert kind.ramps or not kind.slow
        assert not kind.signed or Event(name, 1, 2, -kind.largest).size == -kind.largest


def test_an_event_outlives_the_truth_file() -> None:
    events = (Event("nozzles_plugged", 5, 9, 2, 3.0, (1, 12), 0.5), Event("speed_creep", 5, 9, -0.05))
    asked = Scenario(passes=1, events=events)
    assert scenario_from_dict(scenario_as_dict(asked)) == asked
    # as they were written before an event had more than a size
    stated = scenario_as_dict(asked)
    stated["events"] = [{"kind": "leak", "start_s": 1.0, "duration_s": 2.0, "size": 0.1}]
    assert scenario_from_dict(stated).events == (Event("leak", 1, 2, 0.1),)
