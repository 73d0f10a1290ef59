"""A run's diagnoses: when and where they began, until when, the ground since; in the score, as JSON and text.

The run is that of `helpers.faulty`: invented, 6 m swath, 2 m/s due east, one of 12 nozzles plugged at 100 s.
"""

import dataclasses
import json
import re
from pathlib import Path
from typing import Any

import pytest
from hand_made import Track, run
from helpers.faulty import (
    LON_DEG,
    METRES_PER_DEG,
    SPEED_M_S,
    SWATH_M,
    as_of_version_1,
    faulty_log,
)
from hypothesis import given
from hypothesis import strategies as st

from rigmon.analysis.diagnosis_words import change, heading, parted, remark, sure
from rigmon.analysis.frames import RunData
from rigmon.analysis.score import score
from rigmon.analysis.score_text import score_text
from rigmon.analysis.source import load
from rigmon.analysis.whatif import WhatIf
from rigmon.analysis.whole import analyse
from rigmon.model import Alert, Finding
from rigmon.words import CANNOT_TELL, DIAGNOSES, cannot_tell, diagnosable

S = 1_000_000_000


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("diagnoses")


def loaded(folder: Path, name: str, **options: Any) -> RunData:
    path = folder / f"{name}.sqlite"
    return load(path if path.exists() else faulty_log(path, **options), None)


def test_when_where_and_how_much(folder: Path) -> None:
    (one,) = score(loaded(folder, "cured"))["diagnoses"]
    assert (one["code"], one["nozzles"], one["nozzle_count"], one["sharp"]) == (
        "nozzles_plugged",
        1,
        12,
        True,
    )
    assert one["nozzles_confidence_pct"] > 95
    # one of twelve is 8.33 %; 7.2 L/min x 11/12 = 6.6 L/min
    assert one["change_pct"] == pytest.approx(-8.33, abs=1)
    assert one["boom_flow_l_min"] == pytest.approx(6.6, rel=0.02)
    assert 98 < one["since_s"] < 104
    assert one["since_s"] < one["found_s"] < 112
    assert 140 < one["ended_s"] < 155
    assert one["open"] is False
    # the receiver's clock began with the run, on 2026-05-30
    assert one["since_utc"] == f"2026-05-30T00:01:{one['since_s'] - 60:06.3f}Z"
    assert one["ended_utc"].startswith("2026-05-30T00:02:")
    # 2 m/s due east from the start; the second pass began with the boom at 75 s
    assert one["lat_deg"] == pytest.approx(38.9, abs=1e-6)
    assert (one["lon_deg"] - LON_DEG) * METRES_PER_DEG == pytest.approx(SPEED_M_S * one["since_s"], abs=1)
    assert one["pass_number"] == 2
    assert one["pass_distance_m"] == pytest.approx(SPEED_M_S * (one["since_s"] - 75), rel=0.01)
    # speed x swath x time since it began, not since it was found
    lasted_s = one["ended_s"] - one["since_s"]
    assert one["area_m2"] == pytest.approx(SPEED_M_S * SWATH_M * lasted_s, rel=0.01)
    words = DIAGNOSES["nozzles_plugged"]
    assert (one["evidence"], one["cause"], one["check"]) == words


def test_what_is_still_so_counts_to_the_end_of_the_run(folder: Path) -> None:
    (one,) = score(loaded(folder, "open", cured_s=999.0))["diagnoses"]
    assert (one["open"], one["ended_s"], one["ended_utc"]) == (True, None, None)
    assert one["area_m2"] == pytest.approx(SPEED_M_S * SWATH_M * (170 - one["since_s"]), rel=0.01)


def test_a_receiver_without_positions_gives_no_place_but_the_pass(folder: Path) -> None:
    result = score(loaded(folder, "nowhere", positions=False))
    (one,) = result["diagnoses"]
    assert (one["lat_deg"], one["lon_deg"], one["since_utc"]) == (None, None, None)
    assert one["pass_number"] == 2
    assert [gap["missing"] for gap in result["diagnosis"]["cannot_tell"]] == ["positions"]


@pytest.mark.parametrize(("missing", "key"), [("pressure", "flow"), ("flow", "pressure")])
def test_with_a_sensor_missing_it_says_what_cannot_be_told(folder: Path, missing: str, key: str) -> None:
    run_ = loaded(folder, f"no-{missing}", **{missing: {"source": "none"}})
    result = score(run_)
    assert result["diagnosis"]["cannot_tell"] == [{"missing": missing, "words": CANNOT_TELL[missing]}]
    assert result["diagnosis"][f"{key}_fitted"] is True
    assert {one["code"] for one in result["diagnoses"]} <= {"output_changed"}
    text = " ".join(score_text(result, run_.rig).split())
    assert CANNOT_TELL[missing] in text


def test_the_whole_analysis_says_the_same(folder: Path) -> None:
    run_ = loaded(folder, "cured")
    data = analyse(run_).to_json()
    assert data["diagnoses"] == score(run_)["diagnoses"]


# -- ends ---------------------------------------------------------------------------------------------------


def told(findings: list[Finding] | None, alerts: list[Alert], seconds: int = 100) -> list[dict[str, Any]]:
    """Diagnoses of a run at 2 m/s on 5 m: 10 m2 a second."""
    made = run([*Track().go(seconds).samples, *alerts])
    made = dataclasses.replace(made, findings=None if findings is None else tuple(findings))
    found: list[dict[str, Any]] = score(made)["diagnoses"]
    return found


def leak(t_s: int, since_s: int | None = None) -> Finding:
    return Finding("boom_leak", t_s * S, (t_s if since_s is None else since_s) * S, 8.0, 1.0)


def up(t_s: int, code: str = "boom_leak") -> Alert:
    return Alert(t_s * S, code, True, 8.0, 4.0, "%")


def down(t_s: int, code: str = "boom_leak") -> Alert:
    return Alert(t_s * S, code, False, None, None, "%")


def test_each_finding_ends_with_its_own_alert() -> None:
    first, second = told([leak(20, 10), leak(60, 55)], [up(20), down(30), up(60)])
    # 2 m/s x 5 m x (30 - 10) s; and to the end, (100 - 55) s
    assert (first["ended_s"], first["open"], first["area_m2"]) == (30.0, False, pytest.approx(200))
    assert (second["ended_s"], second["open"], second["area_m2"]) == (None, True, pytest.approx(450))


def test_found_again_before_the_alert_cleared_ends_with_the_same() -> None:
    found = told([leak(20), leak(40)], [up(20), down(50)])
    assert [(one["ended_s"], one["open"]) for one in found] == [(50.0, False)] * 2
    open_still = told([leak(20), leak(40)], [up(20)])
    assert [one["open"] for one in open_still] == [True, True]


def test_one_whose_alert_never_came_up_has_an_unknown_end_and_area() -> None:
    """An on-delay of the rig file may be longer than it lasted."""
    first, second = told([leak(20), leak(60)], [up(65), down(80)])
    assert (first["open"], first["ended_s"], first["area_m2"]) == (None, None, None)
    assert (second["open"], second["ended_s"]) == (False, 80.0)
    (alone,) = told([leak(20)], [up(20, "gps_late"), down(30, "gps_late")])
    assert alone["open"] is None


def test_only_ground_with_the_boom_on_counts() -> None:
    made = run([*Track().go(30).go(40, boom=0).go(30).samples, up(20)])
    (one,) = score(dataclasses.replace(made, findings=(leak(20),)))["diagnoses"]
    assert one["area_m2"] == pytest.approx(10 * (10 + 30))


def test_a_log_from_before_findings_were_kept_tells_what_its_alerts_do(folder: Path) -> None:
    path = faulty_log(folder / "old.sqlite")
    as_of_version_1(path)
    run_ = load(path, None)
    result = score(run_)
    (one,) = result["diagnoses"]
    assert (one["code"], one["open"]) == ("nozzles_plugged", False)
    assert one["ended_s"] is not None
    assert {
        one[key] for key in ("since_s", "area_m2", "change_pct", "nozzles", "lat_deg", "pass_number")
    } == {None}
    assert result["diagnosis"]["kept"] is False
    assert "by the alerts alone" in score_text(result, run_.rig)
    again = score(load(path, None, what_if=WhatIf(false_alarms_per_h="0.1")))
    assert again["diagnosis"]["kept"]
    assert again["diagnoses"] == score(loaded(folder, "cured"))["diagnoses"]


times = st.integers(0, 120)
codes = st.sampled_from(["boom_leak", "supply_weak", "from_a_later_version"])


@given(
    findings=st.lists(
        st.builds(
            Finding,
            code=codes,
            t_ns=times.map(lambda t: t * S),
            since_ns=st.integers(-(2**62), 2**62),
            change_pct=st.none() | st.floats(allow_nan=False),
            change_u_pct=st.none() | st.floats(allow_nan=False),
            sharp=st.none() | st.booleans(),
            nozzles=st.none() | st.integers(-3, 2**60),
            confidence=st.none() | st.floats(allow_nan=False),
        ),
        max_size=6,
    ),
    alerts=st.lists(st.builds(Alert, times.map(lambda t: t * S), codes, st.booleans(),
                              st.none(), st.none(), st.just("%")), max_size=8),
)  # fmt: skip
def test_whatever_an_altered_log_holds_is_told_as_json_and_text(
    findings: list[Finding], alerts: list[Alert]
) -> None:
    made = run([*Track().go(20).samples, *alerts])
    made = dataclasses.replace(made, findings=tuple(findings))
    result = score(made)
    assert json.loads(json.dumps(result, allow_nan=False)) == result
    assert len(result["diagnoses"]) == len(findings)
    text = score_text(result, made.rig)
    assert len(text.splitlines()) <= 70
    assert not re.search(r"\b(None|nan|inf|True|False)\b", text)


# -- words --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("system", "far", "area"), [("us", "ft", "ac"), ("metric", "m", "ha")])
def test_the_text_says_all_of_it_in_either_system(folder: Path, system: str, far: str, area: str) -> None:
    run_ = loaded(folder, "cured")
    text = score_text(score(run_), run_.rig, system)
    told_ = " ".join(text[text.index("Diagnoses") : text.index("Stretches")].split())
    assert told_.startswith(
        "Diagnoses nozzle plugged: 1 of 12 nozzles (over 99 % sure), flow at one pressure -8"
    )
    assert re.search(r"began 0:01:\d\d \(2026-05-30 00:01:\d\d UTC\); found 0:01:\d\d; over 0:02:\d\d", told_)
    assert re.search(rf"at 38\.90000, -94\.69\d+, \d+ {far} into pass 2; 0\.\d+ {area} treated until", told_)
    for words in DIAGNOSES["nozzles_plugged"]:
        assert words in told_


def test_only_three_are_told_those_that_lasted_first() -> None:
    made = run([*Track().go(100).samples, *(a for t in (16, 24, 32, 40) for a in (up(t), down(t + t // 8)))])
    findings = tuple(leak(t) for t in (16, 24, 32, 40))
    text = score_text(score(dataclasses.replace(made, findings=findings)), made.rig)
    assert [f"found 0:00:{t}" in text for t in (16, 24, 32, 40)] == [False, True, True, True]
    assert "and one other (--json lists it)" in text


def test_nothing_found_and_nothing_looked_for_are_told_apart(folder: Path) -> None:
    none = run(Track().go(10))
    assert re.search(r"^Diagnoses +none$", score_text(score(none), none.rig), re.MULTILINE)
    off = loaded(folder, "off", diagnosis={"enabled": False})
    assert "not looked for: the rig file's diagnosis.enabled is false" in score_text(score(off), off.rig)


def test_figures_in_words() -> None:
    assert [sure(pct) for pct in (58.13, 98.99, 99.6, 100.0)] == ["58 %", "98 %", "over 99 %", "over 99 %"]
    base = {
        "code": "supply_weak", "change_pct": -7.5, "change_u_pct": None, "flow_change_pct": -7.5,
        "pressure_change_pct": -14.04, "sharp": None, "nozzles": None,
    }  # fmt: skip
    assert heading(base) == "weak supply: flow -7.5 %"
    assert parted(base) == "flow -7.5 %, pressure -14.0 %"
    assert change({**base, "code": "speed_creep", "change_pct": 6.0}) == "speed against the target +6.0 %"
    assert heading({**base, "code": "gps_late", "change_pct": None}) == "GPS speed late"
    assert remark({"enabled": True, "kept": True}) == ""


def test_what_can_be_told_with_which_sensors() -> None:
    both = diagnosable(True, True)
    assert set(both) == set(DIAGNOSES) - {"output_changed"}
    assert "start_mismatch" not in diagnosable(True, True, catch_test=False)
    assert diagnosable(False, False) == ["gps_frozen", "gps_late", "speed_creep"]
    assert "flowmeter_unsteady" in diagnosable(True, False)
    assert "flowmeter_unsteady" not in diagnosable(False, True)
    assert "output_changed" in diagnosable(False, True)
    assert cannot_tell(True, True) == []
    assert cannot_tell(False, False, positions=False) == ["both", "positions"]
    assert {*cannot_tell(True, False), *cannot_tell(False, True)} == {"flow", "pressure"}


# -- against the simulator's own account --------------------------------------------------------------------


def test_a_simulated_run_tells_of_the_ground_that_the_simulator_knows_of() -> None:
    """A nozzle is plugged from 150 s to the end. The level of a pass is not used in its first seconds, so the
    begin may be estimated some seconds late: four of them are 40 m2 of some 2200 (2 % on six seeds)."""
    from test_score_simulated import scored

    from rigmon.simulate import Event, Scenario

    events = (Event("nozzles_plugged", 150.0, 400.0, 1),)
    truth, result = scored(Scenario(seed=3, passes=6, pass_length_m=90, events=events))
    (really,) = truth["events"]
    (one,) = (one for one in result["diagnoses"] if one["code"] == "nozzles_plugged")
    assert one["nozzles"] == really["size"]
    assert one["open"] is True
    assert really["start_s"] - 1 <= one["since_s"] <= one["found_s"]
    # the boom is off at 150 s, in the turn to the third pass
    assert one["pass_number"] == 3
    assert one["area_m2"] == pytest.approx(really["area_m2"], rel=0.04)
    assert one["change_pct"] == pytest.approx(
        really["true"]["coefficient_pct"], abs=1.5 * one["change_u_pct"]
    )
