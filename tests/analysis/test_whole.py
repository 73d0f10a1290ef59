"""The whole analysis of a run: one object, and what of it can be None."""

import json
from dataclasses import replace

import pytest
from hand_made import RIG_TOML, SWATH_M, Track, run

from rigmon import config
from rigmon.analysis.score import score
from rigmon.analysis.whole import ANALYSIS_SCHEMA, analyse


def test_the_object_is_the_score_and_its_sections() -> None:
    made = run(Track().go(30))
    data = analyse(made).to_json()
    scored = score(made)
    assert {key: value for key, value in data.items() if key in scored and key != "stretches"} == {
        key: value for key, value in scored.items() if key != "stretches"
    }
    assert set(data) - set(scored) == {"analysis_schema", "across", "coverage", "closure", "hold"}
    assert data["analysis_schema"] == ANALYSIS_SCHEMA
    json.dumps(data, allow_nan=False)


def test_sections_agree_on_the_ground() -> None:
    """Hand-worked: 30 s x 2 m/s x 5 m = 300 m2; before the first fix, 1 s or 10 m2, no course is known."""
    whole = analyse(run(Track().go(30)))
    assert whole.score["applied"]["area_m2"] == 300.0
    across = whole.sections["across"]
    assert across["area_m2"] + across["without_course_m2"] == 300.0
    assert across["without_course_m2"] <= 10.0
    assert abs(whole.sections["coverage"]["covered_m2"] - 300) < 2 * 2 * SWATH_M
    assert len(whole.passes) == len(whole.sections["hold"]["passes"]) == 1
    assert whole.sections["closure"]["metered_l"] == whole.score["applied"]["volume_l"]


def test_stretches_are_the_ranked_ones() -> None:
    whole = analyse(run(Track().go(30).go(10, speed=1.0).go(30)))
    (stretch,) = whole.to_json()["stretches"]
    assert (stretch["rank"], stretch["kind"], stretch["cause"]) == (1, "over", "speed")


def test_without_places_there_is_no_coverage() -> None:
    whole = analyse(run(Track().go(30, position=False)))
    assert whole.path is whole.coverage is None
    assert whole.sections["across"] is whole.sections["coverage"] is None
    assert whole.score["rate"]["mean_l_ha"] is not None


def test_a_run_without_samples() -> None:
    data = analyse(run([])).to_json()
    assert data["stretches"] == []
    assert data["coverage"] is None
    assert data["verdict"] == "insufficient_data"


def test_progress_names_each_part_before_it_begins() -> None:
    told: list[str] = []
    analyse(run(Track().go(10)), progress=told.append)
    assert told == ["score", "across the boom", "coverage", "stretches"]


def test_the_rig_file_states_how_far_positions_are_off() -> None:
    made = run(Track().go(30))
    assert analyse(made).sections["coverage"]["position_uncertainty_basis"] == "default"
    text = RIG_TOML.replace("[gps]", '[gps]\nposition_uncertainty = "10 in"')
    stated = replace(made, rig=config.parse(text, "test rig"))
    # hand-worked: 10 x 25.4 mm
    assert analyse(stated).sections["coverage"]["position_uncertainty_m"] == pytest.approx(0.254)
    asked = analyse(stated, position_uncertainty_m=0.5)
    assert asked.sections["coverage"]["position_uncertainty_m"] == 0.5
