"""The show: one board, whoever follows it, and the beats. Whatever feeds it calls `take` and its like."""

import asyncio
import time
from collections.abc import Callable, Sequence
from typing import Any, Final, Protocol

from rigmon import __version__
from rigmon.live.board import Board
from rigmon.model import Output
from rigmon.web.stream import Fanout, encode

#: followers are told this often that the connection lives, and how old what they see is
BEAT_S: Final = 0.25
#: and the crew's message, at least
STATUS_S: Final = 1.0


class Other(Protocol):
    """Another way out for what is shown, such as a broker. Returns at once, and never raises."""

    def offer(self, kind: str, data: bytes) -> None: ...


class Show:
    """Lives on one event loop; nothing of it is for other threads."""

    def __init__(
        self, board: Board, max_clients: int, *, monotonic_s: Callable[[], float] = time.monotonic
    ) -> None:
        self.board = board
        self.fanout = Fanout(max_clients, self.points)
        self.others: list[Other] = []
        self.connected = False  #: whether what feeds it is there
        self.software = __version__  #: pages of another version load themselves anew
        self.skipped = 0  #: batches that did not get here
        self._monotonic_s = monotonic_s
        self._fed_s: float | None = None
        self._fresh = {"now": False, "status": False}
        self._made = {"now": b"", "status": b""}

    # -- what comes in ---------------------------------------------------------------------------------

    def take(self, outputs: Sequence[Output]) -> None:
        """What the core made."""
        changed = self.board.take(outputs)
        self._fed_s = self._monotonic_s()
        self._fresh["now"] = False
        self.tell("now")
        if changed:
            self.changed()

    def changed(self) -> None:
        """Something besides the newest sample has changed: a run, an alert, the tank."""
        self._fresh["now"] = self._fresh["status"] = False
        self.fanout.more_track()
        self.tell("status")

    def tell(self, kind: str) -> None:
        """Send the newest `now` or `status` to those who follow."""
        if self.fanout.clients or self.others:
            data = self.message(kind)
            self.fanout.publish(kind, data)
            for other in self.others:
                other.offer(kind, data)

    # -- what goes out ---------------------------------------------------------------------------------

    def message(self, kind: str) -> bytes:
        """The newest `now`, `status` or `beat` as JSON."""
        if kind == "beat":
            return encode(self.beat())
        if not self._fresh[kind]:
            self._made[kind] = encode(self.board.now() if kind == "now" else self.board.status())
            self._fresh[kind] = True
        return self._made[kind]

    def beat(self) -> dict[str, Any]:
        """How old what is shown is. `stale`: it must not be shown as if it were true now."""
        age_ms = None if self._fed_s is None else round(1000 * (self._monotonic_s() - self._fed_s))
        stale = age_ms is None or age_ms > self.board.stale_after_ms or not self.connected
        return {"age_ms": age_ms, "connected": self.connected, "stale": stale, "software": self.software}

    def first(self) -> dict[str, bytes]:
        """What one who begins to follow is sent first."""
        return {kind: self.message(kind) for kind in ("beat", "now", "status")}

    def points(self, epoch: int, n: int, most: int) -> dict[str, Any]:
        return {"run": self.board.state.run, **self.board.track.since(epoch, n, most)}

    async def run(self) -> None:
        """Beats, and the crew's message each second; never ends."""
        per_status = round(STATUS_S / BEAT_S)
        turn = 0
        while True:
            await asyncio.sleep(BEAT_S)
            turn += 1
            if turn % per_status == 0:
                self._fresh["status"] = False
                self.fanout.more_track()
                self.tell("status")
            if self.fanout.clients:
                self.fanout.publish("beat", self.message("beat"))
