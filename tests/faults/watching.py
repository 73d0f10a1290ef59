"""The other side of `watched`: starts it, hears its events, commands it, feeds its port."""

import json
import subprocess
import sys
import threading
import tty
from collections.abc import Callable, Sequence
from os import close, openpty, set_blocking, ttyname
from pathlib import Path
from typing import Any, Final

from tests.faults.feed import TOP, Feeder, rig_file

PATIENCE_S: Final = 60.0

Event = dict[str, Any]


class Watched:
    """A watched daemon with a fed pseudo-terminal of its own, or on `port`. A context manager."""

    def __init__(
        self,
        log: Path,
        arguments: Sequence[str] = (),
        *,
        before: Sequence[str] = (),
        environment: dict[str, str] | None = None,
        port: str | None = None,
    ) -> None:
        self.events: list[Event] = []
        self._more = threading.Condition()
        self._ends: list[int] = []
        self.feeder: Feeder | None = None
        if port is None:
            self._ends = list(openpty())
            tty.setraw(self._ends[1])
            set_blocking(self._ends[0], False)
            port = ttyname(self._ends[1])
            self.feeder = Feeder(self._ends[0])
        self.process = subprocess.Popen(
            [*before, sys.executable, "-m", "tests.faults.watched",
             str(rig_file(log.parent.parent, port)), str(log), *arguments],
            cwd=TOP, env=environment, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1,
        )  # fmt: skip
        self._thread = threading.Thread(target=self._hear, daemon=True)
        self._thread.start()

    def _hear(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            event = json.loads(line)
            with self._more:
                self.events.append(event)
                self._more.notify_all()
        with self._more:
            self.events.append({"event": "gone"})
            self._more.notify_all()

    def wait_for(self, found: Callable[[Event], bool], after: int = 0) -> Event:
        """The first such event from place `after` on. Raises RuntimeError when it does not come."""
        place = after

        def there() -> bool:
            nonlocal place
            while place < len(self.events) and not found(self.events[place]):
                if self.events[place]["event"] == "gone":
                    raise RuntimeError(f"the daemon ended before: {self.events[-3:]}")
                place += 1
            return place < len(self.events)

        with self._more:
            if not self._more.wait_for(there, PATIENCE_S):
                raise RuntimeError(f"did not come; the last events: {self.events[-5:]}")
            return self.events[place]

    def told(self, words: str, after: int = 0) -> Event:
        """Wait until the driver is told something with these words."""
        return self.wait_for(lambda e: e["event"] == "told" and words in e["text"], after)

    def named(self, words: str) -> bool:
        """Whether the driver was told something with these words already."""
        with self._more:
            return any(event["event"] == "told" and words in event["text"] for event in self.events)

    def alert(self, code: str, raised: bool, after: int = 0) -> Event:
        return self.wait_for(
            lambda e: e["event"] == "alert" and e["code"] == code and e["raised"] is raised, after
        )

    def command(self, words: str) -> Event:
        """Have it do something, and wait until it has; what it says of it."""
        assert self.process.stdin is not None
        after, word = len(self.events), words.partition(" ")[0]
        self.process.stdin.write(words + "\n")
        self.process.stdin.flush()
        return self.wait_for(lambda e: e["event"] == "done" and e["command"] == word, after)

    def stop(self) -> Event:
        """End the run; the event `end`."""
        self.command("stop")
        if self.feeder is not None:
            self.feeder.stop()
        return self.wait_for(lambda e: e["event"] == "end")

    def __enter__(self) -> "Watched":
        return self

    def __exit__(self, *_: object) -> None:
        if self.feeder is not None:
            self.feeder.stop()
        self.process.kill()
        self.process.wait()
        self._thread.join()
        for end in self._ends:
            close(end)
        for stream in (self.process.stdin, self.process.stdout):
            if stream is not None:
                stream.close()
