"""Simulated runs for the analysis' tests: driven through the pipeline, beside their truth."""

from functools import lru_cache
from typing import Any

from rigmon import replay
from rigmon.analysis.frames import RunData, from_outputs
from rigmon.simulate import Scenario, readings, simulate


@lru_cache(maxsize=8)
def driven(scenario: Scenario) -> tuple[dict[str, Any], RunData]:
    """The truth, and the run as rigmon saw it."""
    simulation = simulate(scenario)
    pipeline = replay.Pipeline(scenario.rig)
    outputs, last_ns = [], 0
    for reading, made in replay.drive(pipeline, readings(simulation)):
        last_ns = reading.t_ns
        outputs.extend(made)
    outputs.extend(pipeline.finish(last_ns))
    run = from_outputs(scenario.rig, outputs, run_id=None, source="simulated", ended_cleanly=True)
    return simulation.truth, run
