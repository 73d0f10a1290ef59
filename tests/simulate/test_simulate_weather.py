"""Simulated weather all the way: what rigmon makes of it is what the truth says. All is invented."""

from typing import Any

import pytest
from helpers import make_rig

from rigmon.errors import UsageError
from rigmon.model import Weather
from rigmon.replay import Replayed, replay
from rigmon.simulate import Event, Scenario, readings, scenario_from_dict, simulate


def run(weather: dict[str, Any], **scenario: Any) -> tuple[Replayed, dict[str, Any]]:
    rig = make_rig(weather=weather)
    made = simulate(Scenario(rig=rig, passes=4, pass_length_m=150.0, white_noise_m_s=0.02, **scenario))
    return replay(readings(made), rig), made.truth


def known(result: Replayed) -> list[Weather]:
    return [one for one in result.weather if one.wind_10min_m_s is not None]


def apart(a: float | None, b: float | None) -> float:
    assert a is not None
    assert b is not None
    return abs((a - b + 180) % 360 - 180)


WAYS = {
    "relative": {"wind": "relative"},
    "relative, mast turned": {"wind": "relative", "zero_deg": 90},
    "from the bow": {"wind": "true"},
    "from north": {"wind": "true", "true_angle_from": "north"},
    "beside the field": {"wind": "relative", "ground_heading_deg": 40},
    "station": {"wind": "mda", "air": "mda"},
}


@pytest.mark.parametrize("way", WAYS)
def test_whichever_way_the_wind_is_told_it_comes_out_as_it_was(way: str) -> None:
    result, truth = run({"air": "xdr", **WAYS[way]}, wind_m_s=4.0, wind_from_deg=230.0)
    last, was = known(result)[-1], truth["weather"]
    assert last.wind_span_s > 280
    assert last.wind_10min_m_s == pytest.approx(was["wind_mean_m_s"], abs=0.03)
    assert last.gust_m_s == pytest.approx(was["gust_m_s"], abs=0.1)
    assert last.air_temperature_c == was["air_temperature_c"]
    assert last.humidity_pct == was["humidity_pct"]
    assert apart(last.wind_10min_from_deg, was["wind_from_deg"]) < 3.0
    assert [alert.code for alert in result.alerts if "silent" in alert.code] == []


def test_uncorrected_it_would_be_wrong() -> None:
    result, truth = run({"wind": "relative"}, wind_m_s=1.0, wind_from_deg=20.0, gustiness_pct=5.0)
    felt = [one.apparent_wind_m_s for one in known(result)]
    assert max(felt) - min(felt) > 2.0  # with it and against it, at 2 m/s
    assert known(result)[-1].wind_10min_m_s == pytest.approx(truth["weather"]["wind_mean_m_s"], abs=0.05)


def test_the_truth_says_which_silences_are_due() -> None:
    events = (Event("wind_silent", 30.0, 30.0), Event("air_silent", 90.0, 30.0))
    result, truth = run({"wind": "relative", "air": "xdr"}, events=events)
    due = [
        (one["code"], one["from_s"], one["due_by_s"])
        for one in truth["alerts_due"]
        if "silent" in one["code"]
    ]
    raised = {alert.code: alert.t_ns / 1e9 for alert in result.alerts if alert.raised}
    assert [code for code, *_ in due] == ["wind_silent", "air_silent"]
    for code, from_s, due_by_s in due:
        assert from_s < raised[code] <= due_by_s


def test_a_rig_without_weather_is_sent_none_and_the_same_scenario_comes_back() -> None:
    result, truth = run({})
    assert (truth["weather"], result.weather) == (None, [])
    with pytest.raises(UsageError, match=r"reads none; set weather\.wind"):
        Scenario(rig=make_rig(), events=(Event("wind_silent", 1.0, 2.0),))
    _, truth = run({"wind": "mda", "wind_max": "5 m/s"}, wind_m_s=2.5)
    again = scenario_from_dict(truth["scenario"])
    assert (again.wind_m_s, again.rig.weather.wind_max_m_s) == (2.5, 5.0)
