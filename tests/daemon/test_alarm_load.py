"""How often a working hour calls the driver: the short form of the benchmark `alarm_load`, seeded.

Fewer than 6 calls an hour: ISA-18.2 / IEC 62682, about 6 an hour is very likely acceptable (from memory). The
day is invented; see helpers.workday.
"""

from dataclasses import replace

import pytest
from helpers.workday import Day, Load, drive

from rigmon.rig import Lights, Rig
from rigmon.simulate import demo_rig

CALLS_PER_H = 6.0


@pytest.fixture(scope="module")
def rig() -> Rig:
    return replace(demo_rig(), lights=Lights((5, 6, 13, 16, 20), 19))


@pytest.fixture(scope="module")
def normal(rig: Rig) -> Load:
    return drive(rig, Day(hours=2.0))


def test_normal_work_calls_the_driver_seldom(normal: Load) -> None:
    assert normal.raised_per_h < CALLS_PER_H
    assert normal.sounds_per_h < CALLS_PER_H
    assert normal.trouble_lit / normal.hours < CALLS_PER_H
    assert normal.sounding_s < 60 * normal.hours
    # what is not the speed's, which the strip shows anyway: the receiver's first fix, and nothing else
    assert {c: n for c, n in normal.raised.items() if not c.startswith("speed_")} == {"gps_lost": 1}


def test_the_strip_keeps_the_speed_in_the_band(rig: Rig, normal: Load) -> None:
    """The first of the same hours, driven by ear alone: the strip is worth looking at."""
    unseen = drive(rig, Day(hours=1.0, looks=False))
    assert normal.in_band_s / normal.working_s > 0.94
    assert unseen.in_band_s / unseen.working_s < normal.in_band_s / normal.working_s - 0.03
    assert unseen.raised_per_h > normal.raised_per_h


def test_a_steady_hour_is_silent(rig: Rig) -> None:
    """Noise, turns, refills and short dropouts alone raise nothing once there is a fix."""
    load = drive(rig, Day(hours=0.5, wander=0.0, set_off=0.0, bumps_per_h=0.0, looks=False))
    assert load.raised == {"gps_lost": 1}
    assert load.sounds == {}
    assert load.end_flashes <= 3


def test_each_pressure_loss_is_told_and_spoken(rig: Rig) -> None:
    load = drive(rig, Day(hours=0.5, losses_per_h=20.0, seed=2))
    losses = load.raised["pressure_loss"]
    assert losses >= 3
    assert load.sounds["flow"] >= losses
    assert load.trouble_lit >= losses
