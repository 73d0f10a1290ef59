"""A run log that is made and closed beside the run: rows wait, in order, and losses show."""

import threading
from collections.abc import Callable
from pathlib import Path

from log_cases import HEADER

from rigmon.errors import LogError
from rigmon.log.background import BackgroundLog
from rigmon.log.reader import RunLog
from rigmon.log.writer import RunLogWriter
from rigmon.model import NmeaLine, Reading, Source, SourceFault, Tally

PATIENCE_S = 20.0


class Card:
    """Makes a log when the test lets it, after so many failures."""

    def __init__(self, path: Path, failures: int = 0) -> None:
        self.path = path
        self.failures = failures
        self.may_answer = threading.Event()
        self.tried = threading.Semaphore(0)

    def open_writer(self) -> RunLogWriter:
        self.tried.release()
        if self.failures:
            self.failures -= 1
            raise LogError(f"{self.path}: the run log cannot be made: No space left on device")
        assert self.may_answer.wait(PATIENCE_S)
        return RunLogWriter(self.path, HEADER)


def reading(seq: int) -> Reading:
    return Reading(seq, seq * 1000, Source.GPS, NmeaLine(b"$%d" % seq))


def ended(log: BackgroundLog) -> None:
    log.join(PATIENCE_S)
    assert log.done


def kinds(faults: list[SourceFault]) -> list[tuple[str, int]]:
    return [(fault.kind, fault.lost) for fault in faults]


def until(found: Callable[[], bool]) -> None:
    pause = threading.Event()
    for _ in range(10_000):
        if found():
            return
        pause.wait(0.002)
    raise AssertionError


def test_rows_wait_for_the_log_and_come_in_order(tmp_path: Path) -> None:
    card = Card(tmp_path / "a.sqlite")
    faults: list[SourceFault] = []
    log = BackgroundLog(card.open_writer, faults.append)
    for seq in range(50):
        log.reading(reading(seq))
        log.outputs([Tally(seq, "sentence", seq)])
    assert not log.made
    assert log.alive
    card.may_answer.set()
    until(lambda: log.made)
    for seq in range(50, 100):
        log.reading(reading(seq))
        log.outputs([Tally(seq, "sentence", seq)])
    assert log.alive
    log.close(100_000, "test")
    ended(log)
    assert (log.trouble, faults) == (None, [])
    with RunLog.open(card.path) as opened:
        assert list(opened.readings()) == [reading(seq) for seq in range(100)]
        assert list(opened.outputs()) == [Tally(seq, "sentence", seq) for seq in range(100)]
        assert (opened.header.ended_ns, opened.header.ended_why) == (100_000, "test")


def test_a_run_that_is_over_before_its_log_is_made_is_whole(tmp_path: Path) -> None:
    card = Card(tmp_path / "a.sqlite")
    log = BackgroundLog(card.open_writer, lambda _: None)
    log.reading(reading(0))
    log.outputs([Tally(0, "sentence", 1)])
    log.close(5, "test")
    assert not log.done
    card.may_answer.set()
    ended(log)
    with RunLog.open(card.path) as opened:
        assert opened.ended_cleanly
        assert list(opened.readings()) == [reading(0)]
        assert list(opened.outputs()) == [Tally(0, "sentence", 1)]


def test_a_full_card_is_tried_again_and_told_once(tmp_path: Path) -> None:
    card = Card(tmp_path / "a.sqlite", failures=3)
    card.may_answer.set()
    faults: list[SourceFault] = []
    log = BackgroundLog(card.open_writer, faults.append, retry_s=0.001)
    log.reading(reading(0))
    until(lambda: log.made)
    log.close(5, "test")
    ended(log)
    assert kinds(faults) == [("failed", 0), ("resumed", 0)]
    assert log.trouble is None
    with RunLog.open(card.path) as opened:
        assert list(opened.readings()) == [reading(0)]


def test_a_card_that_stays_full_leaves_no_log_and_says_why(tmp_path: Path) -> None:
    card = Card(tmp_path / "a.sqlite", failures=1_000_000)
    log = BackgroundLog(card.open_writer, lambda _: None, retry_s=60.0)
    assert card.tried.acquire(timeout=PATIENCE_S)
    log.close(5, "test")  # the waiting for the next try ends at once
    ended(log)
    assert not log.made
    assert log.trouble is not None
    assert "No space left" in log.trouble


def test_beyond_the_capacity_rows_are_lost_and_the_log_shows_the_gap(tmp_path: Path) -> None:
    card = Card(tmp_path / "a.sqlite")
    faults: list[SourceFault] = []
    log = BackgroundLog(card.open_writer, faults.append, capacity=4)
    for seq in range(6):
        log.reading(reading(seq))
        log.outputs([Tally(seq, "sentence", seq)])
    assert kinds(faults) == [("overflow", 1)]
    card.may_answer.set()
    until(lambda: log.made)
    log.reading(reading(6))
    assert kinds(faults) == [("overflow", 1), ("resumed", 8)]
    log.close(7000, "test")
    ended(log)
    with RunLog.open(card.path) as opened:
        assert [r.seq for r in opened.readings()] == [0, 1, 6]
        assert [(gap.first, gap.last) for gap in opened.gaps] == [(2, 5)]


def test_a_card_that_never_answers_is_left_alone(tmp_path: Path) -> None:
    card = Card(tmp_path / "a.sqlite")
    log = BackgroundLog(card.open_writer, lambda _: None)
    log.close(5, "test")
    log.join(0.01)
    assert not log.done
    assert log.trouble is not None
    assert "has not answered" in log.trouble
    card.may_answer.set()
    ended(log)


def test_a_run_that_was_broken_off_keeps_what_it_has(tmp_path: Path) -> None:
    card = Card(tmp_path / "a.sqlite")
    card.may_answer.set()
    log = BackgroundLog(card.open_writer, lambda _: None)
    log.reading(reading(0))
    log.abandon()
    ended(log)
    with RunLog.open(card.path) as opened:
        assert not opened.ended_cleanly
        assert list(opened.readings()) == [reading(0)]
