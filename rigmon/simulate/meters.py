"""What flowmeter and transducer read: the truth with noise, drift, air, vibration and the pump's strokes.

Factors and offsets are laid over the true values at the times of sending. Narrow-band noises (vibration, the
pump's strokes) are worked out at those times alone, so they alias as a sampled signal does.
"""

from math import exp, pi
from typing import Final

import numpy as np

from rigmon.simulate.boom import Trace
from rigmon.simulate.events import Event
from rigmon.simulate.noise import Floats, ar1, stream
from rigmon.simulate.scenario import Scenario, nominal

#: a narrow-band noise keeps its phase for so long [s]; invented
_PHASE_TAU_S: Final = 3.0
#: air comes in bursts so long and so far apart on average [s]; a burst over-reads by its size on average, and
#: the liquid behind it by this part of that too little; invented
_BURST_S: Final = 0.6
_BETWEEN_S: Final = 2.5
_BEHIND: Final = -0.3


def flow_l_min(scenario: Scenario, trace: Trace, at_s: Floats) -> Floats:
    """What the flowmeter reads at times `at_s`, evenly spaced at sensor_hz."""
    n, step_s = len(at_s), 1 / scenario.sensor_hz
    true = trace.cell_metered_l_min[trace.cell_at(at_s)]
    if scenario.flow_tau_s > 0:
        true = _followed(trace, scenario.flow_tau_s, at_s)
    read = 1 + scenario.flow_noise_pct / 100 * stream(scenario.seed, "flow").standard_normal(n)
    if scenario.flow_correlated_pct > 0:
        normals = stream(scenario.seed, "flow_correlated").standard_normal(n)
        read = read + ar1(normals, scenario.flow_correlated_pct / 100, scenario.flow_correlated_tau_s, step_s)
    read = read * (1 + strokes(scenario, at_s) / 2)
    for event in scenario.of_kind("flowmeter_drift"):
        read = read * (1 + (event.size or 0.0) * _grown(event, at_s))
    for number, event in enumerate(scenario.of_kind("flowmeter_air")):
        read = read * (1 + _air(scenario, number, event, at_s))
    return np.asarray(np.maximum(true * read, 0.0))


def pressure_kpa(scenario: Scenario, trace: Trace, at_s: Floats) -> Floats:
    """What the transducer reads at times `at_s`, evenly spaced at sensor_hz."""
    n, step_s = len(at_s), 1 / scenario.sensor_hz
    read = 1 + scenario.pressure_noise_pct / 100 * stream(scenario.seed, "pressure").standard_normal(n)
    if scenario.pressure_correlated_pct > 0:
        normals = stream(scenario.seed, "pressure_correlated").standard_normal(n)
        sd, tau_s = scenario.pressure_correlated_pct / 100, scenario.pressure_correlated_tau_s
        read = read + ar1(normals, sd, tau_s, step_s)
    if scenario.vibration_pct > 0:
        sd = scenario.vibration_pct / 100
        read = read + narrow_band(scenario.seed, "vibration", sd, scenario.vibration_hz, at_s, step_s)
    read = read * (1 + strokes(scenario, at_s))
    for event in scenario.of_kind("pressure_drift"):
        read = read * (1 + (event.size or 0.0) * _grown(event, at_s))
    true = np.interp(at_s, trace.t_s, trace.pressure_kpa)
    shown = true * read
    _, whole = nominal(scenario.rig)
    for event in scenario.of_kind("pressure_offset"):
        shown = shown + whole * (event.size or 0.0) * _grown(event, at_s)
    return np.asarray(np.maximum(shown, 0.0))


def strokes(scenario: Scenario, at_s: Floats) -> Floats:
    """The pump's strokes in the pressure, as a share of it; the orifice law leaves half of it in the flow."""
    if scenario.pulsation_pct == 0:
        return np.zeros(len(at_s))
    sd, hz = scenario.pulsation_pct / 100, scenario.pulsation_hz
    return narrow_band(scenario.seed, "pulsation", sd, hz, at_s, 1 / scenario.sensor_hz)


def narrow_band(seed: int, purpose: str, sd: float, hz: float, at_s: Floats, step_s: float) -> Floats:
    """Noise about a frequency: two independent AR(1) processes as the cosine's and the sine's amplitude.

    Its autocorrelation at lag t is sd^2 exp(-t / tau) cos(2 pi hz t), with tau = 3 s.
    """
    normals = stream(seed, purpose).standard_normal((2, len(at_s)))
    cosine, sine = (ar1(row, sd, _PHASE_TAU_S, step_s) for row in normals)
    angle = 2 * pi * hz * at_s
    return cosine * np.cos(angle) + sine * np.sin(angle)


def _grown(event: Event, at_s: Floats) -> Floats:
    """Which part of its size an event has reached at each time; 0 outside it."""
    inside = (at_s >= event.start_s) & (at_s < event.end_s)
    part = np.minimum((at_s - event.start_s) / event.ramp_s, 1.0) if event.ramp_s else np.ones(len(at_s))
    return np.where(inside, part, 0.0)


def _air(scenario: Scenario, number: int, event: Event, at_s: Floats) -> Floats:
    """By which share the meter over-reads at each time: bursts, each with a height of its own.

    Lengths of bursts and of the time between them are exponentially distributed.
    """
    found = np.zeros(len(at_s))
    rng = np.random.RandomState(stream(scenario.seed, "air").randint(0, 2**31 - 1, number + 1)[-1])
    t, end_s = event.start_s, min(event.end_s, float(at_s[-1]) + 1 if len(at_s) else 0.0)
    while t < end_s:
        burst_s, between_s, height = rng.exponential([_BURST_S, _BETWEEN_S, event.size or 0.0])
        first, after, behind = np.searchsorted(
            at_s, np.minimum([t, t + burst_s, t + burst_s + between_s / 4], event.end_s)
        )
        found[first:after] = height
        found[after:behind] = max(_BEHIND * height, -1.0)
        t += burst_s + between_s
    return found


def _followed(trace: Trace, tau_s: float, at_s: Floats) -> Floats:
    """The flow through the meter behind a first-order lag, at times `at_s`."""
    value, edges = 0.0, [0.0]
    for flow, dt in zip(trace.cell_metered_l_min.tolist(), trace.dt_s.tolist(), strict=True):
        value = flow + (value - flow) * exp(-dt / tau_s)
        edges.append(value)
    return np.interp(at_s, trace.t_s, edges)


def change_read(event: Event, grown: float = 1.0) -> tuple[float, float]:
    """By which share flow and pressure are read too high under a meter's event, at the nominal pressure."""
    size = (event.size or 0.0) * grown
    match event.kind:
        case "flowmeter_drift":
            return size, 0.0
        case "flowmeter_air":
            return size * (_BURST_S + _BEHIND * _BETWEEN_S / 4) / (_BURST_S + _BETWEEN_S), 0.0
        case "pressure_drift" | "pressure_offset":
            return 0.0, size
    return 0.0, 0.0
