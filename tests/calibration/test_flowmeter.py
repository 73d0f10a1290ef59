"""A flowmeter against caught volume: hand-worked fits, an independent uncertainty, and what is refused."""

# ruff: noqa: E501  (the tables read best one case a line)

import json
from math import sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from rigmon.calibration.flowmeter import (
    FlowmeterResult,
    IndicatedRun,
    MeterRun,
    fit_flowmeter,
    fit_indicated,
    water_volume_l,
)
from rigmon.errors import UsageError

# invented for the demo: three runs of 10 L at one flow
RUNS = [MeterRun(4490, 10.0, 60.0), MeterRun(4510, 10.0, 60.0), MeterRun(4500, 10.0, 60.0)]


def refusal(runs: list[MeterRun], **more: float) -> str:
    with pytest.raises(UsageError) as error:
        fit_flowmeter(runs, **more)
    message = str(error.value)
    assert message.isprintable()
    return message


def codes(result: FlowmeterResult) -> list[str]:
    return [finding.code for finding in result.findings]


# -- pulses per litre ----------------------------------------------------------------------------------------


# hand-worked: K = 449, 451, 450: mean 450; s = sqrt((1 + 1 + 0) / 2) = 1; repeatability
# 1 / sqrt(3) = 0.57735; reading 0.05 L: 450 / 10 x 0.05 = 2.25; count 1 / sqrt(6) / 10 = 0.040825;
# combined sqrt(0.333333 + 5.0625 + 0.00166667) = 2.323252; 0.516278 % of 450
def test_three_runs_worked_by_hand() -> None:
    result = fit_flowmeter(RUNS, volume_u_l=0.05)
    assert result.pulses_per_l == pytest.approx(450)
    assert result.factor is None
    assert result.scatter_pct == pytest.approx(100 / 450)
    parts = {part.name: part for part in result.budget.components}
    assert parts["repeatability"].contribution == pytest.approx(0.577350, abs=1e-6)
    assert parts["reading the volume"].contribution == pytest.approx(2.25)
    assert parts["count"].contribution == pytest.approx(0.040825, abs=1e-6)
    assert [part.kind for part in result.budget.components] == ["A", "B", "B"]
    assert result.budget.combined == pytest.approx(2.323252, abs=1e-6)
    assert result.uncertainty_pct == pytest.approx(0.516278, abs=1e-6)
    assert [run.from_mean_pct for run in result.results] == pytest.approx(
        [-100 / 450, 100 / 450, 0], abs=1e-9
    )
    assert [run.flow_l_min for run in result.results] == [10.0, 10.0, 10.0]
    assert result.findings == ()


def test_the_uncertainty_is_that_of_the_uncertainties_package() -> None:
    runs = [MeterRun(4490, 9.9, 60.0, 3), MeterRun(2260, 5.02, 30.5, 1), MeterRun(6725, 15.0, 88.0)]
    result = fit_flowmeter(runs, volume_u_l=0.04)
    k = [run.pulses / run.volume_l for run in runs]
    sd = sqrt(sum((one - sum(k) / 3) ** 2 for one in k) / 2)
    reading, count = ufloat(0, 0.04), ufloat(0, 1 / sqrt(6))
    edge = ufloat(0, (3 + 1 + 0) / 3 / sqrt(3))
    repeat = ufloat(0, sd / sqrt(3))
    again = sum((run.pulses + count + edge) / (run.volume_l + reading) for run in runs) / 3 + repeat
    assert result.budget.value == pytest.approx(again.nominal_value, rel=1e-12)
    assert result.budget.combined == pytest.approx(again.std_dev, rel=1e-9)


def test_a_reading_of_which_nothing_is_said_is_one_percent() -> None:
    (part,) = [part for part in fit_flowmeter(RUNS).budget.components if part.name == "reading the volume"]
    assert part.u == pytest.approx(0.1 / sqrt(3))  # +-1 % of 10 L, rectangular
    assert "+-1 %" in part.note


# common practice: three runs or more
def test_two_runs_are_taken_with_a_word() -> None:
    assert "few_runs" in codes(fit_flowmeter(RUNS[:2], volume_u_l=0.01))


def test_few_pulses_are_told_with_how_much_more_to_catch() -> None:
    runs = [MeterRun(40, 1.0), MeterRun(41, 1.0), MeterRun(40, 1.0)]
    result = fit_flowmeter(runs, volume_u_l=0.001)
    (finding,) = [finding for finding in result.findings if finding.code == "few_pulses"]
    assert finding.severity == "do"
    assert "only 40 pulses" in finding.text
    assert "2.5 %" in finding.text
    assert "catch 3 times as much" in finding.text


def test_a_rough_jug_is_told() -> None:
    (finding,) = fit_flowmeter(RUNS, volume_u_l=0.4).findings
    assert finding.code == "uncertain"
    assert "reading the volume" in finding.text


# -- change with flow ----------------------------------------------------------------------------------------


# hand-worked: K = 440, 450, 460 (+-0.5 off the line) at 5, 10, 15 L/min with a fourth at 10: K 450.
# x - 10 = -5, 0, 5, 0: Sxx 50; Sxy = -5 x (440.5 - m) + 5 x (459.5 - m) = 95; slope 1.9 a L/min;
# m = (440.5 + 449 + 459.5 + 451) / 4 = 450; residuals 0, -1, 0, 1: scatter sqrt(2 / 2) = 1;
# u(slope) = 1 / sqrt(50) = 0.141421; t = 13.435; t95(2) = 4.30; rise 1.9 x 10 = 19 = 4.2222 %
def test_a_slope_is_found_and_goes_into_the_uncertainty() -> None:
    runs = [
        MeterRun(4405, 10, 120.0),
        MeterRun(4490, 10, 60.0),
        MeterRun(4595, 10, 40.0),
        MeterRun(4510, 10, 60.0),
    ]
    result = fit_flowmeter(runs, volume_u_l=0.01)
    line = result.linearity
    assert line is not None
    assert line.significant
    assert line.t == pytest.approx(13.435, abs=1e-3)
    assert line.t_limit == 4.30
    assert line.slope_pct_per_l_min == pytest.approx(1.9 / 450 * 100)
    assert line.change_pct == pytest.approx(4.2222, abs=1e-4)
    assert (line.flow_low_l_min, line.flow_high_l_min) == (5, 15)
    parts = {part.name: part for part in result.budget.components}
    assert parts["change with flow"].u == pytest.approx(9.5 / sqrt(3))
    (finding,) = [finding for finding in result.findings if finding.code == "changes_with_flow"]
    assert "+4.2 % from 1.32 gal/min to 3.96 gal/min" in finding.text
    assert "from 5.00 L/min to 15.0 L/min" in fit_flowmeter(runs, system="metric").findings[0].text


def test_scatter_alone_is_no_slope() -> None:
    runs = [MeterRun(4490, 10, 120), MeterRun(4510, 10, 60), MeterRun(4491, 10, 40), MeterRun(4508, 10, 60)]
    result = fit_flowmeter(runs, volume_u_l=0.01)
    assert result.linearity is not None
    assert not result.linearity.significant
    assert "change with flow" not in [part.name for part in result.budget.components]


def test_runs_exactly_on_a_slope_have_no_scatter_to_test_with() -> None:
    runs = [MeterRun(4400, 10, 120), MeterRun(4500, 10, 60), MeterRun(4600, 10, 40)]
    line = fit_flowmeter(runs).linearity
    assert line is not None
    assert line.significant
    exact = fit_flowmeter([MeterRun(4500, 10, 120), MeterRun(4500, 10, 60), MeterRun(4500, 10, 40)]).linearity
    assert exact is not None
    assert not exact.significant


@pytest.mark.parametrize(
    ("runs", "why"),
    [
        (RUNS, "nearly one flow"),
        (RUNS[:2], "three runs"),
        ([*RUNS, MeterRun(4500, 10)], "not every run was timed"),
    ],
)
def test_why_linearity_is_not_known(runs: list[MeterRun], why: str) -> None:
    result = fit_flowmeter(runs)
    assert result.linearity is None
    assert why in result.why_no_linearity
    assert why in " ".join(result.lines())


# -- what is refused -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("runs", "words"),
    [
        ([], "no run says nothing of how well the meter repeats: do at least 2"),
        (RUNS[:1], "one run says nothing"),
        ([RUNS[0], MeterRun(0, 10, 60)], "run 2: 0 pulses: the meter did not count; check its wiring"),
        ([RUNS[0], MeterRun(-5, 10, 60)], "run 2: -5 pulses"),
        ([RUNS[0], MeterRun(4500, 0, 60)], "run 2: volume = 0 L must be at least"),
        ([RUNS[0], MeterRun(4500, float("nan"), 60)], "run 2: volume = nan L"),
        ([RUNS[0], MeterRun(4500, 1e-300, 60)], "run 2: volume"),
        ([RUNS[0], MeterRun(10**400, 10, 60)], "run 2: pulses"),
        ([RUNS[0], MeterRun(4500, 10, 0)], "run 2: time = 0 s must be at least"),
        ([RUNS[0], MeterRun(4500, 10, 60, -1)], "run 2: edge_pulses = -1"),
        # the common slip: mL for L; 4500 pulses in 10 000 L is 0.45 a litre
        ([MeterRun(4500, 10_000), MeterRun(4510, 10_000)], "0.451 pulses per litre is not one of a flowmeter (1 to 200000)"),
        ([MeterRun(4_500_000, 1), MeterRun(4_510_000, 1)], "is not one of a flowmeter"),
        ([RUNS[0], RUNS[1], MeterRun(3900, 10, 60)], "the runs differ by 14.2 % (449.0, 451.0, 390.0 pulses per litre), more than 10 %"),
        ([RUNS[0], RUNS[1], MeterRun(3900, 10, 60)], "run 3 is the farthest off (-9.3 %): check it for air"),
        ([MeterRun(4000, 10, 120), MeterRun(4500, 10, 60), MeterRun(5000, 10, 40)], "it changes with flow: calibrate at the flow that you spray at"),
    ],
)  # fmt: skip
def test_what_is_not_credible_is_refused_and_why(runs: list[MeterRun], words: str) -> None:
    assert words in refusal(runs)


@pytest.mark.parametrize("u", [-0.1, 4.0, float("nan"), float("inf")])
def test_an_impossible_reading_uncertainty_is_refused(u: float) -> None:
    assert "far below the smallest run of 10 L" in refusal(RUNS, volume_u_l=u)


# -- a meter that states litres ------------------------------------------------------------------------------


# hand-worked: 10 / 9.8, 10 / 10, 10 / 10.2 = 1.0204082, 1, 0.9803922: mean 1.0002668;
# s = 0.0200093; repeatability 0.0115524
def test_the_factor_of_a_meter_that_states_litres() -> None:
    result = fit_indicated([IndicatedRun(9.8, 10, 60), IndicatedRun(10, 10, 60), IndicatedRun(10.2, 10, 60)])
    assert result.pulses_per_l is None
    assert result.factor == pytest.approx(1.0002668, abs=1e-7)
    assert result.budget.components[0].u == pytest.approx(0.0115524, abs=1e-7)
    assert "1.0003 times the stated one" in " ".join(result.lines())


def test_its_uncertainty_is_that_of_the_uncertainties_package() -> None:
    runs = [
        IndicatedRun(9.8, 10, 60, 0.05),
        IndicatedRun(5.0, 5.1, 31, 0.02),
        IndicatedRun(15.1, 15, 90, 0.04),
    ]
    result = fit_indicated(runs, volume_u_l=0.03)
    f = [run.volume_l / run.indicated_l for run in runs]
    sd = sqrt(sum((one - sum(f) / 3) ** 2 for one in f) / 2)
    reading, edge = ufloat(0, 0.03), ufloat(0, (0.05 + 0.02 + 0.04) / 3 / sqrt(3))
    again = sum((run.volume_l + reading) / (run.indicated_l + edge) for run in runs) / 3
    again += ufloat(0, sd / sqrt(3))
    assert result.budget.combined == pytest.approx(again.std_dev, rel=1e-9)


@pytest.mark.parametrize(
    ("stated", "words"),
    [
        (10 / 3.785, "3.78 times the stated one, which no sound meter needs (0.5 to 2): this looks like US gallons"),
        (10 * 3.785, "caught in gallons and entered in litres"),
        (10 / 60, "litres per second where litres per minute are meant"),
        (10_000, "millilitres where litres are meant"),
        (3.0, "check the volumes and the meter's settings"),
        (0, "run 1: the meter stated 0 L: it did not measure"),
        (-2, "the meter stated -2 L"),
        (float("nan"), "the meter stated nan L"),
    ],
)  # fmt: skip
def test_a_factor_that_no_meter_needs_is_refused_with_the_likely_slip(stated: float, words: str) -> None:
    with pytest.raises(UsageError) as error:
        fit_indicated([IndicatedRun(stated, 10), IndicatedRun(stated * 1.001, 10)])
    assert words in str(error.value)


# -- forms ---------------------------------------------------------------------------------------------------


def test_json_holds_inputs_result_and_budget() -> None:
    result = fit_flowmeter(RUNS, volume_u_l=0.05)
    data = json.loads(json.dumps(result.to_json(), allow_nan=False))
    assert data["inputs"]["runs"][1] == {"pulses": 4510, "volume_l": 10.0, "time_s": 60.0, "edge_pulses": 0.0}
    assert data["result"]["pulses_per_l"] == 450
    assert data["result"]["uncertainty_pct"] == result.uncertainty_pct
    assert [part["kind"] for part in data["uncertainty"]["pulses_per_l"]["components"]] == ["A", "B", "B"]
    assert data["findings"] == []


def test_the_text_is_in_the_readers_units() -> None:
    us = fit_flowmeter(RUNS, system="us").lines()
    assert "2.64 gal/min" in us[1]  # 10 L/min
    assert any("1703.4 per gallon" in line for line in us)  # 450 x 3.785411784 = 1703.435
    metric = " ".join(fit_flowmeter(RUNS, system="metric").lines())
    assert "10.0 L/min" in metric
    assert "gal" not in metric


# ISO 4185, from memory: water 0.9982 kg/L at 20 C; 9.982 kg is 10 L
def test_water_by_weight() -> None:
    assert water_volume_l(9.982) == pytest.approx(10)
    for wrong in [(0, 1.0), (-1, 1.0), (1, 0.7), (1, float("nan"))]:
        with pytest.raises(UsageError):
            water_volume_l(*wrong)


@given(
    st.floats(5, 5000),
    st.lists(st.floats(1, 50), min_size=2, max_size=8),
)
def test_runs_of_a_perfect_meter_give_it_back(k: float, volumes: list[float]) -> None:
    runs = [MeterRun(round(k * volume * 1000) or 1, volume * 1000) for volume in volumes]
    result = fit_flowmeter(runs, volume_u_l=0.0)
    assert result.pulses_per_l == pytest.approx(k, rel=1e-3)
    assert result.budget.expanded >= 0
    json.dumps(result.to_json(), allow_nan=False)
