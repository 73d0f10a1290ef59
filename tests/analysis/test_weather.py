"""Wind and air of a run: figures, words, and cautions. All runs are invented."""

import json
from datetime import UTC, datetime
from typing import Any

import pytest
from helpers import make_rig

from rigmon.analysis.frames import RunData, from_outputs
from rigmon.analysis.score import score
from rigmon.analysis.score_text import score_text
from rigmon.analysis.weather import delta_t_c, weather, wet_bulb_c
from rigmon.replay import replay
from rigmon.simulate import Scenario, readings, simulate

BOTH = {"wind": "relative", "air": "xdr"}


def run_of(sensor: dict[str, Any], **scenario: Any) -> tuple[RunData, dict[str, Any]]:
    rig = make_rig(weather=sensor, boom_switch={"source": "xdr"}, flow={"source": "xdr"})
    made = simulate(Scenario(rig=rig, passes=2, pass_length_m=120.0, **scenario))
    result = replay(readings(made), rig)
    outputs = [*result.samples, *result.alerts, *result.anchors, *result.tallies, *result.weather]
    return from_outputs(rig, outputs, run_id="r", source="test", ended_cleanly=True), made.truth


# Stull (2011), sec. 3: 20 °C and 50 % give 13.7 °C. The others are from a psychrometric table at sea level
# (from memory, to half a degree), which his fit misses by less than a degree.
@pytest.mark.parametrize(
    ("temperature_c", "humidity_pct", "wet_c", "within"),
    [(20, 50, 13.7, 0.05), (30, 50, 22.0, 1.0), (25, 80, 22.3, 1.0), (10, 60, 6.7, 1.0), (35, 20, 18.7, 1.0)],
)
def test_the_wet_bulb_is_that_of_the_tables(
    temperature_c: float, humidity_pct: float, wet_c: float, within: float
) -> None:
    assert wet_bulb_c(temperature_c, humidity_pct) == pytest.approx(wet_c, abs=within)


def test_the_depression_is_unknown_beyond_the_fit_and_never_below_nothing() -> None:
    assert delta_t_c(20.0, 50.0) == pytest.approx(6.3, abs=0.05)
    assert delta_t_c(20.0, 99.0) >= 0
    assert [delta_t_c(20.0, 3.0), delta_t_c(60.0, 50.0), delta_t_c(None, 50.0), delta_t_c(20.0, None)] == [
        None
    ] * 4


def test_a_rig_without_sensors_has_no_weather() -> None:
    run, _ = run_of({})
    result = score(run)
    assert result["weather"] is None
    assert "Weather" not in score_text(result, run.rig)


def test_figures_are_those_of_the_truth_and_json() -> None:
    run, truth = run_of(
        {**BOTH, "wind_max": "3 m/s"}, wind_m_s=4.0, wind_from_deg=230.0, air_temperature_c=25.0
    )
    found, was = weather(run), truth["weather"]
    assert found is not None
    json.dumps(found, allow_nan=False)
    assert found["over"] == "treated"
    assert found["wind_mean_m_s"] == pytest.approx(
        was["wind_mean_m_s"], abs=0.3
    )  # of the time that was sprayed
    assert found["wind_from_deg"] == pytest.approx(was["wind_from_deg"], abs=6)
    assert found["gust_max_m_s"] == pytest.approx(was["gust_m_s"], abs=0.2)
    assert found["air_temperature_c"] == {"mean": 25.0, "low": 25.0, "high": 25.0}
    assert found["unknown_s"] < 5
    assert found["above_limit_s"] > 0.7 * found["known_s"]
    assert found["inversion_caution"] is False
    for moment in ("start", "end"):
        assert found[moment]["wind_m_s"] == pytest.approx(4.0, abs=1.0)
        assert found[moment]["air_temperature_c"] == 25.0
    assert found["start"]["at_s"] < found["end"]["at_s"]


def test_both_systems_say_the_same_each_in_its_units() -> None:
    run, _ = run_of({**BOTH, "height": "6 ft"}, wind_m_s=4.4704, gustiness_pct=0.0, wind_swing_deg=0.0)
    us, metric = (score_text(score(run), run.rig, system) for system in ("us", "metric"))
    assert "10.0 mph from W" in us
    assert "measured 6.0 ft above the ground" in us
    assert "64 °F, 60 % humidity" in us
    assert "16.1 km/h from W" in metric
    assert "18 °C, 60 % humidity" in metric


def test_a_silent_sensor_is_unknown_in_the_score() -> None:
    run, _ = run_of(BOTH)
    quiet = weather(RunData(**{**{name: getattr(run, name) for name in run.__slots__}, "weather": ()}))
    assert quiet is not None
    assert (quiet["wind_mean_m_s"], quiet["above_limit_s"], quiet["calm_s"]) == (None, None, None)
    assert set(quiet["start"].values()) == {None}
    assert quiet["unknown_s"] > 60


# At 40 N, 40 W the sun stands highest about 14:40 UTC; on 1 June it rises about 7:10 UTC (from memory)
@pytest.mark.parametrize(
    ("hour", "wind_m_s", "cautioned"), [(14, 0.8, False), (7, 0.8, True), (3, 0.8, True), (7, 3.0, False)]
)
def test_calm_with_a_low_sun_is_a_caution(hour: int, wind_m_s: float, cautioned: bool) -> None:
    run, _ = run_of(BOTH, wind_m_s=wind_m_s, start_utc=datetime(2026, 6, 1, hour, 30, tzinfo=UTC))
    result = score(run)
    assert result["weather"]["inversion_caution"] is cautioned
    assert ("thermometer cannot see it" in " ".join(score_text(result, run.rig).split())) is cautioned
