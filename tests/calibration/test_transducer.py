"""A transducer against a gauge: hand-worked lines, an independent uncertainty, and what is refused."""

# ruff: noqa: E501  (the tables read best one case a line)

import json
from math import sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import correlated_values, ufloat

from rigmon.calibration.result import System
from rigmon.calibration.transducer import Point, TransducerResult, fit_transducer
from rigmon.core.pressure import Transducer
from rigmon.errors import UsageError
from rigmon.model import AdcCount
from rigmon.rig import PressureSensor

# a ratiometric 0.5 V to 4.5 V transducer of 1000 kPa on a 5 V rail: 0.1 at zero, 0.9 at 1000 kPa (invented)
UP = [Point(0, fraction=0.1), Point(250, fraction=0.3), Point(500, fraction=0.5)]


def codes(result: TransducerResult) -> list[str]:
    return [finding.code for finding in result.findings]


def refusal(points: list[Point], **more: object) -> str:
    with pytest.raises(UsageError) as error:
        fit_transducer(points, **more)
    message = str(error.value)
    assert message.isprintable()
    return message


# -- the line ------------------------------------------------------------------------------------------------


def test_points_on_the_line_give_its_zero_and_span() -> None:
    result = fit_transducer(UP, span_kpa=1000, gauge_u_kpa=2.0)
    assert result.zero_fraction == pytest.approx(0.1)
    assert result.span_fraction == pytest.approx(0.9)
    assert result.span_kpa == 1000
    assert (result.offset_kpa, result.gain) == (None, None)
    assert result.scatter_kpa == pytest.approx(0, abs=1e-9)
    assert result.at_kpa == 375  # the mean of 250 and 500
    assert result.budget.combined == pytest.approx(2.0)  # the gauge alone
    assert result.findings == ()


# hand-worked: P = 0, 200, 400 kPa and f = 0.101, 0.258, 0.421: means 200 and 0.26; Sxx = 80 000;
# Sxy = -200 x -0.159 + 200 x 0.161 = 64; slope 0.0008; zero 0.26 - 0.16 = 0.1; line 0.1, 0.26, 0.42;
# residuals 0.001, -0.002, 0.001; scatter sqrt(6e-6 / 1) = 0.00244949 = 3.061862 kPa; in kPa 1.25, -2.5, 1.25
# at 300 kPa: leverage sqrt(1/3 + 100^2 / 80 000) = 0.677003: 2.072890 kPa; with the gauge's 3 kPa
# sqrt(4.296873 + 9) = 3.646488
def test_a_line_worked_by_hand() -> None:
    points = [Point(0, fraction=0.101), Point(200, fraction=0.258), Point(400, fraction=0.421)]
    result = fit_transducer(points, at_kpa=300, gauge_u_kpa=3.0)
    assert result.zero_fraction == pytest.approx(0.1)
    assert (result.span_kpa, result.span_fraction) == (400, pytest.approx(0.42))
    assert [point.residual_kpa for point in result.results] == pytest.approx([1.25, -2.5, 1.25])
    assert result.largest_residual_pct == pytest.approx(0.625)
    assert result.scatter_kpa == pytest.approx(3.061862, abs=1e-6)
    parts = {part.name: part for part in result.budget.components}
    assert parts["line"].kind == "A"
    assert parts["line"].dof == 1
    assert parts["line"].contribution == pytest.approx(2.072890, abs=1e-5)
    assert result.budget.combined == pytest.approx(3.646488, abs=1e-5)
    assert result.uncertainty_pct == pytest.approx(3.646488 / 3, abs=1e-5)


def test_the_uncertainty_is_that_of_the_uncertainties_package() -> None:
    points = [
        Point(0, counts=103.2), Point(150, counts=225.0), Point(300, counts=349.1), Point(450, counts=470.4),
        Point(305, counts=356.0), Point(148, counts=228.5),
    ]  # fmt: skip
    result = fit_transducer(points, bits=10, at_kpa=275.8, gauge_u_kpa=2.5)
    x, y = [p.pressure_kpa for p in points], [p.counts / 1024 for p in points]
    n, mx, my = len(x), sum(x) / 6, sum(y) / 6
    sxx = sum((a - mx) ** 2 for a in x)
    b = sum((a - mx) * (c - my) for a, c in zip(x, y, strict=True)) / sxx
    a = my - b * mx
    s2 = sum((c - a - b * p) ** 2 for p, c in zip(x, y, strict=True)) / (n - 2)
    # covariance of intercept and slope: JCGM 100, H.3.2 eq. (H.13)
    covariance = [[s2 * (1 / n + mx * mx / sxx), -s2 * mx / sxx], [-s2 * mx / sxx, s2 / sxx]]
    zero, slope = correlated_values([a, b], covariance)
    reading = a + b * 275.8 + ufloat(0, 0.5 / sqrt(3)) / 1024
    assert result.hysteresis_kpa is not None
    again = (reading - zero) / slope + ufloat(0, 2.5) + ufloat(0, result.hysteresis_kpa / 2 / sqrt(3))
    assert again.nominal_value == pytest.approx(275.8, rel=1e-12)
    assert result.budget.combined == pytest.approx(again.std_dev, rel=1e-9)


def test_a_gauge_of_which_nothing_is_said_is_of_class_1_6() -> None:
    # EN 837-1: class 1.6 is 1.6 % of the span; used up to 75 % of it: 500 / 0.75 = 666.67 kPa: +-10.667 kPa
    (gauge,) = [part for part in fit_transducer(UP).budget.components if part.name == "gauge"]
    assert gauge.u == pytest.approx(10.6667 / sqrt(3), abs=1e-4)
    assert "class 1.6 (EN 837-1)" in gauge.note


def test_what_is_fitted_is_what_the_live_reading_takes() -> None:
    points = [Point(0, counts=102.4), Point(300, counts=348.16)]
    result = fit_transducer(points, bits=10, span_kpa=1000)
    sensor = PressureSensor(
        "adc", "", "MCP3008", 0, None, result.zero_fraction, result.span_fraction, result.span_kpa, 2000, 2, 2
    )
    live = Transducer(sensor)
    live.set_counts(0, AdcCount(348, 10, None))
    # 0.16 counts low of 245.76 counts for 300 kPa
    assert live.pressure_kpa == pytest.approx(300 - 0.16 / 245.76 * 300, rel=1e-12)


def test_a_measured_rail_takes_its_drift_out() -> None:
    # the rail falls by 4 %, and the transducer with it
    points = [
        Point(0, counts=100, supply_counts=1000),
        Point(250, counts=288, supply_counts=960),
        Point(500, counts=490, supply_counts=980),
    ]
    result = fit_transducer(points, bits=10, span_kpa=1000)
    assert result.basis == "supply"
    assert result.zero_fraction == pytest.approx(0.1)
    assert result.span_fraction == pytest.approx(0.9)
    assert result.rail_pct == pytest.approx(40 / 980 * 100)
    (finding,) = [finding for finding in result.findings if finding.code == "rail_unstable"]
    assert "moved by 4.1 %" in finding.text


def test_a_rail_that_trembles_within_a_point_is_told() -> None:
    points = [
        Point(0, 100, 1000, supply_sd=15.0),
        Point(500, 500, 1000, supply_sd=1.0),
        Point(250, 300, 1000),
    ]
    assert "rail_unstable" in codes(fit_transducer(points, bits=10))


def test_two_points_are_taken_with_a_word() -> None:
    result = fit_transducer(UP[:2])
    assert codes(result) == ["two_points"]
    assert result.scatter_kpa is None
    assert "line" not in [part.name for part in result.budget.components]


def test_no_vented_point_is_told() -> None:
    assert "no_zero" in codes(fit_transducer([Point(100, fraction=0.18), *UP[1:]]))


def test_points_below_the_pressure_that_counts_are_told() -> None:
    assert "beyond_points" in codes(fit_transducer(UP, at_kpa=600))
    assert "beyond_points" not in codes(fit_transducer(UP, at_kpa=500))


def test_a_span_beyond_full_scale_is_stated_at_the_highest_point() -> None:
    result = fit_transducer(UP, span_kpa=1200)  # 0.1 + 0.96 = 1.06
    assert (result.span_kpa, result.span_fraction) == (500, pytest.approx(0.5))
    assert codes(result) == ["span_lowered"]
    assert fit_transducer(UP, span_kpa=1100).span_kpa == 1100  # 0.98


def test_a_zero_just_below_the_converters_is_set_to_it() -> None:
    points = [Point(0, fraction=0.0), Point(250, fraction=0.196), Point(500, fraction=0.398)]
    result = fit_transducer(points, gauge_u_kpa=0)
    # hand-worked: means 250 and 0.198; slope 0.398 / 500 = 0.000796; intercept 0.198 - 0.199 = -0.001: 1.256281 kPa
    assert result.zero_fraction == 0
    parts = {part.name: part for part in result.budget.components}
    assert parts["zero"].u == pytest.approx(1.256281 / sqrt(3), abs=1e-6)


# -- hysteresis, zero, noise -----------------------------------------------------------------------------------


# hand-worked: 250 kPa reads 0.300 going up and 0.308 coming down: 0.008 / 0.0008 = 10 kPa, 2 % of 500 kPa
def test_hysteresis_is_found_from_the_order_of_the_points() -> None:
    points = [*UP, Point(250, fraction=0.308), Point(0, fraction=0.1)]
    result = fit_transducer(points, gauge_u_kpa=0)
    assert [point.rising for point in result.results] == [None, True, True, False, False]
    assert result.hysteresis_kpa == pytest.approx(10, abs=0.1)
    assert "hysteresis" in codes(result)
    parts = {part.name: part for part in result.budget.components}
    assert parts["hysteresis"].u == pytest.approx(result.hysteresis_kpa / 2 / sqrt(3))


def test_the_way_that_is_given_goes_before_the_order() -> None:
    points = [
        Point(250, fraction=0.3, rising=True), Point(250, fraction=0.308, rising=False),
        Point(0, fraction=0.1, rising=True), Point(500, fraction=0.5, rising=True),
    ]  # fmt: skip
    assert fit_transducer(points).hysteresis_kpa == pytest.approx(10, abs=0.1)


def test_a_small_difference_of_the_pressures_is_no_hysteresis() -> None:
    points = [*UP, Point(260, fraction=0.308), Point(0, fraction=0.1)]  # 10 kPa more is 0.008 more
    result = fit_transducer(points)
    assert result.hysteresis_kpa == pytest.approx(0, abs=1e-9)
    assert "hysteresis" not in codes(result)


def test_points_on_a_line_are_off_it_by_nothing() -> None:
    """102 counts and 113 for each 20 psi: what the sums leave over is rounding, and not shown."""
    points = [Point(20 * n * 6.894757293168, counts=102 + 113 * n) for n in range(4)]
    result = fit_transducer(points, bits=10)
    assert [point.residual_kpa for point in result.results] == [0.0] * 4


@pytest.mark.parametrize("system", ["us", "metric"])
def test_the_table_fits_a_phone(system: System) -> None:
    """40 columns, with the longest readings that there are."""
    stated = [
        Point(kpa, stated_kpa=kpa + off)
        for kpa, off in ((0, -0.5), (1034.2, -12.3), (2068.4, 0), (1034.2, 9.9))
    ]
    for points in (stated, [*UP, Point(250, fraction=0.308)]):
        table = [line for line in fit_transducer(points, system=system).lines() if line.startswith(" ")]
        assert len(table) == len(points) + 1
        assert max(map(len, table)) <= 40


def test_going_up_alone_says_nothing_of_hysteresis() -> None:
    assert fit_transducer(UP).hysteresis_kpa is None
    # coming back to the vented line alone tells how the zero moved, and nothing of the way between
    vented_again = fit_transducer([*UP, Point(0, fraction=0.101)])
    assert vented_again.hysteresis_kpa is None
    assert vented_again.zero_shift_kpa is not None
    assert any("Hysteresis: not told" in line for line in vented_again.lines())


# hand-worked: 0.100 and 0.112 vented: 0.012 / 0.0008 = 15 kPa of 500 kPa
def test_a_zero_that_moved_is_told() -> None:
    result = fit_transducer([*UP, Point(0, fraction=0.112)])
    assert result.zero_shift_kpa == pytest.approx(15, abs=0.5)
    (finding,) = [finding for finding in result.findings if finding.code == "zero_moved"]
    assert finding.severity == "do"
    assert "not stable" in finding.text


# hand-worked: 20 counts of 1024 at 0.0008 a kPa: 24.4 kPa, 4.9 % of 500 kPa
def test_an_unsteady_reading_is_told() -> None:
    points = [Point(0, 102.4, counts_sd=1), Point(250, 307.2, counts_sd=20), Point(500, 512, counts_sd=1)]
    (finding,) = [
        f for f in fit_transducer(points, bits=10, system="metric").findings if f.code == "unsteady"
    ]
    assert "24 kPa" in finding.text


# -- a transducer that states its pressure -----------------------------------------------------------------------


# hand-worked: stated 5, 255, 505 for 0, 250, 500: offset 5 kPa, gain 1
def test_a_stated_pressure_gives_offset_and_gain() -> None:
    points = [Point(p, stated_kpa=p + 5) for p in (0, 250, 500)]
    result = fit_transducer(points)
    assert (result.offset_kpa, result.gain) == (pytest.approx(5), pytest.approx(1))
    assert (result.zero_fraction, result.span_fraction, result.span_kpa) == (None, None, None)
    assert "Stated = 0.725 psi + 1.0000 x true pressure" in result.lines()


@pytest.mark.parametrize(
    ("stated", "words"),
    [
        (lambda p: p / 6.895, "0.145 kPa for each kPa of the gauge, which no sound transducer does (0.5 to 2): this looks like psi stated"),
        (lambda p: p / 100, "bar stated where kilopascals are meant"),
        (lambda p: p * 1000, "pascals stated where kilopascals are meant"),
        (lambda p: p * 3, "check the transducer and the pressures"),
        (lambda p: -p, "rises by -1 kPa for each kPa"),
    ],
)  # fmt: skip
def test_a_gain_that_no_transducer_has_is_refused_with_the_likely_slip(stated: object, words: str) -> None:
    assert words in refusal([Point(p, stated_kpa=stated(p)) for p in (0, 250, 500)])


# -- what is refused -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("points", "more", "words"),
    [
        ([], {}, "no point gives no line: take at least 2"),
        (UP[:1], {}, "one point gives no line"),
        ([UP[1], Point(251, fraction=0.3)], {}, "all points are at about 36.4 psi: a line needs two pressures"),
        ([Point(0, fraction=0.1), Point(0, fraction=0.1)], {}, "all points are at about 0 psi"),
        ([Point(-5, fraction=0.1), UP[1]], {}, "point 1: pressure = -5 kPa must be zero or more"),
        ([UP[0], Point(float("nan"), fraction=0.3)], {}, "point 2: pressure = nan"),
        ([UP[0], Point(250)], {}, "point 2 needs one reading: counts, a fraction, or a stated pressure"),
        ([UP[0], Point(250, counts=300, fraction=0.3)], {"bits": 10}, "point 2 needs one reading"),
        ([UP[0], Point(250, fraction=1.1)], {}, "point 2: a fraction of 1.1 must be 0 to 1"),
        ([UP[0], Point(250, fraction=float("nan"))], {}, "point 2: a fraction of nan"),
        ([UP[0], Point(250, stated_kpa=250)], {}, "read in several ways (fraction, stated)"),
        ([Point(0, 100), Point(250, 300, 1000)], {"bits": 10}, "read in several ways (full scale, supply)"),
        ([Point(0, 100), Point(250, 300)], {}, "counts need the converter's bits"),
        ([Point(0, 100), Point(250, 1023)], {"bits": 10}, "point 2: 1023 counts is the converter's full scale"),
        ([Point(0, 100), Point(250, 1500)], {"bits": 10}, "a converter of 10 bits gives 0 to 1023"),
        ([Point(0, -1), Point(250, 300)], {"bits": 10}, "point 1: -1 counts"),
        ([Point(0, 100, 0), Point(250, 300, 1000)], {"bits": 10}, "point 1: the supply rail reads 0 counts"),
        ([Point(0, 100, 1000), Point(250, 600, 500)], {"bits": 10}, "reads 500 counts beside 600 of the transducer"),
        ([Point(0, fraction=0.5), Point(250, fraction=0.3)], {}, "the reading does not rise with pressure (0.5000 of full scale at 0 psi, 0.3000 at 36.3 psi): check the channel"),
        ([Point(0, fraction=0.1), Point(250, fraction=0.11)], {}, "does not rise with pressure"),
        ([Point(0, fraction=0.0), Point(250, fraction=0.1), Point(500, fraction=0.4)], {}, "the points are not on a line: point 2 (36.3 psi) is -12"),
        ([Point(100, fraction=0.01), Point(250, fraction=0.15), Point(500, fraction=0.385)], {}, "the line meets zero pressure at -0.0"),
        (UP, {"span_kpa": 5}, "span = 5 kPa must be at least 10 kPa"),
        (UP, {"gauge_u_kpa": -1}, "standard uncertainty of the gauge = -1 kPa"),
        (UP, {"at_kpa": 0}, "the pressure that the uncertainty is for = 0 kPa"),
    ],
)  # fmt: skip
def test_what_is_not_credible_is_refused_and_why(
    points: list[Point], more: dict[str, object], words: str
) -> None:
    assert words in refusal(points, **more)


# -- forms ---------------------------------------------------------------------------------------------------


def test_json_holds_inputs_result_and_budget() -> None:
    points = [Point(0, 102, 1000), Point(250, 300, 1000), Point(500, 500, 1001), Point(250, 305, 1000)]
    result = fit_transducer(points, bits=10)
    data = json.loads(json.dumps(result.to_json(), allow_nan=False))
    assert [Point(**point) for point in data["inputs"]["points"]] == points
    assert fit_transducer(
        [Point(**point) for point in data["inputs"]["points"]],
        bits=data["inputs"]["bits"],
        at_kpa=data["inputs"]["at_kpa"],
        gauge_u_kpa=data["inputs"]["gauge_u_kpa"],
    ).budget.combined == pytest.approx(result.budget.combined, rel=1e-12)
    assert data["result"]["basis"] == "supply"
    assert {part["kind"] for part in data["uncertainty"]["pressure_kpa"]["components"]} == {"A", "B"}


def test_the_text_is_in_the_readers_units() -> None:
    assert "psi" in " ".join(fit_transducer(UP, system="us").lines())
    metric = " ".join(fit_transducer([*UP, Point(0, fraction=0.101)], system="metric").lines())
    assert "kPa" in metric
    assert "Hysteresis: " in metric
    assert "psi" not in metric


@given(
    st.floats(0.02, 0.3),
    st.floats(0.0003, 0.001),
    st.lists(st.floats(0, 600), min_size=2, max_size=8).filter(lambda p: max(p) - min(p) > 100),
)
def test_points_on_any_line_give_it_back(zero: float, slope: float, pressures: list[float]) -> None:
    points = [Point(p, fraction=zero + slope * p) for p in pressures]
    result = fit_transducer(points, gauge_u_kpa=1.0)
    assert result.zero_fraction == pytest.approx(zero, abs=1e-9)
    assert result.span_kpa is not None
    assert result.span_fraction == pytest.approx(zero + slope * result.span_kpa, abs=1e-9)
    json.dumps(result.to_json(), allow_nan=False)
    assert result.lines()
