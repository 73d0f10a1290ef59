"""Small run logs and summaries for the season's tests. The rig and the runs are invented."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from importlib import resources
from pathlib import Path
from typing import Any

from rigmon import config
from rigmon.core.pipeline import Pipeline
from rigmon.log.header import run_header
from rigmon.log.records import record_note
from rigmon.log.writer import RunLogWriter
from rigmon.model import Reading, Source
from rigmon.replay import Opened, collect
from rigmon.simulate import Scenario, simulate

DEMO_TOML = (resources.files("rigmon") / "data" / "demo.rig.toml").read_text(encoding="utf-8")
BEGIN = datetime(2026, 6, 1, 8, tzinfo=UTC)


def make_log(
    path: Path,
    day: float = 0.0,
    *,
    worn: float = 1.0,
    ended: bool = True,
    passes: int = 1,
    length_m: float = 60.0,
    records: tuple[str, ...] = (),
) -> Path:
    """A log of the demo's rig, whose nozzles really give `worn` times what its rig file says."""
    rig = config.parse(DEMO_TOML, "demo rig")
    assert rig.calibration is not None
    true = replace(rig, calibration=replace(rig.calibration, flow_l_min=rig.calibration.flow_l_min * worn))
    scenario = Scenario(
        rig=true,
        seed=round(1000 * day) + 1,
        passes=passes,
        pass_length_m=length_m,
        start_utc=BEGIN + timedelta(days=day),
    )
    recording, rig_file = path.with_suffix(".part"), path.with_suffix(".rig")
    recording.write_bytes(simulate(scenario).recording_bytes())
    rig_file.write_text(DEMO_TOML)
    with Opened(recording, rig_file) as opened:
        pipeline = Pipeline(opened.rig)
        writer = RunLogWriter(
            path, run_header(f"run {path.stem}", "live", opened.rig_toml), commit_by_time_ns=10**10
        )
        for n, record in enumerate(records):
            writer.reading(Reading(n, 0, Source.PERSON, record_note(record)))

        def keep(reading: Reading) -> None:
            writer.reading(reading._replace(seq=reading.seq + len(records)))

        result = collect(pipeline, opened.drive(pipeline, keep), None, on_outputs=writer.outputs)
        if ended:
            writer.close(result.last_ns, "stopped")
        else:
            with writer:  # left without a clean end
                pass
    recording.unlink()
    rig_file.unlink()
    return path


def summary(
    day: float | None,
    *,
    path: str = "a.sqlite",
    rate_l_ha: float | None = 100.0,
    k: float | None = None,
    metered_pct: float | None = None,
    nozzle_set: str | None = None,
    calibrations: list[dict[str, Any]] | None = None,
    rig: str = "Round rig",
) -> dict[str, Any]:
    """A run as a season has it, with round numbers: target 100 L/ha."""
    start = None if day is None else f"{BEGIN + timedelta(days=day):%Y-%m-%dT%H:%M:%S}.000Z"
    differences = []
    if metered_pct is not None:
        differences = [{"first": "metered", "second": "calculated", "difference_pct": metered_pct}]
    return {
        "path": path,
        "rig": {
            "name": rig,
            "nozzle_count": 10,
            "nozzle_set": nozzle_set,
            "units": "metric",
            "required_area_pct": 90.0,
        },
        "score": {
            "run": {"run_id": path, "started_utc": start, "duration_s": 3600.0},
            "target": {"rate_l_ha": 100.0, "tolerance_pct": 10.0},
            "rate": {"mean_l_ha": rate_l_ha, "in_tolerance_area_pct": 95.0},
            "diagnoses": [],
        },
        "hold": {"hold_pct": 4.0},
        "closure": {"differences": differences},
        "nozzle_coefficient": None if k is None else {"k_l_min_per_sqrt_kpa": k, "mean_pressure_kpa": 200.0},
        "calibrations": calibrations or [],
        "notes": [],
    }
