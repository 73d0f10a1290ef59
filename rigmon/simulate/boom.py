"""The boom over time: on or off, its pressure and its flow.

Pump and valve hold the calibration's pressure while the boom is on and well; what events change about them,
`faults` says. The pressure behind the nozzles follows with a first-order lag, and may wander by itself. The
nozzles follow the orifice law, flow = calibrated flow x sqrt(P / P_cal), and shut at once when the boom is
switched off, as do leaks: the boom's valve sits before them.
"""

from dataclasses import dataclass
from math import exp, fsum

import numpy as np
from numpy.typing import NDArray

from rigmon.simulate.faults import Liquid, liquid
from rigmon.simulate.motion import STEP_S, Motion, Path
from rigmon.simulate.noise import Floats, ar1, stream
from rigmon.simulate.scenario import Scenario, nominal


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """What really happened, on a fine grid that has an exact edge wherever the boom or an event switches.

    The first four have one value per edge; the others one per cell between neighbouring edges (pressure and
    flow: in its middle). All are float arrays but boom_on and wanted_on, which are bool.
    """

    t_s: Floats
    speed_m_s: Floats
    path_m: Floats
    pressure_kpa: Floats
    boom_on: NDArray[np.bool_]
    wanted_on: NDArray[np.bool_]  #: as it should have been
    cell_speed_m_s: Floats
    cell_pressure_kpa: Floats
    cell_flow_l_min: Floats  #: through the nozzles
    cell_metered_l_min: Floats  #: through the flowmeter: leaks too
    liquid: Liquid

    @property
    def dt_s(self) -> Floats:
        """Length of each cell [s]."""
        return np.diff(self.t_s)

    def cell_at(self, t_s: Floats) -> NDArray[np.intp]:
        """The cell in which each time lies; a time on an edge belongs to the cell that begins there."""
        return np.clip(np.searchsorted(self.t_s, t_s, side="right") - 1, 0, len(self.t_s) - 2)

    def area_m2(self, from_s: float, to_s: float, swath_m: float) -> float:
        """What was treated from one time to another."""
        edges = np.clip(self.t_s, from_s, to_s)
        return fsum((self.cell_speed_m_s * np.diff(edges))[self.boom_on]) * swath_m


def spans_on(scenario: Scenario, path: Path, motion: Motion) -> list[tuple[float, float]]:
    """When the boom is on: (from, to) [s], in order, none empty.

    On in the passes; where it never switches, whenever the rig is under way (above speed.minimum); and as the
    events boom_left_on and boom_left_off have it.
    """
    spans = spans_wanted(scenario, path, motion)
    for event in scenario.of_kind("boom_left_on"):
        start, end = event.start_s, min(event.end_s, motion.duration_s)
        beside = [span for span in spans if span[1] < start or span[0] > end]
        joined = [span for span in spans if not (span[1] < start or span[0] > end)]
        whole = (min([start, *(a for a, _ in joined)]), max([end, *(b for _, b in joined)]))
        spans = sorted([*beside, whole])
    for event in scenario.of_kind("boom_left_off"):
        cut = [(a, min(b, event.start_s)) for a, b in spans] + [(max(a, event.end_s), b) for a, b in spans]
        spans = sorted({(a, b) for a, b in cut if b > a})
    return spans


def spans_wanted(scenario: Scenario, path: Path, motion: Motion) -> list[tuple[float, float]]:
    """When the boom should be on: (from, to) [s]."""
    if scenario.boom_switches:
        return [(motion.time_at(leg.on_m), motion.time_at(leg.off_m)) for leg in path.passes]
    excess = motion.speed_m_s - scenario.rig.speed.minimum_m_s
    i = np.flatnonzero((excess[:-1] > 0) != (excess[1:] > 0))
    crossings = (motion.t_s[i] + STEP_S * excess[i] / (excess[i] - excess[i + 1])).tolist()
    return list(zip(crossings[::2], crossings[1::2], strict=True))


def run_boom(scenario: Scenario, path: Path, motion: Motion) -> Trace:
    """Pressure and flow along the drive."""
    on = spans_on(scenario, path, motion)
    wanted = spans_wanted(scenario, path, motion)
    losses = [
        (event.start_s, min(event.end_s, motion.duration_s), event.size or 0.0)
        for event in scenario.of_kind("pressure_loss")
    ]
    switches = [edge for span in on + wanted + [loss[:2] for loss in losses] for edge in span]
    others = [
        edge for event in scenario.events for edge in (event.start_s, min(event.end_s, motion.duration_s))
    ]
    t = np.unique(np.concatenate([motion.t_s, np.array(switches + others, dtype=float)]))
    middle = (t[:-1] + t[1:]) / 2
    boom_on, wanted_on = np.zeros(len(middle), dtype=bool), np.zeros(len(middle), dtype=bool)
    for mask, spans in ((boom_on, on), (wanted_on, wanted)):
        for start, end in spans:
            mask[np.searchsorted(middle, start) : np.searchsorted(middle, end)] = True
    flow_nominal, pressure_nominal = nominal(scenario.rig)
    goal = np.where(boom_on, pressure_nominal, 0.0)
    for start, end, size in losses:
        goal[np.searchsorted(middle, start) : np.searchsorted(middle, end)] *= 1 - size
    states = liquid(scenario, middle)
    goal *= states.pressure[states.state]
    if scenario.pressure_wander_pct > 0:
        goal *= np.maximum(1 + _wander(scenario, motion, middle), 0.0)
    edge_pressure, cell_pressure = _lagged(goal.tolist(), np.diff(t).tolist(), scenario.pressure_tau_s)
    flow = np.where(boom_on, flow_nominal * np.sqrt(cell_pressure / pressure_nominal), 0.0)
    for event in scenario.of_kind("flow_loss"):
        flow[(middle >= event.start_s) & (middle < event.end_s)] *= 1 - (event.size or 0.0)
    leaking = flow * states.leak[states.state]
    flow = flow * states.boom[states.state]
    speed = motion.speed_at(t)
    return Trace(
        t_s=t,
        speed_m_s=speed,
        path_m=motion.path_at(t),
        pressure_kpa=edge_pressure,
        boom_on=boom_on,
        wanted_on=wanted_on,
        cell_speed_m_s=(speed[:-1] + speed[1:]) / 2,
        cell_pressure_kpa=cell_pressure,
        cell_flow_l_min=flow,
        cell_metered_l_min=flow + leaking,
        liquid=states,
    )


def _wander(scenario: Scenario, motion: Motion, t_s: Floats) -> Floats:
    """The pressure's own slow wander, as a share of it, at times [s]."""
    normals = stream(scenario.seed, "pressure_wander").standard_normal(len(motion.t_s))
    sd, tau_s = scenario.pressure_wander_pct / 100, scenario.pressure_wander_tau_s
    return np.interp(t_s, motion.t_s, ar1(normals, sd, tau_s, STEP_S))


def _lagged(goal: list[float], dt_s: list[float], tau_s: float) -> tuple[Floats, Floats]:
    """First-order lag after a goal that is constant within a cell: values at the edges, and mid-cell."""
    if tau_s == 0:
        cells = np.array(goal)
        return np.concatenate([cells, cells[-1:]]), cells
    value = 0.0
    edges, middles = [value], []
    for wanted, dt in zip(goal, dt_s, strict=True):
        half = exp(-dt / (2 * tau_s))
        gap = value - wanted
        middles.append(wanted + gap * half)
        value = wanted + gap * half * half
        edges.append(value)
    return np.array(edges), np.array(middles)
