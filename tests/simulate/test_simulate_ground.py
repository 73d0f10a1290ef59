"""The truth of the ground: coverage, dose per nozzle, stretches with cause; all hand-worked.

The round rig: 5 m swath of 12 nozzles, 200 L/ha at 2 m/s, 12 L/min.
"""

from dataclasses import replace
from itertools import pairwise
from math import cos, hypot, pi, radians, sin

import pytest
from geographiclib.geodesic import Geodesic
from written import degrees, fields, round_rig, still_driver

from rigmon.errors import UsageError
from rigmon.simulate import Event, simulate
from rigmon.simulate.ground import _lattice


@pytest.mark.parametrize(
    ("spacing_m", "once_m2", "twice_m2", "more_m2", "missed_m2"),
    [
        (None, 3000.0, 0.0, 0.0, 0.0),  # 6 x 100 m x 5 m
        (4.4, 2400.0, 300.0, 0.0, 0.0),  # 5 strips x 100 m x 0.6 m twice; 3000 - 2 x 300 once
        (5.6, 3000.0, 0.0, 0.0, 300.0),  # 5 gaps x 100 m x 0.6 m
        # passes at 0, 2, .. 10 m reach 2.5 m to each side: edges at -2.5, -.5, 1.5, 2.5, 3.5, 4.5, 5.5, 6.5,
        # 7.5, 8.5, 10.5, 12.5 m; covered 1, 2, 3, 2, 3, 2, 3, 2, 3, 2, 1 times: 4 m, 7 m, 4 m
        (2.0, 400.0, 700.0, 400.0, 0.0),
    ],
)
def test_parallel_passes(
    spacing_m: float | None, once_m2: float, twice_m2: float, more_m2: float, missed_m2: float
) -> None:
    scenario = still_driver(passes=6, pass_length_m=100.0, pass_spacing_m=spacing_m)
    coverage = simulate(scenario).truth["coverage"]
    assert coverage["covered_once_m2"] == pytest.approx(once_m2, rel=0.002)
    assert coverage["covered_twice_m2"] == pytest.approx(twice_m2, rel=0.005, abs=0.1)
    assert coverage["covered_more_m2"] == pytest.approx(more_m2, rel=0.005, abs=0.1)
    assert coverage["missed_m2"] == pytest.approx(missed_m2, rel=0.005, abs=0.1)
    assert coverage["outside_m2"] == pytest.approx(0.0, abs=0.1)


def test_a_field_is_where_its_passes_are() -> None:
    simulation = simulate(still_driver(passes=3, pass_length_m=80.0, heading_deg=70.0))
    assert simulation.truth["coverage"]["field_m2"] == pytest.approx(3 * 80 * 5)
    (ring,) = simulation.truth["field"]["coordinates"]
    assert ring[0] == ring[-1]
    sides = [Geodesic.WGS84.Inverse(a[1], a[0], b[1], b[0]) for a, b in pairwise(ring)]
    assert [side["s12"] for side in sides] == pytest.approx([15, 80, 15, 80], abs=0.001)
    assert sides[1]["azi1"] == pytest.approx(70, abs=0.01)  # along the passes


def test_a_cross_pass_doubles_the_ends() -> None:
    """4 passes, 1 m overlap. The quarter turn has a radius of 2.5 - 0.5 - 1 = 1 m; after it and its headland
    the cross pass is on from 15 - 1 - 0.5 = 13.5 m to -2.5 m: 16 m x 1 m of ends, 16 m x 4 m beyond them."""
    simulation = simulate(
        still_driver(passes=4, pass_length_m=60.0, headland_m=0.5, cross_pass_overlap_m=1.0)
    )
    coverage = simulation.truth["coverage"]
    assert coverage["covered_twice_m2"] == pytest.approx(16.0, rel=0.01)
    assert coverage["outside_m2"] == pytest.approx(64.0, rel=0.005)
    assert simulation.truth["applied"]["distance_m"] == pytest.approx(4 * 60 + 16)


def test_wide_turns_keep_the_spacing() -> None:
    """Quarter turn of 2 m, 11 - 4 m straight, quarter turn: passes 11 m apart; the path in full."""
    simulation = simulate(still_driver(passes=2, pass_length_m=50.0, pass_spacing_m=11.0, turn_radius_m=2.0))
    coverage = simulation.truth["coverage"]
    assert coverage["missed_m2"] == pytest.approx(50 * 6, rel=0.005)
    assert simulation.truth["run"]["path_m"] == pytest.approx(2 * 62 + 2 * pi + 7, abs=0.2)


@pytest.mark.parametrize("radius_m", [6.0, -10.0, 20.0])
def test_nozzles_on_a_circle(radius_m: float) -> None:
    """dose(y) = 200 x R / (R + y), y outward; strips of 5/12 m. Twice round covers the ring twice."""
    truth = simulate(still_driver(passes=2, circle_radius_m=radius_m)).truth
    offsets = [(k - 5.5) * 5 / 12 for k in range(12)]
    assert [one["offset_m"] for one in truth["nozzles"]] == pytest.approx(offsets)
    expected = [200 / (1 - offset / radius_m) for offset in offsets]
    assert [one["mean_l_ha"] for one in truth["nozzles"]] == pytest.approx(expected, rel=1e-6)
    assert truth["coverage"]["covered_twice_m2"] == pytest.approx(2 * pi * abs(radius_m) * 5, rel=0.005)
    assert truth["coverage"]["covered_once_m2"] == 0.0
    assert truth["coverage"]["missed_m2"] is None
    assert truth["field"] is None


def test_a_boom_that_reaches_beyond_the_centre_of_its_turn() -> None:
    """R = 1 m, 5 m swath, once round: a disc of radius 3.5 m, the inner 1.5 m of which are passed over twice;
    nozzles at 1 m and beyond stand or run backwards."""
    truth = simulate(still_driver(passes=1, circle_radius_m=1.0)).truth
    assert truth["coverage"]["covered_twice_m2"] == pytest.approx(pi * 1.5**2, rel=0.01)
    assert truth["coverage"]["covered_once_m2"] == pytest.approx(pi * (3.5**2 - 1.5**2), rel=0.01)
    known = [one["mean_l_ha"] is not None for one in truth["nozzles"]]
    assert known == [True] * 8 + [False] * 4  # offsets from 1.04 m on: 2.5 x 5/12


def test_the_receiver_follows_the_circle() -> None:
    simulation = simulate(still_driver(passes=1, circle_radius_m=8.0, heading_deg=0.0))
    plane = simulation.scenario
    placed = []
    for _, rmc in fields(simulation, "RMC"):
        lat, lon = degrees(rmc[3], rmc[4]), degrees(rmc[5], rmc[6])
        there = Geodesic.WGS84.Inverse(plane.origin_lat_deg, plane.origin_lon_deg, lat, lon)
        angle = radians(there["azi1"])
        # the centre: after the headland of 6 m, to the right
        placed.append(hypot(there["s12"] * cos(angle) - 6.0, there["s12"] * sin(angle) - 8.0))
    inside = placed[len(placed) // 3 : 2 * len(placed) // 3]
    assert inside == pytest.approx([8.0] * len(inside), abs=0.03)  # five decimals of a minute: 0.02 m


def test_what_goes_wrong_is_a_stretch_with_its_cause() -> None:
    """Passes of 200 m take 100 s and begin at 5 s + 6 m of headland. 25 % too fast is 20 % under; 36 % of the
    pressure leaves 80 % of the flow; 30 % of the flow plugged leaves 70 %. The boom is off for 6 s = 12 m."""
    events = (
        Event("overspeed", 30, 10, 0.25),
        Event("pressure_loss", 50, 10, 0.36),
        Event("flow_loss", 70, 10, 0.30),
        Event("boom_left_off", 90, 6),
        Event("gps_dropout", 140, 12),
    )
    truth = simulate(still_driver(passes=2, pass_length_m=200.0, events=events)).truth
    found = [(one["kind"], one["cause"]) for one in truth["stretches"]]
    assert found == [
        ("under", "speed"),
        ("under", "pressure"),
        ("under", "flow"),
        ("missed", "boom_left_off"),
        ("unknown", "gps_unknown"),
    ]
    speed, pressure, flow, missed, unknown = truth["stretches"]
    assert speed["mean_l_ha"] == pytest.approx(160, rel=0.02)
    assert pressure["mean_l_ha"] == pytest.approx(160, rel=1e-6)
    assert flow["mean_l_ha"] == pytest.approx(140, rel=1e-6)
    assert (flow["start_s"], flow["end_s"], flow["area_m2"]) == (70, 80, pytest.approx(100, rel=1e-6))
    assert (missed["distance_m"], missed["area_m2"]) == (pytest.approx(12), pytest.approx(60))
    assert (unknown["start_s"], unknown["end_s"]) == (142, 152)  # known for gps.stale, 2 s
    assert truth["coverage"]["missed_m2"] == pytest.approx(60, rel=0.01)


def test_a_boom_left_on_treats_the_turn() -> None:
    """For 7 s after the end of a pass of 50 m: through the headland and into the turn, beyond the field."""
    trace = simulate(still_driver(passes=2, pass_length_m=50.0)).trace
    end_s = float(trace.t_s[1:-1][trace.boom_on[:-1] & ~trace.boom_on[1:]][0])
    simulation = simulate(
        still_driver(passes=2, pass_length_m=50.0, events=(Event("boom_left_on", end_s - 5, 12.0),))
    )
    (stretch,) = simulation.truth["stretches"]
    assert (stretch["kind"], stretch["cause"]) == ("over", "boom_left_on")
    assert stretch["end_s"] == pytest.approx(end_s + 7, abs=0.03)
    beyond_m2 = simulation.truth["applied"]["area_m2"] - 2 * 50 * 5
    assert beyond_m2 > 40
    assert simulation.truth["coverage"]["outside_m2"] == pytest.approx(beyond_m2, rel=0.02)


def test_plugged_nozzles_alert_only_where_the_flow_is_measured() -> None:
    events = (Event("flow_loss", 30, 15, 0.3),)
    for sensors, codes in ((("flow", "switch"), ["rate_low"]), (("pressure", "switch"), [])):
        scenario = still_driver(passes=1, pass_length_m=150.0, sensors=sensors, events=events)
        assert [alert["code"] for alert in simulate(scenario).truth["alerts_due"]] == codes


@pytest.mark.parametrize(
    ("parameters", "complaint"),
    [
        (
            {"pass_spacing_m": 3.0, "turn_radius_m": 2.0},
            "pass_spacing_m = 3 must be at least twice turn_radius_m = 2",
        ),
        ({"circle_radius_m": 0.05}, "circle_radius_m = 0.05 must be 0.1 or more"),
        ({"circle_radius_m": 8.0, "pass_spacing_m": 5.0}, "pass_spacing_m = 5 means nothing on a circle"),
        ({"cross_pass_overlap_m": 1.0}, "cross_pass_overlap_m = 1 is too much for a headland of 6 m"),
        ({"pass_spacing_m": float("nan")}, "pass_spacing_m = nan must be between"),
    ],
)
def test_ways_that_cannot_be_driven_are_refused(parameters: dict[str, float], complaint: str) -> None:
    with pytest.raises(UsageError, match=complaint):
        still_driver(**parameters)


def test_no_boom_at_all_covers_nothing() -> None:
    scenario = still_driver(passes=1, pass_length_m=20.0, events=(Event("boom_left_off", 0, 100),))
    truth = simulate(replace(scenario, rig=round_rig())).truth
    assert truth["coverage"]["covered_once_m2"] == 0.0
    assert truth["coverage"]["missed_m2"] == pytest.approx(100.0, rel=0.002)
    assert {one["mean_l_ha"] for one in truth["nozzles"]} == {None}


@pytest.mark.parametrize(("width_m", "height_m"), [(80.0, 60.0), (50_000.0, 5.0), (5.0, 50_000.0)])
def test_the_lattice_fills_its_box_also_a_long_and_narrow_one(width_m: float, height_m: float) -> None:
    """As many points as squares; all points of the rows and columns about 50 km x 5 m would be 3e9."""
    step = (width_m * height_m / 50_000) ** 0.5
    x, y = _lattice(-7.0, 3.0, -7.0 + width_m, 3.0 + height_m, step)
    assert len(x) * step**2 == pytest.approx(width_m * height_m, rel=0.01)
    assert (x.min() >= -7.0, x.max() <= -7.0 + width_m, y[0] >= 3.0, y[-1] <= 3.0 + height_m) == (True,) * 4
    assert all(a <= b for a, b in pairwise(y.tolist()))
