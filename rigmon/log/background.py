"""A run log that is opened and closed on a thread of its own, while the core goes on.

Making a file and ending one wait for the disk; a run that begins or ends by itself must not hold up what the
driver sees. Until the file is there its rows wait in memory. A disk in trouble is tried again and again.
"""

from collections import deque
from collections.abc import Callable, Sequence
from threading import Event, Thread

from rigmon.errors import LogError
from rigmon.log.writer import RunLogWriter
from rigmon.model import Output, Reading, SourceFault


class BackgroundLog:
    """Takes one run's readings and outputs like `RunLogWriter`, from its first reading on; never waits.

    `open_writer` makes the log, on the thread; it is called again every `retry_s` while it raises LogError.
    At most `capacity` rows wait for it: newer ones are lost, which the log shows as a gap. `on_trouble` gets
    SourceFault "failed" when the log cannot be made (unless that is `told` already), "overflow" when rows
    are lost, and "resumed".
    """

    def __init__(
        self,
        open_writer: Callable[[], RunLogWriter],
        on_trouble: Callable[[SourceFault], None],
        *,
        retry_s: float = 5.0,
        capacity: int = 20_000,
        told: bool = False,
    ) -> None:
        self._open_writer = open_writer
        self._on_trouble = on_trouble
        self._retry_s = retry_s
        self._capacity = capacity
        self._told = told
        # The caller's until _ending is set, the thread's from then on.
        self._waiting: deque[Reading | Sequence[Output]] = deque()
        self._lost = 0
        self._writer: RunLogWriter | None = None
        self._ending = Event()
        self._end: tuple[int, str] | None = None
        #: why the log is missing, or has no clean end; None: it has one, or is still open
        self.trouble: str | None = None
        self._thread = Thread(target=self._run, name="run log opener", daemon=True)
        self._thread.start()

    # -- the caller's side -----------------------------------------------------------------------------

    def reading(self, reading: Reading) -> None:
        """Hand over a reading, before feeding it to the pipeline."""
        writer = self._writer
        if writer is None:
            self._keep(reading)
            return
        if self._waiting:
            self._pass_on(writer)
        writer.reading(reading)

    def outputs(self, outputs: Sequence[Output]) -> None:
        """Hand over what the pipeline made of it, in its order."""
        writer = self._writer
        if writer is None:
            self._keep(outputs)
            return
        if self._waiting:
            self._pass_on(writer)
        writer.outputs(outputs)

    def close(self, ended_ns: int, why: str) -> None:
        """End the log; `done` tells when it is. Returns at once; nothing more is taken."""
        self._end = (ended_ns, why)
        self._ending.set()

    def abandon(self) -> None:
        """Write what waits, without a clean end. Returns at once."""
        self._ending.set()

    @property
    def made(self) -> bool:
        """Whether there is a log."""
        return self._writer is not None

    @property
    def alive(self) -> bool:
        """Whether rows are still on their way to the disk, however slow or broken that is."""
        writer = self._writer
        return self._thread.is_alive() and (writer is None or writer.alive)

    @property
    def done(self) -> bool:
        """Whether a log that was told to end has ended, or failed to."""
        return not self._thread.is_alive()

    def join(self, timeout_s: float) -> None:
        """Wait until it is done."""
        self._thread.join(timeout_s)
        if self._thread.is_alive():
            self.trouble = self.trouble or "the disk has not answered; the run log has no clean end"

    def _keep(self, item: Reading | Sequence[Output]) -> None:
        # Once something is lost all that follows is, so that the log has one gap and not many.
        if not self._lost and len(self._waiting) < self._capacity:
            self._waiting.append(item)
            return
        self._lost += 1
        if self._lost == 1:
            self._on_trouble(
                SourceFault("overflow", f"{self._capacity} rows wait for the run log to be made", 1)
            )

    def _pass_on(self, writer: RunLogWriter) -> None:
        while self._waiting:
            item = self._waiting.popleft()
            if type(item) is Reading:
                writer.reading(item)
            else:
                writer.outputs(item)  # type: ignore[arg-type]
        if self._lost:
            lost, self._lost = self._lost, 0
            self._on_trouble(SourceFault("resumed", f"the run log is made; {lost} rows were lost", lost))

    # -- the thread ------------------------------------------------------------------------------------

    def _run(self) -> None:
        told = self._told
        while True:
            try:
                writer = self._open_writer()
                break
            except LogError as error:
                self.trouble = str(error)
                if not told:
                    told = True
                    self._on_trouble(SourceFault("failed", str(error), 0))
            if self._ending.wait(self._retry_s):
                return
        self.trouble = None
        self._writer = writer
        if told:
            self._on_trouble(SourceFault("resumed", "the run log is made", 0))
        self._ending.wait()
        self._pass_on(writer)
        try:
            if self._end is None:
                writer.abandon()
            else:
                writer.close(*self._end)
        except LogError as error:
            self.trouble = str(error)
