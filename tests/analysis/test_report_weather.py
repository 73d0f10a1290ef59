"""The report's section on wind and air. Runs are made by hand (invented)."""

import json
import re
from dataclasses import replace
from typing import Any

import pytest
from hand_made import Track, rig
from test_report import ANCHOR, Read, made

from rigmon.analysis.report.page import page
from rigmon.analysis.report.shown import Shown
from rigmon.model import Anchor, Weather
from rigmon.rig import WeatherSensor

BOTH = WeatherSensor(wind="relative", air="xdr", height_m=1.8288, wind_max_m_s=4.0)


def blown(
    wind_m_s: float | None, sensor: WeatherSensor = BOTH, system: str = "us", hours_later: int = 0
) -> tuple[dict[str, Any], str]:
    """A minute of a steady west wind, at 20 °C and 50 %."""
    track = Track().go(60)
    speed, from_deg = wind_m_s, None if wind_m_s is None else 270.0
    rows = [
        Weather(
            sample.t_ns, speed, from_deg, speed, 0.0, speed, from_deg, speed, from_deg, speed, 60.0,
            20.0, 50.0, None, None,
        )
        for sample in track.samples[::5]
    ]  # fmt: skip
    at = Anchor(ANCHOR.t_ns, (ANCHOR.utc_ms or 0) + hours_later * 3_600_000)
    whole, data = made([*track.samples, at, *rows], rig_=replace(rig(), weather=sensor))
    return data, page(whole, data, system=system)


def said(text: str) -> str:
    return Read(text).text.replace("\u00a0", " ")


@pytest.mark.parametrize("system", ["us", "metric"])
@pytest.mark.parametrize("wind_m_s", [5.0, 0.5, None])
def test_every_figure_of_the_section_is_one_of_the_object(wind_m_s: float | None, system: str) -> None:
    data, text = blown(wind_m_s, system=system)
    shown = Shown(json.loads(json.dumps(data, allow_nan=False)), system)
    figures = [one for one in Read(text).figures if one[0].startswith("weather.")]
    assert len(figures) >= 3
    for key, value, _ in figures:
        assert repr(shown.get(key)) == value, key
    other = {"us": r"km/h|°C", "metric": r"mph|°F|\d ft\b"}[system]
    assert not re.search(other, said(text))
    assert "None" not in said(text)


# hand-worked: 4.4704 m/s = 10 mph; 20 °C = 68 °F; Stull: 20 - 13.7 = 6.3 °C = 11 °F; limit 4 m/s = 8.9 mph
def test_the_section_in_words() -> None:
    _, text = blown(4.4704)
    words = said(text)
    assert "Wind 10.0 mph on average while spraying, from W (270°)" in words
    assert "Measured 6.0 ft above the ground." in words
    assert "Above your limit (wind 8.9 mph) for" in words
    assert "Air 68 °F, humidity 50 %, delta T 11 °F (worked out)." in words
    assert "inversion" not in words


def test_calm_is_a_caution_and_never_a_measurement() -> None:
    """On the equator at 0 degrees: 14:30 UTC is the middle of the afternoon, 18:30 after sunset."""
    assert "inversion" not in said(blown(0.5)[1])
    words = said(blown(0.5, replace(BOTH, wind_max_m_s=None), hours_later=4)[1])
    assert "One thermometer cannot see it" in words
    assert "Above your limit" not in words


def test_what_is_unknown_says_so_and_a_rig_without_sensors_has_no_section() -> None:
    assert "Wind unknown." in said(blown(None)[1])
    data, text = blown(5.0, WeatherSensor())
    assert data["weather"] is None
    assert "Weather" not in said(text)
