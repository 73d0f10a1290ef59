"""A study's counts: the same whatever the processes, held to the truth, and judged as the goals say."""

import json
from dataclasses import replace
from math import nan
from typing import Any

import numpy as np
import pytest

from rigmon import simulate as sim
from rigmon.core.conditions import DIAGNOSED
from rigmon.errors import UsageError
from rigmon.rig import Rig
from rigmon.study import Cell, Noise, cells, study
from rigmon.study.cells import Fault, chosen, heard, with_nozzles
from rigmon.study.goals import judged
from rigmon.study.run import _BoomOn, one_run, seed_of
from rigmon.study.tally import tally
from rigmon.study.text import study_text


@pytest.fixture(scope="module")
def rig() -> Rig:
    return heard(sim.demo_rig())


def plugged(rig: Rig, **changes: Any) -> Cell:
    """Two nozzles, soon, half a minute watched: a short run."""
    (cell,) = (cell for cell in cells(rig) if cell.name == "plugged_2_of_12")
    return replace(cell, **{"watch_s": 30.0, "onset_s": (70.0, 90.0), **changes})


# -- cells ------------------------------------------------------------------------------------------------


def test_every_cell_can_be_driven_and_has_names_that_are_diagnoses(rig: Rig) -> None:
    every = cells(rig, with_nozzles(rig, 18))
    assert len({cell.name for cell in every}) == len(every)
    for cell in every:
        assert set(cell.causes) <= set(DIAGNOSED)
        assert len(cell.about) < 25, "the table's column"
        for fault in cell.faults:
            assert fault.event(5.0, 9.0).end_s == 5.0 + (fault.lasts_s or 9.0)
        assert cell.in_time_s < cell.watch_s


def test_cells_are_chosen_by_name_or_its_beginning(rig: Rig) -> None:
    every = cells(rig)
    assert chosen(every, ()) == every
    assert [cell.name for cell in chosen(every, ("plugged_1", "healthy"))] == ["plugged_1_of_12", "healthy"]
    with pytest.raises(UsageError, match=r"--cell 'wheel' is not known; .*healthy"):
        chosen(every, ("healthy", "wheel"))


def test_a_boom_of_one_nozzle_cannot_lose_two(rig: Rig) -> None:
    names = [cell.name for cell in cells(with_nozzles(rig, 1))]
    assert not [name for name in names if name.startswith("plugged")]
    assert "half_plugged_1_of_1" in names
    assert [c.name for c in cells(with_nozzles(rig, 2))][:2] == ["plugged_1_of_2", "half_plugged_1_of_2"]


def test_a_longer_boom_is_the_same_but_for_its_nozzles(rig: Rig) -> None:
    """Hand-worked: 18 / 12 of the flow and of the swath, so that rate and speed stay."""
    longer = with_nozzles(rig, 18)
    assert longer.nozzle_count == 18
    assert longer.swath_m == pytest.approx(1.5 * rig.swath_m)
    assert longer.calibration is not None
    assert rig.calibration is not None
    assert longer.calibration.flow_l_min == pytest.approx(1.5 * rig.calibration.flow_l_min)


def test_a_wired_rig_is_heard_in_sentences_and_one_without_a_catch_test_is_refused(rig: Rig) -> None:
    wired = replace(
        rig,
        flow=replace(rig.flow, source="pulses"),
        diagnosis=replace(rig.diagnosis, enabled=False),
    )
    assert heard(wired, 0.5) == replace(rig, diagnosis=replace(rig.diagnosis, false_alarms_per_h=0.5))
    with pytest.raises(UsageError, match=r"Creek rig: a study needs calibration\.flow"):
        heard(replace(rig, calibration=None))


# -- one run ----------------------------------------------------------------------------------------------


def test_delays_count_with_the_boom_on() -> None:
    """Hand-worked: on from 10 s to 20 s and from 30 s to 40 s, at 2 m/s: 15 s to 32 s is 5 + 2 s, 14 m."""
    t = np.array([0.0, 10.0, 20.0, 30.0, 40.0])
    on = _BoomOn.along(t, 2 * t, np.array([False, True, False, True]))
    assert on.seconds(32) - on.seconds(15) == pytest.approx(7.0)
    assert on.metres(32) - on.metres(15) == pytest.approx(14.0)
    assert on.when(10.0 + 2.0) == pytest.approx(32.0)
    assert on.when(3.0) == pytest.approx(13.0)
    assert on.when(99.0) == 40.0


def test_a_fault_is_found_after_its_onset_and_named(rig: Rig) -> None:
    run = one_run(plugged(rig), Noise(), 1, 0)
    found = run["found"]
    assert found["code"] == run["last"] == "nozzles_plugged"
    assert 1 < found["delay_s"] < 20
    # at 1.56 m/s (3.5 mph), give or take the driver's wander of 0.1 m/s and the turn
    assert 1.2 * found["delay_s"] < found["delay_m"] < 1.9 * found["delay_s"]
    assert found["clock_s"] >= found["delay_s"] - 1e-6
    assert (run["nozzles"], run["alarms"]) == (2, [])
    assert 50 < run["on_s"] < 90


def test_what_is_raised_where_nothing_may_be_is_a_false_alarm(rig: Rig) -> None:
    """A nozzle that plugs for a minute, called healthy."""
    cell = plugged(
        rig, causes=(), faults=(Fault("flow_loss", 0.2, 60.0),), onset_s=(70.0, 70.0), lasts_s=120.0,
        again_s=90.0,
    )  # fmt: skip
    run = one_run(cell, Noise(), 1, 0)
    assert run["found"] is None
    assert [code for code, _ in run["alarms"]] == ["nozzles_plugged"]
    assert 70 < run["alarms"][0][1] < 90


def test_each_run_has_its_own_seed_and_its_own_noise(rig: Rig) -> None:
    seeds = {seed_of(1, name, n) for name in ("a", "b") for n in range(50)}
    assert len(seeds) == 100
    assert max(seeds) < 2**56
    assert seed_of(1, "a", 7) != seed_of(2, "a", 7)
    cell = plugged(rig)
    assert one_run(cell, Noise(), 1, 0) != one_run(cell, Noise(), 1, 1)


# -- studies ----------------------------------------------------------------------------------------------


def test_processes_and_other_cells_change_nothing(rig: Rig) -> None:
    two = (plugged(rig), replace(next(c for c in cells(rig) if c.name == "healthy"), lasts_s=100.0))
    alone = study(two, runs=2, jobs=1)
    assert alone == study(two, runs=2, jobs=2)
    assert alone["complete"]
    assert json.loads(json.dumps(alone, allow_nan=False)) == alone
    (first,) = study(two[:1], runs=2, jobs=1)["cells"]
    assert first == alone["cells"][0]
    assert study(two[:1], runs=2, jobs=1, seed=2)["cells"] != [first]


def test_stopped_it_tells_what_is_done(rig: Rig) -> None:
    def stop(done: int, _of: int) -> None:
        if done == 3:
            raise KeyboardInterrupt

    told = study((plugged(rig), plugged(rig, name="again")), runs=5, jobs=1, progress=stop)
    assert (told["runs_done"], told["runs_of"], told["complete"]) == (3, 10, False)
    assert [cell["runs"] for cell in told["cells"]] == [2, 1]
    assert "STOPPED EARLY: 3 of 10 runs" in study_text(told, "us")


def test_stopped_at_once_it_tells_that_nothing_is_known(rig: Rig) -> None:
    def stop(_done: int, _of: int) -> None:
        raise KeyboardInterrupt

    every = (plugged(rig), plugged(rig, name="b"), next(c for c in cells(rig) if c.name == "healthy"))
    told = study(every, runs=1, jobs=1, progress=stop)
    text = study_text(told, "metric")
    assert told["cells"][1]["found"]["value"] is None
    assert told["cells"][2]["alarms"]["value"] is None
    assert "unknown" in text
    assert "nan" not in text


# -- sums -------------------------------------------------------------------------------------------------


def run_of(code: str | None, delay_s: float = nan, **more: Any) -> dict[str, Any]:
    """A run whose first diagnosis came after `delay_s`, at 2 m/s and without turns."""
    found = None
    if code is not None:
        found = {"code": code, "delay_s": delay_s, "delay_m": 2 * delay_s, "clock_s": delay_s}
    return {"on_s": 100.0, "alarms": [], "found": found, "last": code, "nozzles": None, **more}


def test_the_runs_of_a_fault_add_up(rig: Rig) -> None:
    cell = plugged(rig, in_time_s=15.0)
    runs = [
        *(run_of("nozzles_plugged", 5.0 + n, nozzles=2) for n in range(7)),  # 5 to 11 s
        run_of("nozzles_plugged", 20.0, nozzles=3, alarms=[["gps_late", 50.0]]),
        run_of("supply_weak", 30.0, last="nozzles_plugged"),
        run_of(None),
    ]
    told = tally(cell, runs)
    assert (told["runs"], told["missed"], told["early"]["count"]) == (10, 1, 1)
    # ten times 100 s before the fault
    assert told["early"]["of"] == pytest.approx(1000 / 3600)
    assert (told["found"]["count"], told["found"]["value"]) == (9, 0.9)
    assert told["in_time"]["count"] == 7
    # the fifth and the tenth of ten, which was missed. Hand-worked: fewer than 8 of 10 are below the 95 %
    # with 1.2 %, fewer than 9 with 8.6 %, so the interval begins at the eighth
    assert told["delay_s"]["median"]["value"] == 9.0
    assert told["delay_m"]["median"]["value"] == 18.0
    assert told["delay_s"]["p95"] == {"value": None, "low": 20.0, "high": None}
    assert (told["cause_right"]["count"], told["cause_right"]["of"]) == (8, 9)
    assert told["cause_right_at_last"]["count"] == 9
    assert (told["nozzles_right"]["count"], told["nozzles_right"]["of"]) == (7, 8)
    assert told["named"] == {"nozzles_plugged": 8, "supply_weak": 1}


def test_false_alarms_an_hour(rig: Rig) -> None:
    """Hand-worked: 3 in 36 x 100 s, an hour."""
    cell = plugged(rig, causes=(), faults=())
    runs = [run_of(None) for _ in range(34)]
    runs += [run_of(None, alarms=[["gps_late", 1.0], ["boom_leak", 2.0]])]
    runs += [run_of(None, alarms=[["boom_leak", 2.0]])]
    told = tally(cell, runs)
    assert told["hours"] == pytest.approx(1.0)
    assert told["alarms"]["value"] == pytest.approx(3.0)
    # Garwood (1936): 0.619 to 8.77 of three
    assert (told["alarms"]["low"], told["alarms"]["high"]) == pytest.approx((0.619, 8.77), abs=0.005)
    assert {code: rate["count"] for code, rate in told["by_code"].items()} == {"boom_leak": 2, "gps_late": 1}
    assert told["quiet"]["count"] == 34


@pytest.mark.parametrize(
    ("in_time", "met", "sure"),
    [
        # by Wilson: 200 of 200 is 98.1 % or more, 195 is 94.3 to 98.9, 188 is 89.8 to 96.5, 150 is below 81
        (200, True, True),
        (195, True, False),
        (188, False, False),
        (150, False, True),
    ],
)
def test_a_goal_is_met_or_missed_for_sure_or_not(rig: Rig, in_time: int, met: bool, sure: bool) -> None:
    cell = plugged(rig, name="plugged_1_of_12")
    runs = [run_of("nozzles_plugged", 5.0 if n < in_time else 16.0) for n in range(200)]
    goal, cause = judged([tally(cell, runs)])
    assert goal["about"] == "1 of 12 plugged is found within 15 s"
    assert (goal["met"], goal["sure"]) == (met, sure)
    assert goal["by_the_clock"] == in_time / 200
    assert (cause["met"], cause["sure"], cause["below"]) == (True, True, [])


def test_goals_are_judged_only_where_there_is_their_cell(rig: Rig) -> None:
    assert judged([tally(plugged(rig), [])]) == []
    (goal,) = judged([tally(plugged(rig, name="healthy", causes=(), faults=()), [run_of(None)] * 36)])
    assert (goal["value"], goal["met"], goal["sure"]) == (0.0, True, False)


def test_the_table_in_both_systems(rig: Rig) -> None:
    cell = plugged(rig)
    runs = [run_of("nozzles_plugged", 5.0 + n / 10, nozzles=2) for n in range(40)]
    told = {
        **study((), runs=1, jobs=1), "false_alarms_per_h": 0.1, "cells": [tally(cell, runs)],
    }  # fmt: skip
    us, metric = study_text(told, "us"), study_text(told, "metric")
    # the 20th of 40 is 6.9 s, 13.8 m, 45.3 ft; the median's interval is the 14th to the 27th
    assert "6.9 (6.3-7.6)" in us
    assert "13.8 (12.6-15.2)" in metric
    assert "45.3 (41.3-49.9)" in us
    assert "half in, m" not in us
    assert "ft" not in metric
    assert max(map(len, us.splitlines())) <= 100


# -- noise ------------------------------------------------------------------------------------------------


def test_noise_is_what_was_asked_for() -> None:
    import random

    def fields(noise: Noise, number: int) -> dict[str, Any]:
        return noise.fields(number, random.Random(7))

    white, slow = fields(Noise("white", "white"), 0), fields(Noise("correlated", "correlated"), 0)
    assert "correlated_noise_m_s" not in white
    assert 0.03 <= slow["correlated_noise_m_s"] <= 0.12
    assert 0.2 <= slow["latency_s"] <= 0.5
    mixed = [fields(Noise(), n) for n in range(4)]
    assert ["correlated_noise_m_s" in one for one in mixed] == [False, True, False, True]
    assert ["flow_correlated_pct" in one for one in mixed] == [False, False, True, True]
    assert fields(Noise(fixed={"flow_noise_pct": 3.0}), 0)["flow_noise_pct"] == 3.0
    with pytest.raises(UsageError, match="receiver = 'pink' must be one of: white, correlated, mixed"):
        Noise("pink")
