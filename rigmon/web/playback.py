"""A run log shown in the live pages: at any pace, with pause and seek.

What the log holds is shown, nothing is computed again. A first pass through it, beside the playing, leaves
the state at about a hundred places; a seek goes on from the one before.
"""

import asyncio
import copy
import signal
import time
from bisect import bisect_right
from collections.abc import Callable, Iterator, Sequence
from math import isfinite
from typing import Any, Final, NamedTuple

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route

from rigmon.errors import LogError, UsageError
from rigmon.live.board import Board
from rigmon.live.marks import Marks
from rigmon.live.state import LiveState
from rigmon.live.track import Track
from rigmon.log.reader import RunLog
from rigmon.log.records import calibration_records
from rigmon.model import Alert, Output, Sample
from rigmon.rig import Rig, Web
from rigmon.web.app import build, read_object
from rigmon.web.guard import host_names
from rigmon.web.server import listen, server_for
from rigmon.web.show import Show

#: paces that may be asked for
SLOWEST: Final = 1.0
FASTEST: Final = 100.0
#: between two looks at what is due [s]
_TURN_S: Final = 0.05
#: a turn that came late goes on as if it had come by so much
_LATEST_S: Final = 0.5
#: places whose state is kept
_PLACES: Final = 100
_NEAREST_NS: Final = 10_000_000_000
#: before a place that is looked up, the board judges again for so long, for what it tells by what was before
_WARM_NS: Final = 5_000_000_000
#: of many outputs that are due at once the board judges the last alone; the others are only added up
_JUDGED: Final = 3
#: the first pass lets others work after so long [s]
_SLICE_S: Final = 0.02
_MAX_CLIENTS: Final = 20


class _Place(NamedTuple):
    n: int  #: number of the newest output in it
    t_ns: int
    state: dict[str, Any]
    track: Track
    marks: Marks


class _Sums:
    """What a board adds up, without what it judges: quick."""

    def __init__(self, state: LiveState, track: Track, marks: Marks) -> None:
        self.state, self.track, self.marks = state, track, marks

    def take(self, outputs: Sequence[Output]) -> bool:
        for output in outputs:
            if isinstance(output, Sample):
                self.track.take(output)
            elif isinstance(output, Alert):
                self.marks.take(output, self.state.sample)
        return self.state.take(outputs)


class Player:
    """Plays one log into a show. All of it on one event loop, which is the thread that opened the log."""

    def __init__(
        self, log: RunLog, rig: Rig, pace: float, *, monotonic_s: Callable[[], float] = time.monotonic
    ) -> None:
        """Raises LogError for a log that is damaged where it begins."""
        self.pace = pace
        self.paused = False
        self.seeking = False
        self.trouble: str | None = None
        self._log, self._rig = log, rig
        self._run, self._started_utc = log.header.run_id, log.started_utc
        self._records = calibration_records(log)
        self._monotonic_s = monotonic_s
        self._end_ns = max(1, round(log.duration_s * 1e9))
        self._epoch = 0  # of the maps that were shown
        self._clock_ns = 0.0
        self._turned_s = monotonic_s()
        self._kept_s = 0.0
        self._looking_up = 0
        self._places: list[_Place] = []
        self._passed_ns = -1  # how far the first pass has come
        self._passed = False
        self.show = Show(self._board(), _MAX_CLIENTS)
        self.show.connected = True
        self._coming = self._outputs(0)
        self._next: tuple[int, Output] | None = None
        self._step()

    def to_json(self) -> dict[str, Any]:
        """The controls' state."""
        return {
            "paused": self.paused,
            "pace": self.pace,
            "t_s": min(self._clock_ns, self._end_ns) / 1e9,
            "duration_s": self._end_ns / 1e9,
            "seeking": self.seeking,
            "trouble": self.trouble,
        }

    # -- playing ---------------------------------------------------------------------------------------

    async def play(self) -> None:
        """Never ends."""
        while True:
            self.turn()
            await asyncio.sleep(_TURN_S)

    def turn(self) -> None:
        """Show what has become due."""
        now_s = self._monotonic_s()
        passed_s, self._turned_s = min(now_s - self._turned_s, _LATEST_S), now_s
        if self.seeking:
            return
        if not self.paused:
            self._clock_ns += passed_s * 1e9 * self.pace
            due = self._due(self._clock_ns)
            if due:
                self._take(due)
            if self._next is None:
                self.paused = True
                self._clock_ns = float(self._end_ns)
        if self.paused and now_s - self._kept_s >= 0.2:
            # a picture that stands still is no silence
            self._kept_s = now_s
            self.show.take(())

    def _due(self, until_ns: float) -> list[Output]:
        due: list[Output] = []
        while self._next is not None and self._next[1].t_ns <= until_ns:
            due.append(self._next[1])
            self._step()
        return due

    def _step(self) -> None:
        try:
            self._next = next(self._coming, None)
        except LogError as error:
            self.trouble, self._next = str(error), None

    def _take(self, due: Sequence[Output]) -> None:
        board = self.show.board
        changed = _Sums(board.state, board.track, board.marks).take(due[:-_JUDGED])
        self.show.take(due[-_JUDGED:])
        if changed:
            self.show.changed()

    def tell(self, *, pace: float | None = None, paused: bool | None = None) -> None:
        """Change how it is played."""
        if pace is not None:
            self.pace = pace
        if paused is not None:
            if self.paused and not paused and self._next is None and self.trouble is None:
                self._go(self._place_before(0), 0)  # from the start again
            self.paused = paused

    # -- going to a place ------------------------------------------------------------------------------

    async def seek(self, t_ns: int) -> None:
        """Show the run as it was at a stamp. The newest of several counts."""
        t_ns = max(0, min(t_ns, self._end_ns))
        self._looking_up += 1
        mine = self._looking_up
        self.seeking = True
        while not self._passed and self._passed_ns < t_ns and mine == self._looking_up:
            await asyncio.sleep(_SLICE_S)
        if mine != self._looking_up:
            return
        try:
            self._go(self._place_before(t_ns), t_ns)
        finally:
            self.seeking = False

    def _place_before(self, t_ns: int) -> _Place | None:
        found = bisect_right(self._places, t_ns - _WARM_NS, key=lambda place: place.t_ns)
        return self._places[found - 1] if found else None

    def _go(self, place: _Place | None, t_ns: int) -> None:
        board = self._board()
        if place is not None:
            board.state.restore(place.state)
            board.track, board.marks = copy.deepcopy(place.track), copy.deepcopy(place.marks)
        self._epoch += 1000  # the map is drawn anew
        board.track.epoch += self._epoch
        board.marks.n += self._epoch
        self.close()
        self._coming = self._outputs(0 if place is None else place.n)
        self.trouble = None
        self._step()
        _Sums(board.state, board.track, board.marks).take(self._due(t_ns - _WARM_NS))
        board.take(self._due(t_ns))
        self._clock_ns = float(t_ns)
        self.show.board = board
        self.show.take(())
        self.show.changed()

    def _board(self) -> Board:
        board = Board(self._rig)
        board.live = False
        board.records = self._records
        board.begin(self._run, self._started_utc)
        return board

    def _outputs(self, after: int) -> Iterator[tuple[int, Output]]:
        return self._log.numbered_outputs(after)

    def close(self) -> None:
        """What is being read of the log must end before it is closed."""
        _end(self._coming)

    # -- the first pass --------------------------------------------------------------------------------

    async def first_pass(self) -> None:
        """Leave the state at places all along the run, a little at a time."""
        sums = _Sums(LiveState(self._rig), Track(self._rig), Marks())
        sums.state.begin(self._run, self._started_utc)
        apart_ns = max(_NEAREST_NS, self._end_ns // _PLACES)
        began_s = self._monotonic_s()
        outputs = self._outputs(0)
        try:
            for n, output in outputs:
                sums.take((output,))
                self._passed_ns = max(self._passed_ns, output.t_ns)
                if output.t_ns >= apart_ns * (len(self._places) + 1):
                    self._places.append(
                        _Place(
                            n,
                            output.t_ns,
                            sums.state.to_json(),
                            copy.deepcopy(sums.track),
                            copy.deepcopy(sums.marks),
                        )
                    )
                if n % 64 == 0 and self._monotonic_s() - began_s > _SLICE_S:
                    await asyncio.sleep(0)
                    began_s = self._monotonic_s()
        except LogError as error:
            self.trouble = str(error)
        finally:
            _end(outputs)
            self._passed = True


def _end(outputs: Iterator[tuple[int, Output]]) -> None:
    getattr(outputs, "close", lambda: None)()


def routes(player: Player) -> list[BaseRoute]:
    """/api/play: how it is played, and changing that."""

    async def state(_request: Request) -> Response:
        return JSONResponse(player.to_json())

    async def change(request: Request) -> Response:
        asked = await read_object(request)
        wrong = _wrong(asked)
        if wrong is not None:
            return JSONResponse({"error": wrong}, 422)
        player.tell(pace=asked.get("pace"), paused=asked.get("paused"))
        if "t_s" in asked:
            await player.seek(round(asked["t_s"] * 1e9))
        return JSONResponse(player.to_json())

    return [
        Route("/api/play", state, methods=["GET"]),
        Route("/api/play", change, methods=["POST"]),
    ]


def _wrong(asked: dict[str, Any]) -> str | None:
    """What is wrong with what was asked for; None: nothing."""

    def number(value: object, least: float, most: float) -> bool:
        return isinstance(value, int | float) and not isinstance(value, bool) and least <= value <= most

    if not asked or not set(asked) <= {"pace", "paused", "t_s"}:
        return "give pace, paused or t_s, as a JSON object"
    if not number(asked.get("pace", 1), SLOWEST, FASTEST):
        return f"pace must be a number from {SLOWEST:g} to {FASTEST:g}"
    if not isinstance(asked.get("paused", False), bool):
        return "paused must be true or false"
    if not number(asked.get("t_s", 0), 0, 1e9) or not isfinite(asked.get("t_s", 0)):
        return "t_s must be a time in the run in seconds, at least 0"
    return None


def serve(log: RunLog, rig: Rig, port: int, pace: float, ready: Callable[[], None]) -> None:
    """Show `log` at this port of this computer alone until SIGINT or SIGTERM. `ready` is called when it is.

    Raises UsageError when the port is taken, LogError for a damaged log.
    """
    try:
        listening = listen(Web(port=port))
    except UsageError as error:
        raise UsageError(f"port {port} cannot be had: another program has it; give another --port") from error
    with listening:
        asyncio.run(_serve(Player(log, rig, pace), listening, ready))


async def _serve(player: Player, listening: Any, ready: Callable[[], None]) -> None:
    show = player.show
    app = build(show, host_names(()), None, None, routes(player))
    server = server_for(app, show, _MAX_CLIENTS)
    loop = asyncio.get_running_loop()

    def end() -> None:
        server.should_exit = True

    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, end)
    ready()
    work = [loop.create_task(one) for one in (show.run(), player.play(), player.first_pass())]
    try:
        await server.serve(sockets=[listening])
    finally:
        for task in work:
            task.cancel()
        await asyncio.gather(*work, return_exceptions=True)
        player.close()
