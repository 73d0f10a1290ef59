"""What the pages are told: known as known, unknown as unknown, the same in both systems of units."""

# ruff: noqa: E501  (tables of figures read best one case a line)

import json
from typing import Any

import pytest
from helpers import ALL_XDR, make_rig
from samples import OFF, STANDING, at, sample

from rigmon.live.board import Board
from rigmon.model import Act, Alert, Anchor, Finding, Flag, Sample, Weather
from rigmon.rig import Rig
from rigmon.words import ALERT_WORDS

METRIC = make_rig(**ALL_XDR, tank={"volume": "100 L"})
US = make_rig(**ALL_XDR, tank={"volume": "100 L"}, rig={"units": "us"})


def _board(*outputs: Any, rig: Rig = METRIC) -> Board:
    board = Board(rig)
    board.begin("run 1", "2026-06-01T14:00:00+00:00")
    board.take(outputs)
    return board


def _raised(code: str, t_s: float = 1.0) -> Alert:
    return Alert(round(t_s * 1e9), code, True, None, None, "")


# -- the driver ---------------------------------------------------------------------------------------


def test_at_the_target() -> None:
    now = _board(sample()).now()
    assert (now["advice"], now["speed_m_s"], now["hold_m_s"]) == ("hold", 2.0, 2.0)
    # the band of 10 % in rate: 2 / 1.1 and 2 / 0.9 m/s, hand-worked
    assert (now["low_m_s"], now["high_m_s"]) == (
        pytest.approx(1.81818, abs=1e-5),
        pytest.approx(2.22222, abs=1e-5),
    )
    assert (now["share"], now["off_m_s"], now["rate_off_pct"]) == (0.0, 0.0, 0.0)
    assert now["shown"]["rate_off"] == "0 %"
    assert now["shown"]["off"] == "0.0"
    assert (now["basis"], now["boom"], now["boom_from"]) == ("flowmeter", "on", "switch")


def test_both_systems_of_units_say_the_same() -> None:
    metric, us = _board(sample()).now(), _board(sample(), rig=US).now()
    # 2 m/s = 7.2 km/h = 2 / 0.44704 = 4.47 mph; 100 L/ha / 9.353956 = 10.69 gal/ac; 200 kPa / 6.894757 = 29.0 psi;
    # 6 L/min / 3.785412 = 1.585 gal/min: hand-worked from NIST SP 811's factors
    shown = metric["shown"]
    assert (shown["speed"], shown["speed_unit"], shown["rate"], shown["rate_unit"]) == (
        "7.2",
        "km/h",
        "100",
        "L/ha",
    )
    shown = us["shown"]
    assert (shown["speed"], shown["speed_unit"], shown["rate"], shown["rate_unit"]) == (
        "4.5",
        "mph",
        "10.7",
        "gal/ac",
    )
    assert (shown["pressure"], shown["pressure_unit"], shown["flow"], shown["flow_unit"]) == (
        "29.0",
        "psi",
        "1.59",
        "gal/min",
    )
    without = {key: value for key, value in metric.items() if key not in ("shown", "units")}
    assert without == {key: value for key, value in us.items() if key not in ("shown", "units")}


@pytest.mark.parametrize(
    ("fields", "advice", "share"),
    [
        ({"speed_m_s": 2.5}, "slower", 2.25),  # (2.5 - 2) / (2.2222 - 2), hand-worked
        ({"speed_m_s": 1.5}, "faster", -2.75),  # (1.5 - 2) / (2 - 1.8182), hand-worked
        ({"speed_m_s": None}, "speed_unknown", None),
        ({"flow_l_min": None}, "flow_unknown", None),
        ({"flow_l_min": 0.0}, "no_flow", None),
        (OFF, "boom_off", None),
        (STANDING, "stopped", None),
    ],
)  # fmt: skip
def test_each_advice(fields: dict[str, Any], advice: str, share: float | None) -> None:
    now = _board(sample(**fields)).now()
    assert now["advice"] == advice
    assert now["share"] == (None if share is None else pytest.approx(share, abs=1e-3))


@pytest.mark.parametrize("rig", [METRIC, US])
def test_unknown_looks_unknown(rig: Rig) -> None:
    nothing = dict.fromkeys(
        ("lat_deg", "lon_deg", "track_deg", "speed_m_s", "speed_sd_m_s", "flow_l_min", "pressure_kpa", "boom_on", "rate_l_ha", "rate_u_pct", "distance_m", "area_m2", "volume_l")
    )  # fmt: skip
    for board in (_board(rig=rig), _board(sample(**nothing, basis=0), rig=rig)):
        now = board.now()
        for key in (
            "speed_m_s",
            "rate_l_ha",
            "rate_off_pct",
            "flow_l_min",
            "pressure_kpa",
            "share",
            "hold_m_s",
        ):
            assert now[key] is None
        for key in ("speed", "hold", "low", "high", "off", "rate", "rate_off", "flow", "pressure"):
            assert now["shown"][key] == "--"
        assert (now["boom"], now["basis"], now["advice"]) == ("unknown", "none", "speed_unknown")
        json.dumps([now, board.status()], allow_nan=False)


def test_the_keys_are_there_before_the_first_sample_too() -> None:
    assert _board().now().keys() == _board(sample()).now().keys()


def test_the_most_urgent_that_nobody_has_seen_is_what_is_wrong() -> None:
    board = _board(sample(), _raised("gps_implausible"), _raised("pressure_loss"), _raised("flow_silent"))
    wrong = board.now()["wrong"]
    assert wrong == {"code": "pressure_loss", "words": ALERT_WORDS["pressure_loss"], "now": True, "acknowledged": False, "more": 2}  # fmt: skip
    board.take([Act(1, "acknowledge", "pressure_loss")])
    assert board.now()["wrong"]["code"] == "gps_implausible"
    board.take([Act(1, "acknowledge", "gps_implausible"), Act(1, "acknowledge", "flow_silent")])
    assert (board.now()["wrong"]["code"], board.now()["wrong"]["now"]) == ("pressure_loss", False)


def test_what_is_only_about_speed_is_the_advices_to_show() -> None:
    board = _board(sample(speed_m_s=3.0), _raised("speed_fast"), _raised("speed_creep"))
    assert board.now()["wrong"] is None
    assert [alert["code"] for alert in board.status()["alerts"]] == ["speed_fast", "speed_creep"]


def test_with_the_boom_off_nothing_needs_the_hand_now() -> None:
    assert _board(sample(**OFF), _raised("pressure_loss")).now()["wrong"]["now"] is False


def test_an_acknowledged_alert_does_not_sound() -> None:
    board = _board(*(sample(t) for t in range(1, 5)), _raised("rate_high", 1.0), sample(6))
    assert board.now()["sound"] == "flow"
    board.take([Act(1, "acknowledge", "rate_high"), sample(7)])
    assert board.now()["sound"] == "none"


def test_the_receivers_wall_time() -> None:
    board = _board(Anchor(1_000_000_000, 1_780_322_400_000), sample(3.5))
    # 1 780 322 400 s is 2026-06-01 14:00:00 UTC (date -u -d @1780322400), and 2.5 s later
    assert board.now()["utc"] == "2026-06-01T14:00:02.500Z"
    board.take([Anchor(1_000_000_000, None)])
    assert board.now()["utc"] is None


def test_stale_is_what_is_overdue_by_a_second() -> None:
    board = _board(sample(1.0), sample(1.2))
    assert board.stale_after_ms == 1200
    board.take([sample(2.2)])
    assert board.stale_after_ms == 2000
    board.take([sample(60.0)])
    assert board.stale_after_ms == 2100  # the core makes one at least every 1.1 s


# -- the crew -----------------------------------------------------------------------------------------


def test_sums_so_far() -> None:
    status = _board(*(sample(t) for t in range(1, 11))).status()
    totals = status["totals"]
    assert (totals["area_m2"], totals["distance_m"], totals["boom_on_s"]) == (100.0, 20.0, 10.0)
    assert totals["volume_l"] == pytest.approx(1.0)
    assert totals["shown"] == {"area": "0.01 ha", "volume": "1.0 L", "distance": "20 m", "rate": "100.0 L/ha"}
    assert status["run"] == {"id": "run 1", "started_utc": "2026-06-01T14:00:00+00:00", "duration_s": 10.0, "state": "running"}  # fmt: skip


def test_the_mean_dose_of_nothing_is_unknown() -> None:
    assert _board().status()["totals"]["shown"]["rate"] == "-- L/ha"


def test_between_runs() -> None:
    board = _board(sample())
    board.end()
    status = board.status()
    assert (status["run"]["id"], status["run"]["state"]) == (None, "between_runs")
    assert status["totals"]["area_m2"] == 10.0
    board.begin("run 2")
    assert board.status()["totals"]["area_m2"] == 0.0
    assert len(board.track) == 0


def test_things_are_done_only_when_the_rig_is_known_to_stand() -> None:
    assert _board(sample(**STANDING)).status()["may_act"] is True
    for board in (_board(), _board(sample()), _board(sample(speed_m_s=None))):
        status = board.status()
        assert status["may_act"] is False
        assert len(status["why_not"]) > 20
    logged = _board(sample(**STANDING))
    logged.live = False
    assert logged.status()["may_act"] is False


@pytest.mark.parametrize(
    ("flags", "name", "state"),
    [
        (Flag.GPS_STALE, "gps", "silent"),
        (Flag.GPS_IMPLAUSIBLE, "gps", "implausible"),
        (Flag.FLOW_STALE, "flow", "silent"),
        (Flag.FLOW_IMPLAUSIBLE, "flow", "implausible"),
        (Flag.PRESSURE_STALE, "pressure", "silent"),
        (Flag.PRESSURE_IMPLAUSIBLE, "pressure", "implausible"),
        (Flag.SWITCH_STALE, "boom_switch", "silent"),
        (Flag.LOG_TROUBLE, "run_log", "silent"),
    ],
)
def test_a_sensors_health(flags: Flag, name: str, state: str) -> None:
    board = _board(sample(1.0), sample(4.0, flags=int(flags)))
    sensors = {sensor["name"]: sensor for sensor in board.status()["sensors"]}
    assert sensors[name]["state"] == state
    if name != "run_log":
        assert sensors[name]["age_s"] == 3.0
    others = {other["state"] for key, other in sensors.items() if key != name}
    assert others == {"ok"}


def test_a_sensor_that_is_not_fitted_says_so() -> None:
    states = {s["name"]: s["state"] for s in _board(sample(), rig=make_rig()).status()["sensors"]}
    assert states == {
        "gps": "ok",
        "flow": "not_fitted",
        "pressure": "not_fitted",
        "boom_switch": "not_fitted",
    }


def test_the_tank_on_the_crews_page() -> None:
    board = _board()
    assert board.status()["tank"]["shown"]["level"] == "-- L"
    board.take([Act(1, "refill", "", None, True), at(1, 0.0), at(2, 2.0, volume_l=None)])
    tank = board.status()["tank"]
    assert (tank["level_l"], tank["at_most"]) == (pytest.approx(99.9), True)
    assert tank["shown"]["level"] == "at most 99.9 L"
    assert tank["shown"]["time_left"] == "17 min"  # 99.9 L / 6 L/min = 16.65 min, hand-worked


def _weather(t_s: float, **fields: Any) -> Weather:
    return Weather(round(t_s * 1e9), *[None] * (len(Weather._fields) - 1))._replace(**fields)


def test_wind_and_air_on_the_crews_page() -> None:
    known = _weather(
        5.0,
        wind_2min_m_s=3.0,
        wind_2min_from_deg=359.6,
        gust_m_s=5.0,
        air_temperature_c=20.0,
        humidity_pct=60.4,
    )
    weather = _board(known, sample(6.0), rig=US).status()["weather"]
    # 3 m/s / 0.44704 = 6.7 mph, 5 m/s = 11.2 mph, 20 °C = 68 °F: hand-worked
    assert weather["shown"] == {
        "wind": "6.7 mph",
        "wind_from": "000 °",
        "gust": "11.2 mph",
        "temperature": "68.0 °F",
        "humidity": "60 %",
    }
    assert weather["wind_2min_m_s"] == 3.0


def test_old_or_unknown_weather_is_not_shown_as_if_it_were_known() -> None:
    assert _board(sample()).status()["weather"] is None
    assert _board(_weather(1.0, gust_m_s=3.0), sample(7.0)).status()["weather"] is None
    shown = _board(_weather(1.0), sample(2.0)).status()["weather"]["shown"]
    assert set(shown.values()) == {"-- km/h", "--", "-- °C", "-- %"}


def test_an_alert_with_its_figures() -> None:
    board = _board(Alert(2_000_000_000, "rate_high", True, 120.0, 110.0, "L/ha"), sample(5.0))
    assert board.status()["alerts"] == [{"code": "rate_high", "words": "rate high", "since_s": 3.0, "value": 120.0, "limit": 110.0, "unit": "L/ha", "acknowledged": False, "now": True, "shown": "120 L/ha, limit 110 L/ha"}]  # fmt: skip


def test_a_finding_says_what_to_look_at() -> None:
    board = _board(_raised("nozzles_plugged"), Finding("nozzles_plugged", 5, 4, -11.0, 2.0, nozzles=2))
    (finding,) = board.status()["findings"]
    assert (finding["code"], finding["nozzles"], finding["change_pct"]) == ("nozzles_plugged", 2, -11.0)
    assert "strainers" in finding["cause"]
    assert finding["check"]


def test_another_target_is_shown_and_coloured_by() -> None:
    import dataclasses

    board = _board(sample())
    board.use(
        dataclasses.replace(METRIC, target=dataclasses.replace(METRIC.target, rate_l_ha=80.0, record="b"))
    )
    board.take([sample(2.0)])
    # at 6 L/min 80 L/ha needs 6 x 600 / (80 x 5) = 9 km/h = 2.5 m/s, hand-worked
    assert board.now()["hold_m_s"] == pytest.approx(2.5)
    assert (board.status()["target"]["rate_l_ha"], board.status()["target"]["record"]) == (80.0, "b")


def test_a_board_goes_on_from_anothers_state() -> None:
    one = _board(*(at(t, 2.0 * t) for t in range(50)), _raised("flow_silent"))
    other = Board(METRIC)
    other.restore(json.loads(json.dumps(one.state.to_json())))
    assert other.now() == {**one.now(), "sound": other.now()["sound"]}
    assert other.status()["totals"] == one.status()["totals"]
    assert len(other.track) == 0  # the map is not in it
    kept = len(one.track)
    one.restore(one.state.to_json())
    assert len(one.track) == kept  # of the same run it stays


def test_between_runs_the_map_stays_as_it_was() -> None:
    board = _board(*(at(t, 2.0 * t) for t in range(50)))
    board.end()
    kept = len(board.track)
    board.take([at(t, 2.0 * t, 100.0) for t in range(50, 100)])
    assert len(board.track) == kept
    assert board.now()["t_s"] == 99.0


def test_what_a_run_begins_with_is_on_its_map() -> None:
    board = _board(at(100, 0))
    board.begin("run 2", None, [at(t, 2.0 * t) for t in range(30)])
    board.take([at(29, 58.0), at(30, 60.0)])
    assert board.track.since(board.track.epoch, 0)["open"][1] == 600
    assert board.state.totals.area_m2 == 310.0  # 31 x 10 m2, the one that came twice only once


def test_messages_are_small() -> None:
    board = _board(sample(), *(_raised(code) for code in ALERT_WORDS))
    assert len(json.dumps(board.now())) < 1500
    assert len(json.dumps(board.status())) < 12_000


def test_every_sample_can_be_shown() -> None:
    huge = sample(speed_m_s=1e300, flow_l_min=1e300, pressure_kpa=1e300, rate_l_ha=1e300)
    for one in (huge, Sample(*[0] * 17)):  # type: ignore[arg-type]
        json.dumps([_board(one).now(), _board(one).status()], allow_nan=False)
