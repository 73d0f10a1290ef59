"""What may be asked of the simulator, and how a wrong wish is refused."""

import json
from datetime import UTC, datetime
from math import hypot

import pytest
from written import round_rig, sources

from rigmon.errors import UsageError
from rigmon.simulate import (
    EVENT_KINDS,
    TYPICAL,
    Event,
    Scenario,
    demo_rig,
    parse_event,
    scenario_as_dict,
    scenario_from_dict,
    simulate,
    typical_noise,
)


@pytest.mark.parametrize(
    ("text", "event"),
    [
        ("pressure_loss,120s,20s,30%", Event("pressure_loss", 120.0, 20.0, 0.3)),
        (" gps_dropout , 2 min , 500 ms ", Event("gps_dropout", 120.0, 0.5)),
        ("overspeed,0s,1h,125%", Event("overspeed", 0.0, 3600.0, 1.25)),
        ("garbled,1s,1s", Event("garbled", 1.0, 1.0, 0.2)),  # the default share
        ("void_fix,1s,1s", Event("void_fix", 1.0, 1.0, 0.3)),
    ],
)
def test_an_event_is_read_as_typed(text: str, event: Event) -> None:
    assert parse_event(text) == event


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "kind,start,duration"),
        ("pressure_loss,120s", "kind,start,duration"),
        ("pressure_loss,1s,2s,3%,4", "kind,start,duration"),
        ("flat_tyre,1s,2s", "flat_tyre"),
        ("pressure_loss,120,20s,30%", "'120' has no unit of time"),
        ("pressure_loss,120s,20m,30%", "'m' is not a unit of time"),
        ("pressure_loss,-1s,20s,30%", "must be 0 s or later"),
        ("pressure_loss,1s,0s,30%", "must be above 0 s"),
        ("pressure_loss,1s,2s", "needs a size"),
        ("pressure_loss,1s,2s,0.3", "must be a percentage"),
        ("pressure_loss,1s,2s,x%", "must be a percentage"),
        ("pressure_loss,1s,2s,nan%", "at most 100%"),
        ("pressure_loss,1s,2s,101%", "at most 100%"),
        ("underspeed,1s,2s,91%", "at most 90%"),
        ("gps_dropout,1s,2s,5%", "takes no size"),
    ],
)
def test_a_wrong_event_is_refused_with_its_text_and_the_reason(text: str, says: str) -> None:
    with pytest.raises(UsageError, match="event") as refused:
        parse_event(text)
    assert f"event '{text}'" in str(refused.value)
    assert says in str(refused.value)


def test_an_unknown_kind_is_answered_with_the_kinds_there_are() -> None:
    with pytest.raises(UsageError) as refused:
        parse_event("flat_tyre,1s,2s")
    assert all(kind in str(refused.value) for kind in EVENT_KINDS)


@pytest.mark.parametrize(
    ("parameters", "says"),
    [
        ({"passes": 0}, "passes = 0 must be between 1 and 10000"),
        ({"passes": 2.5}, "passes = 2.5 must be a whole number"),
        ({"gps_hz": 21}, "gps_hz = 21 must be between 1 and 20"),
        ({"gps_hz": True}, "gps_hz = True"),
        ({"seed": -1}, "seed = -1"),
        ({"white_noise_m_s": float("nan")}, "white_noise_m_s = nan"),
        ({"latency_s": float("inf")}, "latency_s = inf"),
        ({"origin_lat_deg": 90}, "origin_lat_deg = 90 must be between -85 and 85"),
        ({"sentences": ()}, "sentences is empty"),
        ({"sentences": ("RMC", "GSV")}, "must be some of: RMC, VTG, GGA"),
        ({"sentences": ("RMC", "RMC")}, "must be some of"),
        ({"talker": "GPS"}, "talker = 'GPS' must be two letters"),
        ({"speed_quantum_kn": 0.05}, "must be 0.1, 0.01 or 0.001"),
        ({"start_utc": datetime(2026, 1, 1)}, "needs a time zone"),  # noqa: DTZ001, RUF100
        ({"start_utc": datetime(2026, 1, 1, 0, 0, 0, 5, tzinfo=UTC)}, "must be a whole second"),
        ({"start_utc": datetime(1999, 12, 31, tzinfo=UTC)}, "must be in the years 2000 to 2079"),
        ({"start_utc": datetime(2080, 1, 1, tzinfo=UTC)}, "must be in the years 2000 to 2079"),
        ({"sensors": ("flow", "wind")}, "must be some of: flow, pressure, switch"),
        ({"creep_m_s": 2.0}, "must be below the rig's target speed"),
        ({"passes": 10000, "pass_length_m": 10000}, "more than a day"),
    ],
)
def test_a_wrong_parameter_is_refused_with_its_name_and_value(
    parameters: dict[str, object], says: str
) -> None:
    with pytest.raises(UsageError) as refused:
        Scenario(**parameters)  # type: ignore[arg-type]
    assert says in str(refused.value)


def test_a_sensor_that_the_rig_would_not_hear_is_refused() -> None:
    with pytest.raises(UsageError, match=r"flow\.source is 'none'; set flow\.source = \"xdr\""):
        Scenario(rig=sources(demo_rig(), "switch"), sensors=("flow",))


def test_silence_of_a_sensor_that_is_not_sent_is_refused() -> None:
    with pytest.raises(UsageError, match="this rig sends no pressure"):
        Scenario(sensors=("flow",), events=(Event("pressure_silent", 10, 5),))


def test_an_event_after_the_end_of_the_run_is_refused() -> None:
    with pytest.raises(UsageError, match="start 999 s is after the end of the run at"):
        simulate(Scenario(passes=1, events=(Event("gps_dropout", 999, 5),)))


def test_the_sensors_sent_are_those_that_the_rig_reads_from_xdr() -> None:
    assert Scenario().sent == ("flow", "pressure", "switch")
    assert Scenario(rig=sources(demo_rig(), "switch")).sent == ("switch",)
    assert Scenario(sensors=("switch", "flow")).sent == ("flow", "switch")
    assert not Scenario(rig=sources(demo_rig())).boom_switches


def test_tag_blocks_come_by_themselves_where_sensor_lines_would_lose_their_time() -> None:
    dropout = (Event("gps_dropout", 20, 5),)
    assert Scenario(events=dropout).tagged
    assert not Scenario(events=dropout, tag_blocks=False).tagged
    assert not Scenario(events=dropout, sensors=()).tagged
    assert not Scenario().tagged


def test_the_truth_states_every_parameter_so_that_the_run_can_be_repeated() -> None:
    asked = Scenario(
        rig=round_rig(),
        seed=42,
        passes=1,
        pass_length_m=30.0,
        start_utc=datetime(2026, 3, 4, 5, 6, 7, tzinfo=UTC),
        turn_radius_m=7.0,
        sensors=("flow", "switch"),
        events=(Event("garbled", 5, 9, 0.5), Event("gps_dropout", 20, 2)),
    )
    first = simulate(asked)
    stated = json.loads(first.truth_bytes())["scenario"]
    again = scenario_from_dict(stated)
    assert again == asked
    assert simulate(again).recording_bytes() == first.recording_bytes()


def test_a_scenario_that_is_not_one_is_refused() -> None:
    stated = scenario_as_dict(Scenario())
    for wrong in ({**stated, "wind": 3}, {**stated, "start_utc": "soon"}, {**stated, "rig": 5}):
        with pytest.raises(UsageError, match="not a scenario"):
            scenario_from_dict(wrong)


def test_typical_noise_is_a_scenarios_and_in_the_bounds_that_recordings_show() -> None:
    """Speed: 0.03 to 0.13 m/s in all, 0.5 s late at most: as recordings of real receivers show."""
    worst = 0.0
    for name in TYPICAL:
        asked = Scenario(passes=1, **typical_noise(name))
        speed_sd = hypot(asked.white_noise_m_s, asked.correlated_noise_m_s)
        assert 0.03 <= speed_sd <= 0.13
        assert asked.latency_s <= 0.5
        assert speed_sd > worst  # calm, usual, rough
        worst = speed_sd
    with pytest.raises(UsageError, match="noise 'loud' is not known; use one of: calm, usual, rough"):
        typical_noise("loud")
