"""RunLogWriter: the one way to write a run log."""

import os
from collections.abc import Callable, Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

from rigmon.log.direct import DirectWriter
from rigmon.log.live import LiveWriter
from rigmon.model import Output, Reading, RunHeader, SourceFault


class RunLogWriter:
    """Writes one run into one new file. Raw first: a reading is never on the disk later than what was
    computed from it, so hand over each reading before the outputs that it brings.

    Live (the default): `reading` and `outputs` only touch memory; a thread commits the readings every
    `commit_every_s`, which bounds what a power cut costs, and the outputs, which can be computed again,
    every `outputs_every_s`, at an alert and at the end. Neither call waits for the disk or raises, whatever
    state the disk is in. At most `max_pending` rows wait in memory: beyond it the oldest outputs are dropped,
    then the newest readings, and the log gets a row about each loss.

    `on_trouble` gets a SourceFault at each change, from either thread; it must not block:
      slow      a commit takes longer than `slow_commit_s` (told while it goes on)
      failed    the disk is full, read-only, broken; the writer keeps trying
      overflow  rows are dropped; told again when readings are, not only outputs
      resumed   the disk takes rows again; `lost` counts the readings lost since the trouble began
      refused   a row that can never be stored, such as a NaN, was left out
      not folded  the run ended cleanly, but somebody has the log open, so it stays in several files

    Flat out (`commit_by_time_ns`): commits in the caller's thread, each so many ns of the readings' own
    stamps. There is no thread and no `on_trouble`: trouble with the disk, and a row that cannot be stored,
    is a LogError.

    `header.sqlite`, `ended_ns` and `ended_why` are not used: they are the writer's to know. Raises LogError
    when a file of that name is there already or cannot be made. As a context manager it leaves a log
    without a clean end, unless `close` was called.
    """

    def __init__(
        self,
        path: str | os.PathLike[str],
        header: RunHeader,
        on_trouble: Callable[[SourceFault], None] | None = None,
        *,
        commit_by_time_ns: int | None = None,
        commit_every_s: float = 0.95,
        outputs_every_s: float = 10.0,
        slow_commit_s: float = 1.0,
        max_pending: int = 20_000,
    ) -> None:
        # absolute: a GPIO library may change the working directory
        self.path = Path(os.path.abspath(path))
        self._closed = False
        self._writer: LiveWriter | DirectWriter
        if commit_by_time_ns is not None:
            self._writer = DirectWriter(self.path, header, commit_by_time_ns)
        else:
            self._writer = LiveWriter(
                self.path,
                header,
                on_trouble,
                commit_every_s=commit_every_s,
                outputs_every_s=outputs_every_s,
                slow_commit_s=slow_commit_s,
                max_pending=max_pending,
            )
        #: hand over a reading, before feeding it to the pipeline
        self.reading: Callable[[Reading], None] = self._writer.reading
        #: hand over what the pipeline made of it, in its order
        self.outputs: Callable[[Sequence[Output]], None] = self._writer.outputs

    @property
    def committed_seq(self) -> int | None:
        """`seq` of the newest reading that is safely on the disk."""
        return self._writer.committed_seq

    @property
    def alive(self) -> bool:
        """Whether rows are still taken to the disk, however slow or broken that is; False after `close`.

        A thread that has died is a fault of ours: only a new start can help.
        """
        return self._writer.alive

    def flush(self, timeout_s: float = 10.0) -> bool:
        """Write all that was handed over, outputs too. False when the disk did not take it in time."""
        return self._writer.flush(timeout_s)

    def close(self, ended_ns: int, why: str, timeout_s: float = 10.0) -> None:
        """Write what waits and the clean end, and leave one file that can be copied. Later calls do nothing.

        `ended_ns` is the run's end on the readings' clock. Raises LogError, after `timeout_s`, when the disk
        would not take it: the log then has no clean end.
        """
        self._closed = True
        self._writer.close((ended_ns, why), timeout_s)

    def abandon(self, timeout_s: float = 10.0) -> None:
        """Write what waits, without a clean end. Raises LogError as `close` does."""
        self._closed = True
        self._writer.close(None, timeout_s)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if not self._closed:
            self.abandon()
