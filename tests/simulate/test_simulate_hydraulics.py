"""Pump, relief valve, line and nozzles in balance, against operating points worked out by other means.

The plant: 12 L/min at 300 kPa through the nozzles, 5 % lost in the line, a quarter of it through the valve,
which rises by 10 % over the boom's flow; shut-off at 3.5 times the head. All invented.
"""

from math import sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rigmon.simulate.hydraulics import SUCTION_MOST_KPA, Balance, Condition, Plant, balance, plant_for

OPEN = {"shutoff_ratio": 3.5, "bypass_pct": 25.0, "valve_rise_pct": 10.0, "line_loss_pct": 5.0}


def plant(suction_kpa: float = 5.0, **changed: float) -> Plant:
    return plant_for(12.0, 300.0, **{**OPEN, "suction_kpa": suction_kpa, **changed})


def one(plant: Plant, **condition: float) -> Balance:
    return balance(plant, Condition.of(**condition))


CONDITIONS = {
    "nozzles": st.floats(0, 6),
    "leak": st.floats(0, 20),
    "valve": st.floats(0, 5),
    "pump": st.floats(0, 1.2),
    "strainer": st.floats(0.001, 1),
}
PLANTS = {
    "shutoff_ratio": st.floats(1.05, 20),
    "bypass_pct": st.floats(0, 300),
    "valve_rise_pct": st.floats(0.1, 30),
    "line_loss_pct": st.floats(0, 50),
    "suction_kpa": st.floats(0, 40),
}


def test_a_well_rig_stands_at_its_catch_test() -> None:
    for suction, bypass in ((0.0, 0.0), (5.0, 25.0), (20.0, 300.0)):
        at = one(plant(suction, bypass_pct=bypass))
        assert at.boom_l_min[0] == pytest.approx(12.0, rel=1e-12)
        assert at.boom_kpa[0] == pytest.approx(300.0, rel=1e-12)
        assert at.pump_kpa[0] == pytest.approx(315.0, rel=1e-12)
        assert at.bypass_l_min[0] == pytest.approx(12.0 * bypass / 100, abs=1e-9)
        assert at.leak_l_min[0] == 0.0


def test_without_valve_and_suction_the_balance_is_a_quadratic() -> None:
    """Closed form: valve shut (a leak only lowers the pressure), no suction loss. With x the root of the
    boom's pressure, the pump's line Q0 (1 - Pp/Ps) and Pp = x^2 (1 + r K^2): Q0 (1 + r K^2)/Ps x^2 + K x - Q0
    = 0. By hand: Q0 = 12/(1 - 1/3.5) = 16.8, Ps = 3.5 x 315 = 1102.5, r = 15/144, K = 15.6/sqrt(300)."""
    k = 1.3 * 12 / sqrt(300)
    a = 16.8 * (1 + 15 / 144 * k * k) / 1102.5
    x = (-k + sqrt(k * k + 4 * a * 16.8)) / (2 * a)
    at = one(plant(0.0, bypass_pct=0.0), leak=0.3)
    assert at.bypass_l_min[0] == 0.0
    assert at.boom_kpa[0] == pytest.approx(x * x, rel=1e-12)
    assert at.metered_l_min[0] == pytest.approx(k * x, rel=1e-12)


def test_a_valve_that_holds_its_pressure_leaves_a_nozzles_part() -> None:
    """A nearly ideal valve (it rises by 0.1 %): one of 12 nozzles plugged leaves 11/12 of the flow at a
    pressure that rises by the line's share alone. Line: Pp = 315 = P + 15 (Q/12)^2 and Q = (11/12) 12
    sqrt(P/300), so P (1 + 0.05 x 0.8403) = 315: 302.3 kPa; hand-worked."""
    at = one(plant(bypass_pct=100.0, valve_rise_pct=0.1), nozzles=11 / 12)
    assert at.boom_kpa[0] == pytest.approx(302.3, abs=0.2)
    assert at.boom_l_min[0] == pytest.approx(11 * sqrt(302.3 / 300), rel=1e-3)


def test_what_each_fault_does_to_flow_and_pressure() -> None:
    """By the sign and order of what the trade sees: see the README's table."""
    whole, shut = plant(), plant(bypass_pct=0.0)
    plugged = one(whole, nozzles=11 / 12)
    assert -0.0833 < plugged.metered_l_min[0] / 12 - 1 < -0.07
    assert 0 < plugged.boom_kpa[0] / 300 - 1 < 0.03
    leak, alone = one(whole, leak=0.1), one(shut, leak=0.1)
    assert leak.metered_l_min[0] > 12 * 1.08
    assert 0.97 * 300 < leak.boom_kpa[0] < 300
    # with the valve shut the pump gives hardly more: the total stays within 5 %, and the pressure falls more
    assert 12 < alone.metered_l_min[0] < 12 * 1.05
    assert alone.boom_kpa[0] < 0.92 * 300
    hose = one(whole, leak=4.0)
    assert hose.boom_kpa[0] < 0.2 * 300
    assert hose.boom_l_min[0] < 0.5 * 12
    for weak in (one(whole, pump=0.6), one(whole, strainer=0.13), one(whole, valve=0.5)):
        lower = weak.boom_kpa[0] / 300
        assert lower < 0.85
        # flow and pressure fall together, by the orifice law
        assert weak.metered_l_min[0] / 12 == pytest.approx(sqrt(lower), rel=1e-9)


def test_a_stuck_valve_is_an_orifice_that_holds_nothing() -> None:
    """Alone it changes nothing. With an ideal pump line, no line and suction loss, everything is an orifice:
    the pump's Q0 (1 - P/Ps) = (K + Kv) sqrt(P), in closed form; a plugged nozzle raises the pressure more."""
    own = plant(0.0, line_loss_pct=0.0)
    assert one(own, regulates=0.0).boom_kpa[0] == pytest.approx(300.0, rel=1e-12)
    q0, shutoff = 15 / (1 - 1 / 3.5), 3.5 * 300  # 12 L/min and a quarter of it
    k = (11 + 3) / sqrt(300)  # 11 nozzles of 1 L/min, 3 L/min through the valve, at 300 kPa
    x = (-k + sqrt(k * k + 4 * q0 * q0 / shutoff)) / (2 * q0 / shutoff)
    at = one(own, nozzles=11 / 12, regulates=0.0)
    assert at.boom_kpa[0] == pytest.approx(x * x, rel=1e-12)
    assert at.boom_kpa[0] > one(own, nozzles=11 / 12).boom_kpa[0] > 300


def test_no_pump_sucks_more_than_the_air_presses() -> None:
    """The strainer at a tenth of its area loses 100 times as much: 5 kPa at 15 L/min becomes 80 kPa at
    15 sqrt(80/500) = 6 L/min; hand-worked. Against so little pressure the pump would deliver more."""
    at = one(plant(), strainer=0.1)
    assert at.pump_l_min[0] == pytest.approx(6.0, rel=1e-9)
    assert SUCTION_MOST_KPA == 80.0


@given(**{**PLANTS, **CONDITIONS})
@settings(max_examples=100, deadline=None)
def test_what_the_pump_gives_goes_somewhere(**drawn: float) -> None:
    """Conservation, the orifice law, the pump's and the valve's own lines, whatever the state."""
    own = plant_for(12.0, 300.0, **{name: drawn[name] for name in PLANTS})
    given_ = {name: drawn[name] for name in CONDITIONS}
    at = one(own, **given_)
    passed = at.bypass_l_min[0] + at.boom_l_min[0] + at.leak_l_min[0]
    assert passed == pytest.approx(at.pump_l_min[0], rel=1e-6, abs=1e-6)
    root = sqrt(at.boom_kpa[0] / 300)
    assert at.boom_l_min[0] == pytest.approx(12 * given_["nozzles"] * root, rel=1e-9, abs=1e-12)
    assert at.leak_l_min[0] == pytest.approx(12 * given_["leak"] * root, rel=1e-9, abs=1e-12)
    line = own.line_kpa * (at.metered_l_min[0] / 12) ** 2
    assert at.pump_kpa[0] - at.boom_kpa[0] == pytest.approx(line, rel=1e-6, abs=1e-6)
    suction = own.suction_kpa_min2_l2 / given_["strainer"] ** 2 * at.pump_l_min[0] ** 2
    assert suction <= SUCTION_MOST_KPA * (1 + 1e-9)
    head = at.pump_kpa[0] + suction
    curve = given_["pump"] * own.pump_open_l_min * max(1 - head / own.shutoff_kpa, 0.0)
    assert at.pump_l_min[0] <= curve * (1 + 1e-6) + 1e-6  # less only where suction limits it
    if suction < 0.99 * SUCTION_MOST_KPA:
        assert at.pump_l_min[0] == pytest.approx(curve, rel=1e-6, abs=1e-6)
    unasked = given_["valve"] * own.boom_k * sqrt(at.pump_kpa[0])
    regulated = max(at.pump_kpa[0] - own.set_kpa, 0.0) / own.slope_kpa_min_l
    assert at.bypass_l_min[0] == pytest.approx(unasked + regulated, rel=1e-6, abs=1e-6)


@given(
    which=st.sampled_from(["nozzles", "leak", "valve", "pump", "strainer"]),
    a=st.floats(0.01, 1),
    b=st.floats(0.01, 1),
    **PLANTS,
)
@settings(max_examples=100, deadline=None)
def test_more_of_a_fault_is_more_of_its_effect(which: str, a: float, b: float, **drawn: float) -> None:
    own = plant_for(12.0, 300.0, **drawn)
    low, high = (one(own, **{which: x}) for x in sorted((a, b)))
    sign = 1 if which in ("pump", "strainer") else -1  # more opening takes pressure, more pump gives it
    assert sign * (high.boom_kpa[0] - low.boom_kpa[0]) >= -1e-6
    assert sign * (high.pump_kpa[0] - low.pump_kpa[0]) >= -1e-6
    more = -1 if which == "valve" else 1
    assert more * (high.metered_l_min[0] - low.metered_l_min[0]) >= -1e-6


def test_states_are_solved_side_by_side() -> None:
    ones = np.ones(3)
    leaks = np.array([0.0, 0.1, 2.0])
    together = balance(plant(), Condition(ones, leaks, 0 * ones, ones, ones, ones))
    alone = [one(plant(), leak=leak).boom_kpa[0] for leak in leaks.tolist()]
    assert together.boom_kpa.tolist() == alone
