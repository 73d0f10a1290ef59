"""The score against sums worked by hand, on runs made by hand. Sources stand beside the numbers."""

import json
from typing import Any

import numpy as np
import pytest
from hand_made import DEGREE_M, RIG_TOML, Track, rig, run, split
from hypothesis import given, settings
from hypothesis import strategies as st
from uncertainties import ufloat

from rigmon import config
from rigmon.analysis.frames import columns_from_samples
from rigmon.analysis.score import CORRELATION_TIME_S, mean_rate_uncertainty_pct, score
from rigmon.model import Alert, Anchor, Basis, Output, Sample, Tally

# The contract of the score object, key by key.
CONTRACT: dict[str, list[str]] = {
    "run": ["run_id", "started_utc", "duration_s", "ended_cleanly"],
    "input": [
        "readings", "sentences", "rejected", "rejected_by_reason", "fixes_valid", "gps_gap_count",
        "gps_gap_s", "flow_source", "pressure_source",
    ],
    "target": ["rate_l_ha", "tolerance_pct", "speed_m_s", "swath_m", "speed_low_m_s", "speed_high_m_s"],
    "applied": ["distance_m", "area_m2", "time_s", "volume_l", "rate_basis", "unknown_time_s"],
    "rate": [
        "mean_l_ha", "cv_pct", "p05_l_ha", "p50_l_ha", "p95_l_ha", "in_tolerance_area_pct",
        "under_area_pct", "over_area_pct", "unknown_area_pct", "expanded_uncertainty_pct",
    ],
    "speed": ["mean_m_s", "sd_m_s", "cv_pct", "in_band_time_pct"],
}  # fmt: skip
ALERT = ["code", "raised_s", "acknowledged_s", "cleared_s", "value", "limit", "unit"]
STRETCH = [
    "kind", "start_s", "end_s", "distance_m", "area_m2", "mean_l_ha", "start_lat_deg", "start_lon_deg",
    "end_lat_deg", "end_lon_deg",
]  # fmt: skip


def mixed() -> Track:
    """A bit of everything."""
    track = Track().go(60).go(10, speed=1.6).go(20, gps=False).go(10, boom=0).go(30, flow=4.0)
    return track.go(10, flow=None).go(5, speed=0.3).go(5, speed=0.0).go(4, boom=None, gps=False).go(40)


def test_object_has_exactly_the_keys_of_the_contract_and_is_json() -> None:
    alerts = [Alert(61_000_000_000, "speed_slow", True, 1.6, 1.8, "m/s")]
    result = score(run(mixed().samples + alerts))
    assert list(result) == [
        *(
            "score_schema",
            *CONTRACT,
            "alerts",
            "acts",
            "stretches",
            "diagnosis",
            "diagnoses",
            "weather",
            "verdict",
        )
    ]
    assert result["score_schema"] == 1
    for part, keys in CONTRACT.items():
        assert list(result[part]) == keys
    assert [list(alert) for alert in result["alerts"]] == [ALERT]
    assert result["stretches"]
    assert all(list(stretch) == STRETCH for stretch in result["stretches"])
    assert json.loads(json.dumps(result, allow_nan=False)) == result


def test_nothing_in_says_nothing_and_is_json() -> None:
    result = score(run([]))
    json.dumps(result, allow_nan=False)
    assert result["verdict"] == "insufficient_data"
    assert result["applied"] == {
        "distance_m": 0.0, "area_m2": 0.0, "time_s": 0.0, "volume_l": 0.0, "rate_basis": None,
        "unknown_time_s": 0.0,
    }  # fmt: skip
    assert set(result["rate"].values()) == {None}
    assert set(result["speed"].values()) == {None}


def test_sums_of_three_speeds() -> None:
    # hand-worked, 5 m swath, 6 L/min:
    #   10 s at 2.0 m/s: 20 m, 100 m2, 1 L -> 100 L/ha    in
    #   10 s at 1.6 m/s: 16 m,  80 m2, 1 L -> 125 L/ha    over
    #   10 s at 2.5 m/s: 25 m, 125 m2, 1 L ->  80 L/ha    under
    # sums: 61 m, 305 m2, 30 s, 3 L; mean 3 / 305 x 1e4 = 98.360656 L/ha
    # shares: 100/305 = 32.786885 %, 80/305 = 26.229508 %, 125/305 = 40.983607 %
    # cv: variance = (100 x 1.639344^2 + 80 x 26.639344^2 + 125 x 18.360656^2) / 305
    #     = (268.74 + 56772.37 + 42139.21) / 305 = 325.18...; sd 18.0327; / 98.3607 = 18.333 %
    result = score(run(Track().go(10).go(10, speed=1.6).go(10, speed=2.5)))
    assert result["applied"] == {
        "distance_m": pytest.approx(61),
        "area_m2": pytest.approx(305),
        "time_s": 30.0,
        "volume_l": pytest.approx(3),
        "rate_basis": "flowmeter",
        "unknown_time_s": 0.0,
    }
    rate = result["rate"]
    assert rate["mean_l_ha"] == pytest.approx(98.360656, rel=1e-7)
    assert rate["in_tolerance_area_pct"] == pytest.approx(32.786885, rel=1e-7)
    assert rate["over_area_pct"] == pytest.approx(26.229508, rel=1e-7)
    assert rate["under_area_pct"] == pytest.approx(40.983607, rel=1e-7)
    assert rate["unknown_area_pct"] == 0
    assert rate["cv_pct"] == pytest.approx(18.333, abs=0.001)
    # ordered by dose: 125 m2 at 80, 100 m2 at 100, 80 m2 at 125; 5 % is in the first, 50 % (152.5 m2) in the
    # second, 95 % in the third
    assert (rate["p05_l_ha"], rate["p50_l_ha"], rate["p95_l_ha"]) == pytest.approx((80, 100, 125))
    # speed: mean 61/30 = 2.033333; sd^2 = (0.033333^2 + 0.433333^2 + 0.466667^2) / 3 = 0.135556
    # band: 2 / 1.1 = 1.8182 to 2 / 0.9 = 2.2222: only the first 10 s
    assert result["speed"]["mean_m_s"] == pytest.approx(2.033333, rel=1e-6)
    assert result["speed"]["sd_m_s"] == pytest.approx(0.135556**0.5, rel=1e-5)
    assert result["speed"]["cv_pct"] == pytest.approx(100 * 0.135556**0.5 / 2.033333, rel=1e-5)
    assert result["speed"]["in_band_time_pct"] == pytest.approx(100 / 3)
    assert result["target"]["speed_low_m_s"] == pytest.approx(2 / 1.1)
    assert result["target"]["speed_high_m_s"] == pytest.approx(2 / 0.9)


def test_shares_are_of_ground_not_of_time() -> None:
    # hand-worked: half the time at 1 m/s (200 L/ha), half at 2 m/s: a third of the ground is over
    result = score(run(Track().go(30).go(30, speed=1.0)))
    assert result["rate"]["over_area_pct"] == pytest.approx(100 / 3)
    assert result["speed"]["in_band_time_pct"] == pytest.approx(50)


@pytest.mark.parametrize(
    ("flow", "share"),
    [
        (6.6, "in_tolerance_area_pct"),  # hand-worked: 110 L/ha, on the limit
        (5.4, "in_tolerance_area_pct"),  # 90 L/ha, on the limit
        (6.61, "over_area_pct"),
        (5.39, "under_area_pct"),
        (0.0, "under_area_pct"),  # the boom on and nothing comes out: under, and known
    ],
)
def test_limits_count_as_in_tolerance(flow: float, share: str) -> None:
    assert score(run(Track().go(10, flow=flow)))["rate"][share] == 100


def test_boom_off_counts_nowhere() -> None:
    with_turn = score(run(Track().go(10).go(30, speed=1.0, boom=0).go(10)))
    without = score(run(Track().go(20)))
    for part in ("applied", "rate", "speed"):
        assert with_turn[part] == pytest.approx(without[part])


def test_percentiles_at_a_step_take_the_middle() -> None:
    # hand-worked: equal areas of 20 m2 at 100 and at 80 L/ha: half the ground is reached exactly between them
    samples = Track().go(10, speed=2.0, step=2.0).go(10, speed=2.0, flow=4.8, step=2.0).samples
    assert score(run(samples))["rate"]["p50_l_ha"] == pytest.approx(90)


def test_percentiles_of_equal_areas_agree_with_numpy() -> None:
    # numpy's averaged_inverted_cdf is definition 2 of Hyndman and Fan (1996)
    flows = np.random.default_rng(5).uniform(4, 8, 97)
    track = Track()
    for flow in flows:
        track.go(1, flow=float(flow))
    rate = score(run(track))["rate"]
    wanted = np.quantile(flows / 6 * 100, [0.05, 0.5, 0.95], method="averaged_inverted_cdf")
    assert [rate["p05_l_ha"], rate["p50_l_ha"], rate["p95_l_ha"]] == pytest.approx(wanted)


# -- slow and standing ----------------------------------------------------------------------------------


def test_creeping_below_minimum_is_one_over_applied_piece() -> None:
    # hand-worked: 100 s at 2 m/s (200 m, 1000 m2, 10 L), then 4 s at 0.3 m/s and 4 s at 0.1 m/s:
    # 1.6 m, 8 m2, 0.8 L -> one piece of 0.8 / 8 x 1e4 = 1000 L/ha. Mean: 10.8 / 1008 x 1e4 = 107.142857
    result = score(run(Track().go(100).go(4, speed=0.3).go(4, speed=0.1)))
    rate = result["rate"]
    assert rate["mean_l_ha"] == pytest.approx(107.142857, rel=1e-7)
    assert rate["over_area_pct"] == pytest.approx(100 * 8 / 1008)
    # cv: mean of doses = 107.142857; variance = (1000 x 7.142857^2 + 8 x 892.857143^2) / 1008 = 6377.55
    assert rate["cv_pct"] == pytest.approx(100 * 6377.551**0.5 / 107.142857, rel=1e-5)
    (stretch,) = result["stretches"]
    assert (stretch["kind"], stretch["mean_l_ha"]) == ("over", pytest.approx(1000))


def test_standing_with_the_boom_on_adds_volume_and_no_ground() -> None:
    # hand-worked: 10 s at 2 m/s: 100 m2, 1 L; 20 s standing: 2 L more -> 3 / 100 x 1e4 = 300 L/ha
    result = score(run(Track().go(10).go(20, speed=0.0)))
    assert result["rate"]["mean_l_ha"] == pytest.approx(300)
    assert result["rate"]["in_tolerance_area_pct"] == 100
    assert result["rate"]["p95_l_ha"] == pytest.approx(100)
    (stretch,) = result["stretches"]
    assert stretch["kind"] == "over"
    assert stretch["distance_m"] == 0
    assert stretch["mean_l_ha"] is None


def test_standing_volume_belongs_to_the_slow_ground_around_it() -> None:
    # hand-worked: 1 s at 0.4 m/s (2 m2, 0.1 L), 10 s standing (1 L), 1 s at 0.4: 1.2 L on 4 m2, 3000 L/ha
    result = score(run(Track().go(1, speed=0.4).go(10, speed=0.0).go(1, speed=0.4)))
    assert result["rate"]["p50_l_ha"] == pytest.approx(3000)
    assert result["rate"]["mean_l_ha"] == pytest.approx(3000)


# -- unknown --------------------------------------------------------------------------------------------


def test_gap_between_known_positions_is_a_straight_line() -> None:
    # hand-worked: 50 s known at 2 m/s (100 m), 25 s unknown while in truth driving 1.2 m/s: the line between
    # the last position before and the first after covers 25 s at 1.2 and 1 s at 2 m/s = 32 m in 26 s,
    # so the gap counts 32 / 26 x 25 = 30.769 m; then 51 s known. Known ground: 100 + 102 = 202 m.
    result = score(run(Track().go(50).go(25, speed=1.2, gps=False).go(51)))
    assert result["rate"]["unknown_area_pct"] == pytest.approx(100 * 30.769231 / 232.769231, rel=1e-6)
    assert result["applied"]["unknown_time_s"] == 25
    assert result["applied"]["distance_m"] == pytest.approx(202)
    stretch = result["stretches"][0]
    assert stretch["kind"] == "unknown"
    assert stretch["distance_m"] == pytest.approx(30.769231, rel=1e-6)
    assert stretch["area_m2"] == pytest.approx(5 * 30.769231, rel=1e-6)
    assert stretch["mean_l_ha"] is None
    assert (result["input"]["gps_gap_count"], result["input"]["gps_gap_s"]) == (1, 25)


def test_gap_without_positions_takes_the_speed_before() -> None:
    # hand-worked: 20 s at 2 m/s = 40 m; 10 s unknown at the 2 m/s before = 20 m: a third
    result = score(run(Track().go(20, position=False).go(10, gps=False)))
    assert result["rate"]["unknown_area_pct"] == pytest.approx(100 / 3)


def test_gap_at_the_start_takes_the_speed_after() -> None:
    # hand-worked: 10 s unknown, then 30 s at 2 m/s: 20 m of 80 m
    result = score(run(Track().go(10, gps=False).go(30)))
    assert result["rate"]["unknown_area_pct"] == pytest.approx(25)
    assert result["stretches"][0]["start_lat_deg"] is None


def test_a_position_far_from_the_gap_does_not_decide() -> None:
    # positions only in the first and the last second, 100 s apart and 200 m by the track that was driven;
    # the rig is known to have gone 2 m/s, and 10 s without speed count 20 m
    track = Track().go(1).go(49, position=False).go(10, speed=0.0, gps=False).go(40, position=False).go(1)
    result = score(run(track))
    assert result["rate"]["unknown_area_pct"] == pytest.approx(100 * 20 / (2 * 91 + 20))


def test_nothing_ever_known_of_speed() -> None:
    result = score(run(Track().go(60, gps=False)))
    assert result["verdict"] == "insufficient_data"
    assert result["applied"]["unknown_time_s"] == 60
    assert result["rate"]["unknown_area_pct"] is None
    (stretch,) = result["stretches"]
    assert (stretch["distance_m"], stretch["area_m2"]) == (None, None)


def test_unknown_flow_leaves_the_area_known() -> None:
    # hand-worked: 30 s with flow, 10 s without: 100 m2 of 400 m2 have no dose; mean stays 3 L / 300 m2
    result = score(run(Track().go(30).go(10, flow=None)))
    assert result["applied"]["area_m2"] == pytest.approx(400)
    assert result["applied"]["unknown_time_s"] == 10
    assert result["rate"]["unknown_area_pct"] == pytest.approx(25)
    assert result["rate"]["mean_l_ha"] == pytest.approx(100)


def test_unknown_flow_throughout_is_an_unknown_volume() -> None:
    result = score(run(Track().go(30, flow=None)))
    assert result["applied"]["volume_l"] is None
    assert result["applied"]["area_m2"] == pytest.approx(300)
    assert result["rate"]["mean_l_ha"] is None
    assert result["rate"]["unknown_area_pct"] == 100
    assert result["verdict"] == "insufficient_data"


def test_unknown_boom_is_unknown_ground() -> None:
    # hand-worked: 30 s known, 10 s driven at a known 2 m/s with the switch silent: 20 m of 80 m
    result = score(run(Track().go(30).go(10, boom=None)))
    assert result["rate"]["unknown_area_pct"] == pytest.approx(25)
    assert result["applied"]["time_s"] == 30
    assert result["applied"]["unknown_time_s"] == 10


# -- verdict --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("good", "bad", "unknown", "verdict"),
    [
        (90, 10, 0, "in_tolerance"),  # exactly the required 90 %
        (89, 11, 0, "out_of_tolerance"),
        (90, 0, 10, "in_tolerance"),
        (89, 0, 11, "insufficient_data"),  # the unknown ground decides
        (80, 10, 10, "insufficient_data"),  # 80 + 10 just reaches it
        (80, 11, 9, "out_of_tolerance"),  # not even all unknown ground could save it
        (0, 0, 100, "insufficient_data"),
    ],
)
def test_verdict(good: int, bad: int, unknown: int, verdict: str) -> None:
    track = Track().go(good).go(bad, flow=3.0).go(unknown, flow=None)
    assert score(run(track))["verdict"] == verdict


def test_required_share_is_the_rigs() -> None:
    track = Track().go(70).go(30, flow=3.0)
    assert score(run(track, rig(required="70")))["verdict"] == "in_tolerance"
    assert score(run(track, rig(required="71")))["verdict"] == "out_of_tolerance"


# -- uncertainty ----------------------------------------------------------------------------------------


def oracle_pct(parts: list[tuple[Basis, float]], metres: float, random_m: float) -> float:
    """2 u(R) / R by the `uncertainties` package, from volumes by basis, distance and its random part [m]."""
    meter, catch, pressure = ufloat(1, 0.02), ufloat(1, 0.025), ufloat(1, 0.03)
    swath, bias, distance = ufloat(5, 0.05), ufloat(1, 0.005), ufloat(metres, random_m)
    factor = {Basis.FLOWMETER: meter, Basis.PRESSURE: catch * pressure**0.5, Basis.CALIBRATION: catch}
    volume = sum(litres * factor[basis] for basis, litres in parts)
    mean = volume / (distance * bias * swath) * 1e4
    return float(200 * mean.std_dev / mean.nominal_value)


@pytest.mark.parametrize(
    "parts",
    [
        [(Basis.FLOWMETER, 60)],
        [(Basis.PRESSURE, 60)],
        [(Basis.CALIBRATION, 60)],
        [(Basis.FLOWMETER, 30), (Basis.PRESSURE, 40), (Basis.CALIBRATION, 50)],
    ],
)
def test_uncertainty_agrees_with_the_uncertainties_package(parts: list[tuple[Basis, int]]) -> None:
    track = Track()
    for basis, seconds in parts:
        track.go(seconds, basis=basis, sd=0.2)
    seconds = sum(n for _, n in parts)
    # hand-worked: n independent values, each of CORRELATION_TIME_S seconds: u = T x 0.2 x sqrt(n)
    random_m = CORRELATION_TIME_S * 0.2 * (seconds / CORRELATION_TIME_S) ** 0.5
    wanted = oracle_pct([(basis, n / 10) for basis, n in parts], 2.0 * seconds, random_m)
    result = score(run(track))
    assert result["rate"]["expanded_uncertainty_pct"] == pytest.approx(wanted, rel=1e-9)


def test_random_part_averages_out_and_the_systematic_part_stays() -> None:
    rated = np.ones(1000, dtype=np.bool_)
    columns = columns_from_samples(Track().go(1000, sd=0.5).samples)
    short = mean_rate_uncertainty_pct(columns_from_samples(Track().go(10, sd=0.5).samples), rated[:10], rig())
    long = mean_rate_uncertainty_pct(columns, rated, rig())
    # hand-worked: 2 x sqrt(2^2 + 1^2 + 0.5^2) = 4.582576 %
    assert short is not None
    assert long is not None
    assert short > 2 * long > 2 * 4.582576
    assert long == pytest.approx(4.582576, rel=0.2)


def test_unknown_speed_sd_falls_back_to_the_receivers_noise() -> None:
    noise = config.parse(RIG_TOML, "test rig").gps.speed_noise_m_s
    unknown, stated = (score(run(Track().go(5, sd=sd))) for sd in (None, noise))
    assert unknown["rate"] == stated["rate"]


def test_basis_of_most_of_the_area_is_named() -> None:
    assert score(run(Track().go(9).go(10, basis=Basis.PRESSURE)))["applied"]["rate_basis"] == "pressure"
    assert score(run(Track().go(9, basis=Basis.CALIBRATION)))["applied"]["rate_basis"] == "calibration"


# -- alerts, input, time --------------------------------------------------------------------------------


def test_alerts_are_paired() -> None:
    s = 1_000_000_000
    outputs: list[Output] = [
        Alert(2 * s, "speed_fast", True, 2.6, 2.2, "m/s"),
        Alert(3 * s, "gps_lost", True, None, None, ""),
        Alert(5 * s, "speed_fast", False, 2.0, 2.2, "m/s"),
        Alert(7 * s, "speed_fast", True, 2.5, 2.2, "m/s"),
    ]
    assert [tuple(alert.values()) for alert in score(run(outputs))["alerts"]] == [
        ("speed_fast", 2, None, 5, 2.6, 2.2, "m/s"),
        ("gps_lost", 3, None, None, None, None, ""),
        ("speed_fast", 7, None, None, 2.5, 2.2, "m/s"),
    ]


def test_tallies_are_added_up_by_name() -> None:
    tallies = [
        Tally(1, "sentence", 10), Tally(2, "sentence", 20), Tally(2, "fix", 9),
        Tally(2, "rejected:checksum", 2), Tally(3, "rejected:checksum", 3), Tally(3, "rejected:garbled", 1),
        Tally(3, "fault:gps:opened", 1),
    ]  # fmt: skip
    data = score(run(tallies, readings=36))["input"]
    assert (data["readings"], data["sentences"], data["fixes_valid"], data["rejected"]) == (36, 30, 9, 6)
    assert data["rejected_by_reason"] == {"checksum": 5, "garbled": 1}
    assert (data["flow_source"], data["pressure_source"]) == ("xdr", "xdr")


def test_start_time_comes_from_the_first_dated_fix() -> None:
    # hand-worked: unix 1780149802 is 2026-05-30 14:03:22 UTC (date -u -d @1780149802); 0.4 s into the run
    anchors = [Anchor(100_000_000, None), Anchor(400_000_000, 1780149802000), Anchor(9_000_000_000, 5)]
    assert score(run(anchors))["run"]["started_utc"] == "2026-05-30T14:03:21.600Z"
    assert score(run([Anchor(1, None)]))["run"]["started_utc"] is None


# -- stretches ------------------------------------------------------------------------------------------


def test_stretch_places_and_sums() -> None:
    # hand-worked: from 10 s to 20 s at 1.6 m/s: x from 20 m to 36 m, 80 m2, 1 L -> 125 L/ha
    (stretch,) = score(run(Track().go(10).go(10, speed=1.6).go(10)))["stretches"]
    assert stretch == {
        "kind": "over", "start_s": 10, "end_s": 20,
        "distance_m": pytest.approx(16), "area_m2": pytest.approx(80), "mean_l_ha": pytest.approx(125),
        "start_lat_deg": 0, "start_lon_deg": pytest.approx(20 / DEGREE_M),
        "end_lat_deg": 0, "end_lon_deg": pytest.approx(36 / DEGREE_M),
    }  # fmt: skip


@pytest.mark.parametrize(("pause", "count"), [(1.8, 1), (2.0, 2)])
def test_breaks_shorter_than_two_seconds_join(pause: float, count: int) -> None:
    track = Track().go(5, flow=8.0, step=0.2).go(pause, step=0.2).go(5, flow=8.0, step=0.2)
    found = score(run(track))["stretches"]
    assert len(found) == count
    # hand-worked: 2 x 5 s x 2 m/s of over-applied ground; the break is not in the sums
    assert sum(stretch["distance_m"] for stretch in found) == pytest.approx(20)
    assert all(stretch["mean_l_ha"] == pytest.approx(8 / 6 * 100) for stretch in found)


def test_short_stretches_are_left_out() -> None:
    # hand-worked: 1.4 s at 2 m/s are 2.8 m, 1.6 s are 3.2 m; unknown needs 3 s
    def kinds(*, seconds: float, flow: float | None) -> list[str]:
        track = Track().go(10, step=0.2).go(seconds, flow=flow, step=0.2).go(10, step=0.2)
        return [stretch["kind"] for stretch in score(run(track))["stretches"]]

    assert kinds(seconds=1.4, flow=3.0) == []
    assert kinds(seconds=1.6, flow=3.0) == ["under"]
    assert kinds(seconds=2.8, flow=None) == []
    assert kinds(seconds=3.0, flow=None) == ["unknown"]


def test_places_cross_the_180th_meridian() -> None:
    samples = Track().go(10).go(10, flow=3.0).go(10).samples
    moved = [
        s._replace(lon_deg=None if n % 2 else ((s.lon_deg or 0) + 179.9997 + 180) % 360 - 180)
        for n, s in enumerate(samples)
    ]
    (stretch,) = score(run(moved))["stretches"]
    assert stretch["start_lon_deg"] == pytest.approx(179.9997 + 20 / DEGREE_M)
    assert stretch["end_lon_deg"] == pytest.approx(179.9997 + 40 / DEGREE_M - 360)


# -- properties -----------------------------------------------------------------------------------------


def pieces(speeds: st.SearchStrategy[float]) -> st.SearchStrategy[list[Any]]:
    """Runs as lists of Track.go arguments: step, samples, speed, flow, boom, gps, basis."""
    return st.lists(
        st.tuples(
            st.sampled_from([0.2, 0.4, 1.0, 2.0]),
            st.integers(1, 12),
            speeds,
            st.one_of(st.none(), st.floats(0, 20, allow_subnormal=False)),
            st.sampled_from([1, 1, 1, 0, None]),
            st.booleans(),
            st.sampled_from([Basis.FLOWMETER, Basis.PRESSURE, Basis.CALIBRATION]),
        ),
        max_size=12,
    )


def driven(parts: list[tuple[float, int, float, float | None, int | None, bool, Basis]]) -> list[Sample]:
    track = Track()
    for step, n, speed, flow, boom, gps, basis in parts:
        track.go(step * n, speed, flow, boom=boom, step=step, gps=gps, basis=basis)
    return track.samples


def numbers(part: Any) -> list[float]:
    if isinstance(part, dict):
        return [n for value in part.values() for n in numbers(value)]
    if isinstance(part, list):
        return [n for value in part for n in numbers(value)]
    return [part] if isinstance(part, int | float) and not isinstance(part, bool) else []


@settings(max_examples=60, deadline=None)
@given(pieces(st.floats(0, 4)))
def test_shares_sum_to_100_and_nothing_is_negative(parts: list[Any]) -> None:
    result = score(run(driven(parts)))
    json.dumps(result, allow_nan=False)
    shares = [result["rate"][f"{kind}_area_pct"] for kind in ("in_tolerance", "under", "over", "unknown")]
    if shares[0] is None:
        assert shares == [None] * 4
    else:
        assert sum(shares) == pytest.approx(100)
    assert all(n >= 0 for n in numbers(result))
    assert result["applied"]["time_s"] <= result["run"]["duration_s"] * (1 + 1e-9)
    for kind in ("over", "under", "unknown"):
        listed = sum(s["area_m2"] or 0 for s in result["stretches"] if s["kind"] == kind)
        known = result["applied"]["area_m2"] or 0
        share = (result["rate"][f"{kind}_area_pct"] or 0) / 100
        if kind != "unknown" and share < 1 and (result["rate"]["unknown_area_pct"] or 0) == 0:
            assert listed <= share * known * (1 + 1e-9) + 1e-9


@settings(max_examples=60, deadline=None)
@given(pieces(st.just(0.0) | st.floats(0.01, 4)), st.data())
def test_splitting_samples_changes_no_sum(parts: list[Any], data: st.DataObject) -> None:
    samples = driven(parts)
    cut = data.draw(st.sets(st.integers(0, max(len(samples) - 1, 0)), max_size=10))
    whole, cut_up = score(run(samples)), score(run(split(samples, cut)))
    for result in (whole, cut_up):
        # the distribution is smoothed over a second, and where a sample begins decides a little
        for part, keep in (("rate", {"mean_l_ha", "expanded_uncertainty_pct"}), ("speed", {"mean_m_s"})):
            result[part] = {key: value for key, value in result[part].items() if key in keep}
    for part in ("input", "target", "applied", "rate", "speed", "alerts"):
        assert _shape(cut_up[part]) == _shape(whole[part])
        assert numbers(cut_up[part]) == pytest.approx(numbers(whole[part]), rel=1e-9, abs=1e-9)


def _shape(part: Any) -> Any:
    """The part without its numbers."""
    if isinstance(part, dict):
        return {key: _shape(value) for key, value in part.items()}
    if isinstance(part, list):
        return [_shape(value) for value in part]
    return 0 if isinstance(part, int | float) and not isinstance(part, bool) else part


def test_score_does_not_change_its_input() -> None:
    data = run(mixed())
    assert score(data) == score(data)
