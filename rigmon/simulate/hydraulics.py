"""Pump, relief valve, lines and nozzles: flows and pressures that balance, for a rig that is well or not.

    tank - suction strainer - pump -+- line with flowmeter -+- boom: N nozzles, pressure sensor
                                    |                       |
                                    +- relief valve - tank  +- leak

    pump     Q = c Q0 (1 - (P + s Q^2) / P_shut): its flow falls with the head, in a straight line, as small
             diaphragm and roller pumps' nearly does; c is 1 when it is well. The strainer takes s Q^2 of
             suction, and more than SUCTION_MOST_KPA no pump sucks: Q is at most sqrt(SUCTION_MOST_KPA / s)
    valve    lets (P - P_set) / slope back to the tank above the set pressure, nothing below it; stuck, it is
             an orifice as wide as it was when all was well
    line     loses r Q^2 between pump and boom
    orifices nozzles, leaks and a valve that does not close pass k sqrt(P) (Bernoulli)

Everything is in steady state; what lags behind it is the caller's. Flows in L/min, pressures in kPa above
the tank's.
"""

from dataclasses import dataclass
from math import sqrt
from typing import Final

import numpy as np

from rigmon.simulate.noise import Floats

#: what the air's pressure leaves for suction before the liquid boils in the pump; invented in that order
SUCTION_MOST_KPA: Final = 80.0
#: halvings of the bracket; the last bit of a double is reached after 53
_HALVINGS: Final = 60


@dataclass(frozen=True, slots=True)
class Plant:
    """The rig's plumbing when it is well. Flow coefficients in L/min per root of kPa."""

    boom_flow_l_min: float  #: at boom_pressure_kpa, all nozzles
    boom_pressure_kpa: float
    line_kpa: float  #: lost between pump and boom at boom_flow_l_min
    set_kpa: float  #: where the valve opens
    slope_kpa_min_l: float  #: how much it rises per flow through it
    pump_open_l_min: float  #: delivered against nothing
    shutoff_kpa: float  #: nothing is delivered against this head
    suction_kpa_min2_l2: float  #: the clean strainer's loss over the squared flow

    @property
    def boom_k(self) -> float:
        """Flow coefficient of the boom: flow over the root of pressure."""
        return self.boom_flow_l_min / sqrt(self.boom_pressure_kpa)

    @property
    def valve_k(self) -> float:
        """Flow coefficient of the valve as it stands when all is well."""
        kpa = self.boom_pressure_kpa + self.line_kpa
        return max(kpa - self.set_kpa, 0.0) / self.slope_kpa_min_l / sqrt(kpa)

    @property
    def line_kpa_min2_l2(self) -> float:
        """Loss between pump and boom over the squared flow."""
        return self.line_kpa / self.boom_flow_l_min**2


def plant_for(
    flow_l_min: float,
    pressure_kpa: float,
    *,
    shutoff_ratio: float,
    bypass_pct: float,
    valve_rise_pct: float,
    line_loss_pct: float,
    suction_kpa: float,
) -> Plant:
    """The plumbing whose balance, when well, is the catch test's flow at its pressure.

    shutoff_ratio   head against which the pump delivers nothing, over its head at that balance; above 1
    bypass_pct      what goes through the valve there, % of the boom's flow; 0: it is about to open
    valve_rise_pct  by how much the boom's whole flow through the valve would raise the pressure, %; times
                    bypass_pct below 10 000, so that the valve opens at a pressure
    line_loss_pct   lost between pump and boom there, % of the boom's pressure
    suction_kpa     lost over the clean strainer there
    """
    pump_kpa = pressure_kpa * (1 + line_loss_pct / 100)
    bypass = flow_l_min * bypass_pct / 100
    pump = flow_l_min + bypass
    slope = pump_kpa * valve_rise_pct / 100 / flow_l_min
    head = pump_kpa + suction_kpa
    return Plant(
        boom_flow_l_min=flow_l_min,
        boom_pressure_kpa=pressure_kpa,
        line_kpa=pump_kpa - pressure_kpa,
        set_kpa=pump_kpa - slope * bypass,
        slope_kpa_min_l=slope,
        pump_open_l_min=pump / (1 - 1 / shutoff_ratio),
        shutoff_kpa=shutoff_ratio * head,
        suction_kpa_min2_l2=suction_kpa / pump**2,
    )


@dataclass(frozen=True, slots=True, eq=False)
class Condition:
    """How it stands with the plumbing: one value of each per state, or one for all. Well: the defaults."""

    nozzles: Floats  #: sum of the nozzles' coefficients over the well boom's
    leak: Floats  #: coefficient of leaks between flowmeter and nozzles, over the well boom's
    valve: Floats  #: coefficient of what the valve lets through unasked, over the well boom's
    pump: Floats  #: the pump's flow over the well one's
    strainer: Floats  #: open area of the strainer over the clean one's
    regulates: Floats  #: 1: the valve does; 0: it is stuck

    @classmethod
    def of(
        cls,
        *,
        nozzles: float = 1.0,
        leak: float = 0.0,
        valve: float = 0.0,
        pump: float = 1.0,
        strainer: float = 1.0,
        regulates: float = 1.0,
    ) -> "Condition":
        """A single state."""
        return cls(*(np.array([value]) for value in (nozzles, leak, valve, pump, strainer, regulates)))


@dataclass(frozen=True, slots=True, eq=False)
class Balance:
    """Flows [L/min] and pressures [kPa] that balance, one value per state."""

    pump_kpa: Floats  #: behind the pump, before the line
    boom_kpa: Floats
    pump_l_min: Floats
    bypass_l_min: Floats  #: through the valve
    boom_l_min: Floats  #: through the nozzles
    leak_l_min: Floats

    @property
    def metered_l_min(self) -> Floats:
        """Through the flowmeter."""
        return self.boom_l_min + self.leak_l_min


def balance(plant: Plant, condition: Condition) -> Balance:
    """Solve for the pressure behind the pump at which it delivers what valve and boom take.

    What it delivers falls with that pressure and what they take rises, so there is one, between nothing and
    the shut-off pressure; it is found by halving, all states together.
    """
    shape = np.broadcast(*(getattr(condition, name) for name in Condition.__slots__)).shape
    low, high = np.zeros(shape), np.full(shape, plant.shutoff_kpa)
    behind = (condition.nozzles + condition.leak) * plant.boom_k  # what the boom and its leaks pass
    # Q = k sqrt(Pb) and Pp - Pb = r Q^2, so Pb = Pp / (1 + r k^2)
    kept = 1 / (1 + plant.line_kpa_min2_l2 * behind**2)
    passed = behind * np.sqrt(kept)
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        surplus = (
            _pump(plant, condition, middle) - _valve(plant, condition, middle) - passed * np.sqrt(middle)
        )
        short = surplus < 0
        high = np.where(short, middle, high)
        low = np.where(short, low, middle)
    at = (low + high) / 2
    boom_kpa = at * kept
    root = np.sqrt(boom_kpa) * plant.boom_k
    return Balance(
        pump_kpa=at,
        boom_kpa=boom_kpa,
        pump_l_min=_pump(plant, condition, at),
        bypass_l_min=_valve(plant, condition, at),
        boom_l_min=condition.nozzles * root,
        leak_l_min=condition.leak * root,
    )


def _pump(plant: Plant, condition: Condition, kpa: Floats) -> Floats:
    """What the pump delivers against a pressure: the curve's quadratic, in the form that does not cancel."""
    suction = plant.suction_kpa_min2_l2 / np.maximum(condition.strainer, 1e-6) ** 2
    open_l_min = condition.pump * plant.pump_open_l_min
    flow = np.maximum(open_l_min * (1 - kpa / plant.shutoff_kpa), 0.0)
    bend = 4 * open_l_min * suction / plant.shutoff_kpa
    delivered = 2 * flow / (1 + np.sqrt(1 + bend * flow))
    most = np.sqrt(SUCTION_MOST_KPA / np.maximum(suction, 1e-12))
    return np.asarray(np.minimum(delivered, most))


def _valve(plant: Plant, condition: Condition, kpa: Floats) -> Floats:
    regulated = np.maximum(kpa - plant.set_kpa, 0.0) / plant.slope_kpa_min_l
    asked = np.where(condition.regulates > 0, regulated, plant.valve_k * np.sqrt(kpa))
    return np.asarray(asked + condition.valve * plant.boom_k * np.sqrt(kpa))
