"""Trends along a season: the robust slope against sums by hand and its promises, and what is said of it."""

from math import factorial
from typing import Any

import numpy as np
import pytest
from season_made import make_log, summary

from rigmon.analysis.season.calibrations import calibrations
from rigmon.analysis.season.diagnosed import listed
from rigmon.analysis.season.gather import totals
from rigmon.analysis.season.slope import _left_out, theil_sen
from rigmon.analysis.season.text import season_text
from rigmon.analysis.season.trends import calibration_drift, trends
from rigmon.analysis.season.words import findings
from rigmon.analysis.season.work import summarise
from rigmon.calibration.record import Record


def slope(x: Any, y: Any, confidence: float = 0.95) -> Any:
    return theil_sen(np.array(x, dtype=float), np.array(y, dtype=float), confidence)


# -- the slope -------------------------------------------------------------------------------------------


def test_the_slope_by_hand() -> None:
    """Hand-worked; the data are those of the cloud seeding example of Hollander and Wolfe, section 9.1, from
    memory. Ten pairs: -.15 -.13 -.08 -.07 -.0575 -.055 -.045 -.0333 .01 .04, median -.05625. With five points
    P(no pair against the slope) = 1/120, P(at most one) = 5/120 > 2.5 %: one slope goes on each side.
    """
    found = slope([1, 2, 3, 4, 5], [1.26, 1.27, 1.12, 1.16, 1.03])
    assert found.slope == pytest.approx(-0.05625)
    assert (found.low, found.high) == (pytest.approx(-0.13), pytest.approx(0.01))
    assert not found.distinguishable
    assert found.end - found.start == pytest.approx(4 * -0.05625)


def test_kendalls_distribution_is_counted_right() -> None:
    """Permutations of 6 by discordant pairs: 1, 5, 14, 29, 49, ... (Mahonian numbers, OEIS A008302)."""
    for at_most, count in enumerate((1, 6, 20, 49, 98)):
        chance = count / factorial(6)
        assert _left_out(6, chance * 1.0001) == at_most + 1
        assert _left_out(6, chance * 0.9999) == (at_most or None)


def test_six_points_are_needed_for_99_percent() -> None:
    """Hand-worked: twice 1/n! is 1.7 % for five points, 0.28 % for six."""
    assert slope(range(5), range(5), 0.99).low is None
    assert slope(range(6), range(6), 0.99).distinguishable


def test_the_normal_distribution_takes_over_smoothly() -> None:
    counted, normal = _left_out(60, 0.005), _left_out(61, 0.005)
    assert counted is not None
    assert normal is not None
    # the same share of the pairs, but for what one more point does to it
    assert counted / (60 * 59 / 2) == pytest.approx(normal / (61 * 60 / 2), abs=0.005)


def test_a_quarter_of_wild_points_does_not_turn_the_line() -> None:
    x = np.arange(20.0)
    y = 3 + 0.5 * x
    y[[2, 7, 11, 15]] = (900, -700, 50, 0)
    assert slope(x, y).slope == pytest.approx(0.5)


@pytest.mark.parametrize("n", [8, 20, 80])
def test_the_interval_keeps_its_promise(n: int) -> None:
    """It holds the true slope in 99 % of 1000 tries or more, whatever the noise: here one with far outliers.
    Three standard deviations of the count of misses are 0.94 %."""
    generator = np.random.default_rng(5)
    missed = 0
    for _ in range(1000):
        x = np.sort(generator.uniform(0, 90, n))
        found = slope(x, 0.02 * x + generator.standard_t(2, n), 0.99)
        missed += not found.low <= 0.02 <= found.high
    assert missed <= 0.01 * 1000 + 3 * (1000 * 0.01 * 0.99) ** 0.5


def test_points_of_one_time_count_as_one() -> None:
    assert slope([1, 1, 1], [1, 2, 3]) is None
    found = slope([0, 0, 1, 2, 3], [0, 2, 2, 3, 4])
    assert found.slope == pytest.approx(1)


# -- trends of runs --------------------------------------------------------------------------------------


def of(found: list[dict[str, Any]], figure: str) -> dict[str, Any]:
    (one,) = (trend for trend in found if trend["figure"] == figure)
    return one


def test_a_rate_that_creeps_up_is_told_and_a_steady_hold_is_not() -> None:
    # 0.2 L/ha a day of a target of 100 L/ha: 6 points in 30 days
    runs = [summary(3.0 * n, path=f"{n}", rate_l_ha=100 + 0.6 * n) for n in range(10)]
    found = trends(runs)
    rate = of(found, "rate_error_pct")
    assert rate["per_30_days"] == pytest.approx(6)
    assert (rate["days"], rate["change"], rate["last_value"]) == (27, pytest.approx(5.4), pytest.approx(5.4))
    assert rate["direction"] == "rises"
    assert of(found, "hold_pct")["direction"] is None
    season = {"runs": runs, "trends": found, "calibrations": []}
    (told,) = findings(season, "metric")
    assert told.startswith(
        "Rate error (mean rate against its target) rose over 27 days by 5.4 points (99 % sure"
    )


def test_nothing_is_said_of_chance() -> None:
    generator = np.random.default_rng(3)
    runs = [summary(float(n), path=f"{n}", rate_l_ha=100 + generator.normal(0, 3)) for n in range(40)]
    found = trends(runs)
    assert findings({"runs": runs, "trends": found, "calibrations": []}, "us") == []


def test_runs_without_a_start_or_the_figure_are_left_out() -> None:
    runs = [summary(1.0), summary(2.0, rate_l_ha=None), summary(None)]
    rate = of(trends(runs), "rate_error_pct")
    assert len(rate["points"]) == 1
    assert (rate["per_30_days"], rate["change"], rate["direction"]) == (None, None, None)
    assert len(of(trends(runs), "hold_pct")["points"]) == 2
    assert trends([summary(None)]) == []


def test_the_coefficient_is_shown_as_a_flow_and_other_nozzles_are_another_story() -> None:
    # k = 0.5 L/min per sqrt(kPa) gives 0.5 x sqrt(400) = 10 L/min at the catch test's 400 kPa
    test = {
        "kind": "catch", "what": "boom flow", "value": 10.0, "subject": "", "record": None,
        "taken_on": "2026-05-30", "pressure_kpa": 400.0, "expanded_uncertainty_pct": 2.0,
    }  # fmt: skip
    runs = [summary(float(n), k=0.5 + 0.001 * n, calibrations=[test]) for n in range(8)]
    runs += [summary(20.0 + n, k=0.7, nozzle_set="B", calibrations=[test]) for n in range(8)]
    first, second = (one for one in trends(runs) if one["figure"] == "nozzle_coefficient")
    assert (first["nozzles"], second["nozzles"]) == ("10", "10 of set B")
    assert first["points"][0]["value"] == pytest.approx(10)
    assert first["change"] == pytest.approx(7 * 0.02)
    assert (first["direction"], second["direction"]) == ("rises", None)
    (metric,) = findings({"runs": runs, "trends": [first], "calibrations": []}, "metric")
    assert "Boom flow at 400 kPa rose over 7 days by 0.140 L/min" in metric
    (us,) = findings({"runs": runs, "trends": [first], "calibrations": []}, "us")
    # 400 / 6.894757 = 58.0 psi; 0.14 / 3.785412 = 0.037 gal/min
    assert "Boom flow at 58 psi rose over 7 days by 0.037 gal/min" in us


def test_two_rigs_are_two_seasons() -> None:
    runs = [summary(float(n), rig=rig, rate_l_ha=100 + n) for n in range(8) for rig in ("One", "Two")]
    found = trends(runs)
    assert [one["rig"] for one in found if one["figure"] == "rate_error_pct"] == ["One", "Two"]
    told = findings({"runs": runs, "trends": found, "calibrations": []}, "us")
    assert [text[:5] for text in told] == ["One: ", "Two: "]


# -- calibrations ----------------------------------------------------------------------------------------


def meter(value: float, day: str, u: float | None = 1.0, record: str | None = None) -> dict[str, Any]:
    return {
        "kind": "flowmeter", "what": "pulses per litre", "value": value, "subject": "flowmeter",
        "record": record, "taken_on": day, "pressure_kpa": None, "expanded_uncertainty_pct": u,
    }  # fmt: skip


def test_a_k_factor_that_moved_by_more_than_its_uncertainty() -> None:
    first, second = meter(100.0, "2026-05-30"), meter(103.0, "2026-07-10")
    runs = [summary(n, calibrations=[first if n < 40 else second]) for n in range(0, 60, 5)]
    (drift,) = calibration_drift(runs)
    assert [point["value"] for point in drift["points"]] == [100, 103]  # each once, however many runs
    assert drift["change_pct"] == pytest.approx(3)
    # hand-worked: sqrt(1^2 + 1.03^2) = 1.4356
    assert drift["allowed_pct"] == pytest.approx(1.4356, abs=1e-4)
    assert drift["beyond_uncertainty"] is True
    (told,) = findings({"runs": runs, "trends": [], "calibrations": [drift]}, "us")
    assert told.startswith(
        "The flowmeter's K-factor changed by +3.0 % from 2026-05-30 to 2026-07-10, more than"
    )


def test_a_k_factor_that_moved_by_less_is_not_told() -> None:
    runs = [summary(n, calibrations=[meter(100.0 + n, f"2026-06-0{1 + n}")]) for n in range(2)]
    (drift,) = calibration_drift(runs)
    assert drift["beyond_uncertainty"] is False
    assert findings({"runs": runs, "trends": [], "calibrations": [drift]}, "us") == []
    (unsure,) = calibration_drift(
        [summary(n, calibrations=[meter(100 + n, f"2026-06-0{n}", None)]) for n in (1, 2)]
    )
    assert unsure["beyond_uncertainty"] is None


def test_many_small_steps_one_way_are_told() -> None:
    runs = [summary(n, calibrations=[meter(100.0 + 0.1 * n, f"2026-06-{1 + n:02d}")]) for n in range(8)]
    (drift,) = calibration_drift(runs)
    assert (drift["beyond_uncertainty"], drift["direction"]) == (False, "rises")
    assert drift["per_30_days_pct"] == pytest.approx(3)
    (told,) = findings({"runs": runs, "trends": [], "calibrations": [drift]}, "us")
    assert told.endswith("2026-06-08, steadily")


def test_catch_tests_are_compared_at_one_pressure() -> None:
    """Hand-worked: 12 L/min at 400 kPa are 12 x sqrt(100 / 400) = 6 L/min at 100 kPa."""

    def catch(flow: float, kpa: float, day: str) -> dict[str, Any]:
        return {**meter(flow, day), "kind": "catch", "what": "boom flow", "subject": "", "pressure_kpa": kpa}

    runs = [summary(0, calibrations=[catch(6.0, 100.0, "2026-06-01")])]
    runs += [summary(9, calibrations=[catch(12.0, 400.0, "2026-06-09")])]
    (drift,) = calibration_drift(runs)
    assert [point["value"] for point in drift["points"]] == [6, pytest.approx(6)]
    assert drift["at_pressure_kpa"] == 100


def test_the_records_that_a_log_carries_are_found(tmp_path: Any) -> None:
    from datetime import date

    record = Record(
        id=1, name="2026-05-30 flowmeter 1", kind="flowmeter", rig="Creek rig", subject="flowmeter",
        nozzle_set=None, taken_on=date(2026, 5, 30), recorded_utc="2026-05-30T08:00:00Z", software="rigmon",
        inputs={}, result={"result": {"pulses_per_l": None, "factor": 1.02, "expanded_uncertainty_pct": 1.5}},
    )  # fmt: skip
    found = summarise(make_log(tmp_path / "a.sqlite", records=(record.text(), "{broken")))
    assert "a calibration record in this log cannot be read" in found["notes"]
    meters = [one for one in found["calibrations"] if one["kind"] == "flowmeter"]
    assert [(one["what"], one["value"], one["record"]) for one in meters] == [("factor", 1.02, record.name)]
    # no record of a catch test: the rig file's own
    (catch,) = (one for one in found["calibrations"] if one["kind"] == "catch")
    assert (catch["taken_on"], catch["expanded_uncertainty_pct"]) == ("2026-05-30", 5.0)


@pytest.mark.parametrize(
    "record",
    [
        {},
        {"kind": "flowmeter"},
        {"kind": "flowmeter", "result": "text"},
        {"kind": "flowmeter", "result": {"pulses_per_l": "many"}},
        {"kind": "flowmeter", "result": {"pulses_per_l": True}},
        {"kind": "flowmeter", "result": {"pulses_per_l": 1e400}},
        {"kind": "catch", "result": {"boom_flow_l_min": -1}},
        {"kind": "transducer", "result": {"zero_fraction": 0.2, "span_fraction": 0.1, "span_kpa": 0}},
        {"kind": ["catch"], "result": {}},
    ],
)
def test_a_record_of_nonsense_is_no_figure(record: dict[str, Any]) -> None:
    from rigmon.simulate.scenario import demo_rig

    assert [one["kind"] for one in calibrations(demo_rig(), [record])] == ["catch"]


def test_a_transducers_slope() -> None:
    """Hand-worked: from 0.1 to 0.9 over 1000 kPa are 0.8 per MPa."""
    from rigmon.simulate.scenario import demo_rig

    record = {
        "kind": "transducer", "subject": "pressure", "name": "2026-05-30 transducer 1",
        "taken_on": "2026-05-30",
        "result": {"zero_fraction": 0.1, "span_fraction": 0.9, "span_kpa": 1000.0},
    }  # fmt: skip
    one = calibrations(demo_rig(), [record])[0]
    assert (one["what"], one["value"]) == ("slope", pytest.approx(0.8))


# -- totals and text -------------------------------------------------------------------------------------


def test_totals_weigh_by_area(tmp_path: Any) -> None:
    runs = [{"path": name, **summarise(make_log(tmp_path / name, day=n, length_m=30.0 * (1 + n)))}
            for n, name in enumerate(("a.sqlite", "b.sqlite"))]  # fmt: skip
    found = totals(runs)
    areas = [run["score"]["applied"]["area_m2"] for run in runs]
    shares = [run["score"]["rate"]["in_tolerance_area_pct"] for run in runs]
    assert found["area_m2"] == pytest.approx(sum(areas))
    assert found["in_tolerance_area_pct"] == pytest.approx(
        (areas[0] * shares[0] + areas[1] * shares[1]) / sum(areas)
    )
    assert (found["runs"], sum(found["verdicts"].values())) == (2, 2)
    season = {
        "folder": str(tmp_path), "runs": runs, "totals": found, "trends": trends(runs),
        "calibrations": calibration_drift(runs), "diagnoses": listed(runs),
        "left_out": [{"path": "x.sqlite", "why": "is empty"}],
        "recordings": 2, "cache": {"trouble": "disk full"},
    }  # fmt: skip
    us, metric = season_text(season, None), season_text(season, "metric")
    assert "gal/ac" in us
    assert "L/ha" not in us
    assert "L/ha" in metric
    assert "gal" not in metric
    for text in (us, metric):
        assert "2 runs: " in text
        assert "x.sqlite: is empty" in text
        assert "2 NMEA recordings not scored" in text
        assert "Summaries are not kept: disk full" in text
        assert "too few runs of a known start" in text
