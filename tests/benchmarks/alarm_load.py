"""Alarm load: how often a day calls the driver, by alerts raised, by the trouble light and by the buzzer.

Simulated days with the driver in the loop (tests/helpers/workday.py): he looks at the lights every few
seconds and moves his thumb. The normal day has a speed that wanders by 5 %, ruts, turns, refills, short GPS
dropouts under trees, noise and lateness of an ordinary receiver. The bad days have more of one thing each.
The goal is for the normal day: fewer than 6 alerts an hour (ISA-18.2 / IEC 62682: about 6 an hour is very
likely acceptable; from memory). The median over the seeds is judged. There is no floor: these are counts.
"""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from statistics import median
from typing import Final

from rigmon.rig import Lights, Rig
from rigmon.simulate import demo_rig
from tests.benchmarks.harness import Figure
from tests.helpers.workday import Day, Load, drive

GOAL_PER_H: Final = 6.0
NORMAL: Final = Day()
_BAD: Final[tuple[tuple[str, Day], ...]] = (
    ("rough ground, wander 8 %, 60 ruts an hour", replace(NORMAL, wander=0.08, bumps_per_h=60.0)),
    ("normal ground, driver never looks at the lights", replace(NORMAL, looks=False)),
    (
        "under trees: a long dropout every 6 min",
        replace(NORMAL, dropouts_per_h=30.0, long_dropouts_per_h=10.0),
    ),
    ("a pump that loses pressure, 4 times an hour", replace(NORMAL, losses_per_h=4.0)),
    ("a loose plug at the sensor node, 6 times an hour", replace(NORMAL, silences_per_h=6.0)),
)


def run(quick: bool, folder: Path) -> list[Figure]:  # noqa: ARG001
    rig = lit_rig()
    hours = 2.0 if quick else 8.0
    seeds = range(1, 4 if quick else 6)
    normal = [drive(rig, replace(NORMAL, hours=hours, seed=seed)) for seed in seeds]
    figures = _figures("normal day", normal, GOAL_PER_H)
    for name, day in _BAD:
        figures += _figures(
            name, [drive(rig, replace(day, hours=hours / 2, seed=seed)) for seed in seeds[:2]], None
        )
    return figures


def lit_rig() -> Rig:
    """The demo's rig with a strip of five lights and a trouble light."""
    return replace(demo_rig(), lights=Lights((5, 6, 13, 16, 20), 19))


def _figures(name: str, loads: Sequence[Load], goal: float | None) -> list[Figure]:
    def over(of: Sequence[float]) -> str:
        return f"{min(of):.1f} to {max(of):.1f} over {len(of)} days of {loads[0].hours:g} h"

    raised = [load.raised_per_h for load in loads]
    sounds = [load.sounds_per_h for load in loads]
    trouble = [load.trouble_lit / load.hours for load in loads]
    hours = sum(load.hours for load in loads)
    codes = sorted({code for load in loads for code in load.raised})
    by_code = ", ".join(
        f"{code} {sum(load.raised.get(code, 0) for load in loads) / hours:.1f}" for code in codes
    )
    fleeting = sum(load.fleeting for load in loads) / max(1, sum(sum(load.raised.values()) for load in loads))
    in_band = sum(load.in_band_s for load in loads) / sum(load.working_s for load in loads)
    sounding_s = sum(load.sounding_s for load in loads) / hours
    most = max(load.most_in_10_min for load in loads)
    notes = (
        f"{over(raised)}; {by_code}; {fleeting:.0%} over within 5 s; at most {most} in 10 min; "
        f"speed in the band {in_band:.0%} of the time",
        f"{over(sounds)}; {sounding_s:.0f} s of sound an hour",
        over(trouble),
    )
    return [
        Figure(f"{name}: {what}", median(counts), "1/h", goal=goal, note=note)
        for what, counts, note in zip(
            ("alerts raised", "buzzer speaks", "trouble light comes on"),
            (raised, sounds, trouble),
            notes,
            strict=True,
        )
    ]
