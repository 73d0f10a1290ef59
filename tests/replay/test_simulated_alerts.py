"""How soon a lasting change is told, and that a steady hour is quiet, on simulated rigs with known truth.

The receivers: white noise of 0.04 m/s; and beside it noise of 0.06 m/s that lingers for 2 s, with speeds that
come 0.4 s late. Rig, place and job are invented (the demo's). What is asked for is our own goal: 3 s.
"""

from statistics import median
from typing import Any

import pytest

from rigmon.model import Alert, Sample
from rigmon.replay import Pipeline, drive
from rigmon.simulate import Event, Scenario, readings, simulate

WHITE: dict[str, Any] = {"white_noise_m_s": 0.04}
LATE: dict[str, Any] = WHITE | {"correlated_noise_m_s": 0.06, "correlated_tau_s": 2.0, "latency_s": 0.4}
SEEDS = range(1, 13)
LASTS_S = 12.0


def outputs_of(scenario: Scenario) -> list[Any]:
    simulation = simulate(scenario)
    pipeline = Pipeline(scenario.rig)
    return [output for _, outputs in drive(pipeline, readings(simulation)) for output in outputs]


def waits_s(kind: str, size: float, code: str, gps_hz: int, receiver: dict[str, Any]) -> list[float]:
    """From when the change is complete until its alert, a run a seed. It begins anywhere between fixes.

    A change of speed is complete when the rig has gained it, at 0.5 m/s2 (the simulator's).
    """
    waits = []
    for seed in SEEDS:
        start_s = 20 + 0.037 * seed
        scenario = Scenario(
            seed=seed, passes=1, pass_length_m=55, gps_hz=gps_hz, wander_sd_m_s=0.0, sentences=("RMC",),
            events=(Event(kind, start_s, LASTS_S, size),), **receiver,
        )  # fmt: skip
        ramp_s = 0.0
        if kind.endswith("speed"):
            assert scenario.rig.target.speed_m_s is not None
            ramp_s = size * scenario.rig.target.speed_m_s / 0.5
        raised = [
            a.t_ns / 1e9 for a in outputs_of(scenario) if isinstance(a, Alert) and a.raised and a.code == code
        ]
        (told_s,) = (t_s for t_s in raised if start_s <= t_s <= start_s + LASTS_S)
        waits.append(told_s - start_s - ramp_s)
    return waits


@pytest.mark.parametrize("receiver", [WHITE, LATE], ids=["white", "late"])
@pytest.mark.parametrize("gps_hz", [1, 5, 10])
def test_a_pressure_loss_of_30_percent_is_told_within_3_s(gps_hz: int, receiver: dict[str, Any]) -> None:
    assert max(waits_s("pressure_loss", 0.3, "pressure_loss", gps_hz, receiver)) <= 3.0


@pytest.mark.parametrize(
    ("kind", "code"), [("overspeed", "speed_fast"), ("underspeed", "speed_slow")], ids=["fast", "slow"]
)
@pytest.mark.parametrize("gps_hz", [1, 5, 10])
def test_a_speed_25_percent_off_is_told_within_3_s(kind: str, code: str, gps_hz: int) -> None:
    assert max(waits_s(kind, 0.25, code, gps_hz, WHITE)) <= 3.0


@pytest.mark.parametrize(("gps_hz", "worst_s"), [(1, 5.0), (5, 3.0), (10, 4.0)])
def test_a_late_receiver_with_lingering_noise_costs_no_more_than_its_noise(
    gps_hz: int, worst_s: float
) -> None:
    """Half of them within 3 s, its 0.4 s included. A swing of the noise back inside the limit starts the
    on-delay anew; how long that takes is regression only.
    """
    waits = waits_s("overspeed", 0.25, "speed_fast", gps_hz, LATE)
    assert median(waits) <= 3.0
    assert max(waits) <= worst_s


@pytest.mark.parametrize(
    ("gps_hz", "receiver"),
    [(1, WHITE), (5, WHITE), (10, WHITE), (5, LATE)],
    ids=["white, 1 Hz", "white, 5 Hz", "white, 10 Hz", "late, 5 Hz"],
)
def test_a_steady_hour_raises_nothing(gps_hz: int, receiver: dict[str, Any]) -> None:
    """An hour in one straight pass at the target speed, all sensors fitted."""
    outputs = outputs_of(
        Scenario(
            passes=1, pass_length_m=3600 * 3.5 * 0.44704, gps_hz=gps_hz, sensor_hz=1, wander_sd_m_s=0.0,
            sentences=("RMC",), **receiver,
        )
    )  # fmt: skip
    treated_s = sum(s.dt_ns for s in outputs if isinstance(s, Sample) and s.boom_on == 1) / 1e9
    assert treated_s == pytest.approx(3600, abs=2)
    assert [output for output in outputs if isinstance(output, Alert)] == []
