"""The constants that calibration sheets print, as identities between the exact factors of `rigmon.units`.

Fractions throughout: an identity holds exactly or not at all. The place where a constant is printed stands
beside it; "hand-worked" ones show the sum.
"""

from fractions import Fraction

import pytest

from rigmon.core import rate
from rigmon.units import factor

#: L/min over (m/s x m), in L/ha: 10 000 m2/ha over 60 s/min
_CARRIED = Fraction(10_000, 60)


def rate_constant(flow: str, speed: str, swath: str, shown: str) -> Fraction:
    """C in: shown rate = C x flow / (speed x swath)."""
    carried = factor(flow, "flow") * _CARRIED / (factor(speed, "speed") * factor(swath, "length"))
    return carried / factor(shown, "rate")


# (printed in; the sum) -> the exact value
@pytest.mark.parametrize(
    ("inputs", "exact"),
    [
        # K1. Mesa County, Clemson, Florida, Missouri, Montana: GPA = 5940 GPM / (mph x in); 43 560 x 12 / 88
        pytest.param(("gal/min", "mph", "in", "gal/ac"), 5940, id="K1: 5940 (five extension sheets)"),
        # K2. Mesa County: GPA = 495 GPM / (mph x ft); 43 560 / 88
        pytest.param(("gal/min", "mph", "ft", "gal/ac"), 495, id="K2: 495 (Mesa County)"),
        # K3. Albany County prints 46.4: 5940 / 128 = 46.40625
        pytest.param(
            ("fl oz/min", "mph", "in", "gal/ac"), Fraction(5940, 128), id="K3: 46.4 (Albany County)"
        ),
        # K8. Irish advisory note: L/ha = 600 L/min / (km/h x m)
        pytest.param(("L/min", "km/h", "m", "L/ha"), 600, id="K8: 600 (Irish advisory note)"),
        # K9. hand-worked from K8: x 100 cm/m
        pytest.param(("L/min", "km/h", "cm", "L/ha"), 60_000, id="K9: 60000 (hand-worked)"),
    ],
)
def test_the_constant_of_a_printed_rate_formula(
    inputs: tuple[str, str, str, str], exact: int | Fraction
) -> None:
    assert rate_constant(*inputs) == exact
    flow, speed, swath, shown = inputs
    computed = rate.application_rate_l_ha(
        float(factor(flow, "flow")), float(factor(speed, "speed")), float(factor(swath, "length"))
    )
    assert computed / float(factor(shown, "rate")) == pytest.approx(float(exact), rel=1e-14)


# K4. Montana State; University of Wisconsin-Extension (2014) prints 0.68: mph = ft x 60 / (s x 88)
def test_k4_feet_per_second_to_mph() -> None:
    assert factor("ft/s", "speed") / factor("mph", "speed") == Fraction(60, 88)


# K5. Montrose County and many: 5280 ft / 60 min
def test_k5_one_mph_is_88_feet_a_minute() -> None:
    assert factor("mph", "speed") / factor("ft/min", "speed") == 88


# K6. An applicator slide deck prints 136.4: mph = 136.4 / s over 200 ft; 200 x 60 / 88 = 136.3636
def test_k6_mph_over_200_feet() -> None:
    assert float(200 * factor("ft", "length") / factor("mph", "speed")) == pytest.approx(136.4, abs=0.05)
    assert 200 * factor("ft", "length") / factor("mph", "speed") == Fraction(200 * 60, 88)


# K7. Utah State prints 340.3, LSU 340: 43 560 / 128 sq ft
def test_k7_an_acre_over_128() -> None:
    square_feet = factor("ac", "area") / 128 / factor("ft2", "area")
    assert square_feet == Fraction(3403125, 10_000)
    assert float(square_feet) == pytest.approx(340.3, abs=0.05)


# K10. hand-worked: 1 km/h x 1 m for 1 h is 1000 m2 = 1/10 ha; a minute is 1/60 of it
def test_k10_area_per_time() -> None:
    area_m2_per_s = factor("km/h", "speed") * factor("m", "length")
    assert area_m2_per_s * factor("h", "time") / factor("ha", "area") == Fraction(1, 10)
    assert area_m2_per_s * factor("min", "time") / factor("ha", "area") == Fraction(1, 600)


# K11. from memory (common practice): 9.354; the sum: 3.785411784 L x 10 000 / 4046.8564224 m2
def test_k11_us_gallons_per_acre() -> None:
    exact = Fraction("3.785411784") * 10_000 / Fraction("4046.8564224")
    assert factor("gal/ac", "rate") == exact
    assert float(exact) == pytest.approx(9.354, abs=0.0005)


# K12. Irish advisory note prints 11.2 for gal/ac -> L/ha: the imperial gallon, 4.54609 L
def test_k12_imperial_gallons_per_acre() -> None:
    exact = Fraction("4.54609") * 10_000 / Fraction("4046.8564224")
    assert factor("imp gal/ac", "rate") == exact
    assert float(exact) == pytest.approx(11.2, abs=0.05)


# K13. Ontario factsheet: mL per nozzle over 50 m / spacing in m, x 0.2 for L/ha and x 0.4 for L/ac, so 0.4 is
# L/ac per L/ha to one digit; exact 0.40469
def test_k13_litres_per_acre() -> None:
    per_l_ha = 1 / factor("L/ac", "rate")
    assert per_l_ha == factor("ac", "area") / factor("ha", "area")
    assert float(per_l_ha) == pytest.approx(0.4, abs=0.05)
    assert float(per_l_ha) == pytest.approx(0.40469, abs=0.000005)


# K14. Core pesticide manual; Iowa State article 844: q1/q2 = sqrt(P1/P2). Perfect squares, so exact.
@pytest.mark.parametrize(
    ("pressure_ratio", "flow_ratio"), [(4.0, 2.0), (0.25, 0.5), (2.25, 1.5), (1.0, 1.0), (0.0, 0.0)]
)
def test_k14_flow_goes_with_the_square_root_of_pressure(pressure_ratio: float, flow_ratio: float) -> None:
    assert rate.flow_at_pressure_l_min(10.0, 200.0, 200.0 * pressure_ratio) == 10.0 * flow_ratio
    assert rate.pressure_for_flow_kpa(10.0, 200.0, 10.0 * flow_ratio) == 200.0 * pressure_ratio
