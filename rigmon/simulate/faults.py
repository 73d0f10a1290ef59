"""How events change the plumbing over time, and with it the boom's pressure, flow and nozzles.

Time is cut where an event begins or ends; one that grows is cut into steps. Each interval has one balance
(see `hydraulics`). Well stands apart as state 0, whose factors are exactly 1.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rigmon.errors import UsageError
from rigmon.simulate.events import EVENT_KINDS, Event
from rigmon.simulate.hydraulics import Balance, Condition, Plant, balance, plant_for
from rigmon.simulate.noise import Floats, stream
from rigmon.simulate.scenario import Scenario, nominal

#: events whose effect the balance of pump, valve and boom decides
BALANCED: Final = (
    "nozzles_plugged",
    "tip_missing",
    "nozzles_worn",
    "leak",
    "hose_off",
    "strainer_plugging",
    "pump_weak",
    "relief_leaking",
    "relief_stuck",
)
#: a ramp is made of so many steps: an event of 10 % grows by 0.01 % at a time
_STEPS: Final = 1000
#: a nozzle body without its tip passes so many times a nozzle's flow at the same pressure; invented
_OPEN_BODY: Final = 5.0


@dataclass(frozen=True, slots=True, eq=False)
class Liquid:
    """The states that the plumbing goes through, and which of them each cell is in.

    pressure   [states]: the boom's pressure in steady state, over the well boom's
    nozzles    [states, nozzles]: each nozzle's flow coefficient over a well nozzle's, left to right
    leak       [states]: flow coefficient of leaks over the well boom's
    """

    state: NDArray[np.intp]
    pressure: Floats
    nozzles: Floats
    leak: Floats

    @property
    def boom(self) -> Floats:
        """[states]: the boom's flow coefficient over the well boom's."""
        return np.asarray(self.nozzles.mean(axis=1))


def plant_of(scenario: Scenario) -> Plant:
    """The scenario's plumbing when it is well."""
    flow, pressure = nominal(scenario.rig)
    return plant_for(
        flow,
        pressure,
        shutoff_ratio=scenario.pump_shutoff_ratio,
        bypass_pct=scenario.bypass_pct,
        valve_rise_pct=scenario.valve_rise_pct,
        line_loss_pct=scenario.line_loss_pct,
        suction_kpa=scenario.suction_kpa,
    )


def liquid(scenario: Scenario, t_s: Floats) -> Liquid:
    """The plumbing's states at times [s]. Raises UsageError when events plug more nozzles than there are."""
    count = scenario.rig.nozzle_count
    events = [
        (event, nozzles)
        for event, nozzles in zip(scenario.events, touched_nozzles(scenario), strict=True)
        if event.kind in BALANCED
    ]
    if not events:
        return Liquid(np.zeros(len(t_s), dtype=np.intp), np.ones(1), np.ones((1, count)), np.zeros(1))
    cuts: list[float] = []
    for event, _ in events:
        cuts += [event.start_s, event.end_s]
        if event.ramp_s:
            ramp_s = min(event.ramp_s, event.duration_s)
            cuts += (event.start_s + ramp_s * np.arange(1, _STEPS) / _STEPS).tolist()
    edges = np.unique(cuts)
    middles = ((edges[:-1] + edges[1:]) / 2).tolist()
    rows = [np.ones((1, count + 5))]
    rows[0][:, count : count + 2] = 0.0
    whole = np.repeat(rows[0], len(middles), axis=0)
    for row, t in zip(whole, middles, strict=True):
        for event, nozzles in events:
            if event.start_s <= t < event.end_s:
                _apply(row, event, nozzles, count, event.grown(t))
    rows.append(whole)
    states = np.concatenate(rows)
    index = np.searchsorted(edges, t_s, side="right")  # 0 before the first edge
    state = np.where((index == 0) | (index == len(edges)), 0, index)
    found = _balanced(plant_of(scenario), states, count)
    _, pressure_nominal = nominal(scenario.rig)
    pressure = found.boom_kpa / pressure_nominal
    well = np.all(states == states[0], axis=1)
    pressure[well] = 1.0
    return Liquid(state, pressure, states[:, :count], states[:, count])


def _balanced(plant: Plant, states: Floats, count: int) -> Balance:
    return balance(
        plant,
        Condition(
            nozzles=states[:, :count].mean(axis=1),
            leak=states[:, count],
            valve=states[:, count + 1],
            pump=states[:, count + 2],
            strainer=states[:, count + 3],
            regulates=states[:, count + 4],
        ),
    )


def _apply(row: Floats, event: Event, nozzles: tuple[int, ...], count: int, grown: float) -> None:
    """Change a row: the nozzles' coefficients, leak, valve, pump, strainer, whether the valve regulates."""
    size = (event.size or 0.0) * grown
    at = [n - 1 for n in nozzles]
    match event.kind:
        case "nozzles_plugged":
            row[at] *= 1 - event.share * grown
        case "tip_missing":
            row[at] = _OPEN_BODY
        case "nozzles_worn":
            row[at] *= 1 + size
        case "leak" | "hose_off":
            row[count] += size
        case "relief_leaking":
            row[count + 1] += size
        case "pump_weak":
            row[count + 2] *= 1 - size
        case "strainer_plugging":
            row[count + 3] *= 1 - size
        case "relief_stuck":
            row[count + 4] = 0.0


def touched_nozzles(scenario: Scenario) -> list[tuple[int, ...]]:
    """Which nozzles (from 1 at the left end) each of the scenario's events is about; none for most kinds.

    Where an event names none, the scenario's seed picks them, among those that no other event at that time
    has; wear is of all. Raises UsageError when there are not so many.
    """
    count = scenario.rig.nozzle_count
    order = (stream(scenario.seed, "nozzles").permutation(count) + 1).tolist()
    found = [event.nozzles for event in scenario.events]
    for number, event in enumerate(scenario.events):
        if max(event.nozzles, default=1) > count:
            raise UsageError(
                f"event {event.kind}: nozzle {max(event.nozzles)} is not there; the rig has {count}"
            )
        if event.nozzles or not EVENT_KINDS[event.kind].nozzles:
            continue
        if event.kind == "nozzles_worn":
            found[number] = tuple(range(1, count + 1))
            continue
        taken = {
            n
            for other, its in zip(scenario.events, found, strict=True)
            if other.kind != "nozzles_worn" and other.start_s < event.end_s and event.start_s < other.end_s
            for n in its
        }
        free = [n for n in order if n not in taken]
        wanted = int(event.size or 0)
        if wanted > len(free):
            raise UsageError(
                f"event {event.kind}: {wanted} nozzles are more than the {len(free)} of {count} that no "
                "other event has at that time"
            )
        found[number] = tuple(sorted(free[:wanted]))
    return found


@dataclass(frozen=True, slots=True)
class Change:
    """What an event alone changes at its largest, as shares of the well boom's: -0.083 is a fall by 8.3 %."""

    coefficient: float  #: of C, flow through the meter over root of the boom's pressure
    pressure: float
    flow: float  #: through the meter
    applied: float  #: through the nozzles


def change_of(scenario: Scenario, event: Event, nozzles: tuple[int, ...], grown: float = 1.0) -> Change:
    """What the liquid truly does under one event alone, about these nozzles, grown to a part of its size."""
    size = event.size or 0.0
    if event.kind == "pressure_loss":
        root = (1 - size) ** 0.5 - 1
        return Change(0.0, -size, root, root)
    if event.kind == "flow_loss":
        return Change(-size, 0.0, -size, -size)
    if event.kind not in BALANCED:
        return Change(0.0, 0.0, 0.0, 0.0)
    count = scenario.rig.nozzle_count
    row = np.ones((1, count + 5))
    row[:, count : count + 2] = 0.0
    _apply(row[0], event, nozzles, count, grown)
    plant = plant_of(scenario)
    found = _balanced(plant, row, count)
    metered, applied, kpa = (
        float(found.metered_l_min[0]),
        float(found.boom_l_min[0]),
        float(found.boom_kpa[0]),
    )
    return Change(
        coefficient=float(row[0, :count].mean() + row[0, count]) - 1,
        pressure=kpa / plant.boom_pressure_kpa - 1,
        flow=metered / plant.boom_flow_l_min - 1,
        applied=applied / plant.boom_flow_l_min - 1,
    )
