"""Random numbers, one stream per purpose, and first-order autoregressive noise.

numpy's RandomState is used on purpose: its streams are frozen for good (NEP 19), so a recording can be
made again, byte for byte, under any later numpy.
"""

from math import exp, sqrt
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: a purpose keeps its number, so that changing one part of a scenario leaves the noise of the others alone
_STREAMS: Final = {
    "wander": 0,
    "speed_white": 1,
    "speed_correlated": 2,
    "position_east": 3,
    "position_north": 4,
    "course": 5,
    "void": 6,
    "flow": 7,
    "pressure": 8,
    "damage": 9,
    "nozzles": 10,
    "pressure_wander": 11,
    "flow_correlated": 12,
    "pressure_correlated": 13,
    "vibration": 14,
    "pulsation": 15,
    "air": 16,
    "bumps": 17,
    "gusts": 18,
    "wind_swing": 19,
}


def stream(seed: int, purpose: str) -> np.random.RandomState:
    """The stream of random numbers for `purpose`."""
    return np.random.RandomState(np.random.MT19937(np.random.SeedSequence([seed, _STREAMS[purpose]])))


def ar1(normals: Floats, sd: float, tau_s: float, step_s: float) -> Floats:
    """Stationary first-order autoregressive noise with standard deviation `sd` from standard normals.

    Discretised Ornstein-Uhlenbeck process: x[k] = phi x[k-1] + sd sqrt(1 - phi^2) e[k], phi = exp(-dt/tau),
    whose autocorrelation at lag t is exp(-t/tau).
    """
    if sd == 0 or len(normals) == 0:
        return np.zeros(len(normals))
    phi = exp(-step_s / tau_s)
    drive = (sd * sqrt(1 - phi * phi) * normals).tolist()
    x = sd * float(normals[0])
    out = [x]
    for kick in drive[1:]:
        x = phi * x + kick
        out.append(x)
    return np.array(out)
