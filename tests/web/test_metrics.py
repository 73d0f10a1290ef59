"""The metrics as Prometheus' own parser reads them: base units in the names, and what is unknown is absent."""

# ruff: noqa: E501  (tables of cases read best one a line)

import re
import sys
from pathlib import Path

import pytest
from helpers import ALL_XDR, make_rig
from prometheus_client.parser import text_string_to_metric_families

sys.path.append(str(Path(__file__).parents[1] / "live"))
from samples import OFF, sample

from rigmon.live.board import Board
from rigmon.model import Act, Alert, Weather
from rigmon.web.metrics import exposition
from rigmon.web.show import Show

RIG = make_rig(**ALL_XDR, tank={"volume": "100 L"})


def _show(*outputs: object) -> Show:
    show = Show(Board(RIG), 5, monotonic_s=lambda: 0.0)
    show.connected = True
    show.board.begin("run 1")
    show.take(outputs)  # type: ignore[arg-type]
    return show


def _values(show: Show) -> dict[str, float]:
    text, kind = exposition(show)
    assert kind.startswith("text/plain; version=0.0.4")
    found = {}
    for family in text_string_to_metric_families(text.decode()):
        assert family.documentation
        for one in family.samples:
            labels = "".join(f"{{{value}}}" for value in one.labels.values())
            assert one.name + labels not in found
            found[one.name + labels] = one.value
    return found


def test_the_figures_in_base_units() -> None:
    values = _values(_show(Act(1, "refill", "", None, True), sample()))
    expected = {
        "rigmon_up": 1.0,
        "rigmon_speed_meters_per_second": 2.0,
        "rigmon_speed_to_hold_meters_per_second": 2.0,
        "rigmon_rate_cubic_meters_per_square_meter": 1e-5,  # 100 L/ha = 0.1 m3 / 1e4 m2, hand-worked
        "rigmon_rate_uncertainty_ratio": 0.05,
        "rigmon_flow_cubic_meters_per_second": 1e-4,  # 6 L/min = 0.006 m3 / 60 s, hand-worked
        "rigmon_pressure_pascals": 200_000.0,
        "rigmon_boom_on": 1.0,
        "rigmon_latitude_degrees": 40.0,
        "rigmon_run_treated_area_square_meters": 10.0,
        "rigmon_run_applied_volume_cubic_meters": 1e-4,
        "rigmon_run_distance_meters": 2.0,
        "rigmon_run_boom_on_seconds": 1.0,
        "rigmon_target_rate_cubic_meters_per_square_meter": 1e-5,
        "rigmon_target_rate_tolerance_ratio": 0.1,
        "rigmon_tank_capacity_cubic_meters": 0.1,
        "rigmon_tank_level_cubic_meters": 0.0999,
        "rigmon_feed_clients": 0.0,
        "rigmon_feed_clients_refused_total": 0.0,
        "rigmon_link_batches_skipped_total": 0.0,
    }
    for name, value in expected.items():
        assert values[name] == pytest.approx(value), name


def test_what_is_unknown_is_absent() -> None:
    unknown = sample(speed_m_s=None, flow_l_min=None, pressure_kpa=None, boom_on=None, rate_l_ha=None,
                     rate_u_pct=None, lat_deg=None, lon_deg=None, area_m2=None, volume_l=None)  # fmt: skip
    values = _values(_show(unknown))
    for name in values:
        assert not re.search(
            r"speed|flow|pressure|boom_on$|latitude|longitude|rigmon_rate|tank_level", name
        ), name
    assert values["rigmon_up"] == 1.0


def test_what_is_stale_is_absent_and_the_rig_is_not_up() -> None:
    for show in (_show(sample()), Show(Board(RIG), 5)):
        show.connected = False
        values = _values(show)
        assert values["rigmon_up"] == 0.0
        assert "rigmon_speed_meters_per_second" not in values


def test_alerts_by_their_code() -> None:
    values = _values(
        _show(sample(), *(Alert(1, code, True, None, None, "") for code in ("gps_lost", "rate_high")))
    )
    assert {name: value for name, value in values.items() if "alert" in name} == {
        "rigmon_alert_active{gps_lost}": 1.0,
        "rigmon_alert_active{rate_high}": 1.0,
    }
    assert not [name for name in _values(_show(sample())) if "alert" in name]


def test_zero_is_known() -> None:
    values = _values(_show(sample(**OFF)))
    assert (values["rigmon_flow_cubic_meters_per_second"], values["rigmon_boom_on"]) == (0.0, 0.0)


def test_wind_and_air() -> None:
    weather = Weather(900_000_000, *[None] * (len(Weather._fields) - 1))._replace(
        wind_2min_m_s=3.0, humidity_pct=60.0, air_temperature_c=21.5
    )
    values = _values(_show(weather, sample()))
    assert (values["rigmon_wind_meters_per_second"], values["rigmon_air_humidity_ratio"]) == (3.0, 0.6)
    assert values["rigmon_air_temperature_celsius"] == 21.5
    assert "rigmon_gust_meters_per_second" not in values


def test_every_name_carries_its_unit() -> None:
    """Prometheus' naming practice: base units, spelt out, at the end (or before _total)."""
    units = r"(meters_per_second|per_square_meter|cubic_meters|square_meters|meters|seconds|pascals|degrees|celsius|ratio|per_second)"
    plain = {
        "rigmon_up",
        "rigmon_boom_on",
        "rigmon_feed_clients",
        "rigmon_feed_clients_refused_total",
        "rigmon_link_batches_skipped_total",
    }
    for name in _values(_show(Act(1, "refill", "", None, True), sample())):
        assert name in plain or re.search(units + "$", name), name
