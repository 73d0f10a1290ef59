"""`rigmon export` from both kinds of source, in both systems of units, and what it refuses."""

import csv
import json
from pathlib import Path

import pytest
from invoking import Made, done, refused

from rigmon.analysis.export import FORMATS
from rigmon.cli.export import ABOUT


def test_the_command_tells_of_every_format() -> None:
    assert list(ABOUT) == list(FORMATS)


@pytest.mark.parametrize("name", FORMATS)
def test_a_log_in_every_format(name: str, made: Made, tmp_path: Path) -> None:
    path = tmp_path / f"a{FORMATS[name].suffixes[0]}"
    screen = done("export", made.log, "-o", path)
    assert screen.startswith(f"{path}: {ABOUT[name]}; ")
    assert path.stat().st_size > 1000


def test_units_are_the_rigs_or_those_asked_for(made: Made, tmp_path: Path) -> None:
    done("export", made.recording, "--rig", made.rig, "-o", tmp_path / "us.csv")
    done("export", made.recording, "--rig", made.rig, "-o", tmp_path / "metric.csv", "--units", "metric")
    heads = []
    for name in ("us", "metric"):
        with (tmp_path / f"{name}.csv").open(newline="") as file:
            heads.append(next(csv.reader(file)))
    assert "speed_mph" in heads[0]
    assert "speed_m_s" in heads[1]


def test_the_format_can_be_asked_for_whatever_the_file_is_called(made: Made, tmp_path: Path) -> None:
    told = json.loads(done("export", made.log, "-o", tmp_path / "map", "--format", "geojson", "--json"))
    assert told["format"] == "geojson"
    assert json.loads((tmp_path / "map").read_text())["type"] == "FeatureCollection"


def test_refusals(made: Made, tmp_path: Path) -> None:
    refused("export", made.log, "-o", tmp_path / "a.doc", naming="a.doc")
    refused("export", made.log, "-o", made.rig, "--format", "csv", naming="is there already")
    refused("export", made.log, naming="--output")
    refused("export", tmp_path / "no.sqlite", "-o", tmp_path / "a.csv", naming="no.sqlite")
    refused("export", made.recording, "-o", tmp_path / "a.csv", naming="--rig")
