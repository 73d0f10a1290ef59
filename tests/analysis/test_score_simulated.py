"""The score of simulated runs against what their simulation says really happened."""

import sqlite3
from pathlib import Path
from typing import Any

import pytest

from rigmon import config, replay
from rigmon.analysis.frames import RunData, from_log, from_outputs
from rigmon.analysis.score import score
from rigmon.errors import LogError
from rigmon.log.reader import RunLog
from rigmon.log.writer import RunLogWriter
from rigmon.model import Output, RunHeader
from rigmon.simulate import Event, Scenario, Simulation, readings, simulate


def drive(simulation: Simulation, record: RunLogWriter | None = None) -> tuple[list[Output], int, int]:
    """Outputs, number of readings, last stamp."""
    pipeline = replay.Pipeline(simulation.scenario.rig)
    outputs: list[Output] = []
    count = last_ns = 0
    items = readings(simulation)
    for reading, made in replay.drive(pipeline, items, record=record.reading if record else None):
        count, last_ns = count + 1, reading.t_ns
        if record:
            record.outputs(made)
        outputs.extend(made)
    made = pipeline.finish(last_ns)
    if record:
        record.outputs(made)
        record.close(last_ns, "end of recording")
    return [*outputs, *made], count, last_ns


def scored(scenario: Scenario) -> tuple[dict[str, Any], dict[str, Any]]:
    """The truth and the score."""
    simulation = simulate(scenario)
    outputs, count, _ = drive(simulation)
    run = from_outputs(
        scenario.rig, outputs, run_id=None, source="simulated", ended_cleanly=True, readings=count
    )
    return simulation.truth, score(run)


@pytest.mark.parametrize(
    ("scenario", "sums_pct", "share_points"),
    [
        (Scenario(seed=3, passes=12, pass_length_m=200, wander_sd_m_s=0.1), 0.2, 1.0),
        (Scenario(seed=4, passes=12, pass_length_m=200, wander_sd_m_s=0.25), 0.2, 1.0),
        (
            Scenario(
                seed=3, passes=20, pass_length_m=200, wander_sd_m_s=0.15,
                white_noise_m_s=0.0, correlated_noise_m_s=0.06, latency_s=0.4,
            ),
            0.5,
            2.0,
        ),
    ],
    ids=["white", "wandering", "correlated and late"],
)  # fmt: skip
def test_score_comes_close_to_the_truth(scenario: Scenario, sums_pct: float, share_points: float) -> None:
    truth, result = scored(scenario)
    for key in ("distance_m", "area_m2"):
        assert result["applied"][key] == pytest.approx(truth["applied"][key], rel=sums_pct / 100)
    assert result["rate"]["mean_l_ha"] == pytest.approx(truth["rate"]["mean_l_ha"], rel=sums_pct / 100)
    for share in ("in_tolerance_area_pct", "under_area_pct", "over_area_pct"):
        assert result["rate"][share] == pytest.approx(truth["rate"][share], abs=share_points)
    assert result["rate"]["cv_pct"] == pytest.approx(truth["rate"]["cv_pct"], abs=0.5)


def test_what_went_wrong_is_found_where_it_was() -> None:
    # invented: 25 % too fast for 20 s, then 50 % of the pressure lost for 15 s, then no fix for 12 s, each
    # inside a pass of 128 s at 3.5 mph
    scenario = Scenario(
        passes=3,
        pass_length_m=200,
        wander_sd_m_s=0.03,
        events=(
            Event("overspeed", 60, 20, 0.25),
            Event("pressure_loss", 190, 15, 0.5),
            Event("gps_dropout", 330, 12),
        ),
    )
    _, result = scored(scenario)
    under = [s for s in result["stretches"] if s["kind"] == "under" and s["end_s"] - s["start_s"] > 8]
    assert [(s["start_s"], s["end_s"]) for s in under] == [
        (pytest.approx(60, abs=2), pytest.approx(80, abs=2)),
        (pytest.approx(190, abs=2), pytest.approx(205, abs=2)),
    ]
    # hand-worked: 17 gal/ac = 159.017 L/ha; / 1.25 = 127.2; x sqrt(0.5) = 112.4
    assert under[0]["mean_l_ha"] == pytest.approx(127.2, rel=0.05)
    assert under[1]["mean_l_ha"] == pytest.approx(112.4, rel=0.05)
    (unknown,) = [s for s in result["stretches"] if s["kind"] == "unknown"]
    # speed is carried over the first gps.stale (2 s) of the gap
    assert unknown["start_s"] == pytest.approx(332, abs=0.5)
    assert unknown["end_s"] == pytest.approx(342, abs=0.5)
    # hand-worked: 10 s at 3.5 mph = 15.6 m
    assert unknown["distance_m"] == pytest.approx(15.6, rel=0.15)
    assert result["input"]["gps_gap_count"] == 1


@pytest.fixture
def logged(tmp_path: Path) -> tuple[Path, RunData]:
    """A run log, and the same run without it."""
    scenario = Scenario(passes=2, pass_length_m=50, events=(Event("gps_dropout", 20, 6),))
    path = tmp_path / "run.sqlite"
    text = (Path(config.__file__).parent / "data" / "demo.rig.toml").read_text(encoding="utf-8")
    header = RunHeader("r1", "simulated", text, "s", "h", None, "", None, None)
    writer = RunLogWriter(path, header, commit_by_time_ns=1_000_000_000)
    outputs, count, last_ns = drive(simulate(scenario), writer)
    run = from_outputs(
        scenario.rig,
        outputs,
        run_id="r1",
        source="simulated",
        ended_cleanly=True,
        duration_s=last_ns / 1e9,
        readings=count,
    )
    return path, run


def test_run_log_and_outputs_give_the_same_score(logged: tuple[Path, RunData]) -> None:
    path, run = logged
    with RunLog.open(path) as log:
        assert score(from_log(log)) == score(run)


def test_another_rig_can_be_laid_over_a_log(logged: tuple[Path, RunData]) -> None:
    path, run = logged
    text = (Path(config.__file__).parent / "data" / "demo.rig.toml").read_text(encoding="utf-8")
    other = config.parse(text.replace("17 gal/ac", "30 gal/ac"), "other rig")
    with RunLog.open(path) as log:
        result = score(from_log(log, other))
    assert result["verdict"] == "out_of_tolerance"
    assert result["applied"] == score(run)["applied"]


def test_a_log_with_damaged_samples_is_refused(logged: tuple[Path, RunData]) -> None:
    path, _ = logged
    with sqlite3.connect(path) as connection:
        connection.execute("UPDATE sample SET speed_m_s = 'fast' WHERE n = (SELECT max(n) FROM sample)")
    connection.close()
    with RunLog.open(path) as log, pytest.raises(LogError, match=r"run\.sqlite.*samples cannot be read"):
        from_log(log)
