"""The pages' own server in this process, with a rig and a desk that do what a test says."""

import asyncio
import math
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

from rig_states import RIGS, sample

from rigmon.live.board import Board
from rigmon.model import Act, Alert, Anchor, Finding, Output
from rigmon.web.pairing import Pairing
from rigmon.web.runs import Runs, routes
from rigmon.web.show import Show
from tests.helpers.pages import Served

#: invented for the demo
START_UTC_MS: Final = 1_780_324_200_000  # 2026-06-01T14:30:00Z
TARGETS: Final = [
    {
        "name": "2026-05-30 target 1",
        "taken_on": "2026-05-30",
        "nozzle_set": "demo",
        "rate_l_ha": 140.3,
        "speed_m_s": 1.6,
        "tolerance_pct": 10.0,
        "in_use": False,
    }
]


class Desk:
    """Answers as told, and keeps what it was asked."""

    def __init__(self) -> None:
        self.asked: list[Any] = []
        self.answer: tuple[int, dict[str, Any]] = (200, {"done": True, "words": "it is in the run log"})
        self.hold: asyncio.Event | None = None  #: the answer waits for it
        self.book = TARGETS

    async def act(self, body: object) -> tuple[int, dict[str, Any]]:
        self.asked.append(body)
        if self.hold is not None:
            await self.hold.wait()
        return self.answer

    async def targets(self) -> tuple[int, dict[str, Any]]:
        return 200, {"targets": self.book}


class CrewRig:
    """A rig that drives lanes, or stands. `told`: what differs from a good sample."""

    def __init__(self, folder: Path, units: str = "us") -> None:
        self.told: dict[str, Any] = {}
        self.silent = False  #: no sample comes
        self.desk = Desk()
        self.pairing = Pairing()
        self.board = Board(RIGS[units])
        self.t_s = 0.0
        self._far_m = 0.0
        self.ahead_s = 0.0  #: of this machine's clock
        self.show = Show(self.board, 8, monotonic_s=lambda: time.monotonic() + self.ahead_s)
        self.show.connected = True
        runs = Runs(folder, units, lambda: self.board.state.run, last=False)
        self.served = Served(self.show, 8, pairing=self.pairing, desk=self.desk, further=routes(runs))
        self.url = f"http://127.0.0.1:{self.served.port}/crew"
        self.served.call(lambda: setattr(self, "_pacing", asyncio.ensure_future(self._pace())))

    def do(self, work: Any) -> Any:
        """Call something where the server runs."""
        return self.served.call(work)

    def begin(self, run: str | None = "invented-run") -> None:
        def work() -> None:
            self.board.begin(run)
            self.take([Anchor(0, START_UTC_MS)])
            self.show.changed()

        self.do(work)

    def take(self, outputs: list[Output]) -> None:
        self.show.take(outputs)

    def drive(self, seconds: float, step_s: float = 0.1) -> None:
        """So much of the run at once."""
        self.do(lambda: [self.step(step_s) for _ in range(round(seconds / step_s))])

    def step(self, step_s: float = 0.1) -> None:
        self.t_s += step_s
        share = self.told.get("speed_share", 1.0)
        speed = 0.0 if share is None else self.board.rig.target.speed_m_s * share
        self._far_m += speed * step_s
        lane, along = divmod(self._far_m, 200.0)
        along = 200.0 - along if lane % 2 else along
        area_m2 = speed * step_s * self.board.rig.swath_m
        sway = 1 + 0.22 * math.sin(self._far_m / 37)  # so that every colour is on the map
        made = sample(
            self.board.rig,
            **{
                "t_ns": round(self.t_s * 1e9),
                "dt_ns": round(step_s * 1e9),
                "lat_deg": 40 + along / 111_195,
                "lon_deg": -95 + lane * 6.1 / 85_180,
                "track_deg": 180.0 if lane % 2 else 0.0,
                "distance_m": speed * step_s,
                "area_m2": area_m2,
                "volume_l": speed
                * step_s
                * self.board.rig.swath_m
                / 1e4
                * self.board.rig.target.rate_l_ha
                * sway,
                **self.told,
            },
        )
        self.take([made])

    def alert(self, code: str, raised: bool = True) -> None:
        t_ns = round(self.t_s * 1e9)
        self.do(lambda: self.take([Alert(t_ns, code, raised, None, None, "")]))

    def finding(self, code: str) -> None:
        t_ns = round(self.t_s * 1e9)
        self.do(
            lambda: self.take(
                [Alert(t_ns, code, True, None, None, ""), Finding(code, t_ns, t_ns, -8.0, 3.0, nozzles=1)]
            )
        )

    def act(self, kind: str, text: str = "", volume_l: float | None = None, full: bool | None = None) -> None:
        t_ns = round(self.t_s * 1e9)
        self.do(lambda: self.take([Act(t_ns, kind, text, volume_l, full)]))

    async def _pace(self) -> None:
        while True:
            await asyncio.sleep(0.1)
            if not self.silent and self.t_s > 0:
                self.step()

    def close(self) -> None:
        if self.desk.hold is not None:
            self.do(self.desk.hold.set)
        self.do(self._pacing.cancel)  # type: ignore[attr-defined]
        self.served.close()


@contextmanager
def crew_rig(folder: Path, units: str = "us") -> Iterator[CrewRig]:
    rig = CrewRig(folder, units)
    try:
        yield rig
    finally:
        rig.close()
