"""The recordings that come with rigmon are what the simulator writes, and are labelled as simulated."""

import json
import shutil
from pathlib import Path

import pytest

from rigmon.simulate import shipped

ROOT = Path(__file__).resolve().parents[2]


def test_the_committed_recordings_are_what_the_code_writes() -> None:
    """After a change to the simulator: raise SIMULATION_VERSION, run python -m rigmon.simulate.shipped."""
    for path, content in shipped.contents(ROOT).items():
        assert path.read_bytes() == content, path.name


@pytest.mark.parametrize("name", shipped.SHIPPED)
def test_each_is_small_labelled_and_has_its_rig_and_truth(name: str) -> None:
    recording = (ROOT / f"{name}.nmea").read_bytes()
    assert len(recording) < 300_000
    first = recording.splitlines()[0]
    assert first.startswith(b"# Simulated by rigmon")
    assert b"invented" in first
    assert b"nvented" in (ROOT / f"{name}.rig.toml").read_bytes()
    assert json.loads((ROOT / f"{name}.truth.json").read_bytes())["note"].startswith("simulated by rigmon")


def test_the_readme_lists_every_recording_in_its_folder() -> None:
    text = (ROOT / "replay_logs" / "README.md").read_text(encoding="utf-8")
    there = sorted(path.stem for path in (ROOT / "replay_logs").glob("*.nmea"))
    assert there == sorted(Path(name).name for name in shipped.SHIPPED if name.startswith("replay_logs/"))
    assert all(f"`{name}`" in text for name in there)


def test_the_demo_shows_what_it_promises() -> None:
    """A slow stretch, a pressure loss and a GPS dropout that alert; a share just short of the rig's 90 %."""
    truth = json.loads((ROOT / "rigmon" / "data" / "demo.truth.json").read_bytes())
    codes = {alert["code"] for alert in truth["alerts_due"]}
    assert {"speed_slow", "pressure_loss", "gps_lost"} <= codes
    assert truth["input"]["damaged_lines"] > 0
    assert 180 <= truth["run"]["duration_s"] <= 250
    assert 80 < truth["rate"]["in_tolerance_area_pct"] < truth["scenario"]["rig"]["required_area_pct"] == 90


def test_one_command_writes_them_all(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for name in shipped.SHIPPED:
        rig = tmp_path / f"{name}.rig.toml"
        rig.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(ROOT / f"{name}.rig.toml", rig)
    assert shipped.main(["--root", str(tmp_path)]) == 0
    assert capsys.readouterr().out.count(" bytes\n") == 2 * len(shipped.SHIPPED)
    for name in shipped.SHIPPED:
        for suffix in ("nmea", "truth.json"):
            assert (tmp_path / f"{name}.{suffix}").read_bytes() == (ROOT / f"{name}.{suffix}").read_bytes()


def test_a_tree_without_rig_files_is_answered_with_the_missing_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert shipped.main(["--root", str(tmp_path)]) == 2
    assert "demo.rig.toml: cannot be read" in capsys.readouterr().err
