"""The law of propagation against the `uncertainties` package, which differentiates for itself.

JCGM 100:2008 (GUM): 5.1.2 eq. (10) is the law for uncorrelated inputs, 5.1.6 eq. (12) its form for a product
of powers, 6.2.1 the coverage factor k of the expanded uncertainty.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat
from uncertainties.umath import sqrt

from rigmon import units
from rigmon.core import rate


# Worked with `uncertainties` 3.2.3: 1.50(3) gal/min, 4.00(8) mph, 60.0(5) in -> 37.1 +/- 1.1 gal/ac (k = 1),
# relative 0.029486; hand-worked: sqrt((.03/1.5)^2 + (.08/4)^2 + (.5/60)^2) = 0.029486
def test_a_rate_with_its_uncertainty_by_hand_and_by_the_package() -> None:
    flow, speed, swath = ufloat(1.50, 0.03), ufloat(4.00, 0.08), ufloat(60.0, 0.5)
    by_package = 5940 * flow / (speed * swath)
    l_ha = rate.application_rate_l_ha(
        units.parse("1.50 gal/min", "flow"),
        units.parse("4.00 mph", "speed"),
        units.parse("60.0 in", "length"),
    )
    expanded_pct = rate.expanded_uncertainty_pct(100 * 0.03 / 1.5, 100 * 0.08 / 4, 100 * 0.5 / 60)

    gal_ac = units.convert(l_ha, "rate", "gal/ac")
    assert gal_ac == pytest.approx(by_package.nominal_value, rel=1e-12)
    assert gal_ac == pytest.approx(37.1, abs=0.05)
    assert expanded_pct == pytest.approx(200 * by_package.std_dev / by_package.nominal_value, rel=1e-12)
    assert expanded_pct / 200 == pytest.approx(0.029486, abs=5e-7)
    assert gal_ac * expanded_pct / 200 == pytest.approx(1.1, abs=0.05)


_relative = st.floats(1e-4, 0.3)
_positive = st.floats(0.05, 500.0)


@given(flow=_positive, speed=_positive, swath=_positive, u=st.tuples(_relative, _relative, _relative))
def test_flowmeter_basis(flow: float, speed: float, swath: float, u: tuple[float, float, float]) -> None:
    by_package = (
        ufloat(flow, flow * u[0]) * 1e4 / 60 / (ufloat(speed, speed * u[1]) * ufloat(swath, swath * u[2]))
    )
    assert rate.application_rate_l_ha(flow, speed, swath) == pytest.approx(
        by_package.nominal_value, rel=1e-12
    )
    assert rate.expanded_uncertainty_pct(*(100 * part for part in u)) == pytest.approx(
        200 * by_package.std_dev / by_package.nominal_value, rel=1e-9
    )


# Pressure enters with the exponent 1/2, so with half of its relative uncertainty (the docstring's rule).
@given(flow=_positive, pressure=_positive, pressure_cal=_positive, u=st.tuples(_relative, _relative))
def test_pressure_basis(flow: float, pressure: float, pressure_cal: float, u: tuple[float, float]) -> None:
    by_package = ufloat(flow, flow * u[0]) * sqrt(ufloat(pressure, pressure * u[1]) / pressure_cal)
    assert rate.flow_at_pressure_l_min(flow, pressure_cal, pressure) == pytest.approx(
        by_package.nominal_value, rel=1e-12
    )
    assert rate.expanded_uncertainty_pct(100 * u[0], 0.5 * 100 * u[1]) == pytest.approx(
        200 * by_package.std_dev / by_package.nominal_value, rel=1e-9
    )
