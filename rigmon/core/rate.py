"""Application rate and its inverses, in carried units, and the law of propagation for its uncertainty.

The one equation: rate = flow / (speed x swath). In carried units, L/min over (m/s x m) is
1e4 m2/ha / 60 s/min, so rate_l_ha = flow_l_min x 1e4 / (60 x speed_m_s x swath_m); the same relation is
printed as L/ha = 600 x L/min / (km/h x m) and as GPA = 495 x GPM / (mph x ft).
Pressure enters by the orifice law q1/q2 = sqrt(P1/P2).

Only + - * / and sqrt are used: IEEE 754 rounds these the same on every machine, which pow() need not.
Speeds, swaths, rates and flows that divide must be above zero: ZeroDivisionError otherwise. The caller
states no rate where they are not.
"""

from math import sqrt

#: L/min per (m/s x m) to L/ha: 1e4 m2/ha over 60 s/min
_L_HA = 1e4 / 60


def application_rate_l_ha(flow_l_min: float, speed_m_s: float, swath_m: float) -> float:
    """Volume applied per area [L/ha]. `speed_m_s` and `swath_m` must be above zero."""
    return flow_l_min * _L_HA / (speed_m_s * swath_m)


def flow_for_rate_l_min(rate_l_ha: float, speed_m_s: float, swath_m: float) -> float:
    """Whole-boom flow [L/min] that gives a rate at a speed."""
    return rate_l_ha * speed_m_s * swath_m / _L_HA


def speed_for_rate_m_s(rate_l_ha: float, flow_l_min: float, swath_m: float) -> float:
    """The speed [m/s] that holds a rate at a flow: the holding speed. `rate_l_ha` must be above zero."""
    return flow_l_min * _L_HA / (rate_l_ha * swath_m)


def speed_band_m_s(holding_speed_m_s: float, tolerance_pct: float) -> tuple[float, float]:
    """Lowest and highest speed [m/s] that keep the rate inside the tolerance (below 100 %).

    Rate goes with 1/speed, so +-10 % on rate is -9.1 % .. +11.1 % on speed.
    """
    part = tolerance_pct / 100
    return holding_speed_m_s / (1 + part), holding_speed_m_s / (1 - part)


def flow_at_pressure_l_min(flow_cal_l_min: float, pressure_cal_kpa: float, pressure_kpa: float) -> float:
    """Flow [L/min] of the same nozzles at another pressure, q1/q2 = sqrt(P1/P2).

    `pressure_cal_kpa` must be above zero and `pressure_kpa` not below: ValueError for a negative quotient.
    """
    return flow_cal_l_min * sqrt(pressure_kpa / pressure_cal_kpa)


def pressure_for_flow_kpa(flow_cal_l_min: float, pressure_cal_kpa: float, flow_l_min: float) -> float:
    """Pressure [kPa] at which the same nozzles give another flow: the square of the flow ratio."""
    ratio = flow_l_min / flow_cal_l_min
    return pressure_cal_kpa * (ratio * ratio)


def expanded_uncertainty_pct(*standard_uncertainties_pct: float) -> float:
    """Expanded uncertainty (k = 2) [%] of a product of powers with exponents +-1.

    JCGM 100:2008, 5.1.6 eq. (12), for uncorrelated inputs: relative variances add. An input with another
    exponent p is passed in as p x its relative uncertainty (pressure: 0.5 x u(P)/P).
    """
    total = 0.0
    for u in standard_uncertainties_pct:  # not sum(): it adds floats differently from Python 3.12 on
        total += u * u
    return 2 * sqrt(total)
