"""Accuracy on simulated rigs with known truth.

Each run: 24 passes of 150 m, about 40 minutes, 5 Hz, every sensor, and a driver who wanders. Two receivers:
white noise of 0.04 m/s; and the same with another 0.06 m/s of correlated noise (2 s) that is 0.4 s late.
Replayed and scored as `rigmon score` does it, against the truth of the motion. The worst run is judged.

The share of area in tolerance is judged on longer runs too, 96 passes, about 3 hours: what noise leaves in it
is chance, which falls with the root of the run's length. In 40 minutes it is about 0.35 points (root mean
square over 64 runs of other seeds), so that one run in ten is off by more than half a point, and one in fifty
by more than a point; in 3 hours it is about 0.16 (20 runs of other seeds).
"""

from collections.abc import Sequence
from pathlib import Path
from statistics import fmean
from typing import Any, Final

from rigmon.analysis.score import score
from rigmon.analysis.source import load
from rigmon.simulate import Scenario, simulate
from tests.benchmarks.harness import Figure
from tests.benchmarks.inputs import demo_rig_file

_WANDER_M_S: Final = (0.05, 0.1, 0.15, 0.2, 0.25)
_RECEIVERS: Final[tuple[tuple[str, dict[str, float], float, float], ...]] = (
    ("white noise", {"white_noise_m_s": 0.04}, 0.2, 1.0),
    (
        "correlated, late",
        {
            "white_noise_m_s": 0.04,
            "correlated_noise_m_s": 0.06,
            "correlated_tau_s": 2.0,
            "latency_s": 0.4,
        },
        0.5,
        2.0,
    ),
)
_SUMS: Final = (
    ("mean rate", ("rate", "mean_l_ha")),
    ("distance", ("applied", "distance_m")),
    ("area", ("applied", "area_m2")),
)


def run(quick: bool, folder: Path) -> list[Figure]:
    wanders = (0.05, 0.25) if quick else _WANDER_M_S
    seeds = range(1, 3) if quick else range(1, 5)
    figures = []
    for name, receiver, goal_pct, goal_points in _RECEIVERS:
        runs = [
            ((f"wander {wander:g} m/s, seed {seed}"), *_one(folder, wander, seed, receiver))
            for wander in wanders
            for seed in seeds
        ]
        for what, (part, key) in _SUMS:
            errors = [(100 * (s[part][key] / t[part][key] - 1), label) for label, s, t in runs]
            figures.append(_figure(f"{name}: {what}", errors, "%", goal_pct))
        shares = [
            (s["rate"]["in_tolerance_area_pct"] - t["rate"]["in_tolerance_area_pct"], label)
            for label, s, t in runs
        ]
        figures.append(_figure(f"{name}: share of area in tolerance", shares, "points", goal_points))
    figures.append(_long(wanders, range(1, 2) if quick else range(1, 3), folder))
    return figures


def _long(wanders: Sequence[float], seeds: Sequence[int], folder: Path) -> Figure:
    """The share of area in tolerance of runs of 3 hours, white noise."""
    name, receiver, _, _ = _RECEIVERS[0]
    errors = []
    for wander in wanders:
        for seed in seeds:
            found, true = _one(folder, wander, seed, receiver, passes=96)
            off = found["rate"]["in_tolerance_area_pct"] - true["rate"]["in_tolerance_area_pct"]
            errors.append((off, f"wander {wander:g} m/s, seed {seed}"))
    return _figure(f"{name}: share of area in tolerance, 3 h", errors, "points", 0.5)


def _one(
    folder: Path, wander: float, seed: int, receiver: dict[str, float], passes: int = 24
) -> tuple[dict[str, Any], dict[str, Any]]:
    """(score, truth) of one run."""
    scenario = Scenario(
        passes=passes,
        pass_length_m=150.0,
        gps_hz=5,
        sentences=("RMC",),
        wander_sd_m_s=wander,
        seed=seed,
        **receiver,  # type: ignore[arg-type]
    )
    simulation = simulate(scenario)
    path = folder / "accuracy.nmea"
    path.write_bytes(simulation.recording_bytes())
    return score(load(path, demo_rig_file(folder))), simulation.truth


def _figure(what: str, errors: list[tuple[float, str]], unit: str, goal: float) -> Figure:
    worst, label = max(errors, key=lambda item: abs(item[0]))
    mean = fmean(error for error, _ in errors)
    note = f"worst {worst:+.3f} in {label}; mean {mean:+.3f} over {len(errors)} runs"
    return Figure(f"{what}, worst error", abs(worst), unit, goal=goal, note=note)
