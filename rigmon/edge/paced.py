"""A thread that does one thing over and over, at a steady pace."""

import threading
import time
from collections.abc import Callable
from typing import Final

#: a source that failed is tried again after this, doubled each time up to the longest
FIRST_RETRY_S: Final = 0.1
LONGEST_RETRY_S: Final = 1.0


class PacedThread:
    """Calls `work` at once and then each `every_s`, until stopped. `work` must not raise.

    The pace does not drift. Turns that were missed, because the machine was busy, are not made up for.
    `work` may return a longer wait than `every_s` [s], once.
    """

    def __init__(self, name: str, every_s: float, work: Callable[[], float | None]) -> None:
        self._name = name
        self._every_s = every_s
        self._work = work
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Start the thread."""
        self._stopping.clear()
        self._thread = threading.Thread(target=self._run, name=self._name, daemon=True)
        self._thread.start()

    def stop(self, timeout_s: float = 2.0) -> None:
        """End the thread, at once but for a turn that is under way."""
        if self._thread is not None:
            self._stopping.set()
            self._thread.join(timeout_s)
            self._thread = None

    def _run(self) -> None:
        due_s = time.monotonic()
        while True:
            longer_s = self._work()
            now_s = time.monotonic()
            due_s += self._every_s
            if longer_s is not None:
                due_s = now_s + longer_s
            elif due_s < now_s:
                due_s = now_s
            if self._stopping.wait(due_s - now_s):
                return
