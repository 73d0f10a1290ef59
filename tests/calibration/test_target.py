"""Rate, speed, boom flow and pressure from one another.

Published figures name their publisher; the tolerance is half of the last digit that is printed, nothing more,
unless the case says why. The Creek rig is invented: 12 nozzles, 20 in apart, 2.4 gal/min at 40 psi.
"""

import json
from math import sqrt
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from rigmon import units
from rigmon.calibration.target import TargetResult, solve_target
from rigmon.errors import UsageError

_DIMENSION = {
    "rate_l_ha": "rate", "speed_m_s": "speed", "flow_l_min": "flow", "pressure_kpa": "pressure",
    "swath_m": "length", "calibration_flow_l_min": "flow", "calibration_pressure_kpa": "pressure",
    "solution_density_kg_l": "density", "pressure_low_kpa": "pressure", "pressure_high_kpa": "pressure",
}  # fmt: skip


def solve(**given: Any) -> TargetResult:
    """`solve_target` with quantities as people type them."""
    return solve_target(
        **{
            name: units.parse(value, _DIMENSION[name]) if name in _DIMENSION and value is not None else value
            for name, value in given.items()
        }
    )


CREEK = {"swath_m": "20 ft", "calibration_flow_l_min": "2.4 gal/min", "calibration_pressure_kpa": "40 psi"}


# -- published ----------------------------------------------------------------------------------------------

ALBANY = "Albany County Weed & Pest (Wyoming), calibration sheet"
MONTROSE = "Montrose County (Colorado), calibration instructions"
IRISH = "Irish farm newspaper supplement citing the national advisory paper"
AUSTRALIAN = "Australian (Qld-NSW) chemical-accreditation course"
IRRI = "IRRI rice knowledge pages"
ALBERTA = "Alberta Agdex 606-1, p. 11"
IOWA = "Iowa State University, integrated crop news, article 844"

# (case, source, unit, printed, half of its last digit, flow, speed, swath)
RATES = [
    ("1", ALBANY, "gal/ac", 20, 0.5, "3.75 gpm", "5 mph", "222 in"),
    ("2", ALBANY, "gal/ac", 20, 0.5, "480 oz/min", "5 mph", "222 in"),
    # exactly 65.175: the source rounds the half down
    ("3", MONTROSE, "gal/ac", 65.17, 0.005 + 1e-9, "1.58 gpm", "88 ft/min", "12 ft"),
    ("34", IRISH, "L/ha", 200, 0.5, "1.3 L/min", "7.8 km/h", "0.50 m"),
    ("35", AUSTRALIAN, "L/ha", 100, 0.5, "24 L/min", "12 km/h", "12 m"),
    ("36", IRRI, "L/ha", 100, 0.5, "2 L/min", "3 km/h", "4 m"),
    ("39", ALBERTA, "L/ac", 40, 0.5, "0.75 L/min", "9 km/h", "0.50 m"),
]


@pytest.mark.parametrize("case", RATES, ids=lambda case: f"{case[0]}: {case[1]}")
def test_the_rate_from_flow_and_speed(case: tuple[Any, ...]) -> None:
    _, _, unit, printed, half, flow, speed, swath = case
    result = solve(flow_l_min=flow, speed_m_s=speed, swath_m=swath)
    assert result.solved == ("rate",)
    assert units.convert(result.rate_l_ha, "rate", unit) == pytest.approx(printed, abs=half)


# The same examples the other way round: from the printed rate, rounded by half a digit, the other two follow
# to the same part.
@pytest.mark.parametrize("case", RATES, ids=lambda case: f"{case[0]}: {case[1]}")
def test_flow_and_speed_from_the_printed_rate(case: tuple[Any, ...]) -> None:
    _, _, unit, printed, half, flow, speed, swath = case
    rate = f"{printed} {unit}"
    part = half / printed
    of_speed = solve(rate_l_ha=rate, flow_l_min=flow, swath_m=swath)
    of_flow = solve(rate_l_ha=rate, speed_m_s=speed, swath_m=swath)
    assert of_speed.speed_m_s == pytest.approx(units.parse(speed, "speed"), rel=part * 1.03)
    assert of_flow.flow_l_min == pytest.approx(units.parse(flow, "flow"), rel=part * 1.03)


def test_41_iowa_a_quarter_faster_takes_56_pct_more_pressure() -> None:
    """Iowa State University, article 844: 12 -> 15 mph at one rate: +56 %, 40 -> 63 psi."""
    slow = solve(speed_m_s="12 mph", pressure_kpa="40 psi", **CREEK)
    fast = solve_target(
        rate_l_ha=slow.rate_l_ha,
        speed_m_s=units.parse("15 mph", "speed"),
        swath_m=slow.swath_m,
        calibration_flow_l_min=slow.calibration_flow_l_min,
        calibration_pressure_kpa=slow.calibration_pressure_kpa,
    )
    assert fast.pressure_kpa is not None
    assert units.convert(fast.pressure_kpa, "pressure", "psi") == pytest.approx(
        63, abs=0.5 + 1e-9
    )  # exactly 62.5: the source rounds the half up
    assert 100 * fast.pressure_kpa / units.parse("40 psi", "pressure") - 100 == pytest.approx(56, abs=0.5)


def test_43_core_manual_twice_the_flow_takes_four_times_the_pressure() -> None:
    """Core pesticide manual ch. 11, as in a study sheet."""
    result = solve(flow_l_min="4.8 gal/min", speed_m_s="4 mph", **CREEK)
    assert result.pressure_kpa == pytest.approx(4 * units.parse("40 psi", "pressure"), rel=1e-12)


def test_43_core_manual_twice_the_speed_at_one_rate_takes_four_times_the_pressure() -> None:
    at = [solve(rate_l_ha="20 gal/ac", speed_m_s=speed, **CREEK).pressure_kpa for speed in ("3 mph", "6 mph")]
    assert at[0] is not None
    assert at[1] == pytest.approx(4 * at[0], rel=1e-12)


def test_43_core_manual_twice_the_speed_halves_the_rate() -> None:
    at = [solve(pressure_kpa="40 psi", speed_m_s=speed, **CREEK).rate_l_ha for speed in ("3 mph", "6 mph")]
    assert at[1] == pytest.approx(at[0] / 2, rel=1e-12)


def test_44_nebraska_20_gal_of_nitrogen_solution_is_22_6_in_water() -> None:
    """CropWatch 2016, repeated by Oklahoma State University: 20 gal/ac of 28 % N (10.65 lb/gal)."""
    result = solve(
        rate_l_ha="20 gal/ac", speed_m_s="4 mph", solution_density_kg_l="10.65 lb/gal", swath_m="20 ft"
    )
    assert units.convert(result.water_rate_l_ha, "rate", "gal/ac") == pytest.approx(22.6, abs=0.05)
    assert result.water_flow_l_min / result.flow_l_min == pytest.approx(22.6 / 20, abs=0.05 / 20)


def test_47_georgia_the_setting_of_20_gal_of_water_gives_17_5_of_nitrogen_solution() -> None:
    """A Georgia county column; it does not print its density, and 28 to 32 % N is 10.65 to 11.06 lb/gal."""
    water = solve(rate_l_ha="20 gal/ac", speed_m_s="4 mph", **CREEK)
    given = []
    for density in ("10.65 lb/gal", "11.06 lb/gal"):
        result = solve_target(
            pressure_kpa=water.pressure_kpa,
            speed_m_s=water.speed_m_s,
            solution_density_kg_l=units.parse(density, "density"),
            swath_m=water.swath_m,
            calibration_flow_l_min=water.calibration_flow_l_min,
            calibration_pressure_kpa=water.calibration_pressure_kpa,
        )
        given.append(units.convert(result.rate_l_ha, "rate", "gal/ac"))
    assert given[1] < 17.5 < given[0]
    assert given == [pytest.approx(17.5, abs=0.25), pytest.approx(17.5, abs=0.25)]


# -- what follows from what ---------------------------------------------------------------------------------


def test_any_one_unknown_of_the_four() -> None:
    """Hand-worked for the Creek rig: 495 x 2.4 / (3.5 x 20) = 16.971 gal/ac at 40 psi."""
    full = {
        "rate_l_ha": "16.971 gal/ac",
        "speed_m_s": "3.5 mph",
        "flow_l_min": "2.4 gpm",
        "pressure_kpa": "40 psi",
    }
    for unknown, value in full.items():
        result = solve(**{name: full[name] for name in full if name != unknown}, **CREEK)
        expected = units.parse(value, _DIMENSION[unknown])
        assert result.solved == (unknown.partition("_")[0],)
        assert getattr(result, unknown) == pytest.approx(expected, rel=1e-4)
        assert not result.findings


def test_two_give_the_other_two() -> None:
    result = solve(rate_l_ha="17 gal/ac", speed_m_s="3.5 mph", **CREEK)
    assert result.given == ("rate", "speed")
    assert result.solved == ("flow", "pressure")
    # hand-worked: 17 x 3.5 x 20 / 495 = 2.40404 gal/min; 40 x (2.40404 / 2.4)^2 = 40.135 psi
    assert units.convert(result.flow_l_min, "flow", "gal/min") == pytest.approx(2.40404, abs=5e-6)
    assert result.pressure_kpa is not None
    assert units.convert(result.pressure_kpa, "pressure", "psi") == pytest.approx(40.135, abs=5e-4)
    # 20 ft x 3.5 mph = 20 x 3.5 x 88 ft2/min
    assert units.convert(result.area_m2_per_s * 60, "area", "ft2") == pytest.approx(20 * 3.5 * 88)


def test_the_speed_band_is_not_symmetric() -> None:
    """Hand-worked: 3.5 / 1.1 = 3.182 and 3.5 / 0.9 = 3.889 mph keep the rate within 10 %."""
    result = solve(rate_l_ha="17 gal/ac", speed_m_s="3.5 mph", tolerance_pct=10.0, **CREEK)
    band = [units.convert(v, "speed", "mph") for v in (result.speed_low_m_s, result.speed_high_m_s)]
    assert band == [pytest.approx(3.182, abs=5e-4), pytest.approx(3.889, abs=5e-4)]


def test_without_a_calibration_pressure_is_unknown() -> None:
    result = solve(rate_l_ha="17 gal/ac", speed_m_s="3.5 mph", swath_m="20 ft")
    assert result.pressure_kpa is None
    assert result.solved == ("flow",)
    assert result.to_json()["result"]["pressure_kpa"] is None


def test_a_heavier_solution_takes_more_pressure_for_the_same_flow() -> None:
    """Hand-worked: q_solution = q_water / sqrt(SG), so the pressure grows with SG: 1.28 times."""
    water = solve(rate_l_ha="17 gal/ac", speed_m_s="3.5 mph", **CREEK)
    heavy = solve(rate_l_ha="17 gal/ac", speed_m_s="3.5 mph", solution_density_kg_l="1.28 kg/L", **CREEK)
    assert water.pressure_kpa is not None
    assert heavy.pressure_kpa == pytest.approx(1.28 * water.pressure_kpa, rel=1e-12)
    assert heavy.flow_l_min == water.flow_l_min
    assert heavy.water_flow_l_min == pytest.approx(sqrt(1.28) * heavy.flow_l_min, rel=1e-12)
    assert water.water_rate_l_ha == water.rate_l_ha


_rate = st.floats(20, 2000)
_speed = st.floats(0.6, 8)
_swath = st.floats(0.3, 30)
_density = st.floats(0.6, 2)
_pressure = st.floats(50, 1500)
_cal = st.tuples(st.floats(0.5, 200), st.floats(50, 1000))


@given(rate=_rate, speed=_speed, swath=_swath, density=_density, cal=_cal)
def test_inverses_round_trip(
    rate: float, speed: float, swath: float, density: float, cal: tuple[float, float]
) -> None:
    rest = {
        "swath_m": swath, "solution_density_kg_l": density,
        "calibration_flow_l_min": cal[0], "calibration_pressure_kpa": cal[1],
    }  # fmt: skip
    flow = rate * speed * swath * 60 / 1e4
    pressure = cal[1] * (flow / cal[0]) ** 2 * density
    if not (flow < 4000 and pressure < 90_000):
        return
    known = {"rate_l_ha": rate, "speed_m_s": speed, "flow_l_min": flow, "pressure_kpa": pressure}
    for pair in (
        ("rate_l_ha", "speed_m_s"), ("rate_l_ha", "flow_l_min"), ("rate_l_ha", "pressure_kpa"),
        ("speed_m_s", "flow_l_min"), ("speed_m_s", "pressure_kpa"),
    ):  # fmt: skip
        result = solve_target(**{name: known[name] for name in pair}, **rest)  # type: ignore[arg-type]
        for name, value in known.items():
            assert getattr(result, name) == pytest.approx(value, rel=1e-9)
        assert result.holding_speed_m_s == pytest.approx(speed, rel=1e-9)
        assert result.speed_low_m_s < result.holding_speed_m_s < result.speed_high_m_s
    all_four = solve_target(**known, **rest)  # type: ignore[arg-type]
    assert all_four.solved == ()
    assert [item.difference_pct for item in all_four.disagreements] == [0, 0, 0]
    assert "inconsistent" not in {finding.code for finding in all_four.findings}


# -- uncertainty --------------------------------------------------------------------------------------------


@given(
    rate=_rate, speed=_speed, swath=_swath, pressure=_pressure, cal=_cal,
    u=st.tuples(*[st.floats(0.01, 20)] * 4),
)  # fmt: skip
def test_uncertainty_of_a_rate_by_pressure_agrees_with_the_package(
    rate: float, speed: float, swath: float, pressure: float, cal: tuple[float, float], u: tuple[float, ...]
) -> None:
    result = solve_target(
        speed_m_s=speed, pressure_kpa=pressure, swath_m=swath, calibration_flow_l_min=cal[0],
        calibration_pressure_kpa=cal[1], flow_u_pct=u[0], speed_u_pct=u[1], swath_u_pct=u[2],
        pressure_u_pct=u[3],
    )  # fmt: skip
    q, v, w, p = (
        ufloat(x, x * part / 100) for x, part in zip((cal[0], speed, swath, pressure), u, strict=True)
    )
    package = q * (p / cal[1]) ** 0.5 * 1e4 / 60 / (v * w)
    budget = result.budgets["rate"]
    assert budget.value == pytest.approx(package.nominal_value, rel=1e-9)
    assert budget.combined == pytest.approx(package.std_dev, rel=1e-9)
    held = solve_target(
        rate_l_ha=rate, pressure_kpa=pressure, swath_m=swath, calibration_flow_l_min=cal[0],
        calibration_pressure_kpa=cal[1], flow_u_pct=u[0], speed_u_pct=u[1], swath_u_pct=u[2],
        pressure_u_pct=u[3],
    )  # fmt: skip
    speed_by_package = q * (p / cal[1]) ** 0.5 * 1e4 / 60 / (rate * w)
    assert held.budgets["speed"].combined == pytest.approx(speed_by_package.std_dev, rel=1e-9)


@given(rate=_rate, speed=_speed, swath=_swath, cal=_cal, u=st.tuples(*[st.floats(0.01, 20)] * 4))
def test_uncertainty_of_a_pressure_agrees_with_the_package(
    rate: float, speed: float, swath: float, cal: tuple[float, float], u: tuple[float, ...]
) -> None:
    if (
        rate * speed * swath * 60 / 1e4 > 4000
        or cal[1] * (rate * speed * swath * 60 / 1e4 / cal[0]) ** 2 > 9e4
    ):
        return
    result = solve_target(
        rate_l_ha=rate, speed_m_s=speed, swath_m=swath, calibration_flow_l_min=cal[0],
        calibration_pressure_kpa=cal[1], flow_u_pct=u[0], speed_u_pct=u[1], swath_u_pct=u[2],
        pressure_u_pct=u[3],
    )  # fmt: skip
    q, v, w, p = (
        ufloat(x, x * part / 100) for x, part in zip((cal[0], speed, swath, cal[1]), u, strict=True)
    )
    flow = rate * v * w * 60 / 1e4
    pressure = p * (flow / q) ** 2
    assert result.budgets["flow"].combined == pytest.approx(flow.std_dev, rel=1e-9)
    assert result.budgets["pressure"].combined == pytest.approx(pressure.std_dev, rel=1e-9)


# -- pressure range -----------------------------------------------------------------------------------------


def codes(result: TargetResult) -> list[str]:
    return [finding.code for finding in result.findings]


def test_pressure_below_the_range_says_what_else_can_be_changed() -> None:
    result = solve(
        rate_l_ha="17 gal/ac", speed_m_s="2 mph", pressure_low_kpa="20 psi", pressure_high_kpa="60 psi",
        spray_angle_deg=80.0, **CREEK,
    )  # fmt: skip
    assert codes(result) == ["pressure_low", "far_from_calibration"]
    low, far = result.findings
    assert low.severity == "do"
    # hand-worked: 40 x (17 x 2 x 20 / 495 / 2.4)^2 = 13.1 psi; at 20 psi 2.4 x sqrt(1/2) = 1.697 gal/min,
    # so 495 x 1.697 / (17 x 20) = 2.47 mph or 495 x 1.697 / (2 x 20) = 21.0 gal/ac; 1.374 / 1.697 = 0.81
    for words in ("13.1 psi is below 20.0 psi", "80 degrees", "1.70 gal/min", "at least 2.47 mph",
                  "smaller nozzles (0.81 times the output, or less)", "at least 21.0 gal/ac"):  # fmt: skip
        assert words in low.text
    assert "67 % below" in far.text


def test_pressure_above_the_range_in_metric() -> None:
    result = solve(
        rate_l_ha="200 L/ha", speed_m_s="9 km/h", swath_m="6 m", calibration_flow_l_min="9 L/min",
        calibration_pressure_kpa="3 bar", pressure_high_kpa="4 bar", system="metric",
    )  # fmt: skip
    assert codes(result) == ["pressure_high", "far_from_calibration"]
    # hand-worked: 200 x 9 x 6 / 600 = 18 L/min: 4 x 300 = 1200 kPa; at 400 kPa 9 x sqrt(4/3) = 10.39 L/min,
    # so 600 x 10.39 / (200 x 6) = 5.20 km/h or 600 x 10.39 / (9 x 6) = 115 L/ha; 18 / 10.39 = 1.7
    for words in (
        "1200 kPa is above 400 kPa",
        "10.4 L/min",
        "at most 5.20 km/h",
        "1.7 times",
        "at most 115 L/ha",
    ):
        assert words in result.findings[0].text
    assert "psi" not in " ".join([*result.lines(), *(finding.text for finding in result.findings)])


@pytest.mark.parametrize("pressure", ["20 psi", "40 psi", "60 psi"])
def test_pressure_on_and_within_the_bounds_is_fine(pressure: str) -> None:
    result = solve(
        pressure_kpa=pressure,
        speed_m_s="3.5 mph",
        pressure_low_kpa="20 psi",
        pressure_high_kpa="60 psi",
        **CREEK,
    )
    assert not {"pressure_low", "pressure_high"} & set(codes(result))


def test_far_from_the_catch_tests_pressure_is_worth_a_catch() -> None:
    assert codes(solve(pressure_kpa="49 psi", speed_m_s="3.5 mph", **CREEK)) == []
    assert codes(solve(pressure_kpa="51 psi", speed_m_s="3.5 mph", **CREEK)) == ["far_from_calibration"]


def test_a_speed_that_no_rig_drives_is_said() -> None:
    assert codes(solve(rate_l_ha="300 gal/ac", flow_l_min="2.4 gpm", swath_m="20 ft")) == ["unlikely_speed"]


# -- inconsistent and refused -------------------------------------------------------------------------------


def test_all_four_that_disagree_are_a_finding_with_its_size() -> None:
    # hand-worked: 495 x 2.4 / (3 x 20) = 19.8 gal/ac, 16.5 % above 17
    result = solve(
        rate_l_ha="17 gal/ac", speed_m_s="3 mph", flow_l_min="2.4 gpm", pressure_kpa="40 psi", **CREEK
    )
    assert codes(result) == ["inconsistent"]
    (finding,) = result.findings
    assert finding.severity == "do"
    for words in ("17.0 gal/ac is given", "speed and boom flow make it 19.8 gal/ac", "+16.5 %", "10 %"):
        assert words in finding.text
    assert [round(item.difference_pct, 1) for item in result.disagreements] == [0.0, 16.5, 16.5]
    assert result.budgets == {}
    # the speed to hold is that of the flow, not the one given: 495 x 2.4 / (17 x 20) = 3.494 mph
    assert units.convert(result.holding_speed_m_s, "speed", "mph") == pytest.approx(3.494, abs=5e-4)


def test_all_four_within_the_tolerance_are_no_finding() -> None:
    given = {
        "rate_l_ha": "18 gal/ac",
        "speed_m_s": "3.5 mph",
        "flow_l_min": "2.4 gpm",
        "pressure_kpa": "41 psi",
    }
    assert codes(solve(**given, **CREEK)) == []
    assert codes(solve(**given, tolerance_pct=5.0, **CREEK)) == ["inconsistent"]


def test_without_calibration_three_are_all() -> None:
    result = solve(rate_l_ha="17 gal/ac", speed_m_s="3 mph", flow_l_min="2.4 gpm", swath_m="20 ft")
    assert codes(result) == ["inconsistent"]


@pytest.mark.parametrize(
    ("given_", "words"),
    [
        ({**CREEK}, "nothing is given; give rate and speed, or one of the two with boom flow or pressure"),
        ({"swath_m": "20 ft"}, "nothing is given; give rate and speed, or one of the two with boom flow"),
        ({"rate_l_ha": "17 gpa", **CREEK}, "only the rate is given; give one more of speed, boom flow or"),
        ({"rate_l_ha": "17 gpa", "swath_m": "20 ft"}, "give one more of speed or boom flow"),
        ({"pressure_kpa": "40 psi", **CREEK}, "only the pressure is given; give one more of rate or speed"),
        (
            {"flow_l_min": "2 gpm", "pressure_kpa": "40 psi", **CREEK},
            "boom flow and pressure are given, and each follows from the other; rate and speed are missing",
        ),
        (
            {"rate_l_ha": "17 gpa", "pressure_kpa": "40 psi", "swath_m": "20 ft"},
            "give boom flow and pressure of a catch test, or leave the pressure out",
        ),
        (
            {"rate_l_ha": "17 gpa", "speed_m_s": "3 mph", "flow_l_min": "2.4 gpm", **CREEK},
            "leave one out to have it and the pressure worked out",
        ),
        (
            {"speed_m_s": "3 mph", "flow_l_min": "2 gpm", "pressure_kpa": "40 psi", **CREEK},
            "boom flow 2.00 gal/min is given, but pressure makes it 2.40 gal/min, +20.0 %",
        ),
        ({"rate_l_ha": "0 gpa", "speed_m_s": "3 mph", **CREEK}, "rate = 0 L/ha must be above zero"),
        ({"rate_l_ha": "17 gpa", "speed_m_s": "-3 mph", **CREEK}, "speed = -1.34112 m/s must be above zero"),
        ({"rate_l_ha": "17 gpa", "speed_m_s": "3 mph", "swath_m": "0 m"}, "swath = 0 m must be above zero"),
        (
            {"rate_l_ha": "17 gpa", "speed_m_s": "3 mph", "tolerance_pct": 100.0, **CREEK},
            "tolerance = 100 % must be above 0 and below 100",
        ),
        (
            {"rate_l_ha": "17 gpa", "speed_m_s": "3 mph", "solution_density_kg_l": "12 kg/L", **CREEK},
            "density of the solution = 12 kg/L must be at least 0.5 kg/L and at most 2.5 kg/L",
        ),
        (
            {"rate_l_ha": "17 gpa", "speed_m_s": "3 mph", "pressure_low_kpa": "60 psi",
             "pressure_high_kpa": "20 psi", **CREEK},
            "lowest pressure of the nozzles = 60.0 psi must be below the highest, 20.0 psi",
        ),
        (
            {"rate_l_ha": "17 gpa", "speed_m_s": "3 mph", "swath_m": "20 ft",
             "calibration_pressure_kpa": "40 psi"},
            "the calibration has a pressure but no boom flow",
        ),
    ],
)  # fmt: skip
def test_refused(given_: dict[str, Any], words: str) -> None:
    with pytest.raises(UsageError) as error:
        solve(**given_)
    assert words in str(error.value)


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_no_number_is_refused(value: float) -> None:
    with pytest.raises(UsageError, match="rate = "):
        solve_target(rate_l_ha=value, speed_m_s=1.5, swath_m=6.0)


# -- text and JSON ------------------------------------------------------------------------------------------


def test_what_a_reader_sees_in_both_systems() -> None:
    given_ = {"rate_l_ha": "17 gal/ac", "speed_m_s": "3.5 mph", "solution_density_kg_l": "1.28 kg/L", **CREEK}
    us, metric = (" ".join(solve(system=system, **given_).lines()) for system in ("us", "metric"))
    for words in ("Boom flow 2.40 gal/min", "Hold 3.50 mph: 3.18 mph to 3.89 mph", "17.0 gal/ac within 10 %",
                  "10.7 lb/gal", "19.2 gal/ac", "2.72 gal/min of water"):  # fmt: skip
        assert words in us
    for words in ("Boom flow 9.10 L/min", "Hold 5.63 km/h", "159 L/ha", "1.28 kg/L", "180 L/ha"):
        assert words in metric
    assert not any(unit in metric for unit in ("gal", "mph", "psi", "lb"))


def test_json_holds_inputs_result_budget_and_findings() -> None:
    data = json.loads(
        json.dumps(solve(rate_l_ha="17 gal/ac", speed_m_s="2 mph", **CREEK).to_json(), allow_nan=False)
    )
    assert set(data) == {"inputs", "result", "uncertainty", "findings"}
    assert data["inputs"]["given"] == ["rate", "speed"]
    assert set(data["uncertainty"]) == {"flow_l_min", "pressure_kpa"}
    parts = data["uncertainty"]["pressure_kpa"]["components"]
    assert {part["name"] for part in parts} == {"speed", "swath", "calibrated flow", "pressure"}
    assert {part["kind"] for part in parts} == {"B"}
    assert data["findings"][0]["code"] == "far_from_calibration"
