"""A run log in the pages: played, paused, looked up; and the command that does it."""

import asyncio
import json
import signal
import subprocess
import sys
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from rigmon import config
from rigmon.live.board import Board
from rigmon.log.reader import RunLog
from rigmon.rig import Rig
from rigmon.web.playback import Player
from tests.helpers.apart import apart
from tests.helpers.pages import free_port
from tests.helpers.served import DATA

RIG, _ = config.load(DATA / "demo.rig.toml")


class Clock:
    def __init__(self) -> None:
        self.s = 100.0

    def __call__(self) -> float:
        return self.s


@contextmanager
def player(path: Path, pace: float = 1.0) -> Iterator[tuple[Player, Clock]]:
    clock = Clock()
    with RunLog.open(path) as log:
        playing = Player(log, RIG, pace, monotonic_s=clock)
        yield playing, clock
        playing.close()


def as_played(path: Path, rig: Rig, t_s: float) -> Board:
    """A board that was given everything up to then, one by one."""
    board = Board(rig)
    board.live = False
    with RunLog.open(path) as log:
        board.begin(log.header.run_id, log.started_utc)
        for output in log.outputs():
            if output.t_ns <= t_s * 1e9:
                board.take([output])
    return board


def points(board: Board) -> Any:
    shown = board.track.since(0, 0, 100_000)
    return shown["points"], shown["open"]


@pytest.mark.parametrize("t_s", [0.0, 3.0, 84.0, 142.6, 211.0, 241.0, 9999.0])
@pytest.mark.parametrize("passed", [True, False])
@apart
def test_a_place_looked_up_is_as_if_played_up_to_there(demo_log: Path, t_s: float, passed: bool) -> None:
    expected = as_played(demo_log, RIG, t_s)

    async def look_up() -> None:
        if passed:
            await playing.first_pass()
            assert len(playing._places) > 10
            await playing.seek(round(t_s * 1e9))
        else:  # the first pass is still under way
            await asyncio.gather(playing.first_pass(), playing.seek(round(t_s * 1e9)))

    with player(demo_log) as (playing, _):
        asyncio.run(look_up())
        board = playing.show.board
        assert board.now() == expected.now()
        assert points(board) == points(expected)
        found, told = board.status(), expected.status()
        for key in ("run", "totals", "tank", "alerts", "findings", "target"):
            assert found[key] == told[key], key
        assert board.marks.to_json()["marks"] == expected.marks.to_json()["marks"]
        assert found["live"] is False
        assert "nothing can be done" in found["why_not"]


def test_it_plays_at_its_pace_pauses_and_ends(demo_log: Path) -> None:
    with player(demo_log, pace=10.0) as (playing, clock):
        for _ in range(20):
            clock.s += 0.05
            playing.turn()
        # 1 s at ten times the pace
        assert playing.to_json()["t_s"] == pytest.approx(10.0)
        assert playing.show.board.now()["t_s"] == pytest.approx(10.0, abs=0.25)
        playing.tell(paused=True)
        before = playing.show.board.now()
        clock.s += 5.0
        playing.turn()
        assert playing.show.board.now() == before
        assert playing.show.beat()["connected"]
        playing.tell(pace=100.0, paused=False)
        for _ in range(100):
            clock.s += 0.05
            playing.turn()
        assert playing.to_json()["paused"]
        assert playing.to_json()["t_s"] == playing.to_json()["duration_s"]
        end = as_played(demo_log, RIG, 9999.0)
        assert playing.show.board.status()["totals"] == end.status()["totals"]
        assert points(playing.show.board) == points(end)
        playing.tell(paused=False)  # from the start again
        clock.s += 0.05
        playing.turn()
        assert playing.to_json()["t_s"] < 10


@apart
def test_of_several_places_the_newest_is_shown(demo_log: Path) -> None:
    async def look_up() -> None:
        first = asyncio.ensure_future(playing.seek(200_000_000_000))
        await asyncio.sleep(0)
        await asyncio.gather(playing.first_pass(), first, playing.seek(50_000_000_000))

    with player(demo_log) as (playing, _):
        asyncio.run(look_up())
        assert playing.to_json()["t_s"] == 50.0
        assert not playing.seeking


@apart
def test_a_map_that_was_shown_is_drawn_anew(demo_log: Path) -> None:
    epochs = set()

    async def look_up() -> None:
        await playing.first_pass()
        for t_s in (200, 100, 200, 0):
            await playing.seek(t_s * 1_000_000_000)
            epochs.add(playing.show.points(0, 0, 1)["epoch"])

    with player(demo_log) as (playing, _):
        asyncio.run(look_up())
    assert len(epochs) == 4


# -- the command -------------------------------------------------------------------------------------


class Replay:
    """`rigmon replay --serve` as a process."""

    def __init__(self, *arguments: str) -> None:
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self.process = subprocess.Popen(
            [
                *(
                    sys.executable,
                    "-c",
                    "import sys; from rigmon.cli import main; sys.exit(main())",
                    "replay",
                ),
                *(*arguments, "--serve", "--port", str(self.port)),
            ],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        assert self.process.stdout is not None
        self.said = self.process.stdout.readline()

    def ask(self, path: str, body: Any = None, origin: str | None = None) -> tuple[int, Any]:
        headers = {"Content-Type": "application/json", "Origin": origin or self.url}
        data = None if body is None else json.dumps(body).encode()
        request = urllib.request.Request(f"{self.url}{path}", data, headers)
        try:
            with urllib.request.urlopen(request, timeout=30) as answer:
                return answer.status, json.load(answer)
        except urllib.error.HTTPError as error:
            with error:
                return error.code, json.load(error)

    def end(self) -> tuple[int, str]:
        self.process.send_signal(signal.SIGINT)
        _, errors = self.process.communicate(timeout=30)
        return self.process.returncode, errors


@contextmanager
def replayed(*arguments: str) -> Iterator[Replay]:
    running = Replay(*arguments)
    try:
        yield running
    finally:
        if running.process.poll() is None:
            running.process.kill()
        running.process.communicate()


def test_the_command_serves_a_log_and_takes_the_controls(demo_log: Path) -> None:
    with replayed(str(demo_log), "--pace", "5") as running:
        assert running.url in running.said
        status, play = running.ask("/api/play")
        assert (status, play["pace"], play["paused"]) == (200, 5.0, False)
        assert play["duration_s"] == pytest.approx(241.2)  # invented for the demo
        status, play = running.ask("/api/play", {"t_s": 150, "paused": True})
        assert (status, play["t_s"], play["paused"]) == (200, 150.0, True)
        _, now = running.ask("/api/now")
        assert (now["t_s"], now["utc"], now["live"]) == (150.0, "2026-06-01T14:32:30.000Z", False)
        for wrong in (
            {}, {"pace": 0}, {"pace": 1000}, {"pace": True}, {"paused": 1}, {"t_s": -1}, {"t_s": "5"},
            {"speed": 3}, [1], None,
        ):  # fmt: skip
            status, answer = running.ask("/api/play", wrong if wrong is not None else "x")
            assert status == 422, wrong
            assert answer["error"]
        # a page of somebody else's turns nothing, and nothing is done to a logged run
        assert running.ask("/api/play", {"pace": 2}, origin="http://elsewhere.example")[0] == 403
        assert running.ask("/api/act", {"act": "note", "text": "x"})[0] == 404
        assert running.ask("/api/pair", {"code": "12345678"})[0] == 404
        assert running.end() == (0, "")


def test_the_command_replays_a_recording_first() -> None:
    with replayed(str(DATA / "demo.nmea"), "--rig", str(DATA / "demo.rig.toml")) as running:
        assert running.url in running.said
        status, play = running.ask("/api/play", {"t_s": 1e6})
        assert (status, play["t_s"]) == (200, play["duration_s"])
        _, told = running.ask("/api/status")
        assert told["totals"]["volume_l"] == pytest.approx(26.24, abs=0.01)  # invented for the demo
        assert running.end() == (0, "")


def test_the_command_refuses_what_does_not_go_with_pages(demo_log: Path, tmp_path: Path) -> None:
    words = tmp_path / "words.txt"
    words.write_text("no sentence\n", encoding="utf-8")
    for arguments, why in (
        ([str(demo_log), "--to", str(tmp_path / "a.sqlite")], "leave out --to"),
        ([str(demo_log), "--json"], "leave out --to"),
        ([str(demo_log), "--pace", "1000"], "from 1 to 100"),
        ([str(words), "--rig", str(DATA / "demo.rig.toml")], "no NMEA 0183 sentence"),
    ):
        running = Replay(*arguments)
        _, errors = running.process.communicate(timeout=60)
        assert running.process.returncode == 2, arguments
        assert why in errors


def test_a_taken_port_is_told(demo_log: Path) -> None:
    with replayed(str(demo_log)) as running:
        command = [*running.process.args[:3], "replay", str(demo_log), "--serve", "--port", str(running.port)]
        second = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
        assert second.returncode == 2
        assert "another --port" in second.stderr
