"""The file between runs: it comes back as it was, and nothing that lies there can harm a run."""

import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rigmon.errors import LogError
from rigmon.log.carried import FILE, read_carried, write_carried
from rigmon.model import Carried

SOME = Carried("run-1", 7.2, 7.1, 1.25, 0.3, 480)  # invented


def test_it_comes_back_as_it_was_and_the_newer_replaces_the_older(tmp_path: Path) -> None:
    assert read_carried(tmp_path, "boom") is None
    for number in (SOME, SOME._replace(run_id="run-2", flow_l_min=7.21)):
        write_carried(tmp_path, "boom", number)
        assert read_carried(tmp_path, "boom") == number
    assert [path.name for path in tmp_path.iterdir()] == [FILE]


def test_another_boom_or_version_is_as_good_as_none(tmp_path: Path) -> None:
    write_carried(tmp_path, "boom", SOME)
    assert read_carried(tmp_path, "another") is None
    found = json.loads((tmp_path / FILE).read_text())
    for key, value in (("version", 2), ("flow_l_min", "7.2"), ("n", 4.5), ("phi", None), ("sd_pct", True)):
        (tmp_path / FILE).write_text(json.dumps(found | {key: value}))
        assert read_carried(tmp_path, "boom") is None


@given(st.binary(max_size=200))
def test_whatever_lies_there_is_as_good_as_none(
    tmp_path_factory: pytest.TempPathFactory, data: bytes
) -> None:
    folder = tmp_path_factory.mktemp("runs")
    (folder / FILE).write_bytes(data)
    assert read_carried(folder, "boom") is None


def test_a_place_that_takes_nothing_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(LogError, match="cannot be written"):
        write_carried(tmp_path / "file", "boom", SOME)
    (tmp_path / FILE).mkdir()
    assert read_carried(tmp_path, "boom") is None
