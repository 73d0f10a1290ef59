"""Loads, mixes and what a measuring cup shows.

Published figures name their publisher; the tolerance is half of the last digit that is printed, nothing more,
unless the case says why. Products are invented.
"""

# ruff: noqa: E501  (the tables of cases read best one case a line)

import json
from collections.abc import Callable
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rigmon import units
from rigmon.calibration.cup import measure, written
from rigmon.calibration.plan_text import load_lines, tank_lines
from rigmon.calibration.result import System
from rigmon.calibration.tank import (
    CAUTIONS,
    Product,
    SpotMix,
    TankPlan,
    dose_of_product,
    read_product,
    spot_mix,
    tank_plan,
)
from rigmon.errors import UsageError
from rigmon.units import Dose


def plan(tank: str, rate: str, area: str | None = None, *doses: str, **more: Any) -> TankPlan:
    """`tank_plan` with quantities as people type them; the products are A, B, C in the order of `doses`."""
    return tank_plan(
        tank_l=units.parse(tank, "volume"),
        rate_l_ha=units.parse(rate, "rate"),
        area_m2=None if area is None else units.parse(area, "area"),
        products=[read_product(f"Product {'ABC'[n]}", dose) for n, dose in enumerate(doses)],
        **more,
    )


def needed(plan_: TankPlan, unit: str, product: int = 0, kind: str = "volume") -> float:
    """Of a product in a full tank."""
    return units.convert(plan_.full.amounts[product].needed, kind, unit)


def in_all(plan_: TankPlan, unit: str, product: int = 0, kind: str = "volume") -> float:
    assert plan_.totals is not None
    return units.convert(plan_.totals[product].needed, kind, unit)


def spray(plan_: TankPlan, unit: str) -> float:
    assert plan_.spray_l is not None
    return units.convert(plan_.spray_l, "volume", unit)


# -- published ----------------------------------------------------------------------------------------------


def test_2_albany_county_weed_and_pest() -> None:
    """Wyoming, calibration sheet: at 20 gal/ac a label dose of 32 oz/ac is 32 oz per 20 gal."""
    assert needed(plan("20 gal", "20 gal/ac", None, "32 fl oz/ac"), "fl oz") == pytest.approx(32, rel=1e-12)


def test_5_county_weed_programme_mixing_sheet() -> None:
    """Publisher not visible: 100 gal/ac, 50-gal tank, 7 oz/ac: 3.5 oz a tank. Nothing is lost by rounding."""
    result = plan("50 gal", "100 gal/ac", None, "7 fl oz/ac")
    assert needed(result, "fl oz") == pytest.approx(3.5, rel=1e-12)
    assert result.full.amounts[0].text == "3.5 fl oz"


def test_7_mesa_county_hand_gun() -> None:
    """Colorado: a 25-gal tank at 150 gal/ac treats 1/6 acre."""
    result = plan("25 gal", "150 gal/ac")
    assert units.convert(result.area_per_tank_m2, "area", "ac") == pytest.approx(1 / 6, rel=1e-12)


def test_12_agrochemical_safety_handbook() -> None:
    """15 gal/ac x 3.5 ac: 52.5 gal; 3 lb/ac x 3.5: 10.5 lb; 2 lb active of an 80 % product: 2.5 lb."""
    result = plan("60 gal", "15 gal/ac", "3.5 ac", "3 lb/ac")
    assert spray(result, "gal") == pytest.approx(52.5, rel=1e-12)
    assert in_all(result, "lb", kind="mass") == pytest.approx(10.5, rel=1e-12)
    dose = dose_of_product(units.parse("2 lb/ac", "dose by mass"), active_pct=80.0)
    assert units.convert(dose.value, dose.kind, "lb/ac") == pytest.approx(2.5, rel=1e-12)


def test_13_oklahoma_state_university_oklahoma_city() -> None:
    """2013: 40 gal/ac is 0.92 gal on 1000 sq ft, 3.6 pt/ac is 1.3 oz on it and 11.25 gal on 25 acres."""
    result = plan("5 gal", "40 gal/ac", "1000 sq ft", "3.6 pt/ac")
    assert spray(result, "gal") == pytest.approx(0.92, abs=0.005)
    assert in_all(result, "fl oz") == pytest.approx(1.3, abs=0.05)
    assert in_all(plan("100 gal", "40 gal/ac", "25 ac", "3.6 pt/ac"), "gal") == pytest.approx(
        11.25, abs=0.005
    )


def test_14_note_citing_virginia_cooperative_extension() -> None:
    """456-502: 1.5 gal on 1000 sq ft is 65 gal/ac; 3 pt/ac is then 0.74 fl oz a gallon."""
    result = plan("1 gal", "1.5 gal/1000 sq ft", None, "3 pt/ac")
    assert units.convert(result.rate_l_ha, "rate", "gal/ac") == pytest.approx(65, abs=0.5)
    # worked in the source with 65 gal/ac, here with 65.34
    assert needed(result, "fl oz") == pytest.approx(0.74, abs=0.006)


def test_30_extension_slides() -> None:
    """Institution not visible: 40 gal/ac, 1 qt/ac: 0.8 oz or 24 cc a gallon, and a gallon treats 1/40 acre."""
    result = plan("1 gal", "40 gal/ac", None, "1 qt/ac")
    assert needed(result, "fl oz") == pytest.approx(0.8, rel=1e-12)
    assert needed(result, "mL") == pytest.approx(24, abs=0.5)
    assert units.convert(result.area_per_tank_m2, "area", "ac") == pytest.approx(1 / 40, rel=1e-12)


def test_32_north_carolina_christmas_tree_worksheet() -> None:
    """NC State Extension: 7.5 gal/ac, 8 oz/ac: 1.06 oz a gallon, 3.2 oz in 3 gal, 96 mL at 30 mL an ounce."""
    # 1.0667: the source cuts
    assert needed(plan("1 gal", "7.5 gal/ac", None, "8 fl oz/ac"), "fl oz") == pytest.approx(1.06, abs=0.01)
    result = plan("3 gal", "7.5 gal/ac", None, "8 fl oz/ac")
    assert needed(result, "fl oz") == pytest.approx(3.2, abs=0.05)
    assert needed(result, "fl oz") * 30 == pytest.approx(96, abs=0.5)
    assert result.full.amounts[0].text == "3.2 fl oz"


def test_35_australian_accreditation_course() -> None:
    """Qld/NSW: product per tank = tank / rate x dose. Hand-worked with it: 600 L / 100 L/ha x 2 L/ha = 12 L."""
    assert needed(plan("600 L", "100 L/ha", None, "2 L/ha"), "L") == pytest.approx(12, rel=1e-12)


def test_37_canadian_provincial_factsheet() -> None:
    """200 L/ha x 20 ha: 4000 L; 4 loads of a 1000-L tank."""
    result = plan("1000 L", "200 L/ha", "20 ha")
    assert result.spray_l == pytest.approx(4000, rel=1e-12)
    assert (result.loads, result.full_loads, result.last) == (4, 4, None)


def test_39_alberta_agdex() -> None:
    """606-1, p. 11: 30 ac at 40 L/ac: 1200 L."""
    assert spray(plan("400 L", "40 L/ac", "30 ac"), "L") == pytest.approx(1200, rel=1e-12)


def test_44_nebraska_nitrogen_solution() -> None:
    """UNL CropWatch, 2016: 10.65 lb/gal x 0.28 = 2.982 lb N a gallon, so 75 lb N/ac take 25.151 gal/ac."""
    active_kg_l = units.parse("10.65 lb/gal", "density") * 0.28
    assert units.convert(active_kg_l, "density", "lb/gal") == pytest.approx(2.982, abs=0.0005)
    dose = dose_of_product(units.parse("75 lb/ac", "dose by mass"), active_kg_l=active_kg_l)
    assert units.convert(dose.value, dose.kind, "gal/ac") == pytest.approx(25.151, abs=0.0005)


# -- loads --------------------------------------------------------------------------------------------------


def test_full_tanks_and_a_last_partial_one() -> None:
    """Hand-worked: 17 x 12 = 204 gal: 4 tanks of 50 and 4 gal; 32 x 50 / 17 = 94.1 and 32 x 4 / 17 = 7.53 oz."""
    result = plan("50 gal", "17 gal/ac", "12 ac", "32 fl oz/ac")
    assert (result.loads, result.full_loads) == (5, 4)
    assert result.last_load_l == pytest.approx(units.parse("4 gal", "volume"))
    assert result.last is not None
    assert result.last.area_m2 == pytest.approx(units.parse("4 ac", "area") / 17)
    assert [load.amounts[0].text for load in (result.full, result.last)] == ["94 fl oz", "7.5 fl oz"]
    assert in_all(result, "fl oz") == pytest.approx(32 * 12, rel=1e-12)
    # water makes up the load with what is measured: 50 - 94/128 gal
    assert units.convert(result.full.water_l, "volume", "gal") == pytest.approx(50 - 94 / 128)


def test_a_job_smaller_than_a_tank_is_one_load() -> None:
    result = plan("50 gal", "20 gal/ac", "1 ac", "32 fl oz/ac")
    assert (result.loads, result.full_loads) == (1, 0)
    assert result.last_load_l == pytest.approx(units.parse("20 gal", "volume"))
    text = " ".join(tank_lines(result))
    assert "one load of 20.0 gal" in text
    assert "Full tank" not in text


def test_without_an_area_there_is_a_full_tank_and_no_total() -> None:
    result = plan("50 gal", "20 gal/ac", None, "32 fl oz/ac")
    assert (result.spray_l, result.loads, result.full_loads, result.last, result.totals) == (None,) * 5
    assert needed(result, "fl oz") == pytest.approx(80, rel=1e-12)


# Typed in gallons and acres, carried in litres and square metres: hand-worked, 17.5 x 4n / 14 = 5n tanks,
# 7.3 x 2n / 14.6 = n, 0.7 x 3n / 2.1 = n
@pytest.mark.parametrize(
    ("tank", "rate", "acres", "tanks"),
    [("14 gal", "17.5 gal/ac", 4, 5), ("14.6 gal", "7.3 gal/ac", 2, 1), ("2.1 gal", "0.7 gal/ac", 3, 1)],
)
def test_a_whole_number_of_tanks_has_no_partial_load(tank: str, rate: str, acres: int, tanks: int) -> None:
    for n in range(1, 60):
        result = plan(tank, rate, f"{acres * n} ac", "1 pt/ac")
        assert (result.loads, result.full_loads, result.last) == (tanks * n, tanks * n, None)


_doses = st.one_of(
    st.tuples(st.just("dose by volume"), st.floats(1e-3, 20), st.just("L/ha")),
    st.tuples(st.just("dose by mass"), st.floats(1e-3, 50), st.just("kg/ha")),
    st.tuples(st.just("concentration"), st.floats(1e-3, 20), st.just("% v/v")),
)
_systems = st.sampled_from(["us", "metric"])


@given(
    tank=st.floats(5, 2000), rate=st.floats(100, 1000), area=st.floats(10, 1e6),
    doses=st.lists(_doses, min_size=1, max_size=3), system=_systems,
)  # fmt: skip
def test_loads_add_up_to_the_job_and_rounding_never_exceeds(
    tank: float, rate: float, area: float, doses: list[Any], system: System
) -> None:
    if rate * area / 1e4 / tank > 900:
        return
    products = [Product(f"P{n}", Dose(kind, value), unit) for n, (kind, value, unit) in enumerate(doses)]
    result = tank_plan(tank_l=tank, rate_l_ha=rate, area_m2=area, products=products, system=system)
    assert result.totals is not None
    assert result.full_loads is not None
    loads = [result.full] * result.full_loads + ([] if result.last is None else [result.last])
    assert len(loads) == result.loads
    sprayed = sum((load.exact_l for load in loads), Fraction())
    assert sprayed == Fraction(rate) * Fraction(area) / 10_000
    for n, total in enumerate(result.totals):
        assert sum((load.amounts[n].exact for load in loads), Fraction()) == total.exact
        measured = sum((load.amounts[n].measured_exact for load in loads), Fraction())
        assert measured == total.measured_exact
        assert measured <= total.exact * (1 + Fraction(1, 10**9))
        # and from the dose itself, in floats
        kind, value, _ = doses[n]
        per_area = value * rate / 100 if kind == "concentration" else value
        assert total.needed == pytest.approx(per_area * area / 1e4, rel=1e-9)
    for load in loads:
        assert 0 < load.volume_l <= tank * (1 + 1e-9)
        assert 0 <= load.water_l <= load.volume_l
    json.dumps(result.to_json(), allow_nan=False)
    assert tank_lines(result)


# -- the cup ------------------------------------------------------------------------------------------------


@given(value=st.floats(1e-6, 1e4), kind=st.sampled_from(["volume", "mass"]), system=_systems)
def test_a_cup_never_shows_more_and_little_less(value: float, kind: Any, system: System) -> None:
    exact = Fraction(value)
    cup = measure(exact, kind, system)
    assert cup.amount <= exact * (1 + Fraction(1, 10**9))
    assert exact - cup.amount < cup.mark
    assert cup.amount % cup.mark == 0


# Hand-worked
@pytest.mark.parametrize(
    ("text", "kind", "system", "shown"),
    [
        ("1.28 fl oz", "volume", "us", "1.25 fl oz"),
        ("7.57 fl oz", "volume", "us", "7.5 fl oz"),
        ("31.9 fl oz", "volume", "us", "31.75 fl oz"),
        ("127.9 fl oz", "volume", "us", "127 fl oz"),
        ("1 gal", "volume", "us", "1 gal"),
        ("300.5 fl oz", "volume", "us", "2 gal 44 fl oz"),
        ("0.03 fl oz", "volume", "us", "under 0.05 fl oz"),
        ("37.8 mL", "volume", "metric", "37.5 mL"),
        ("948 mL", "volume", "metric", "945 mL"),
        ("2.789 L", "volume", "metric", "2.78 L"),
        ("12.34 L", "volume", "metric", "12.3 L"),
        ("52.66 oz wt", "mass", "us", "3 lb 4.6 oz wt"),
        ("0.355 oz wt", "mass", "us", "0.35 oz wt"),
        ("10.09 g", "mass", "metric", "10 g"),
        ("1234.9 g", "mass", "metric", "1.234 kg"),
    ],
)
def test_what_a_cup_or_scale_shows(text: str, kind: Any, system: System, shown: str) -> None:
    assert measure(Fraction(units.parse(text, kind)), kind, system).text == shown


def test_the_marks_of_ones_own_cup() -> None:
    """Hand-worked: 32 x 50 / 17 = 94.12 fl oz, in marks of 4 fl oz 92; 2.25 % under."""
    mark = units.parse("4 fl oz", "volume")
    result = plan("50 gal", "17 gal/ac", None, "32 fl oz/ac", volume_mark_l=mark)
    (item,) = result.full.amounts
    assert item.text == "92 fl oz"
    assert item.shortfall_pct == pytest.approx(100 * (1 - 92 * 17 / 1600))
    (finding,) = result.findings
    assert (finding.code, finding.severity) == ("rounded_down", "mind")
    for words in (
        "Product A: 92 fl oz in a full tank is 2.2 % less",
        "marks of 4 fl oz",
        "marks of 0.4 fl oz",
    ):
        assert words in finding.text


def test_what_is_too_small_to_measure_is_said() -> None:
    """Hand-worked: a hundredth of 2 fl oz and of 0.5 oz wt; the marks are 0.05 fl oz and 0.01 oz wt."""
    liquid, dry = plan("1 gal", "100 gal/ac", None, "2 fl oz/ac", "0.5 oz wt/ac").findings
    assert liquid.code == dry.code == "too_small_to_measure"
    assert liquid.severity == dry.severity == "do"
    assert "mark of 0.05 fl oz. Use a cup or syringe with marks of 0.005 fl oz or less" in liquid.text
    assert "mark of 0.01 oz wt. Use a scale" in dry.text


def test_written_never_rounds_up() -> None:
    assert written(Fraction(units.parse("1.99999 L", "volume")), "volume", "metric") == "1.9999 L"


# -- refused ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("call", "words"),
    [
        # hand-worked: 25 gal/ac at 20 gal/ac is 62.5 gal in 50
        (lambda: plan("50 gal", "20 gal/ac", None, "25 gal/ac"),
         "Product A: 25 gal/ac asks for 62.5 gal in a load of 50.0 gal, more than it holds"),
        (lambda: plan("50 gal", "20 gal/ac", None, "12 gal/ac", "45 %"),
         "Product A, Product B together take 52.5 gal of a load of 50.0 gal, more than it holds"),
        (lambda: plan("200 L", "100 L/ha", None, "60 L/ha", "45 %", system="metric"),
         "together take 210.0 L of a load of 200.0 L"),
        (lambda: read_product("Product A", "101 %"), "101 % v/v must be at most 100 %"),
        (lambda: read_product("Product A", "1 %", "101 %"), "stated maximum = 101 % v/v must be at most 100 %"),
        (lambda: read_product("Product A", "0 pt/ac"), "Product A: dose = 0 L/ha must be above zero"),
        (lambda: read_product("Product A", "3 oz/ac"), "write 'fl oz/ac' or 'oz wt/ac'"),
        (lambda: read_product("Product A", "3 lb/ac", "2 pt/ac"), "give both by volume or both by mass"),
        (lambda: read_product(" ", "3 lb/ac"), "a product has no name"),
        (lambda: tank_plan(tank_l=100, rate_l_ha=100, products=[read_product("A", "1 L/ha"), read_product("a ", "2 L/ha")]),
         "given twice"),
        (lambda: tank_plan(tank_l=100, rate_l_ha=100, products=[read_product("A", "3 pt/ac", "1 qt/ac")]),
         "A: 3 pt/ac is more than its stated maximum, 2 pt/ac; the label is the law"),
        # hand-worked: 2 % of 187 L/ha is 3.74 L/ha
        (lambda: tank_plan(tank_l=100, rate_l_ha=187, products=[read_product("A", "2 %", "3.7 L/ha")], system="metric"),
         "A: 2 % v/v is more than its stated maximum, 3.700 L/ha, allows at this spray rate"),
        (lambda: plan("0 gal", "20 gal/ac"), "tank = 0 L must be above zero"),
        (lambda: plan("50 gal", "0 gal/ac"), "spray rate = 0 L/ha must be above zero"),
        (lambda: plan("50 gal", "20 gal/ac", "0 ac"), "area of the job = 0 m2 must be above zero"),
        (lambda: plan("1 gal", "20 gal/ac", "100 ac"), "takes 2000 tanks of 1.00 gal; it must take at most 1000"),
        (lambda: plan("50 gal", "20 gal/ac", None, "1 pt/ac", volume_mark_l=0.0), "marks of the measuring cup = 0 L"),
        (lambda: plan("50 gal", "20 gal/ac", None, "1 lb/ac", mass_mark_kg=-1.0), "marks of the scale = -1 kg"),
        (lambda: dose_of_product(1.0), "once: in kg/L or in % by weight"),
        (lambda: dose_of_product(1.0, active_kg_l=0.5, active_pct=50.0), "once: in kg/L or in % by weight"),
        (lambda: spot("1 gal"), "no product is given for the spot mix"),
        (lambda: spot("1 gal", "2 pt/ac"), "a spot mix goes by concentration, and a dose per area is given"),
        (lambda: spot("1 gal", "60 %", "50 %"), "together take 1.10 gal of a load of 1.00 gal"),
        (lambda: spot_mix(mix_l=1.0, products=[read_product("A", "3 %", "2 %")]),
         "A: 3 % v/v is more than its stated maximum, 2 % v/v"),
    ],
)  # fmt: skip
def test_refused(call: Callable[[], Any], words: str) -> None:
    with pytest.raises(UsageError) as error:
        call()
    assert words in str(error.value)


def test_on_the_maximum_and_full_to_the_brim_is_allowed() -> None:
    """1 qt/ac is 2 pt/ac; 60 % and 40 % make 100 %."""
    tank_plan(tank_l=100, rate_l_ha=100, products=[read_product("A", "2 pt/ac", "1 qt/ac")])
    tank_plan(tank_l=100, rate_l_ha=200, products=[read_product("A", "2 %", "4 L/ha")])
    assert plan("50 gal", "20 gal/ac", None, "60 %", "8 gal/ac").full.water_l < 0.2


@pytest.mark.parametrize("name", ["tank_l", "rate_l_ha", "area_m2"])
@pytest.mark.parametrize("value", [float("nan"), float("inf"), -1.0])
def test_no_number_is_refused(name: str, value: float) -> None:
    given_: dict[str, Any] = {"tank_l": 100.0, "rate_l_ha": 100.0, "area_m2": 1e4, name: value}
    with pytest.raises(UsageError):
        tank_plan(**given_)


# -- spot treatment -----------------------------------------------------------------------------------------


def spot(mix: str, *doses: str, **more: Any) -> SpotMix:
    products = [read_product(f"Product {'ABC'[n]}", dose) for n, dose in enumerate(doses)]
    return spot_mix(mix_l=units.parse(mix, "volume"), products=products, **more)


# Hand-worked: 2 % of 1 gal is 2.56 fl oz, of 3 gal 7.68; 1.5 % of 15 L is 225 mL; 1 fl oz/gal is 1/128
@pytest.mark.parametrize(
    ("mix", "dose", "system", "exact_l", "shown"),
    [
        ("1 gal", "2 %", "us", units.parse("2.56 fl oz", "volume"), "2.5 fl oz"),
        ("3 gal", "2 %", "us", units.parse("7.68 fl oz", "volume"), "7.6 fl oz"),
        ("15 L", "1.5 %", "metric", 0.225, "225 mL"),
        ("4 gal", "1 fl oz/gal", "us", units.parse("4 fl oz", "volume"), "4 fl oz"),
        ("10 L", "10 mL/L", "metric", 0.1, "100 mL"),
    ],
)
def test_a_percent_solution(mix: str, dose: str, system: System, exact_l: float, shown: str) -> None:
    result = spot(mix, dose, system=system)
    (item,) = result.load.amounts
    assert item.needed == pytest.approx(exact_l, rel=1e-12)
    assert item.text == shown
    assert result.load.water_l == pytest.approx(units.parse(mix, "volume") - item.measured)
    assert any(f"  {shown}" in line for line in load_lines(result.load, "Spot mix", system))


# -- text and JSON ------------------------------------------------------------------------------------------


def test_the_plan_in_us_units() -> None:
    result = plan("50 gal", "17 gal/ac", "12 ac", "32 fl oz/ac", "0.25 %", "1.5 oz wt/ac")
    assert tank_lines(result) == [
        "A tank of 50.0 gal treats 2.94 ac at 17.0 gal/ac.",
        "The job of 12.0 ac takes 204.0 gal: 4 full tanks and a last load of 4.00 gal.",
        "",
        "Each of 4 full tanks, 50.0 gal, for 2.94 ac:",
        "  water      49.1 gal",
        "  Product A  94 fl oz (0.1 % under)",
        "  Product B  16 fl oz",
        "  Product C  4.4 oz wt (0.3 % under)",
        "",
        "Last load, 4.00 gal, for 0.235 ac:",
        "  water      3.93 gal",
        "  Product A  7.5 fl oz (0.4 % under)",
        "  Product B  1.25 fl oz (2.3 % under)",
        "  Product C  0.35 oz wt (0.8 % under)",
        "",
        "In all: Product A 3.00 gal, Product B 65.3 fl oz, Product C 1.13 lb.",
    ]


def test_the_plan_in_metric_units() -> None:
    """Hand-worked: 160 L/ha x 5 ha = 800 L: 4 x 200; 200 / 160 x 2 = 2.5 L, x 30 g = 37.5 g; 10 L and 150 g."""
    assert tank_lines(plan("200 L", "160 L/ha", "5 ha", "2 L/ha", "30 g/ha", system="metric")) == [
        "A tank of 200.0 L treats 1.25 ha at 160 L/ha.",
        "The job of 5.00 ha takes 800.0 L: 4 full tanks.",
        "",
        "Each of 4 full tanks, 200.0 L, for 1.25 ha:",
        "  water      197.5 L",
        "  Product A  2.5 L",
        "  Product B  37.5 g",
        "",
        "In all: Product A 10.0 L, Product B 150 g.",
    ]


def test_what_no_mark_can_measure_is_not_shown_as_nothing() -> None:
    (tiny,) = plan("2 gal", "20 gal/ac", None, "0.001 fl oz/ac").full.amounts
    assert (tiny.text, tiny.measured, tiny.under_text) == ("under 0.05 fl oz", 0.0, "")


def test_cautions_are_said_once_and_leave_it_to_the_label() -> None:
    result = plan("50 gal", "17 gal/ac", "12 ac", "32 fl oz/ac")
    assert result.cautions == spot("1 gal", "2 %").cautions == CAUTIONS
    text = " ".join(CAUTIONS)
    for words in ("The label is the law", "in what order", "PPE"):
        assert text.count(words) == 1
        assert words not in " ".join(tank_lines(result))


def test_json_holds_inputs_result_and_findings() -> None:
    maximum = read_product("Product A", "32 fl oz/ac", "64 fl oz/ac")
    result = tank_plan(
        tank_l=200, rate_l_ha=160, area_m2=55_000, products=[maximum, read_product("Product B", "2 oz wt/ac")]
    )
    data = json.loads(json.dumps(result.to_json(), allow_nan=False))
    assert set(data) == {"inputs", "result", "uncertainty", "findings", "cautions"}
    first, second = data["inputs"]["products"]
    assert first["max_l_ha"] == 2 * first["dose_l_ha"]
    assert set(second) == {"name", "dose_kg_ha", "unit"}
    assert data["result"]["loads"] == 5
    assert {"needed_l", "measured_l"} <= set(data["result"]["last_load"]["products"][0])
    assert {"needed_kg", "measured_kg"} <= set(data["result"]["totals"][1])
    spot_data = json.loads(json.dumps(spot("1 gal", "2 %").to_json(), allow_nan=False))
    assert spot_data["inputs"]["products"][0]["dose_pct"] == 2
    assert spot_data["result"]["area_m2"] is None
