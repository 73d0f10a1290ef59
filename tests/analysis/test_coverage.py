"""Coverage: simulated passes against their truth, hand-made strips against paper, and wild ways."""

import json
from dataclasses import replace
from math import pi

import numpy as np
import pytest
import shapely
from driven import driven
from hand_made import DEGREE_M, Track, rig, run
from hypothesis import given, settings
from hypothesis import strategies as st

from rigmon.analysis import boundary as boundaries
from rigmon.analysis import extras
from rigmon.analysis.coverage import Coverage, coverage
from rigmon.analysis.frames import RunData
from rigmon.analysis.ground import Ground
from rigmon.analysis.path import path_of
from rigmon.analysis.shapes import as_array, layers, length_and_width_m, wide_part
from rigmon.errors import UsageError
from rigmon.model import Sample
from rigmon.simulate import Event, Scenario

NORTH_DEGREE_M = 110574.2727  # of latitude at the equator, WGS 84: pi/180 x a (1 - e^2)

#: a receiver without position noise, that prints finely and often; the switch is heard at once
EXACT = {
    "position_noise_m": 0.0,
    "position_decimals": 7,
    "gps_hz": 10,
    "sensor_hz": 10,
    "sentences": ("RMC",),
}


def covered(data: RunData, **more: object) -> Coverage:
    path = path_of(data.columns)
    assert path is not None
    return Coverage(Ground(data), path, **more)  # type: ignore[arg-type]


def both(scenario: Scenario, *, field: bool = False, **more: object) -> tuple[dict, dict, Coverage]:
    """Truth and figures of a simulated run; with the true field as boundary."""
    truth, data = driven(scenario)
    given = boundaries.parse(json.dumps(truth["field"]), "field") if field else None
    found = covered(data, boundary=given, **more)
    figures = coverage(found)
    json.dumps(figures, allow_nan=False)
    assert_sound(found, figures)
    return truth["coverage"], figures, found


def assert_sound(found: Coverage, figures: dict) -> None:
    """What must hold of every run."""
    parts = figures["covered_once_m2"] + figures["covered_twice_m2"] + figures["covered_more_m2"]
    assert parts == pytest.approx(figures["covered_m2"], abs=1e-6)
    twice = figures["covered_twice_m2"] + figures["covered_more_m2"]
    assert figures["pass_overlap_m2"] + figures["headland_overlap_m2"] == pytest.approx(twice, abs=0.01)
    assert all(shapely.is_valid(found.swaths.shape))
    assert all(shapely.is_valid(shape) for shape in (found.covered, found.twice, found.more, found.headland))
    assert all(shapely.is_valid(found.gaps))
    # no ground is in a gap and covered
    assert shapely.intersection(shapely.union_all(found.gaps), found.covered).area == pytest.approx(
        0, abs=0.01
    )


@pytest.mark.parametrize("spacing_m", [5.5, None, 6.7])  # the swath is 6.096 m
@pytest.mark.parametrize("field", [False, True], ids=["no boundary", "boundary"])
def test_doubled_and_missed_ground_of_simulated_passes(spacing_m: float | None, field: bool) -> None:
    scenario = Scenario(passes=6, pass_length_m=100.0, pass_spacing_m=spacing_m, **EXACT)
    truth, found, _ = both(scenario, field=field)
    assert found["covered_once_m2"] == pytest.approx(truth["covered_once_m2"], rel=0.005)
    assert found["covered_twice_m2"] == pytest.approx(truth["covered_twice_m2"], rel=0.03, abs=0.5)
    assert found["covered_more_m2"] == pytest.approx(0.0, abs=0.1)
    # at 10 Hz the switch is heard up to 0.1 s late: 1.6 m/s x 0.1 s x 6.1 m at each of 6 begins
    assert found["missed_m2"] == pytest.approx(truth["missed_m2"], rel=0.03, abs=6 if field else 1)
    if field:
        assert found["boundary"]["field_m2"] == pytest.approx(truth["field_m2"], rel=1e-4)
        assert found["boundary"]["inside_missed_m2"] == found["missed_m2"]
        assert found["boundary"]["outside_m2"] == pytest.approx(truth["outside_m2"], abs=6)
    else:
        assert found["boundary"] is None


@pytest.mark.parametrize("spacing_m", [5.5, None, 6.7])
@pytest.mark.parametrize("seed", [1, 2])
def test_position_noise_is_stated_as_uncertainty(spacing_m: float | None, seed: int) -> None:
    """Noise of 0.5 m, sqrt(2) x 0.5 m from pass to pass: within the default of 1 m."""
    scenario = Scenario(seed=seed, passes=6, pass_length_m=100.0, pass_spacing_m=spacing_m)
    truth, found, _ = both(scenario, field=seed == 1)
    twice = found["covered_twice_m2"] + found["covered_more_m2"]
    assert abs(twice - truth["covered_twice_m2"]) < found["overlap_uncertainty_m2"]
    assert abs(found["missed_m2"] - truth["missed_m2"]) < found["missed_uncertainty_m2"]
    assert found["position_uncertainty_m"] == 1.0
    assert found["position_uncertainty_basis"] == "default"


def test_a_cross_pass_is_headland_overlap() -> None:
    """Hand-worked, swath 6.096 m, 5 passes 5.5 m apart, 60 m long, 1.5 m of them crossed. Cross pass: quarter
    turn of 6.096/2 - 0.5 - 1.5 = 1.048 m, then on from 4 x 5.5 - 1.048 - 0.5 = 20.452 m to -3.048 m: 23.5 m.
    Pass overlap: 4 strips of 0.596 m x 60 m, of which a swath's width at each end is headland."""
    scenario = Scenario(
        passes=5, pass_length_m=60.0, headland_m=0.5, cross_pass_overlap_m=1.5, pass_spacing_m=5.5, **EXACT
    )
    truth, found, _ = both(scenario)
    strips, ends, cross = 4 * 0.596 * 60, 4 * 0.596 * 2 * 6.096, 23.5 * 1.5
    assert found["covered_twice_m2"] == pytest.approx(truth["covered_twice_m2"], rel=0.01)
    assert found["covered_more_m2"] == pytest.approx(truth["covered_more_m2"], abs=0.5)
    assert found["pass_overlap_m2"] == pytest.approx(strips - ends, rel=0.02)
    # of the cross pass's ground 4 x 0.596 x 1.5 m2 lies on strips, and is counted once
    assert found["headland_overlap_m2"] == pytest.approx(ends + cross - 4 * 0.596 * 1.5, rel=0.02)


def test_a_boom_left_off_is_a_gap_and_a_boom_left_on_lies_outside() -> None:
    events = (Event("boom_left_on", 50.0, 10.0), Event("boom_left_off", 75.0, 6.0))
    scenario = Scenario(passes=4, pass_length_m=60.0, wander_sd_m_s=0.0, events=events, **EXACT)
    for field in (False, True):
        truth, found, shapes = both(scenario, field=field)
        gap = found["gaps"][0]
        assert gap["certainty"] == "found"
        assert gap["area_m2"] == pytest.approx(truth["missed_m2"], rel=0.03)
        # hand-worked: 6 s at 3.5 mph = 9.39 m by a swath of 6.096 m
        assert gap["length_m"] == pytest.approx(9.39, abs=0.3)
        assert gap["width_m"] == pytest.approx(6.096, abs=0.3)
        lat, lon = np.array([gap["lat_deg"]]), np.array([gap["lon_deg"]])
        (east,), (north,) = shapes.plane.to_metres(lat, lon)
        assert shapely.contains_xy(shapes.gaps[0], east, north)
    # 0.1 s late at each of eight ends
    assert found["missed_m2"] == pytest.approx(truth["missed_m2"], abs=5)
    assert found["boundary"]["outside_m2"] == pytest.approx(truth["outside_m2"], abs=5)


def test_a_dropout_is_bridged_and_said() -> None:
    scenario = Scenario(passes=3, pass_length_m=100.0, events=(Event("gps_dropout", 40.0, 10.0),), **EXACT)
    truth, found, _ = both(scenario)
    assert found["covered_once_m2"] == pytest.approx(truth["covered_once_m2"], rel=0.005)
    assert found["missed_m2"] < 2
    # hand-worked: 10 s x 1.56 m/s x 6.096 m
    assert found["assumed_m2"] == pytest.approx(95, rel=0.1)
    assert found["unplaced_m2"] == 0.0


def test_where_the_booms_state_is_unknown_a_gap_is_only_possible() -> None:
    silent = (Event("switch_silent", 95.0, 20.0),)  # in the middle one of three passes
    scenario = Scenario(passes=3, pass_length_m=100.0, events=silent, **EXACT)
    _, found, shapes = both(scenario)
    gap = found["gaps"][0]
    assert gap["area_m2"] > 100
    assert gap["certainty"] == "possible"
    assert not shapes.boom_unknown.is_empty


@pytest.mark.parametrize("radius_m", [8.0, -8.0, 4.0])
def test_twice_round_a_circle(radius_m: float) -> None:
    truth, found, shapes = both(Scenario(passes=2, circle_radius_m=radius_m, **EXACT))
    # hand-worked: 2 pi R x swath
    assert found["covered_twice_m2"] == pytest.approx(2 * pi * abs(radius_m) * 6.096, rel=0.02)
    assert found["covered_twice_m2"] == pytest.approx(truth["covered_twice_m2"], rel=0.02)
    # the hole in the middle has a radius of R - 3.048 m: of 8 m wider than a gap may be, of 4 m not
    hole_m2 = pi * (abs(radius_m) - 3.048) ** 2
    assert found["missed_m2"] == pytest.approx(hole_m2 if radius_m == 4.0 else 0, rel=0.1, abs=0.5)
    assert len(shapes.swaths.ends) == 2


def test_a_boom_whose_inner_end_runs_backwards() -> None:
    """Hand-worked: R = 2 m, swath 6.096 m: a disc of radius 5.048 m, the inner 1.048 m passed over twice."""
    _, found, _ = both(Scenario(passes=1, circle_radius_m=2.0, turn_speed_m_s=1.0, **EXACT))
    assert found["covered_m2"] == pytest.approx(pi * 5.048**2, rel=0.04)
    assert found["covered_twice_m2"] + found["covered_more_m2"] == pytest.approx(pi * 1.048**2, abs=1.5)


# -- hand-made strips ---------------------------------------------------------------------------------------

Strip = tuple[float, float, float]


def strips(*wanted: Strip, boom: list[int | None] | None = None, speed_m_s: float = 2.0) -> RunData:
    """Passes at x from y to y [m], northwards or southwards, on the equator; swath 5 m, 1 s samples."""
    samples: list[Sample] = []
    t = 0
    for n, (x, start, end) in enumerate(wanted):
        on = 1 if boom is None else boom[n]
        steps = round(abs(end - start) / speed_m_s)
        for k in range(steps + 1):
            t += 1_000_000_000
            y = start + (end - start) * k / steps
            treated = on if k else 0  # the first fix of each pass is only where it begins
            samples.append(
                Sample(
                    t, 1_000_000_000, y / NORTH_DEGREE_M, x / DEGREE_M, 0.0 if end > start else 180.0,
                    speed_m_s, 0.02, 6.0, None, treated, None, None, 1, speed_m_s,
                    None if treated is None else speed_m_s * 5 * treated,
                    None if treated is None else 0.1 * treated, 0,
                )
            )  # fmt: skip
        t += 60_000_000_000
    return run(samples, rig())


def figures(data: RunData, **more: object) -> dict:
    found = covered(data, **more)
    result = coverage(found)
    assert_sound(found, result)
    return result


def test_abutting_strips_are_covered_once() -> None:
    # hand-worked: 3 x 5 m x 100 m
    found = figures(strips((0, 0, 100), (5, 100, 0), (10, 0, 100)))
    assert found["covered_once_m2"] == pytest.approx(1500, rel=1e-3)
    assert found["covered_twice_m2"] == pytest.approx(0, abs=0.5)
    assert found["missed_m2"] == pytest.approx(0, abs=0.5)


@pytest.mark.parametrize(
    ("apart_m", "uncertainty_m", "certainty"),
    [(6.2, None, "found"), (5.6, None, "possible"), (5.6, 0.5, "found"), (6.2, 1.5, "possible")],
)
def test_a_gap_narrower_than_the_position_uncertainty_is_only_possible(
    apart_m: float, uncertainty_m: float | None, certainty: str
) -> None:
    found = figures(strips((0, 0, 100), (apart_m, 100, 0)), position_uncertainty_m=uncertainty_m)
    (gap,) = found["gaps"]
    width = apart_m - 5
    assert gap["certainty"] == certainty
    assert gap["width_m"] == pytest.approx(width, abs=0.02)
    assert gap["length_m"] == pytest.approx(100, rel=0.01)
    assert gap["area_m2"] == pytest.approx(100 * width, rel=0.02)
    assert gap["lon_deg"] * DEGREE_M == pytest.approx(apart_m / 2, abs=width / 2)
    assert 0 < gap["lat_deg"] * NORTH_DEGREE_M < 100
    assert found["missed_possible_m2"] == pytest.approx(
        found["missed_m2"] if certainty == "possible" else 0, abs=0.1
    )
    basis = "default" if uncertainty_m is None else "given"
    assert found["position_uncertainty_basis"] == basis


def test_narrow_and_wide_places_of_one_gap_are_told_apart() -> None:
    """Three strips 0.6 m apart, the middle one interrupted for 8 m: there 6.2 m are found, else possible."""
    found = figures(strips((0, 0, 100), (5.6, 0, 40), (5.6, 48, 100), (11.2, 0, 100)))
    assert [gap["certainty"] for gap in found["gaps"]].count("found") == 1
    gap = next(gap for gap in found["gaps"] if gap["certainty"] == "found")
    assert gap["area_m2"] == pytest.approx(8 * 6.2, rel=0.1)
    # hand-worked: 2 x 0.6 x 100 + 8 x 5
    assert found["missed_m2"] == pytest.approx(160, rel=0.01)


def test_overlap_narrower_than_the_position_uncertainty_is_only_possible() -> None:
    narrow = figures(strips((0, 0, 100), (4.5, 100, 0)))
    # hand-worked: 0.5 m x 100 m, of which 5 m at each end are headland
    assert narrow["covered_twice_m2"] == pytest.approx(50, rel=0.01)
    assert narrow["overlap_possible_m2"] == pytest.approx(50, rel=0.01)
    assert narrow["headland_overlap_m2"] == pytest.approx(5, rel=0.1)
    # sqrt((2 x 1 m x 100 m)^2 + 50^2)
    assert narrow["overlap_uncertainty_m2"] == pytest.approx(206.2, rel=0.01)
    wide = figures(strips((0, 0, 100), (3, 100, 0)))
    assert wide["covered_twice_m2"] == pytest.approx(200, rel=0.01)
    assert wide["overlap_possible_m2"] == pytest.approx(0, abs=2)


def test_a_missed_pass_is_a_gap_and_the_open_side_of_a_field_is_none() -> None:
    whole = figures(strips((0, 0, 100), (10, 0, 100)))
    # a swath of 5 m x 100 m, less what a disc of 1.5 swaths reaches into both its mouths
    assert whole["missed_m2"] == pytest.approx(500, rel=0.02)
    (gap,) = whole["gaps"]
    assert gap["certainty"] == "found"
    assert figures(strips((0, 0, 100), (13, 0, 100)))["missed_m2"] == 0.0  # 8 m: two fields
    # passes of different length: steps of the outline, and an inner corner
    steps = figures(strips((0, 0, 100), (5, 0, 90), (10, 0, 40), (15, 0, 40)))
    assert steps["missed_m2"] == pytest.approx(0, abs=0.5)


def test_a_boundary_tells_what_was_missed_inside_and_covered_outside() -> None:
    """Hand-worked: field 20 m x 100 m, a hole of 10 m2 at x = 15 m; strips over -2.5 to 7.5 m, -10 to 100 m:
    7.5 x 100 m2 inside, 2.5 x 100 + 10 x 10 m2 outside."""
    corners = [[0, 0], [20, 0], [20, 100], [0, 100], [0, 0]]
    hole = [[14, 50], [16, 50], [16, 55], [14, 55], [14, 50]]
    rings = [[[x / DEGREE_M, y / NORTH_DEGREE_M] for x, y in ring] for ring in (corners, hole)]
    field = boundaries.parse(json.dumps({"type": "Polygon", "coordinates": rings}), "field")
    found = figures(strips((0, -10, 100), (5, 100, -10)), boundary=field)
    assert found["boundary"]["field_m2"] == pytest.approx(2000 - 10, rel=1e-3)
    assert found["boundary"]["outside_m2"] == pytest.approx(250 + 100, rel=0.01)
    assert found["boundary"]["inside_missed_m2"] == pytest.approx(2000 - 10 - 750, rel=0.01)
    (gap,) = found["gaps"]
    assert gap["certainty"] == "found"


def test_a_coarsely_printed_position_is_no_more_certain_than_its_step() -> None:
    data = strips(*[(x, 0, 100) for x in (0, 5, 10)])
    # three decimals of a minute: 1/60000 of a degree, 1.85 m
    lat, lon = (np.round(of * 60, 3) / 60 for of in (data.columns.lat_deg, data.columns.lon_deg))
    found = coverage(covered(replace(data, columns=replace(data.columns, lat_deg=lat, lon_deg=lon))))
    assert found["position_uncertainty_basis"] == "printed resolution"
    assert found["position_uncertainty_m"] == pytest.approx(1.85, abs=0.01)


def test_treated_ground_without_a_place_is_counted_apart() -> None:
    data = strips((0, 0, 100))
    lat = data.columns.lat_deg.copy()
    lat[:20] = np.nan
    found = figures(replace(data, columns=replace(data.columns, lat_deg=lat)))
    # hand-worked: the 19 samples of 2 m x 5 m before the first place, and the one that it ends
    assert found["unplaced_m2"] == pytest.approx(200, abs=0.1)
    assert found["covered_m2"] == pytest.approx(500 - 200, rel=0.01)


def test_a_run_without_treated_ground_covers_nothing() -> None:
    found = figures(strips((0, 0, 100), boom=[0]))
    areas = [value for key, value in found.items() if key.endswith("_m2")]
    assert areas
    assert set(areas) == {0.0}
    assert found["gaps"] == []


def test_standing_with_the_boom_on_covers_nothing_new() -> None:
    """The receiver's position wanders by a metre while the rig stands for ten minutes."""
    data = strips((0, 0, 100))
    there = data.columns
    rng = np.random.default_rng(5)
    still = 600
    samples = [
        Sample(
            int(there.t_ns[-1]) + (k + 1) * 1_000_000_000, 1_000_000_000,
            (100 + rng.normal(0, 1)) / NORTH_DEGREE_M, rng.normal(0, 1) / DEGREE_M, None, 0.02, 0.02, 6.0,
            None, 1, None, None, 1, 0.02, 0.1, 0.1, 0,
        )
        for k in range(still)
    ]  # fmt: skip
    moving = figures(data)
    both_ways = figures(run([*_samples(data), *samples], rig()))
    assert both_ways["covered_m2"] == pytest.approx(moving["covered_m2"], abs=15)
    assert both_ways["covered_twice_m2"] + both_ways["covered_more_m2"] < 15


def _samples(data: RunData) -> list[Sample]:
    c = data.columns
    none = [None] * len(c)
    rows = zip(
        c.t_ns.tolist(), c.dt_ns.tolist(), c.lat_deg.tolist(), c.lon_deg.tolist(), c.track_deg.tolist(),
        c.speed_m_s.tolist(), c.speed_sd_m_s.tolist(), c.flow_l_min.tolist(), none, c.boom_on.tolist(), none,
        none, c.basis.tolist(), c.distance_m.tolist(), c.area_m2.tolist(), c.volume_l.tolist(),
        c.flags.tolist(), strict=True,
    )  # fmt: skip
    return [Sample(*row) for row in rows]


@given(
    seed=st.integers(0, 10**6),
    jumpy=st.floats(0, 20),
    swath_m=st.floats(0.5, 40),
    gaps=st.floats(0, 0.5),
)
@settings(max_examples=25, deadline=None)
def test_no_way_however_wild_breaks_it(seed: int, jumpy: float, swath_m: float, gaps: float) -> None:
    """Random walks with random switching and unknowns: sound figures, valid shapes."""
    rng = np.random.default_rng(seed)
    n = 150
    course = np.cumsum(rng.normal(0, 0.4, n))
    east = np.cumsum(2 * np.sin(course)) + rng.normal(0, jumpy, n)
    north = np.cumsum(2 * np.cos(course)) + rng.normal(0, jumpy, n)
    on = np.repeat(rng.choice([0.0, 1.0, 1.0, np.nan], n // 10), 10)
    unknown = rng.random(n) < gaps
    samples = [
        Sample(
            (k + 1) * 500_000_000, 500_000_000, None if unknown[k] else north[k] / NORTH_DEGREE_M,
            None if unknown[k] else east[k] / DEGREE_M,
            None if k % 7 == 0 else float(np.degrees(course[k]) % 360), 4.0, 0.02, 6.0, None,
            None if np.isnan(on[k]) else int(on[k]), None, None, 1, 2.0,
            None if np.isnan(on[k]) else 2 * swath_m * on[k], None if np.isnan(on[k]) else 0.05 * on[k], 0,
        )
        for k in range(n)
    ]  # fmt: skip
    data = run(samples, replace(rig(), swath_m=swath_m))
    if path_of(data.columns) is not None:
        json.dumps(figures(data), allow_nan=False)


# -- shapes -------------------------------------------------------------------------------------------------


@given(st.lists(st.tuples(*[st.integers(0, 9)] * 4), max_size=14))
@settings(max_examples=60, deadline=None)
def test_layers_count_as_a_grid_of_squares_does(corners: list[tuple[int, int, int, int]]) -> None:
    """Boxes on whole metres: each square metre is counted one by one (an oracle that overlays nothing)."""
    boxes = [(min(a, c), min(b, d), max(a, c), max(b, d)) for a, b, c, d in corners]
    boxes = [box for box in boxes if box[0] < box[2] and box[1] < box[3]]
    times = np.zeros((10, 10), dtype=int)
    for west, south, east, north in boxes:
        times[west:east, south:north] += 1
    found = layers(as_array([shapely.box(*box) for box in boxes]))
    assert [shape.area for shape in found] == pytest.approx([(times >= k).sum() for k in (1, 2, 3)], abs=1e-9)


def test_length_width_and_wide_part_of_plain_shapes() -> None:
    # hand-worked: rectangle 20 x 0.5 m: P = 41, A = 10; square 3 x 3; a dumb-bell's wide part is its two ends
    bell = shapely.union_all(
        [shapely.box(0, 0, 4, 4), shapely.box(4, 1.8, 10, 2.2), shapely.box(10, 0, 14, 4)]
    )
    length, width = length_and_width_m(as_array([shapely.box(0, 0, 20, 0.5), shapely.box(0, 0, 3, 3)]))
    assert length == pytest.approx([20, 3])
    assert width == pytest.approx([0.5, 3])
    (wide,) = wide_part(as_array([bell]), 1.0)
    # less four corners each: (1 - pi/4) x 0.5^2
    assert wide.area == pytest.approx(2 * (16 - 4 * (1 - pi / 4) * 0.25), abs=0.1)
    assert len(shapely.get_parts(wide)) == 2


def test_without_shapely_it_is_said_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    def absent(name: str) -> None:
        raise ModuleNotFoundError(f"No module named {name!r}")

    monkeypatch.setattr(extras, "import_module", absent)
    with pytest.raises(UsageError, match=r"coverage needs shapely.*pip install 'rigmon\[analysis\]'"):
        covered(strips((0, 0, 100)))


def test_a_strip_exactly_as_long_as_the_boom_is_wide() -> None:
    """Its headland ends at its last place: a ring still needs both ends."""
    for speed in (
        2.0,
        5.0,
    ):  # before and after; from 2 m/s on, smoothing leaves less than the 5 m that were driven
        track = Track().go(5, boom=0, speed=speed).go(1, speed=5.0).go(5, boom=0, speed=speed)
        data = run(track)
        ground, path = Ground(data), path_of(data.columns)
        assert path is not None
        found = coverage(Coverage(ground, path))
        assert 17 < found["covered_once_m2"] < 25.01
    assert found["covered_once_m2"] == pytest.approx(25, rel=0.01)
