"""The map of a run under way, drawn from its run log: as if its samples had been seen."""

import asyncio
import sys
import time
from pathlib import Path

import pytest
from helpers import make_rig, rig_toml
from helpers.pages import PATIENCE_S, child, free_port

sys.path.append(str(Path(__file__).parents[1] / "live"))
from samples import at

from rigmon.live.board import Board
from rigmon.live.state import LiveState
from rigmon.live.track import Track
from rigmon.log.header import new_log_path, run_header
from rigmon.log.writer import RunLogWriter
from rigmon.model import Reading, Sample, Source, Tick
from rigmon.web.past import recall
from rigmon.web.show import Show

RIG = make_rig()
#: up a field and back, 6 m beside
DRIVEN = [at(t, 2.0 * t if t < 60 else 240 - 2.0 * t, 0.0 if t < 60 else 6.0) for t in range(1, 121)]


def _log(folder: Path, run: str, samples: list[Sample]) -> None:
    """A run log with these samples."""
    path = new_log_path(folder, run)
    writer = RunLogWriter(path, run_header(run, "live", rig_toml()), lambda fault: None)  # noqa: ARG005
    writer.reading(Reading(0, 0, Source.HUB, Tick()))
    writer.outputs(samples)
    writer.close(200_000_000_000, "ended")


def _points(track: Track) -> list[int]:
    points: list[int] = track.since(track.epoch, 0, 10**6)["points"]
    return points


def _whole(samples: list[Sample]) -> Track:
    track = Track(RIG)
    for one in samples:
        track.take(one)
    return track


def _show(run: str | None, seen: int) -> Show:
    """What a process knows that was told the state after so many samples."""
    state = LiveState(RIG)
    state.begin(run)
    state.take(DRIVEN[:seen])
    show = Show(Board(RIG), 2)
    show.board.restore(state.to_json())
    return show


def test_the_map_is_as_if_it_had_been_there(tmp_path: Path) -> None:
    _log(tmp_path, "a", DRIVEN)
    show = _show("a", 120)
    epoch = show.board.track.epoch
    assert asyncio.run(recall(show, tmp_path)) is True
    assert _points(show.board.track) == _points(_whole(DRIVEN))
    assert show.board.track.epoch != epoch


def test_what_comes_meanwhile_is_put_behind_it_once(tmp_path: Path) -> None:
    _log(tmp_path, "a", DRIVEN)
    show = _show("a", 80)

    async def go() -> None:
        reading = asyncio.ensure_future(recall(show, tmp_path))
        await asyncio.sleep(0)
        for one in DRIVEN[80:]:
            show.take([one])
        assert await reading is True

    asyncio.run(go())
    assert _points(show.board.track) == _points(_whole(DRIVEN))
    show.take([at(121, 0.0, 12.0)])
    assert show.board._kept is None


def test_what_is_written_later_is_drawn_later(tmp_path: Path) -> None:
    """The log's outputs come about once a minute."""
    path = new_log_path(tmp_path, "a")
    writer = RunLogWriter(path, run_header("a", "live", rig_toml()), lambda fault: None)  # noqa: ARG005
    writer.reading(Reading(0, 0, Source.HUB, Tick()))
    writer.outputs(DRIVEN[:40])
    assert writer.flush()
    show = _show("a", 120)

    async def go() -> None:
        reading = asyncio.ensure_future(recall(show, tmp_path, 0.01))
        while len(show.board.track) < 2:
            await asyncio.sleep(0.001)
        assert _points(show.board.track) == _points(_whole(DRIVEN[:40]))
        writer.outputs(DRIVEN[40:])
        writer.flush()
        assert await reading is True

    asyncio.run(go())
    writer.close(200_000_000_000, "ended")
    assert _points(show.board.track) == _points(_whole(DRIVEN))


@pytest.mark.parametrize("run", [None, "b"])
def test_without_a_log_of_the_run_the_map_begins_now(tmp_path: Path, run: str | None) -> None:
    _log(tmp_path, "a", DRIVEN)
    show = _show(run, 120)
    track = show.board.track
    assert asyncio.run(recall(show, tmp_path, 0.0)) is False
    assert show.board.track is track


@pytest.mark.parametrize("data", [b"", b"no run log", b"SQLite format 3\0" + b"x" * 5000])
def test_a_log_that_cannot_be_read_costs_the_pages_nothing(tmp_path: Path, data: bytes) -> None:
    new_log_path(tmp_path, "a").write_bytes(data)
    show = _show("a", 120)
    assert asyncio.run(recall(show, tmp_path, 0.0)) is False
    assert show.board._kept is None


def test_another_run_that_has_begun_meanwhile_keeps_its_own_map(tmp_path: Path) -> None:
    _log(tmp_path, "a", DRIVEN)
    show = _show("a", 120)

    async def go() -> None:
        reading = asyncio.ensure_future(recall(show, tmp_path))
        await asyncio.sleep(0)
        show.board.begin("b")
        assert await reading is False

    asyncio.run(go())
    assert len(show.board.track) == 0


def test_the_real_process_draws_it(tmp_path: Path) -> None:
    runs = tmp_path / "runs"
    runs.mkdir()
    _log(runs, "a", DRIVEN)
    state = LiveState(RIG)
    state.begin("a")
    state.take(DRIVEN)
    toml = rig_toml(web={"port": free_port()}, log={"folder": str(runs)})
    with child(toml, tmp_path, state=state.to_json()) as running:
        end_s = time.monotonic() + PATIENCE_S
        while (track := running.get("/api/track").json())["n"] < 5:
            assert time.monotonic() < end_s
        assert track["points"] == _points(_whole(DRIVEN))
        assert track["epoch"] > 2
