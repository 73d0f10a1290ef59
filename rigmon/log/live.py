"""Writing a run log beside a live run: a thread that may wait for the disk, so that nobody else has to."""

import os
import sqlite3
import sys
import traceback
from collections import deque
from collections.abc import Callable, Sequence
from itertools import islice
from pathlib import Path
from threading import Condition, Thread
from time import monotonic
from typing import Final

from rigmon.errors import LogError
from rigmon.log.store import Loss, Numbered, Store
from rigmon.model import Alert, Output, Reading, RunHeader, SourceFault

OnTrouble = Callable[[SourceFault], None]

#: rows per transaction: a long backlog is written piece by piece
_CHUNK_ROWS: Final = 2000
#: the same while the disk fails: a try must not cost much
_TRY_ROWS: Final = 200
#: as many readings waiting are written at once, before their time
_EARLY_ROWS: Final = 2000
#: failures in a row after which the file is opened anew: the card may have been put back
_REOPEN_AFTER: Final = 3
#: quick commits in a row after which a slow card counts as well again
_CALM_COMMITS: Final = 5
#: rows about losses that wait for the disk; beyond it they are merged
_MAX_LOSSES: Final = 100
_CLOSE_RETRY_S: Final = 0.25
_NO_ROOM: Final = "no room: the disk did not take them in time"


class LiveWriter:
    """See `rigmon.log.writer.RunLogWriter`, whose threaded mode this is."""

    def __init__(
        self,
        path: Path,
        header: RunHeader,
        on_trouble: OnTrouble | None,
        *,
        commit_every_s: float,
        outputs_every_s: float,
        slow_commit_s: float,
        max_pending: int,
    ) -> None:
        self._store = Store(path, header)
        self._on_trouble = on_trouble
        self._commit_every_s = commit_every_s
        self._outputs_every_s = outputs_every_s
        self._slow_commit_s = slow_commit_s
        self._max_pending = max_pending

        # Everything below is shared by the callers' thread and the writer's, under this lock. It is never
        # held over a disk access.
        self._lock = Condition()
        self._readings: deque[Reading] = deque()  # rows leave only when they are on the disk
        self._outputs: deque[Numbered] = deque()
        self._in_flight = 0  # outputs in the transaction that is going on
        self._n = 0
        self._alert_waits = False
        self._losses: list[Loss] = []  # complete; one that still grows is _losing
        self._losing: Loss | None = None
        self._committed_seq: int | None = None
        self._busy_since: float | None = None  # a transaction is going on
        self._trouble = ""  # '' | slow | failed | overflow
        self._trouble_since = 0.0
        self._told: set[str] = set()  # about this trouble
        self._lost_readings = 0  # in this trouble
        self._lost_outputs = 0
        self._refusing = False
        self._failures = 0  # in a row
        self._error = ""
        self._calm = 0
        self._flush_asked = 0
        self._flush_tried = 0
        self._flush_done = 0
        self._stopping = False
        self._stop_by = 0.0
        self._end: tuple[int, str] | None = None
        self._end_written = False
        self._finished = False

        self._thread = Thread(target=self._run, name="run log", daemon=True)
        self._thread.start()

    # -- the caller's side: memory only --------------------------------------------------------------

    def reading(self, reading: Reading) -> None:
        with self._lock:
            if self._stopping:
                return
            if self._full() and not self._drop_oldest_output():
                self._lose_reading(reading)
            else:
                self._readings.append(reading)
                self._loss_is_over()
                if len(self._readings) == _EARLY_ROWS:
                    self._lock.notify_all()
            fault = self._seen_by_caller()
        self._tell(fault)

    def outputs(self, outputs: Sequence[Output]) -> None:
        if not outputs:
            return
        with self._lock:
            if self._stopping:
                return
            for output in outputs:
                self._n += 1
                if self._full() and not self._drop_oldest_output():
                    self._lose_output(self._n, output)
                    continue
                self._outputs.append((self._n, output))
                if type(output) is Alert:
                    self._alert_waits = True
            fault = self._seen_by_caller()
        self._tell(fault)

    @property
    def committed_seq(self) -> int | None:
        return self._committed_seq

    @property
    def alive(self) -> bool:
        return self._thread.is_alive()

    def flush(self, timeout_s: float) -> bool:
        with self._lock:
            self._flush_asked += 1
            ticket = self._flush_asked
            self._lock.notify_all()
            self._lock.wait_for(lambda: self._flush_tried >= ticket or self._finished, timeout_s)
            return self._flush_done >= ticket

    def close(self, end: tuple[int, str] | None, timeout_s: float) -> None:
        with self._lock:
            if not self._stopping:
                self._loss_is_over()
                self._end = end
                self._stop_by = monotonic() + timeout_s
                self._stopping = True
                self._lock.notify_all()
        self._thread.join(timeout_s + 1.0)
        if not self._finished:
            raise LogError(f"{self._store.path}: {self._unfinished()}; the log has no clean end")

    def _unfinished(self) -> str:
        with self._lock:
            waiting = len(self._readings)
        why = "the disk has not answered" if self._thread.is_alive() else f"not written: {self._error}"
        return f"{why}, {waiting} readings are missing" if waiting else why

    # -- under the lock ------------------------------------------------------------------------------

    def _full(self) -> bool:
        return len(self._readings) + len(self._outputs) + self._in_flight >= self._max_pending

    def _drop_oldest_output(self) -> bool:
        if not self._outputs:
            return False
        self._lose_output(*self._outputs.popleft())
        return True

    def _lose_output(self, n: int, output: Output) -> None:
        self._lost_outputs += 1
        newest = next((loss for loss in reversed(self._losses) if loss.what == "outputs"), None)
        if newest is None or not newest.extend(n, output.t_ns, _NO_ROOM):
            self._keep_loss(Loss.of("outputs", n, output.t_ns, _NO_ROOM))

    def _lose_reading(self, reading: Reading) -> None:
        self._lost_readings += 1
        if self._losing is None or not self._losing.extend(reading.seq, reading.t_ns, _NO_ROOM):
            self._loss_is_over()
            self._losing = Loss.of("readings", reading.seq, reading.t_ns, _NO_ROOM)

    def _loss_is_over(self) -> None:
        if self._losing is not None:
            self._keep_loss(self._losing)
            self._losing = None

    def _keep_loss(self, loss: Loss) -> None:
        if len(self._losses) >= _MAX_LOSSES:
            for newest in reversed(self._losses):
                if newest.what == loss.what:
                    newest.last, newest.to_ns = loss.last, loss.to_ns
                    newest.lost += loss.lost
                    return
        self._losses.append(loss)

    def _begin_trouble(self, trouble: str) -> None:
        if not self._trouble:
            self._trouble_since = monotonic()
        self._trouble = trouble

    def _fault_once(self, kind: str, detail: str, lost: int, what: str = "") -> SourceFault | None:
        """A fault to tell, unless the same (`what`) was told in this trouble; losing readings is news."""
        news = f"{kind} {what or lost > 0}"
        if news in self._told:
            return None
        self._told.add(news)
        return SourceFault(kind, detail, lost)

    def _seen_by_caller(self) -> SourceFault | None:
        """What only the caller's thread can see while the other one waits for the disk."""
        if self._lost_readings or self._lost_outputs:
            self._begin_trouble("overflow")
            what = (
                "readings are" if self._lost_readings else "computed rows, which can be computed again, are"
            )
            return self._fault_once(
                "overflow", f"{self._max_pending} rows wait for the disk; {what} dropped", self._lost_readings
            )
        if self._busy_since is not None and not self._trouble:
            busy_s = monotonic() - self._busy_since
            if busy_s > self._slow_commit_s:
                self._begin_trouble("slow")
                self._calm = 0
                return self._fault_once("slow", f"a commit has been going on for {busy_s:.1f} s", 0)
        return None

    def _trouble_is_over(self) -> SourceFault:
        lost, outputs = self._lost_readings, self._lost_outputs
        seconds = monotonic() - self._trouble_since
        detail = f"logging again after {seconds:.1f} s; lost: {lost} readings, {outputs} computed rows"
        self._trouble = ""
        self._lost_readings = self._lost_outputs = self._failures = 0
        self._told.clear()
        return SourceFault("resumed", detail, lost)

    # -- the writer's thread -------------------------------------------------------------------------

    def _tell(self, *faults: SourceFault | None) -> None:
        for fault in faults:
            if fault is not None and self._on_trouble is not None:
                try:
                    self._on_trouble(fault)
                except Exception:  # the log goes on whatever becomes of the news about it
                    traceback.print_exc(file=sys.stderr)

    def _urgent(self) -> bool:
        if self._failures:
            return False
        return self._stopping or self._flush_asked > self._flush_tried or len(self._readings) >= _EARLY_ROWS

    def _run(self) -> None:
        due = monotonic() + self._commit_every_s
        outputs_due = monotonic() + self._outputs_every_s
        while True:
            with self._lock:
                self._lock.wait_for(self._urgent, max(0.0, due - monotonic()))
                stopping, asked = self._stopping, self._flush_asked
            start = monotonic()
            everything = stopping or asked > self._flush_tried or start >= outputs_due
            good = self._write(everything) and (not stopping or self._finish())
            with self._lock:
                self._finished = good and stopping
                self._flush_tried = asked
                if good:
                    self._flush_done = asked
                self._lock.notify_all()
            if stopping and (good or monotonic() >= self._stop_by):
                break
            if good and everything:
                outputs_due = start + self._outputs_every_s
            took = monotonic() - start
            due = start + (_CLOSE_RETRY_S if stopping else _wait_s(self._commit_every_s, took, good))
        self._store.close()

    def _write(self, everything: bool) -> bool:
        """Write the readings that wait, and with `everything` or an alert the outputs too."""
        if self._failures and not self._reconnect():
            return False
        slowest_s = 0.0
        chunk = _TRY_ROWS if self._failures else _CHUNK_ROWS
        more = True
        while more:
            with self._lock:
                # Raw first: outputs go only with the last of the readings, which came before them.
                readings = list(islice(self._readings, chunk))
                last = len(readings) == len(self._readings)
                everything = everything or self._alert_waits
                outputs: list[Numbered] = []
                if last and everything:
                    outputs = [self._outputs.popleft() for _ in range(min(chunk, len(self._outputs)))]
                    self._in_flight = len(outputs)
                    self._alert_waits = False
                losses, self._losses = self._losses, []
                more = not last or (everything and bool(self._outputs))
                if not (readings or outputs or losses):
                    break
                started = self._busy_since = monotonic()
            try:
                refused = self._store.commit(readings, outputs, losses)
            except Exception as error:  # whatever it is, it must not end the run
                self._failed(error, outputs, losses)
                return False
            slowest_s = max(slowest_s, monotonic() - started)
            self._committed(readings, refused)
            chunk = _CHUNK_ROWS
        self._judge(slowest_s)
        return True

    def _reconnect(self) -> bool:
        if self._store.connected and self._failures % _REOPEN_AFTER:
            return True
        try:
            last_n = self._store.reopen()
        except Exception as error:  # as in _write
            self._failed(error, [], [])
            return False
        last_seq = self._store.last_seq
        with self._lock:  # a commit that failed may have reached the disk
            while last_seq is not None and self._readings and self._readings[0].seq <= last_seq:
                self._readings.popleft()
            while self._outputs and self._outputs[0][0] <= last_n:
                self._outputs.popleft()
            self._committed_seq = last_seq
        return True

    def _finish(self) -> bool:
        if self._end is None:
            return True
        try:
            if not self._end_written:
                self._store.end(*self._end)
                self._end_written = True
        except Exception as error:  # as in _write
            self._failed(error, [], [])
            return False
        try:
            self._store.fold()
        except sqlite3.Error as error:
            detail = f"the run ended cleanly, but its log is still in several files: {error}"
            self._tell(SourceFault("not folded", detail, 0))
        return True

    def _failed(self, error: Exception, outputs: list[Numbered], losses: list[Loss]) -> None:
        name = getattr(error, "sqlite_errorname", type(error).__name__)
        detail = f"{error} ({name}{_free_space(self._store.path)})"
        with self._lock:
            self._busy_since = None
            self._outputs.extendleft(reversed(outputs))
            self._in_flight = 0
            self._losses[:0] = losses
            self._failures += 1
            self._error = detail
            self._begin_trouble("failed")
            fault = self._fault_once("failed", detail, self._lost_readings, name)
        self._tell(fault)

    def _committed(self, readings: list[Reading], refused: list[Loss]) -> None:
        fault: SourceFault | None = None
        with self._lock:
            self._busy_since = None
            self._in_flight = 0
            self._failures = 0
            for _ in readings:
                self._readings.popleft()
            self._committed_seq = self._store.last_seq
            if refused and not self._refusing:
                lost = sum(loss.what == "readings" for loss in refused)
                fault = SourceFault(
                    "refused", f"{len(refused)} rows cannot be stored: {refused[0].why}", lost
                )
            self._refusing = bool(refused)
        self._tell(fault)

    def _judge(self, slowest_s: float) -> None:
        """All that waited when the writing began is written: is the trouble over, or is the disk slow?"""
        faults: list[SourceFault | None] = []
        with self._lock:
            caught_up = len(self._readings) <= self._max_pending // 2
            if caught_up and self._trouble in ("failed", "overflow"):
                faults.append(self._trouble_is_over())
            if slowest_s > self._slow_commit_s and self._trouble in ("", "slow"):
                self._begin_trouble("slow")
                self._calm = 0
                faults.append(self._fault_once("slow", f"a commit took {slowest_s:.1f} s", 0))
            elif self._trouble == "slow" and slowest_s > 0:
                self._calm += 1
                if self._calm >= _CALM_COMMITS:
                    faults.append(self._trouble_is_over())
        self._tell(*faults)


def _wait_s(every_s: float, took_s: float, good: bool) -> float:
    """From the start of one commit to the next one's. What the disk took comes off: a cut costs what came
    since the newest commit began, and it must be over before `every_s` is. A failing disk is not pressed.
    """
    return max(every_s - took_s, every_s / 2) if good else every_s


def _free_space(path: Path) -> str:
    """What a person needs to know about most failures."""
    try:
        status = os.statvfs(path.parent)
    except OSError:
        return ""
    return f"; {status.f_bavail * status.f_frsize // 1024} kB are free"
