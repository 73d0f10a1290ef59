"""Weather is an output: rows of the log, in columns with units, computed again by `check` to the bit."""

import sqlite3
from pathlib import Path
from typing import Any

import pytest
from helpers import Run, make_rig, rig_toml, sentence
from helpers.faulty import as_of_version_1

from rigmon.analysis.frames import from_log
from rigmon.log.reader import RunLog
from rigmon.log.writer import RunLogWriter
from rigmon.model import RunHeader, Source, Weather
from rigmon.replay import check, replay_log, rig_of

SENSORS: dict[str, Any] = {"wind": "relative", "air": "mda", "wind_max": "2 m/s"}


def driven(weather: dict[str, Any] | None) -> tuple[Run, str]:
    """40 s at 2 m/s with a wind that blows up and then falls silent. All is invented."""
    sections = {} if weather is None else {"weather": weather}
    run = Run(make_rig(**sections))
    for k in range(160):
        t_s = 0.25 * k
        run.fix(t_s, 2.0)
        if t_s < 25:
            run.line(t_s, sentence(f"WIMWV,{k % 360}.5,R,{2 + 0.03 * k:.2f},M,A"), Source.NODE)
            run.line(t_s, sentence("WIMDA,29.53,I,1.0,B,20.0,C,,,50.0,,9.3,C,,T,,M,,N,,M"), Source.NODE)
    run.finish(40.0)
    return run, rig_toml(**sections)


def logged(path: Path, weather: dict[str, Any] | None) -> Run:
    run, toml = driven(weather)
    header = RunHeader("r", "live", toml, "rigmon", "bench", None, "", None, None)
    with RunLogWriter(path, header) as log:
        for reading in run.readings:
            log.reading(reading)
        log.outputs(run.outputs)
        log.close(40_000_000_000, "done")
    return run


def weather_of(run: Run) -> list[Weather]:
    return [one for one in run.outputs if isinstance(one, Weather)]


def test_the_log_holds_it_and_check_computes_it_again(tmp_path: Path) -> None:
    path = tmp_path / "run.sqlite"
    run = logged(path, SENSORS)
    rows = weather_of(run)
    assert len(rows) > 35
    assert {"wind_high", "wind_silent", "air_silent"} <= {alert.code for alert in run.alerts}
    with RunLog.open(path) as log:
        assert list(log.weather()) == rows
        assert replay_log(log, rig_of(log)).weather == rows
        assert list(from_log(log).weather) == rows
        result = check(log)
        assert result.same
        assert result.compared == log.outputs_count == len(run.outputs)
    connection = sqlite3.connect(path)
    connection.execute("UPDATE weather SET gust_m_s = gust_m_s + 1e-9 WHERE gust_m_s IS NOT NULL")
    connection.commit()
    connection.close()
    with RunLog.open(path) as log:
        result = check(log)
    assert not result.same
    assert result.difference is not None
    assert result.difference.kind == "weather"


# hand-worked: 20 °C x 1.8 + 32 = 68 °F; 100 kPa / 3.386389 = 29.53 inHg = 1000 hPa; m/s / 0.44704, x 3.6
def test_the_views_tell_of_it_in_both_systems(tmp_path: Path) -> None:
    path = tmp_path / "run.sqlite"
    row = weather_of(logged(path, SENSORS))[20]
    with RunLog.open(path) as log:
        log.connection.row_factory = sqlite3.Row
        us, metric = (
            log.connection.execute(f"SELECT * FROM weather_{system}").fetchall()[20]
            for system in ("us", "metric")
        )
    assert (us["air_temperature_f"], metric["air_temperature_c"]) == (68.0, 20.0)
    assert us["air_pressure_inhg"] == pytest.approx(29.53, abs=0.001)
    assert metric["air_pressure_hpa"] == pytest.approx(1000)
    for name in ("wind_2min", "wind_10min", "gust", "apparent_wind"):
        value = getattr(row, f"{name}_m_s")
        assert us[f"{name}_mph"] == pytest.approx(value / 0.44704)
        assert metric[f"{name}_km_h"] == pytest.approx(value * 3.6)
    assert us["wind_span_s"] == row.wind_span_s


def as_of_version_2(path: Path) -> None:
    """Take away what version 3 brought."""
    connection = sqlite3.connect(path)
    connection.executescript(
        "DROP VIEW weather_us; DROP VIEW weather_metric; DROP TABLE weather; PRAGMA user_version = 2"
    )
    connection.close()


@pytest.mark.parametrize("age", [as_of_version_1, as_of_version_2])
def test_an_older_log_is_read_and_checked(tmp_path: Path, age: Any) -> None:
    """Its rig took no weather, though the sentences came: they counted as sound and no more."""
    path = tmp_path / "run.sqlite"
    run = logged(path, None)
    assert weather_of(run) == []
    age(path)
    with RunLog.open(path) as log:
        assert list(log.weather()) == []
        assert check(log).same
        assert log.problems() == []
        assert from_log(log).weather == ()
        assert log.outputs_count == len(run.outputs)
