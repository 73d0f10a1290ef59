"""Average run lengths (ARL) of CUSUM and EWMA charts: how long to a false alarm, how long to a true one.

Three ways, which share no arithmetic: a Markov chain on ever finer states (D. Brook and D. A. Evans,
Biometrika 59 (1972) 539-549; for the EWMA J. M. Lucas and M. S. Saccucci, Technometrics 32 (1990) 1-12) with
Richardson's extrapolation; the integral equation by Gauss-Legendre quadrature (S. V. Crowder, Technometrics
29 (1987) 401-407); and simulation, also of autocorrelated numbers, for which there is no table.

Numbers are independent and normal with standard deviation 1, their mean `shift`; charts are in standard
deviations. "One-sided" is the chart for a rise. The core's own solver is `rigmon.core.design`.
"""

from collections.abc import Callable
from math import erfc, log, sqrt
from typing import Any, Final, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Sides = Literal[1, 2]

#: states of the coarsest chain; the others have twice and four times as many
_STATES: Final = 40
_LONGEST: Final = 1e9
_Z_95: Final = 1.959964


class Estimate(NamedTuple):
    """A simulated ARL with its 95 % confidence interval, from so many runs."""

    arl: float
    low: float
    high: float
    runs: int


# -- CUSUM -------------------------------------------------------------------------------------------


def cusum_arl(
    k: float, h: float, shift: float = 0.0, *, sides: Sides = 2, head_start: float = 0.0, nodes: int = 0
) -> float:
    """ARL of a CUSUM by the integral equation. `head_start` as in `rigmon.core.charts.Cusum`.

    Two sides are put together from the one-sided ARLs (Lucas and Crosier 1982); without head start
    1/ARL = 1/ARL+ + 1/ARL-. That is exact as long as not both sides can be above zero at a signal, which
    holds for the charts of use: k >= h - head_start would break it.
    """

    def one(mean: float) -> tuple[float, float]:
        from_zero, from_start = _cusum_equation(k, h, mean, head_start, nodes or round(30 + 8 * h))
        return from_zero, from_start

    up, up_fir = one(shift)
    if sides == 1:
        return up_fir
    down, down_fir = one(-shift)
    return (up_fir * down + down_fir * up - up * down) / (up + down)


def cusum_arl_chain(
    k: float, h: float, shift: float = 0.0, *, sides: Sides = 2, states: int = _STATES
) -> float:
    """The same (without head start) by Markov chains of `states`, 2 x and 4 x as many, extrapolated."""

    def one(mean: float) -> float:
        return _richardson(lambda t: _chain_arl(_cusum_chain(k, h, mean, t), 0), states)

    up = one(shift)
    return up if sides == 1 else 1 / (1 / up + 1 / one(-shift))


def cusum_arl_steady(k: float, h: float, shift: float, *, states: int = _STATES) -> float:
    """One-sided ARL of a change that comes when the chart has run for long without a false alarm.

    The chart then stands where its quasi-stationary distribution has it (Crosier 1986).
    """

    def steady(t: int) -> float:
        return float(_standing(_cusum_chain(k, h, 0.0, t)) @ _chain_arls(_cusum_chain(k, h, shift, t)))

    return _richardson(steady, states)


def cusum_limit(k: float, arl: float, *, sides: Sides = 2) -> float:
    """The decision limit h of a CUSUM whose ARL without change is `arl`. Raises ValueError."""
    return _inverse(lambda h: cusum_arl(k, h, sides=sides), arl, 0.02)


def reference_value(change_sd: float) -> float:
    """k of the CUSUM that is quickest for a change of so many standard deviations: half (Lorden 1971)."""
    return change_sd / 2


# -- EWMA --------------------------------------------------------------------------------------------


def ewma_arl(lam: float, limit_sd: float, shift: float = 0.0, *, nodes: int = 0) -> float:
    """ARL of a two-sided EWMA with fixed limits, from its target, by the integral equation.

    L(u) = 1 + 1/lam integral from -w to w of L(x) f((x - (1 - lam) u) / lam - shift) dx, with
    w = limit_sd sqrt(lam / (2 - lam)) (Crowder 1987).
    """
    wide = limit_sd * sqrt(lam / (2 - lam))
    node, weight = np.polynomial.legendre.leggauss(nodes or round(40 + 8 * wide / lam))
    x, w = wide * node, wide * weight
    u = np.append(x, 0.0)  # the target is no node of an even rule
    kernel = w * _density((x[None, :] - (1 - lam) * u[:, None]) / lam - shift) / lam
    at_nodes = np.linalg.solve(np.eye(len(x)) - kernel[:-1], np.ones(len(x)))
    return float(1 + kernel[-1] @ at_nodes)


def ewma_arl_chain(lam: float, limit_sd: float, shift: float = 0.0, *, states: int = _STATES) -> float:
    """The same by Markov chains of about `states`, 2 x and 4 x as many, extrapolated."""
    wide = limit_sd * sqrt(lam / (2 - lam))

    def one(t: int) -> float:
        t |= 1  # an odd number: the target lies in the middle of a state
        cell = 2 * wide / t
        centre = -wide + cell * (np.arange(t) + 0.5)
        edge = -wide + cell * np.arange(t + 1)
        return _chain_arl(np.diff(_cdf((edge[None, :] - (1 - lam) * centre[:, None]) / lam - shift)), t // 2)

    return _richardson(one, states, odd=True)


def ewma_limit(lam: float, arl: float) -> float:
    """The limit, in standard deviations, of an EWMA whose ARL without change is `arl`. Raises ValueError."""
    return _inverse(lambda limit: ewma_arl(lam, limit), arl, 0.2)


# -- simulation --------------------------------------------------------------------------------------


def simulate_cusum(
    k: float,
    h: float,
    shift: float = 0.0,
    *,
    sides: Sides = 2,
    phi: float = 0.0,
    head_start: float = 0.0,
    runs: int = 4000,
    seed: int = 1,
) -> Estimate:
    """ARL of a CUSUM by simulation, also of AR(1) numbers of variance 1 with autocorrelation `phi`."""

    def begin(n: int) -> Floats:
        return np.full((2, n), head_start)

    def step(state: Floats, z: Floats) -> tuple[Floats, NDArray[np.bool_]]:
        state = np.maximum(0.0, state + np.stack([z - k, -z - k]))
        over = state[0] > h
        return state, over if sides == 1 else over | (state[1] > h)

    return _simulate(begin, step, shift, phi, runs, seed)


def simulate_ewma(
    lam: float, limit_sd: float, shift: float = 0.0, *, phi: float = 0.0, runs: int = 4000, seed: int = 1
) -> Estimate:
    """ARL of a two-sided EWMA with fixed limits by simulation; `phi` as in `simulate_cusum`."""
    wide = limit_sd * sqrt(lam / (2 - lam))

    def step(state: Floats, z: Floats) -> tuple[Floats, NDArray[np.bool_]]:
        state = state + lam * (z - state)
        return state, np.abs(state[0]) > wide

    return _simulate(lambda n: np.zeros((1, n)), step, shift, phi, runs, seed)


def _simulate(
    begin: Callable[[int], Floats],
    step: Callable[[Floats, Floats], tuple[Floats, NDArray[np.bool_]]],
    shift: float,
    phi: float,
    runs: int,
    seed: int,
) -> Estimate:
    """All runs side by side, until each has signalled. RandomState's streams are frozen (NEP 19)."""
    rng = np.random.RandomState(seed)
    state, x = begin(runs), rng.standard_normal(runs)
    drive = sqrt(1 - phi * phi)
    lengths: list[Floats] = []
    n = 0
    while state.shape[1]:
        n += 1
        state, over = step(state, x + shift)
        if over.any():
            lengths.append(np.full(int(over.sum()), float(n)))
            state, x = state[:, ~over], x[~over]
        x = phi * x + drive * rng.standard_normal(len(x))
    length = np.concatenate(lengths)
    arl, half = float(length.mean()), _Z_95 * float(length.std(ddof=1)) / sqrt(runs)
    return Estimate(arl, arl - half, arl + half, runs)


# -- the ways ----------------------------------------------------------------------------------------


def _cusum_equation(k: float, h: float, shift: float, start: float, nodes: int) -> tuple[float, float]:
    """(ARL from zero, ARL from `start`): unknown are L at zero and at the nodes."""
    node, weight = np.polynomial.legendre.leggauss(nodes)
    x, w = h * (1 + node) / 2, h * weight / 2
    s = np.concatenate([[0.0], x, [start]])
    a = k - shift
    kernel = np.empty((len(s), nodes + 1))
    kernel[:, 0] = _cdf(a - s)
    kernel[:, 1:] = w * _density(x[None, :] + a - s[:, None])
    values = np.linalg.solve(np.eye(nodes + 1) - kernel[:-1], np.ones(nodes + 1))
    return float(values[0]), float(1 + kernel[-1] @ values)


def _cusum_chain(k: float, h: float, shift: float, t: int) -> Floats:
    """Transitions between t states: 0 is S below half a cell, the others are cells about their middle."""
    cell = 2 * h / (2 * t - 1)
    at = _cdf((np.arange(-t, t + 1) + 0.5) * cell + k - shift)  # at[m + t] is for the edge m + 1/2
    i, j = np.arange(t)[:, None], np.arange(t)[None, :]
    chain = at[j - i + t] - at[j - i - 1 + t]
    chain[:, 0] = at[-np.arange(t) + t]
    return np.asarray(chain)


def _chain_arls(chain: Floats) -> Floats:
    return np.asarray(np.linalg.solve(np.eye(len(chain)) - chain, np.ones(len(chain))))


def _chain_arl(chain: Floats, start: int) -> float:
    return float(_chain_arls(chain)[start])


def _standing(chain: Floats) -> Floats:
    """The quasi-stationary distribution: left eigenvector of the largest eigenvalue, by iteration."""
    where = np.full(len(chain), 1 / len(chain))
    for _ in range(10_000):
        after = where @ chain
        after /= after.sum()
        if np.abs(after - where).max() < 1e-14:
            break
        where = after
    return np.asarray(after)


def _richardson(arl: Callable[[int], float], states: int, *, odd: bool = False) -> float:
    """The limit of a sequence of chains whose error goes with a^2 and a^4, a the width of a cell.

    Neville's scheme at a^2 = 1/(t - 1/2)^2 (CUSUM) or 1/t^2 (EWMA, t odd).
    """
    counts = [states, 2 * states, 4 * states]
    if odd:
        counts = [t | 1 for t in counts]
    x = [1 / (t if odd else t - 0.5) ** 2 for t in counts]
    table = [arl(t) for t in counts]
    for level in (1, 2):
        table = [
            (x[i] * table[i + 1] - x[i + level] * table[i]) / (x[i] - x[i + level])
            for i in range(len(table) - 1)
        ]
    return table[0]


def _inverse(arl_at: Callable[[float], float], arl: float, low: float) -> float:
    """Where an ARL that rises with the limit is `arl`: a secant on its logarithm, kept within a bracket.

    Raises ValueError where that is below `low`, or the ARL above 1e9.
    """
    if not arl_at(low) <= arl <= _LONGEST:
        raise ValueError(f"arl = {arl:g} must be from {arl_at(low):.3g} to {_LONGEST:g} for this chart")
    goal = log(arl)
    f_low = log(arl_at(low)) - goal
    high = 2 * low
    while (f_high := log(arl_at(high)) - goal) < 0:
        low, f_low, high = high, f_high, 1.5 * high
    middle = high
    for n in range(200):
        middle = (low * f_high - high * f_low) / (f_high - f_low) if n % 3 < 2 else (low + high) / 2
        f = log(arl_at(middle)) - goal
        if abs(f) < 1e-9 or high - low < 1e-12:
            break
        if f < 0:
            low, f_low = middle, f
        else:
            high, f_high = middle, f
    return middle


def _density(x: NDArray[np.floating[Any]]) -> Floats:
    return np.asarray(np.exp(-0.5 * x * x) / sqrt(2 * np.pi))


def _cdf(x: NDArray[np.floating[Any]]) -> Floats:
    flat = [0.5 * erfc(-value / sqrt(2)) for value in np.ravel(x).tolist()]
    return np.array(flat).reshape(np.shape(x))
