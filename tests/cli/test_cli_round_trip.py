"""The commands one after the other, as a person uses them; each run log that comes of it is checked."""

import errno
import json
import os
import shutil
import sqlite3
import subprocess
from pathlib import Path
from typing import Any

import pytest
from invoking import INSTALLED, Made, assert_checks, done, refused, rigmon

from rigmon import config, replay
from rigmon.edge.feedback import HEADER
from rigmon.log.reader import RunLog

#: the contract for scripts that read the score, key by key
SCORE_KEYS = {
    "run": ["run_id", "started_utc", "duration_s", "ended_cleanly"],
    "input": ["readings", "sentences", "rejected", "rejected_by_reason", "fixes_valid", "gps_gap_count",
              "gps_gap_s", "flow_source", "pressure_source"],
    "target": ["rate_l_ha", "tolerance_pct", "speed_m_s", "swath_m", "speed_low_m_s", "speed_high_m_s"],
    "applied": ["distance_m", "area_m2", "time_s", "volume_l", "rate_basis", "unknown_time_s"],
    "rate": ["mean_l_ha", "cv_pct", "p05_l_ha", "p50_l_ha", "p95_l_ha", "in_tolerance_area_pct",
             "under_area_pct", "over_area_pct", "unknown_area_pct", "expanded_uncertainty_pct"],
    "speed": ["mean_m_s", "sd_m_s", "cv_pct", "in_band_time_pct"],
}  # fmt: skip
ALERT_KEYS = ["code", "raised_s", "acknowledged_s", "cleared_s", "value", "limit", "unit"]
STRETCH_KEYS = ["kind", "start_s", "end_s", "distance_m", "area_m2", "mean_l_ha", "start_lat_deg",
                "start_lon_deg", "end_lat_deg", "end_lon_deg"]  # fmt: skip


def as_json(*args: object, cwd: Path | None = None) -> Any:
    def no_nan(text: str) -> None:
        raise AssertionError(f"{text} in JSON")

    return json.loads(done(*args, "--json", cwd=cwd), parse_constant=no_nan)


def altered(made: Made, tmp_path: Path, *statements: str) -> Path:
    """A copy of the run log with something changed by SQL."""
    path = tmp_path / "altered.sqlite"
    shutil.copy(made.log, path)
    with sqlite3.connect(path) as connection:
        for statement in statements:
            assert connection.execute(statement).rowcount > 0
    connection.close()
    return path


# -- init --------------------------------------------------------------------------------------------------


def test_init_then_run_then_score(tmp_path: Path) -> None:
    """Without a receiver the run is short and empty, and everything says so."""
    told = done("init", cwd=tmp_path)
    assert told.startswith("Wrote rig.toml.")
    assert "rigmon run --rig rig.toml" in told
    assert "clean water" in told
    rig, _ = config.load(tmp_path / "rig.toml")
    assert rig == config.parse(config.template(), "template")
    (tmp_path / "rig.toml").write_text(
        config.template().replace("/dev/serial0", str(tmp_path / "no receiver"))
    )

    run = rigmon("run", "--rig", "rig.toml", "--for", "0.5", cwd=tmp_path)
    assert run.code == 0
    assert "gps.port" in run.err
    assert "is not there yet" in run.err
    assert "speed unknown" in run.out
    assert "(stopped after 0.5 s)" in run.out
    (log,) = (tmp_path / "runs").iterdir()
    assert_checks(log)

    assert f"rigmon score runs/{log.name}" in run.out
    assert "CANNOT SAY" in done("score", f"runs/{log.name}", cwd=tmp_path)
    assert rigmon("score", log, "--strict").code == 1
    (entry,) = as_json("runs", cwd=tmp_path)
    assert entry["path"] == f"runs/{log.name}"
    assert entry["source"] == "live"


def test_init_quotes_a_name_that_a_shell_would_split(tmp_path: Path) -> None:
    assert "--rig 'my rig.toml'" in done("init", "my rig.toml", cwd=tmp_path)


# -- simulate, score, replay, check, runs ------------------------------------------------------------------


def test_simulate_writes_the_same_bytes_again(made: Made, tmp_path: Path) -> None:
    told = done("simulate", tmp_path / "again.nmea", "--repeat", made.truth)
    assert "simulated" in told
    assert (tmp_path / "again.nmea").read_bytes() == made.recording.read_bytes()
    truth = as_json("simulate", tmp_path / "third.nmea", "--repeat", made.truth)
    assert truth == json.loads(made.truth.read_bytes())
    assert truth["scenario"]["passes"] == 2


def test_the_score_of_a_recording_is_near_the_truth(made: Made) -> None:
    """Against the simulator's own account, which never sees the sentences: 1 % is ample here."""
    score = as_json("score", made.recording, "--rig", made.rig)
    truth = json.loads(made.truth.read_bytes())
    for key in ("distance_m", "area_m2", "volume_l"):
        assert score["applied"][key] == pytest.approx(truth["applied"][key], rel=0.01)
    # hand-worked: 12 x 20 in = 240 in = 6.096 m; 17 gal/ac x 9.35396 = 159.0 L/ha
    assert score["target"]["swath_m"] == pytest.approx(6.096)
    assert score["target"]["rate_l_ha"] == pytest.approx(159.0, abs=0.05)


def test_the_score_prints_the_documented_keys(made: Made) -> None:
    score = as_json("score", made.log)
    lists = ("alerts", "acts", "stretches", "diagnosis", "diagnoses", "weather")
    assert list(score) == ["score_schema", *SCORE_KEYS, *lists, "verdict"]
    assert score["score_schema"] == 1
    for key, names in SCORE_KEYS.items():
        assert list(score[key]) == names
    assert "pressure_loss" in [alert["code"] for alert in score["alerts"]]
    assert all(list(alert) == ALERT_KEYS for alert in score["alerts"])
    assert {stretch["kind"] for stretch in score["stretches"]} <= {"over", "under", "unknown"}
    assert score["stretches"]
    assert all(list(stretch) == STRETCH_KEYS for stretch in score["stretches"])
    assert score["verdict"] in ("in_tolerance", "out_of_tolerance", "insufficient_data")


def test_a_log_scores_as_the_recording_it_was_made_of(made: Made) -> None:
    from_log, from_text = as_json("score", made.log), as_json("score", made.recording, "--rig", made.rig)
    assert from_log.pop("run")["run_id"] is not None
    from_text.pop("run")
    assert from_log == from_text
    assert f", from {made.recording.name}: " in done("score", made.recording, "--rig", made.rig)


def test_the_score_of_a_log_that_was_cut_says_so(made: Made, tmp_path: Path) -> None:
    log = altered(made, tmp_path, "UPDATE run SET ended_ns = NULL, ended_why = NULL, readings = NULL")
    result = rigmon("score", log)
    assert (result.code, result.err.startswith(f"rigmon: {log}: ")) == (0, True)
    assert "ended cleanly" in result.err


def test_the_score_speaks_both_systems_of_units(made: Made) -> None:
    us, metric = done("score", made.log), done("score", made.log, "--units", "metric")
    assert us == done("score", made.log, "--units", "us")
    for screen, own, other in ((us, ("gal/ac", "mph", " ft", " ac"), ("L/ha", "km/h")),
                               (metric, ("L/ha", "km/h", " m", " ha"), ("gal/ac", "mph"))):  # fmt: skip
        assert all(unit in screen for unit in own)
        assert not any(unit in screen for unit in other)
        assert screen.endswith(".\n")
        assert not screen.endswith("\n\n")


def test_a_log_is_rescored_on_another_rig_and_stays_as_it_is(made: Made, tmp_path: Path) -> None:
    before = made.log.read_bytes()
    rig = tmp_path / "other.toml"
    rig.write_text(made.rig.read_text().replace('"17 gal/ac"', '"10 gal/ac"'))
    score = as_json("score", made.log, "--rig", rig)
    # hand-worked: 10 gal/ac x 9.35396 = 93.54 L/ha, so the 159 L/ha that went out are far over
    assert score["target"]["rate_l_ha"] == pytest.approx(93.54, abs=0.01)
    assert score["rate"]["over_area_pct"] > 80
    assert made.log.read_bytes() == before


def test_what_if_rescores_and_leaves_log_and_mark_alone(made: Made, tmp_path: Path) -> None:
    log = tmp_path / "run.sqlite"
    log.write_bytes(made.log.read_bytes())
    screen = done("score", log, "--target", "20 gal/ac", "--tolerance", "5%", "--units", "us")
    assert screen.startswith(
        "What if: --target 20 gal/ac --tolerance 5%\nThe same readings run again with these settings; the log"
    )
    assert "20.0 gal/ac" in screen
    assert [path.name for path in tmp_path.iterdir()] == ["run.sqlite"]
    assert log.read_bytes() == made.log.read_bytes()
    swath = as_json("score", log, "--swath", "10 ft")["target"]["swath_m"]
    assert swath == pytest.approx(3.048)
    refused("score", log, "--swath", "10", naming="--swath")


def test_strict_tells_by_the_exit_code(made: Made, tmp_path: Path) -> None:
    """On the rig as it was 35 % of the pressure was lost for a while; with a wide tolerance all is well."""
    for tolerance, deadband, code, verdict in (
        (2, 1, 1, "out_of_tolerance"),
        (40, 2, 0, "in_tolerance"),
    ):
        rig = tmp_path / f"{tolerance}.toml"
        text = made.rig.read_text().replace("tolerance_pct = 10", f"tolerance_pct = {tolerance}")
        rig.write_text(text.replace("# deadband_pct = 2", f"deadband_pct = {deadband}"))
        for more in ([], ["--json"]):
            strict = rigmon("score", made.log, "--rig", rig, "--strict", *more)
            assert (strict.code, strict.err) == (code, "")
            assert strict.out == done("score", made.log, "--rig", rig, *more)
        assert json.loads(strict.out)["verdict"] == verdict


def test_replay_onto_a_new_log_gives_an_equal_log(made: Made, tmp_path: Path) -> None:
    new = tmp_path / "new.sqlite"
    told = done("replay", made.log, "--to", new)
    assert f"Run log: {new}" in told
    assert "ALERT pressure loss" in told
    assert_checks(new)
    with RunLog.open(made.log) as a, RunLog.open(new) as b:
        assert list(a.readings()) == list(b.readings())
        assert list(a.outputs()) == list(b.outputs())
        assert a.header.run_id != b.header.run_id
        assert a.header.source == b.header.source


def test_replay_says_the_figures_of_the_score_in_the_rigs_units(made: Made, tmp_path: Path) -> None:
    told = as_json("replay", made.recording, "--rig", made.rig)
    assert list(told) == ["source", "duration_s", "readings", "sentences", "rejected_by_reason", "samples",
                          "distance_m", "area_m2", "volume_l", "alerts", "findings", "acts",
                          "run_log"]  # fmt: skip
    applied = as_json("score", made.log)["applied"]
    assert told["area_m2"] == pytest.approx(applied["area_m2"])
    assert told["volume_l"] == pytest.approx(applied["volume_l"])
    assert told["distance_m"] > applied["distance_m"], "the turns, boom off, are travelled too"
    assert told["run_log"] is None

    metric = tmp_path / "metric.toml"
    metric.write_text(made.rig.read_text().replace('units = "us"', 'units = "metric"'))
    in_us, in_metric = (done("replay", made.log, "--rig", rig) for rig in (made.rig, metric))
    # hand-worked: 1 ft = 0.3048 m, 1 ac = 4046.856 m2, 1 gal = 3.785412 L
    assert (
        f"Travelled {told['distance_m'] / 0.3048:.0f} ft, treated {told['area_m2'] / 4046.856:.2f} ac"
        in in_us
    )
    assert f"with {told['volume_l'] / 3.785412:.1f} gal" in in_us
    assert f"Travelled {told['distance_m']:.0f} m, treated {told['area_m2'] / 1e4:.2f} ha" in in_metric
    assert f"with {told['volume_l']:.1f} L" in in_metric


def test_replay_counts_as_the_score_does_where_the_ground_is_unknown() -> None:
    """In the demo's recording the receiver falls silent with the boom on."""
    data = Path(__file__).parents[2] / "rigmon" / "data"
    source = (data / "demo.nmea", "--rig", data / "demo.rig.toml")
    told, score = as_json("replay", *source), as_json("score", *source)
    assert score["applied"]["unknown_time_s"] > 1
    for key in ("area_m2", "volume_l"):
        assert told[key] == pytest.approx(score["applied"][key])


def test_a_paced_replay_shows_the_drivers_lines(made: Made) -> None:
    lines = done("replay", made.recording, "--rig", made.rig, "--pace", 1e6).splitlines()
    assert lines[0] == HEADER
    assert sum("boom o" in line for line in lines) >= 1
    assert any(line[9:].startswith("ALERT pressure loss") for line in lines)
    assert lines[-1].startswith("Travelled ")
    assert len([line for line in lines if "ALERT pressure loss" in line]) == 1, (
        "told once, not again at the end"
    )
    assert HEADER not in done("replay", made.recording, "--rig", made.rig)
    assert as_json("replay", made.log, "--pace", 1e6)["samples"] > 0


def test_runs_lists_what_is_there(made: Made, tmp_path: Path) -> None:
    shutil.copy(made.log, tmp_path / "a.sqlite")
    cut = tmp_path / "b.sqlite"
    shutil.copy(made.log, cut)
    with sqlite3.connect(cut) as connection:
        connection.execute(
            "UPDATE run SET ended_ns = NULL, ended_why = NULL, readings = NULL, source = 'live'"
        )
    connection.close()
    (tmp_path / "c.sqlite").write_text("not a run log")
    (tmp_path / "notes.txt").write_text("not listed")

    head, a, b, c = done("runs", tmp_path).splitlines()
    # by the simulation's default scenario: 2026-06-01 09:00:00 UTC
    assert a.startswith("2026-06-01 09:00:00   0:0")
    assert a.endswith(" kB  a.sqlite  from: run.nmea")
    assert "  cleanly  " in a
    assert "  cut off  " in b
    assert b.endswith("  b.sqlite")
    assert "unreadable" in c
    assert "c.sqlite: is not a run log" in c
    where = head.index("file")
    assert [line[where : where + 8] for line in (a, b, c)] == ["a.sqlite", "b.sqlite", "c.sqlite"]
    assert max(map(len, (head, b))) <= 80

    entries = as_json("runs", tmp_path)
    keys = ["path", "run_id", "source", "started_utc", "duration_s", "ended_cleanly", "scored", "readings",
            "size_bytes", "error", "acts"]  # fmt: skip
    assert [list(entry) for entry in entries] == [keys] * 3
    assert [entry["ended_cleanly"] for entry in entries] == [True, False, None]
    assert [entry["scored"] for entry in entries] == [False, False, None]
    assert entries[2]["error"] is not None
    (tmp_path / "none").mkdir()
    assert done("runs", tmp_path / "none") == f"No run logs in {tmp_path / 'none'}\n"
    assert as_json("runs", tmp_path / "none") == []


def test_a_score_leaves_its_mark_beside_the_log(made: Made, tmp_path: Path) -> None:
    log = tmp_path / "a.sqlite"
    shutil.copy(made.log, log)
    before = log.read_bytes()
    done("score", log, "--rig", made.rig)  # on a rig that may not be its own
    assert os.listdir(tmp_path) == ["a.sqlite"]
    score = as_json("score", log)
    assert json.loads((tmp_path / "a.scored.json").read_text())["score"] == score
    assert log.read_bytes() == before
    assert sorted(os.listdir(tmp_path)) == ["a.scored.json", "a.sqlite"]
    (entry,) = as_json("runs", tmp_path)
    assert entry["scored"] is True
    assert "  cleanly     yes  " in done("runs", tmp_path)


def test_a_score_led_into_a_file_of_the_marks_name_is_kept(made: Made, tmp_path: Path) -> None:
    log, result = tmp_path / "a.sqlite", tmp_path / "a.scored.json"
    shutil.copy(made.log, log)
    with result.open("wb") as file:
        subprocess.run([INSTALLED, "score", log, "--json"], check=True, stdout=file, timeout=60)
    assert json.loads(result.read_text())["score_schema"] == 1


def test_a_mark_that_cannot_be_written_is_no_error(
    made: Made, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    log = tmp_path / "a.sqlite"
    shutil.copy(made.log, log)

    def read_only(*_: object, **__: object) -> None:
        raise OSError(errno.EROFS, "Read-only file system")

    monkeypatch.setattr("tempfile.mkstemp", read_only)
    done("score", log)  # says nothing, for this is no terminal
    assert os.listdir(tmp_path) == ["a.sqlite"]


# -- check ---------------------------------------------------------------------------------------------------


def test_check_says_that_all_is_equal(made: Made) -> None:
    told = as_json("check", made.log)
    assert list(told) == ["same", "compared", "complete", "difference", "notes"]
    assert (told["same"], told["complete"], told["difference"], told["notes"]) == (True, True, None, [])
    with RunLog.open(made.log) as log:
        assert told["compared"] == log.outputs_count
    assert (
        done("check", made.log) == f"{made.log}: {told['compared']} recorded outputs recomputed, all equal\n"
    )


def test_check_finds_one_changed_sample_and_says_what_differs(made: Made, tmp_path: Path) -> None:
    # a hair: the next float but some
    log = altered(made, tmp_path, "UPDATE sample SET speed_m_s = speed_m_s * (1 + 1e-12)"
                  " WHERE n = (SELECT max(n) FROM sample WHERE speed_m_s > 1)")  # fmt: skip
    told = rigmon("check", log)
    assert (told.code, told.err) == (1, "")
    first, *fields = told.out.splitlines()
    with RunLog.open(log) as changed:
        n_samples = sum(1 for _ in changed.samples())
    place = int(first.partition("sample number ")[2].partition(" ")[0])
    assert 0 < place < n_samples
    assert str(log) in first
    (field,) = fields
    assert field.startswith("  speed_m_s: recorded ")
    assert ", recomputed " in field

    in_json = rigmon("check", log, "--json")
    assert in_json.code == 1
    difference = json.loads(in_json.out)["difference"]
    assert list(difference) == ["kind", "place", "recorded", "recomputed"]
    assert (difference["kind"], difference["place"]) == ("sample", place)
    differing = [k for k, value in difference["recorded"].items() if value != difference["recomputed"][k]]
    assert differing == ["speed_m_s"]


@pytest.mark.parametrize(
    ("statement", "told"),
    [
        ("DELETE FROM alert WHERE n = (SELECT max(n) FROM alert)", "alert number"),
        (
            "UPDATE alert SET code = 'gps_lost' WHERE n = (SELECT min(n) FROM alert)",
            "code: recorded 'gps_lost'",
        ),
        ("UPDATE anchor SET utc_ms = utc_ms + 3600000", "anchor number 0"),
        ("UPDATE tally SET counted = counted + 1 WHERE n = (SELECT max(n) FROM tally)", "tally number"),
        ("INSERT INTO tally SELECT max(n) + 99, max(t_ns), 'sentence', 1 FROM tally", "recomputed: nothing"),
    ],
)
def test_check_finds_other_changes(statement: str, told: str, made: Made, tmp_path: Path) -> None:
    result = rigmon("check", altered(made, tmp_path, statement))
    assert (result.code, result.err) == (1, "")
    assert told in result.out


def test_check_tells_of_an_altered_rig_and_of_damaged_readings(made: Made, tmp_path: Path) -> None:
    log = altered(made, tmp_path, "UPDATE run SET rig_toml = replace(rig_toml, 'Creek rig', 'Brook rig')")
    result = rigmon("check", log)
    assert result.code == 0, "a name changes no number"
    assert "altered" in result.err
    log = altered(made, tmp_path, "UPDATE reading_block SET t_ns = t_ns + 1 WHERE seq = 0")
    assert "damaged" in refused("check", log, naming=log)


def test_check_of_a_log_that_was_cut_compares_what_is_there(made: Made, tmp_path: Path) -> None:
    log = altered(
        made, tmp_path, "UPDATE run SET ended_ns = NULL, ended_why = NULL, readings = NULL",
        "DELETE FROM sample WHERE n > (SELECT max(n) FROM sample) - 20",
    )  # fmt: skip
    result = rigmon("check", log)
    assert result.code == 0
    assert "all equal" in result.out
    assert "not complete" in result.out
    assert "not ended cleanly" in result.err


# -- demo ----------------------------------------------------------------------------------------------------


def test_the_demo_ends_with_the_score_and_a_log_that_checks(tmp_path: Path) -> None:
    screen = done("demo", "--pace", 1e6, cwd=tmp_path)
    (log,) = (tmp_path / "runs").iterdir()
    assert_checks(log)
    assert screen.startswith("A simulated run of an invented rig")
    assert HEADER in screen
    assert "OUT OF TOLERANCE" in screen
    assert "The product label is the law" in screen
    for code in ("too slow", "pressure loss", "GPS lost"):
        assert f"ALERT {code}" in screen
    at = f"runs/{log.name}"
    for hint in (f"Run log:       {at}", f"rigmon score {at}", f"rigmon check {at}", "rigmon init"):
        assert hint in screen
    assert max(map(len, screen.splitlines())) <= 110
    with RunLog.open(log) as opened:
        assert "simulated" in opened.header.source


def test_the_demos_json_is_the_score_of_its_log(tmp_path: Path) -> None:
    score = as_json("demo", "--pace", 1e6, "--folder", tmp_path / "logs")
    (log,) = (tmp_path / "logs").iterdir()
    assert_checks(log)
    assert score == as_json("score", log)


def test_the_demo_finds_another_folder_where_the_usual_one_cannot_be_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "runs").write_text("a file is in the way")
    (tmp_path / "temporary").mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "temporary"))
    result = rigmon("demo", "--pace", 1e6, "--json", cwd=tmp_path)
    assert result.code == 0
    (log,) = (tmp_path / "temporary").glob("*/*.sqlite")
    assert str(log.parent) in result.err
    assert_checks(log)


# -- the whole way -------------------------------------------------------------------------------------------


def test_the_shipped_example_rig_is_the_one_the_demo_runs_on(tmp_path: Path) -> None:
    root = Path(__file__).parents[2]
    shutil.copy(root / "rigmon" / "data" / "demo.nmea", tmp_path / "demo.nmea")
    score = as_json("score", tmp_path / "demo.nmea", "--rig", root / "config" / "rig.example.toml")
    with replay.Opened(tmp_path / "demo.nmea", root / "rigmon" / "data" / "demo.rig.toml") as opened:
        assert score["target"]["rate_l_ha"] == opened.rig.target.rate_l_ha
    assert score["applied"]["rate_basis"] == "flowmeter"
