"""The mark that a score leaves: of this very log, whole or not there, and trusted for no other log."""

import json
import os
import shutil
from pathlib import Path

import pytest
from log_cases import HEADER

from rigmon.log.marks import is_mark, is_scored, mark_path, write_mark
from rigmon.log.reader import RunLog
from rigmon.log.writer import RunLogWriter
from rigmon.model import NmeaLine, Reading, Source

SCORE = {"score_schema": 1, "verdict": "in_tolerance"}


def make_log(path: Path, texts: list[bytes], *, ended: bool = True, run_id: str = "one") -> Path:
    writer = RunLogWriter(path, HEADER._replace(run_id=run_id), commit_by_time_ns=1)
    for seq, text in enumerate(texts):
        writer.reading(Reading(seq, seq * 1000, Source.GPS, NmeaLine(text)))
    if ended:
        writer.close(len(texts) * 1000, "test")
    else:
        writer.abandon()
    return path


def scored(path: Path) -> bool:
    with RunLog.open(path) as log:
        return is_scored(log)


def test_a_log_is_scored_when_its_mark_lies_beside_it(tmp_path: Path) -> None:
    path = make_log(tmp_path / "a.sqlite", [b"$1", b"$2"])
    assert not scored(path)
    write_mark(path, SCORE)
    assert scored(path)
    assert mark_path(path) == tmp_path / "a.scored.json"
    mark = json.loads(mark_path(path).read_text())
    assert mark["score"] == SCORE
    assert list(mark["run_log"]) == ["run_id", "readings", "checksum"]
    assert sorted(os.listdir(tmp_path)) == ["a.scored.json", "a.sqlite"]  # nothing half made


def test_a_cut_log_can_be_scored_too(tmp_path: Path) -> None:
    path = make_log(tmp_path / "a.sqlite", [b"$1"], ended=False)
    write_mark(path, SCORE)
    assert scored(path)


@pytest.mark.parametrize(
    ("texts", "run_id"),
    [([b"$1", b"$2", b"$3"], "one"), ([b"$1"], "one"), ([b"$1", b"$X"], "one"), ([b"$1", b"$2"], "two"),
     ([], "one")],
    ids=["grown", "shorter", "another reading", "another run", "empty"],
)  # fmt: skip
def test_another_log_under_the_same_name_is_not(tmp_path: Path, texts: list[bytes], run_id: str) -> None:
    path = make_log(tmp_path / "a.sqlite", [b"$1", b"$2"])
    write_mark(path, SCORE)
    path.unlink()
    assert not scored(make_log(path, texts, run_id=run_id))


def test_a_copied_log_with_its_mark_is_scored(tmp_path: Path) -> None:
    path = make_log(tmp_path / "a.sqlite", [b"$1", b"$2"])
    write_mark(path, SCORE)
    shutil.copy(path, tmp_path / "b.sqlite")
    assert not scored(tmp_path / "b.sqlite")
    shutil.copy(mark_path(path), tmp_path / "b.scored.json")
    assert scored(tmp_path / "b.sqlite")


@pytest.mark.parametrize(
    "text", ["", "{", "[]", "null", "1e999", '{"mark": 1}', '{"mark": 2}', "\udcff", "[" * 100_000]
)
def test_a_mark_that_cannot_be_read_counts_for_nothing(tmp_path: Path, text: str) -> None:
    path = make_log(tmp_path / "a.sqlite", [b"$1"])
    mark_path(path).write_bytes(text.encode("utf-8", "surrogateescape"))
    assert not scored(path)


@pytest.mark.parametrize("text", ["", "mine", '{"score_schema": 1}'], ids=["empty", "text", "a score"])
def test_a_file_that_is_no_mark_is_never_overwritten(tmp_path: Path, text: str) -> None:
    """Such as the one into which the shell leads `rigmon score LOG --json`."""
    path = make_log(tmp_path / "a.sqlite", [b"$1"])
    mark_path(path).write_text(text)
    with pytest.raises(FileExistsError, match="not rigmon's"):
        write_mark(path, SCORE)
    assert mark_path(path).read_text() == text
    assert sorted(os.listdir(tmp_path)) == ["a.scored.json", "a.sqlite"]


def test_an_older_mark_is_overwritten(tmp_path: Path) -> None:
    path = make_log(tmp_path / "a.sqlite", [b"$1"])
    mark_path(path).write_text('{"mark": 0, "run_log": {"run_id": "another"}}')
    assert is_mark(mark_path(path))
    write_mark(path, SCORE)
    assert scored(path)


def test_a_mark_of_another_version_counts_for_nothing(tmp_path: Path) -> None:
    path = make_log(tmp_path / "a.sqlite", [b"$1"])
    write_mark(path, SCORE)
    mark = json.loads(mark_path(path).read_text())
    mark_path(path).write_text(json.dumps(mark | {"mark": 2}))
    assert not scored(path)


def test_a_mark_that_cannot_be_written_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = make_log(tmp_path / "a.sqlite", [b"$1"])

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        write_mark(path, SCORE)
    assert os.listdir(tmp_path) == ["a.sqlite"]
    with pytest.raises(ValueError, match="JSON"):
        write_mark(path, {"rate": float("nan")})
    assert os.listdir(tmp_path) == ["a.sqlite"]
