"""Acts in a run log: plain rows with a view, and the deeds themselves as readings. Values are invented."""

import json
import sqlite3
import zlib
from pathlib import Path
from typing import Any

import pytest
from log_cases import HEADER

from rigmon.errors import LogError
from rigmon.log import codec
from rigmon.log.codec import UnknownReadingError, blocks, unpack
from rigmon.log.reader import RunLog
from rigmon.log.writer import RunLogWriter
from rigmon.model import Acknowledge, Act, Alert, Anchor, Note, Reading, Refill, Source

S = 1_000_000_000
DEEDS = [Refill(37.8541, False), Refill(None, True), Acknowledge("gps_lost"), Note("wind: lifted")]


@pytest.fixture
def log_path(tmp_path: Path) -> Path:
    path = tmp_path / "run.sqlite"
    with RunLogWriter(path, HEADER, commit_by_time_ns=S) as log:
        for n, deed in enumerate(DEEDS):
            log.reading(Reading(n, n * S, Source.PERSON, deed))
        log.outputs(
            [
                Anchor(0, 1_781_424_600_000),  # 2026-06-14T08:10:00Z (date -u -d @1781424600)
                Act(1 * S, "refill", "", 37.8541, False),
                Alert(2 * S, "gps_lost", True, 1.5, 1.0, "s"),
                Act(3 * S, "acknowledge", "gps_lost"),
                Alert(4 * S, "gps_lost", False, 0.1, 1.0, "s"),
                Alert(5 * S, "gps_lost", True, 1.5, 1.0, "s"),
                Act(6 * S, "note", "wind: lifted"),
                Act(7 * S, "refill", "", None, True),
            ]
        )
        log.close(9 * S, "done")
    return path


def test_acts_come_back_with_the_other_outputs(log_path: Path) -> None:
    with RunLog.open(log_path) as log:
        acts = list(log.acts())
        assert [act for act in log.outputs() if isinstance(act, Act)] == acts
        assert log.outputs_count == 8
        assert [reading.payload for reading in log.readings()] == DEEDS
    assert acts[0].full is False
    assert acts[-1] == Act(7 * S, "refill", "", None, True)


def test_the_views_tell_of_them_in_both_systems(log_path: Path) -> None:
    with RunLog.open(log_path) as log:
        rows = log.connection.execute("SELECT * FROM act_list").fetchall()
        alerts = log.connection.execute("SELECT raised_s, acknowledged_s FROM alert_list").fetchall()
    # 10 US gal are 37.8541 L (NIST Handbook 44, appendix C: 1 gal = 3.785 411 784 L)
    assert rows[0] == (1.0, "2026-06-14T08:10:01.000Z", "refill", "", 37.8541, pytest.approx(10, rel=1e-6), 0)
    assert rows[1][2:4] == ("acknowledge", "gps_lost")
    assert rows[3][4:] == (None, None, 1)
    # the second time nobody acknowledged it
    assert alerts == [(2.0, 3.0), (5.0, None)]


def of_a_newer_one(fields: Any, source: int = 8) -> tuple[Any, ...]:
    """A sound block with a reading as a rigmon to come may write it."""
    (block,) = blocks([Reading(0, 0, Source.PERSON, Note("x"))])
    text = json.dumps([[0, source, fields]]).encode()
    return (*block[:4], codec._crc(0, 0, 1, 0, 0, text), len(text), zlib.compress(text))


@pytest.mark.parametrize(
    ("fields", "source", "words"),
    [
        (["wind", 3.0], 8, "a reading of kind 'wind' is not known to this rigmon"),
        ([["refill"], 1], 8, "is not known to this rigmon"),
        (["note", "x", "y"], 8, "what this rigmon does not know"),
        (["note", "x"], 99, "a source of number 99 is not known to this rigmon"),
    ],
)
def test_a_newer_rigmons_reading_is_no_damage_and_is_told_plainly(
    log_path: Path, fields: Any, source: int, words: str
) -> None:
    block = of_a_newer_one(fields, source)
    with pytest.raises(UnknownReadingError, match=words.replace("[", r"\[")):
        unpack(block)
    connection = sqlite3.connect(log_path)
    connection.execute("DELETE FROM reading_block")
    connection.execute("INSERT INTO reading_block VALUES (?, ?, ?, ?, ?, ?, ?)", block)
    connection.commit()
    connection.close()
    with RunLog.open(log_path) as log:
        with pytest.raises(LogError) as told:
            list(log.readings())
        assert "update rigmon to read it" in str(told.value)
        assert "damaged" not in str(told.value)
