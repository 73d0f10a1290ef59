"""The refill and the 1/128-acre method, their courses, and agreement with the catch test.

Published figures name their publisher; the tolerance is half of the last digit that is printed, nothing more,
unless the case says why.
"""

# ruff: noqa: E501  (the tables of cases read best one case a line)

import json
from fractions import Fraction
from math import fsum, sqrt
from statistics import stdev
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from rigmon import units
from rigmon.calibration import crosscheck
from rigmon.calibration.crosscheck import CrossCheck, catch_course_m, course_m, refill_course_m
from rigmon.calibration.instruments import TAPE_U_M
from rigmon.errors import UsageError


def feet(length_m: float) -> float:
    return units.convert(length_m, "length", "ft")


def metres(text: str) -> float:
    return units.parse(text, "length")


def litres(text: str) -> float:
    return units.parse(text, "volume")


def refill(*refills: str, distance: str, swath: str, **more: Any) -> CrossCheck:
    """Beside a catch test that is beside the point unless given."""
    given_ = {"catch_flow_l_min": 10.0, "speed_m_s": 1.5, **more}
    return crosscheck.refill_check(
        refills_l=[litres(text) for text in refills],
        distance_m=metres(distance),
        swath_m=metres(swath),
        **given_,
    )


def catches(
    *volumes: str, seconds: float, spacing: str, distance: str | None = None, **more: Any
) -> CrossCheck:
    given_ = {"nozzle_count": len(volumes), "catch_flow_l_min": 10.0, "speed_m_s": 1.5, **more}
    return crosscheck.ounce_check(
        catches_l=[litres(text) for text in volumes],
        drive_time_s=seconds,
        spacing_m=metres(spacing),
        distance_m=None if distance is None else metres(distance),
        **given_,
    )


def gal_ac(check: CrossCheck) -> float:
    return units.convert(check.rate_l_ha, "rate", "gal/ac")


# -- published (the tables are in tests/reference/test_published_values.py) -------------------------------------------------------------------------------------


# Utah State prints 340.3 sq ft, LSU 340; 5445 sq ft: University of Kentucky, ENTFACT-805. 10 m2: hand-worked,
# 1 mL on 10 m2 is 0.001 L on 0.001 ha
def test_the_grounds_are_exact() -> None:
    foot2 = units.factor("ft2", "area")
    assert crosscheck.OUNCE_GROUND_M2 / foot2 == Fraction("340.3125")
    assert crosscheck.PINT_GROUND_M2 / foot2 == 5445
    assert crosscheck.MILLILITRE_GROUND_M2 == 10


# IRRI rice knowledge pages: 2 L on 200 m2 is 100 L/ha; 200 m2 is 1/50 ha, here 4 m wide
def test_36_a_fiftieth_of_a_hectare() -> None:
    assert refill_course_m(4.0, 50, "metric") == 50.0


def test_the_metric_course_makes_millilitres_litres_a_hectare() -> None:
    """Hand-worked: 10 m2 / 0.5 m = 20 m; 200 mL on it is 200 L/ha."""
    assert catch_course_m(0.5, "metric") == 20.0
    check = catches("200 mL", "200 mL", seconds=15, spacing="0.5 m", system="metric")
    assert check.inputs["distance_m"] == 20.0
    assert check.rate_l_ha == pytest.approx(200, rel=1e-12)


@given(ounces=st.floats(1, 400), spacing_in=st.floats(5, 240))
def test_ounces_are_gallons_an_acre_on_any_width(ounces: float, spacing_in: float) -> None:
    check = catches(f"{ounces!r} fl oz", seconds=20, spacing=f"{spacing_in!r} in")
    assert gal_ac(check) == pytest.approx(ounces, rel=1e-9)


# University of Kentucky, ENTFACT-805: pints caught on 5445 sq ft are gal/ac
def test_22_kentucky_pints_are_gallons_an_acre() -> None:
    distance_m = course_m(crosscheck.PINT_GROUND_M2, metres("33 ft"))
    check = catches("15 pt", seconds=40, spacing="33 ft", distance=f"{distance_m!r} m")
    assert gal_ac(check) == pytest.approx(15, rel=1e-12)


def test_the_speed_driven_is_that_of_the_course() -> None:
    """LSU AgCenter: 102 ft in 17 s; hand-worked: 102 x 60 / (17 x 88) = 4.09 mph."""
    check = catches("14 oz", seconds=17, spacing="40 in", distance="102 ft")
    assert check.speed_m_s is not None
    assert units.convert(check.speed_m_s, "speed", "mph") == pytest.approx(4.09, abs=0.005)


# -- agreement ----------------------------------------------------------------------------------------------

#: invented: 2.4 gal/min at 3.5 mph over 20 ft is 16.97 gal/ac; 1/10 acre takes 1.697 gal
CREEK = {
    "catch_flow_l_min": units.parse("2.4 gal/min", "flow"),
    "speed_m_s": units.parse("3.5 mph", "speed"),
}


def test_two_refills_agree_with_the_catch_test() -> None:
    check = refill("1.70 gal", "1.72 gal", distance="217.8 ft", swath="20 ft", **CREEK)
    assert check.agrees
    # hand-worked: 1.71 / 1.697 = +0.76 %
    assert check.difference_pct == pytest.approx(0.76, abs=0.01)
    assert check.allowed_pct > 0.76
    assert "they agree" in check.text
    assert f"within the combined expanded uncertainty (k = 2) of {check.allowed_pct:.1f} %" in check.text
    assert "one_run" not in {finding.code for finding in check.findings}


def test_refills_that_do_not_agree_say_what_to_do() -> None:
    check = refill("8.5 gal", "8.6 gal", distance="871.2 ft", swath="20 ft", **CREEK)
    # hand-worked: 8.55 gal on 0.4 ac is 21.375 gal/ac; 495 x 2.4 / (3.5 x 20) = 16.971; +25.95 %
    assert not check.agrees
    assert check.difference_pct == pytest.approx(25.95, abs=0.005)
    assert "they do not agree" in check.text
    assert "+25.9 %, more than the combined" in check.text
    (finding,) = check.findings
    assert (finding.code, finding.severity) == ("methods_disagree", "do")


def test_one_refill_and_a_coarse_check_are_said() -> None:
    check = refill(
        "1.7 gal", distance="217.8 ft", swath="20 ft", level_half_l=0.5, tolerance_pct=5.0, **CREEK
    )
    assert [finding.code for finding in check.findings] == ["one_run", "weak_check"]
    assert "level at the mark" in check.findings[1].text


def test_another_speed_than_the_catch_tests_is_named() -> None:
    # 17 oz in 30 s over 204.1875 ft is 4.64 mph, at which the boom gives less
    check = catches("13 oz", "13 oz", seconds=30, spacing="20 in", catch_flow_l_min=1.514, speed_m_s=1.56464)
    assert check.catch_rate_l_ha == pytest.approx(1.514e4 / 60 / (1.56464 * 40 * 0.0254))
    assert not check.agrees
    assert "driven at 4.64 mph" in check.findings[0].text
    assert "3.50 mph" in check.findings[0].text


def test_what_both_share_is_left_out() -> None:
    """The scale of one cylinder cancels; with two cylinders it counts on both sides."""
    same, other = (
        catches("17 oz", "17 oz", seconds=40, spacing="20 in", catch_flow_u_pct=1.5, same_cylinder=same)
        for same in (True, False)
    )
    assert same.allowed_pct < other.allowed_pct
    names = [part.name for part in same.budget.components]
    assert "swath" not in names
    assert "scale of the cylinder" not in names
    assert "scale of the cylinder" in [part.name for part in other.budget.components]


def test_scatter_of_the_refills_counts_when_it_is_larger_than_expected() -> None:
    close = refill("1.70 gal", "1.71 gal", "1.70 gal", distance="217.8 ft", swath="20 ft")
    wide = refill("1.20 gal", "1.71 gal", "2.20 gal", distance="217.8 ft", swath="20 ft")
    assert {part.kind for part in close.budget.components} == {"B"}
    (repeat,) = (part for part in wide.budget.components if part.kind == "A")
    # hand-worked: the deviations from 1.70333 gal are -.50333, .00667, .49667: sd 0.5000 gal, / sqrt(3)
    assert units.convert(repeat.u, "volume", "gal") == pytest.approx(0.5000 / sqrt(3), abs=1e-4)
    assert repeat.dof == 2


def test_nozzles_that_were_not_caught_widen_the_uncertainty() -> None:
    volumes = ("16 oz", "17 oz", "18 oz")
    all_, some, one = (
        catches(*volumes[:n], seconds=40, spacing="20 in", nozzle_count=count)
        for n, count in ((3, 3), (3, 12), (1, 12))
    )
    assert "nozzles not caught" not in [part.name for part in all_.budget.components]
    (part,) = (part for part in some.budget.components if part.name == "nozzles not caught")
    # hand-worked: sd 1 fl oz / sqrt(3) x sqrt(1 - 3/12) = 0.5 fl oz
    assert part.kind == "A"
    assert units.convert(part.u, "volume", "fl oz") == pytest.approx(0.5, rel=1e-9)
    (part,) = (part for part in one.budget.components if part.name == "nozzles not caught")
    assert part.kind == "B"
    assert all_.budget.combined < some.budget.combined


_u = st.floats(0.01, 10)


@given(
    volume=st.floats(5, 200), distance=st.floats(20, 1000), swath=st.floats(1, 30), flow=st.floats(1, 100),
    speed=st.floats(0.5, 8), u=st.tuples(_u, _u, _u),
)  # fmt: skip
def test_the_uncertainty_of_the_difference_agrees_with_the_package(
    volume: float, distance: float, swath: float, flow: float, speed: float, u: tuple[float, float, float]
) -> None:
    """The package knows that the swath is one and the same on both sides; ours leaves it out."""
    check = crosscheck.refill_check(
        refills_l=[volume], distance_m=distance, swath_m=swath, catch_flow_l_min=flow, speed_m_s=speed,
        catch_flow_u_pct=u[0], speed_u_pct=u[1], vessel_u_pct=u[2],
    )  # fmt: skip
    w = ufloat(swath, 0.02 * swath)
    level = [ufloat(0, 0.25 / sqrt(3)) for _ in range(2)]
    end = [ufloat(0, 0.5 / sqrt(3)) for _ in range(2)]
    v = volume * (1 + ufloat(0, u[2] / 100)) + level[0] + level[1]
    length = ufloat(distance, TAPE_U_M) + end[0] + end[1]
    by_refill = v * 1e4 / (length * w)
    by_catch = ufloat(flow, flow * u[0] / 100) * 1e4 / 60 / (ufloat(speed, speed * u[1] / 100) * w)
    # where the two rates agree the shared swath cancels: compare there, scaled to one rate
    ratio = by_refill / by_catch
    relative = ratio.std_dev / ratio.nominal_value
    method = 2 * check.budget.combined / check.rate_l_ha
    catch_ = 2 * sqrt(u[0] ** 2 + u[1] ** 2) / 100
    assert sqrt(method**2 + catch_**2) == pytest.approx(2 * relative, rel=1e-9)
    scaled = 2 * check.budget.combined / check.catch_rate_l_ha
    assert check.allowed_pct == pytest.approx(100 * sqrt(scaled**2 + catch_**2), rel=1e-9)
    assert check.agrees is (abs(check.difference_pct) <= check.allowed_pct)


@given(
    volumes=st.lists(st.floats(0.2, 2.0), min_size=1, max_size=12),
    left_out=st.integers(0, 12),
    seconds=st.floats(10, 120),
    spacing=st.floats(0.3, 1.0),
    u=st.tuples(st.floats(0.0005, 0.02), st.floats(0.1, 3), st.floats(0.02, 0.6), st.floats(0.01, 0.2)),
    same=st.booleans(),
)
def test_the_timed_catch_as_the_package_has_it(
    volumes: list[float], left_out: int, seconds: float, spacing: float, u: tuple[float, ...], same: bool
) -> None:
    """Each catch is read and timed for itself, and the drive once; the scale is shared by all."""
    check = crosscheck.ounce_check(
        catches_l=volumes, drive_time_s=seconds, spacing_m=spacing, nozzle_count=len(volumes) + left_out,
        catch_flow_l_min=5.0, speed_m_s=1.5, distance_m=40.0, reading_u_l=u[0], cylinder_u_pct=u[1],
        stopwatch_u_s=u[2], distance_u_m=u[3], same_cylinder=same,
    )  # fmt: skip
    count, caught = len(volumes) + left_out, len(volumes)
    scale = 1.0 if same else ufloat(1.0, u[1] / 100)
    drive, length = ufloat(seconds, u[2]), ufloat(40.0, u[3])
    middle = fsum(volumes) / caught
    # a catch that lasts longer than the drive holds as much more of the mean nozzle's output
    total: Any = 0.0
    for volume in volumes:
        lasts = ufloat(seconds, u[2])
        total = total + (ufloat(volume, u[0]) + middle * (drive - lasts) / seconds) * scale
    volume_l = total / caught
    if left_out:
        part = left_out / count
        sd = stdev(volumes) if caught > 1 else None
        u_left = middle * 0.05 / sqrt(3) * sqrt(part) if sd is None else sd * sqrt(part / caught)
        volume_l = volume_l + (ufloat(0.0, u_left) if u_left else 0.0)
    by_package = volume_l * 1e4 / (length * spacing)
    assert check.rate_l_ha == pytest.approx(by_package.nominal_value, rel=1e-12)
    assert check.budget.combined == pytest.approx(by_package.std_dev, rel=1e-9)


# -- refused, text, JSON ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: refill(distance="218 ft", swath="20 ft"), "no refill is given"),
        (lambda: refill("0 gal", distance="218 ft", swath="20 ft"), "refill 1 = 0 L must be above zero"),
        (lambda: refill("4 gal", distance="0 ft", swath="20 ft"), "distance = 0 m must be above zero"),
        (lambda: refill("4 gal", distance="218 ft", swath="0 ft"), "swath = 0 m must be above zero"),
        (lambda: catches(seconds=30, spacing="20 in", nozzle_count=2), "no catch is given"),
        (lambda: catches("1 oz", "1 oz", seconds=30, spacing="20 in", nozzle_count=1),
         "2 catches are given for 1 nozzles"),
        (lambda: catches("1 oz", seconds=0, spacing="20 in"), "time of the drive = 0 s must be at least 1 s"),
        (lambda: catches("1 oz", seconds=30, spacing="0 in"), "nozzle spacing = 0 m must be above zero"),
        (lambda: catches("1 oz", seconds=30, spacing="20 in", nozzle_count=2.5), "must be a whole number"),
        (lambda: refill_course_m(6.0, 0, "us"), "parts = 0 must be a whole number"),
        (lambda: course_m(10.0, -1.0), "width of the course = -1 m must be above zero"),
    ],
)  # fmt: skip
def test_refused(call: Any, words: str) -> None:
    with pytest.raises(UsageError) as error:
        call()
    assert words in str(error.value)


def test_text_in_both_systems() -> None:
    us = catches("17 oz", "17 oz", seconds=40, spacing="20 in", system="us")
    metric = catches("200 mL", "200 mL", seconds=15, spacing="50 cm", system="metric")
    assert us.text.startswith("The 1/128-acre method gives 17.0 gal/ac over 204 ft, ")
    assert metric.text.startswith("The timed catch gives 200 L/ha over 20.0 m, ")


def test_json_holds_inputs_result_budget_and_findings() -> None:
    for check in (
        refill("4 gal", distance="218 ft", swath="20 ft"),
        catches("17 oz", "16 oz", seconds=40, spacing="20 in"),
    ):
        data = json.loads(json.dumps(check.to_json(), allow_nan=False))
        assert set(data) == {"inputs", "result", "uncertainty", "findings"}
        assert data["result"]["agrees"] is check.agrees
        assert data["result"]["allowed_pct"] == check.allowed_pct
        assert data["uncertainty"]["rate_l_ha"]["components"]
