"""The calibration records that a log carries."""

import json
from pathlib import Path

import pytest
from log_cases import HEADER, line

from rigmon.log.reader import RunLog
from rigmon.log.records import calibration_records, record_note
from rigmon.log.writer import RunLogWriter
from rigmon.model import Note, Payload, Reading, Source

ONE = {"name": "2026-05-30 catch 1", "result": {"flow": 0.1 + 0.2, "nozzles": [1, None]}}
TWO = {"name": "2026-05-30 flowmeter 1"}


def log_of(path: Path, payloads: list[tuple[Source, Payload]]) -> RunLog:
    writer = RunLogWriter(path, HEADER, lambda _: None)
    for seq, (source, payload) in enumerate(payloads):
        writer.reading(Reading(seq, 0, source, payload))
    writer.reading(line(len(payloads), 1))
    writer.close(2, "done")
    return RunLog.open(path)


def test_records_come_back_as_they_went_in(tmp_path: Path) -> None:
    notes = [(Source.PERSON, record_note(json.dumps(record))) for record in (ONE, TWO)]
    with log_of(tmp_path / "run.sqlite", notes) as log:
        assert calibration_records(log) == [ONE, TWO]
        assert log.notes == []


def test_a_log_without_records(tmp_path: Path) -> None:
    with log_of(tmp_path / "run.sqlite", []) as log:
        assert calibration_records(log) == []


def test_other_notes_are_none_and_records_stand_at_the_start_only(tmp_path: Path) -> None:
    payloads: list[tuple[Source, Payload]] = [
        (Source.PERSON, Note("wind from the west")),
        (Source.PERSON, record_note(json.dumps(ONE))),
        (Source.GPS, line(0, 0).payload),
        (Source.PERSON, record_note(json.dumps(TWO))),
    ]
    with log_of(tmp_path / "run.sqlite", payloads) as log:
        assert calibration_records(log) == [ONE]


@pytest.mark.parametrize("text", ["", "{", "[1]", "null", "[" * 100_000])
def test_a_record_that_cannot_be_read_is_told(tmp_path: Path, text: str) -> None:
    notes = [(Source.PERSON, record_note(text)), (Source.PERSON, record_note(json.dumps(TWO)))]
    with log_of(tmp_path / "run.sqlite", notes) as log:
        assert calibration_records(log) == [TWO]
        assert log.notes == ["a calibration record in this log cannot be read"]
