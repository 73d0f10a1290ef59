"""The rate equation: its inverses, the speed band, the pressure law and the limits of their domains."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rigmon.core import rate

_flow = st.floats(0.01, 2000.0)
_speed = st.floats(0.05, 100.0)
_swath = st.floats(0.1, 100.0)
_rate = st.floats(0.1, 20_000.0)


# hand-worked: 6 L/min on 2 m/s x 5 m: 600 m2 = 0.06 ha in a minute; 6 / 0.06 = 100 L/ha
def test_a_rate_by_hand() -> None:
    assert rate.application_rate_l_ha(6.0, 2.0, 5.0) == pytest.approx(100.0, rel=1e-15)
    assert rate.flow_for_rate_l_min(100.0, 2.0, 5.0) == pytest.approx(6.0, rel=1e-15)
    assert rate.speed_for_rate_m_s(100.0, 6.0, 5.0) == pytest.approx(2.0, rel=1e-15)


@given(flow=_flow, speed=_speed, swath=_swath)
def test_the_inverses_undo_the_rate(flow: float, speed: float, swath: float) -> None:
    l_ha = rate.application_rate_l_ha(flow, speed, swath)
    assert rate.flow_for_rate_l_min(l_ha, speed, swath) == pytest.approx(flow, rel=1e-12)
    assert rate.speed_for_rate_m_s(l_ha, flow, swath) == pytest.approx(speed, rel=1e-12)


def test_no_flow_is_no_rate_and_no_speed() -> None:
    assert rate.application_rate_l_ha(0.0, 1.5, 6.0) == 0.0
    assert rate.speed_for_rate_m_s(150.0, 0.0, 6.0) == 0.0


@pytest.mark.parametrize(("speed", "swath"), [(0.0, 6.0), (1.5, 0.0)])
def test_a_rate_at_a_standstill_is_refused_not_infinite(speed: float, swath: float) -> None:
    with pytest.raises(ZeroDivisionError):
        rate.application_rate_l_ha(9.0, speed, swath)


# hand-worked: 1/1.1 = 0.9091 (-9.1 %), 1/0.9 = 1.1111 (+11.1 %)
def test_ten_percent_on_rate_is_not_ten_percent_on_speed() -> None:
    low, high = rate.speed_band_m_s(1.0, 10.0)
    assert (low - 1) * 100 == pytest.approx(-9.1, abs=0.05)
    assert (high - 1) * 100 == pytest.approx(11.1, abs=0.05)


@given(target=_rate, flow=_flow, swath=_swath, tolerance_pct=st.floats(0.1, 50.0))
def test_at_the_ends_of_the_band_the_rate_is_at_the_tolerance(
    target: float, flow: float, swath: float, tolerance_pct: float
) -> None:
    holding = rate.speed_for_rate_m_s(target, flow, swath)
    low, high = rate.speed_band_m_s(holding, tolerance_pct)
    assert low < holding < high
    at_low = rate.application_rate_l_ha(flow, low, swath)
    at_high = rate.application_rate_l_ha(flow, high, swath)
    assert at_low == pytest.approx(target * (1 + tolerance_pct / 100), rel=1e-12)
    assert at_high == pytest.approx(target * (1 - tolerance_pct / 100), rel=1e-12)


# hand-worked: sqrt(1.1) = 1.0488, sqrt(0.9) = 0.9487
@pytest.mark.parametrize(("pressure_pct", "flow_pct"), [(10, 4.9), (-10, -5.1)])
def test_flow_follows_pressure_at_half_weight(pressure_pct: float, flow_pct: float) -> None:
    flow = rate.flow_at_pressure_l_min(100.0, 300.0, 300.0 * (1 + pressure_pct / 100))
    assert flow - 100 == pytest.approx(flow_pct, abs=0.05)


@given(flow_cal=_flow, pressure_cal=st.floats(5.0, 10_000.0), pressure=st.floats(1.0, 10_000.0))
def test_the_pressure_law_and_its_inverse(flow_cal: float, pressure_cal: float, pressure: float) -> None:
    flow = rate.flow_at_pressure_l_min(flow_cal, pressure_cal, pressure)
    assert rate.pressure_for_flow_kpa(flow_cal, pressure_cal, flow) == pytest.approx(pressure, rel=1e-12)
    assert (flow >= flow_cal) == (pressure >= pressure_cal) or flow == pytest.approx(flow_cal, rel=1e-12)


def test_no_pressure_is_no_flow_and_suction_is_refused() -> None:
    assert rate.flow_at_pressure_l_min(9.0, 276.0, 0.0) == 0.0
    with pytest.raises(ValueError, match=r"domain|nonnegative"):
        rate.flow_at_pressure_l_min(9.0, 276.0, -1.0)


# hand-worked: 2 x sqrt(3^2 + 4^2) = 10
def test_expanded_uncertainty_by_hand() -> None:
    assert rate.expanded_uncertainty_pct(3.0, 4.0) == 10.0
    assert rate.expanded_uncertainty_pct(2.5) == 5.0
    assert rate.expanded_uncertainty_pct(0.0, 0.0) == 0.0


# regression only: added from left to right on every Python; a compensated sum() ends in another last bit
def test_expanded_uncertainty_is_the_same_on_every_python() -> None:
    assert rate.expanded_uncertainty_pct(2.58, 2.99, 0.27) == float.fromhex("0x1.faaecb51f3b6bp+2")
