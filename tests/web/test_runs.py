"""The list of runs, and the scores and reports that are made of them in processes of their own."""

import asyncio
import json
import os
import shutil
import sys
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any, TypeVar

import pytest
from starlette.responses import FileResponse, Response

from rigmon.web.runs import MOST, REPORT_CSP, Runs
from tests.helpers.apart import apart

T = TypeVar("T")


@pytest.fixture
def folder(tmp_path: Path, demo_log: Path) -> Path:
    runs = tmp_path / "runs"
    runs.mkdir()
    shutil.copy(demo_log, runs)
    return runs


@apart
def with_runs(work: Callable[[], Awaitable[T]]) -> T:
    async def run() -> T:
        return await asyncio.wait_for(work(), 120)

    return asyncio.run(run())


async def until_made(ask: Callable[[], Awaitable[Response]]) -> Response:
    while (answer := await ask()).status_code == 202:
        await asyncio.sleep(0.02)
    return answer


def told(answer: Response) -> Any:
    return json.loads(bytes(answer.body))


def test_list_tells_of_each_run_how_it_is(folder: Path, demo_log: Path) -> None:
    shutil.copy(demo_log, folder / "going.sqlite")
    (folder / "empty.sqlite").touch()
    (folder / "damaged.sqlite").write_bytes(demo_log.read_bytes()[:9000])
    (folder / "words.sqlite").write_text("no log at all", encoding="utf-8")
    (folder / "notes.txt").write_text("somebody's own", encoding="utf-8")

    async def work() -> dict[str, Any]:
        return await Runs(folder, "us", lambda: "going").newest()

    listed = with_runs(work)
    rows = {row["id"]: row for row in listed["runs"]}
    assert {name: row["state"] for name, row in rows.items()} == {
        "20260601-143000-abcdef": "ended",
        "going": "going_on",
        "empty": "unreadable",
        "damaged": "unreadable",
        "words": "unreadable",
    }
    ended = rows["20260601-143000-abcdef"]
    assert ended["started_utc"] == "2026-06-01T14:30:00.000Z"  # invented for the demo
    assert ended["duration_s"] == pytest.approx(241, abs=1)  # invented for the demo
    assert ended["score"] is None
    assert rows["empty"]["error"] == "is empty: the run was cut off before its log had begun"
    assert "not a run log" in rows["words"]["error"]
    assert str(folder) not in rows["damaged"]["error"]
    assert listed["more"] == 0


def test_no_folder_and_an_empty_one_are_no_runs(tmp_path: Path) -> None:
    async def work() -> Any:
        return await Runs(tmp_path / "none", "us", lambda: None).newest()

    assert with_runs(work) == {"runs": [], "more": 0, "error": None}


def test_only_the_newest_are_listed(folder: Path) -> None:
    for n in range(MOST + 3):
        (folder / f"old-{n:02d}.sqlite").touch()
        os.utime(folder / f"old-{n:02d}.sqlite", (n, n))

    async def work() -> Any:
        return await Runs(folder, "us", lambda: None).newest()

    listed = with_runs(work)
    assert len(listed["runs"]) == MOST
    assert listed["more"] == 4
    assert listed["runs"][0]["id"] == "20260601-143000-abcdef"


def test_score_and_report_are_made_once_and_kept(folder: Path) -> None:
    name = "20260601-143000-abcdef"

    async def work() -> tuple[Response, Response, Any]:
        runs = Runs(folder, "us", lambda: None, last=False)
        score = await until_made(lambda: runs.score(name))
        report = await until_made(lambda: runs.report(name))
        return score, report, await runs.newest()

    score, report, listed = with_runs(work)
    assert told(score)["run"]["run_id"] == name
    assert isinstance(report, FileResponse)
    assert report.headers["content-security-policy"] == REPORT_CSP
    assert Path(report.path).read_text(encoding="utf-8").lstrip().startswith("<!DOCTYPE html>")
    row = next(row for row in listed["runs"] if row["id"] == name)
    assert row["score"]["verdict"] == told(score)["verdict"]
    assert row["score"]["shown"]["in_tolerance"] == f"{told(score)['rate']['in_tolerance_area_pct']:.0f} %"
    # looking at a score does not give the log up: only logs that were scored may be deleted to make room
    assert not (folder / f"{name}.scored.json").exists()

    async def again() -> tuple[Response, Response]:
        runs = Runs(folder, "us", lambda: None, command=("/nowhere",))
        return await runs.score(name), await runs.report(name)

    assert [answer.status_code for answer in with_runs(again)] == [200, 200]
    # another file under the old name is another run
    os.utime(folder / f"{name}.sqlite", (1, 1))

    async def other() -> Response:
        runs = Runs(
            folder,
            "us",
            lambda: None,
            command=(sys.executable, "-c", "raise SystemExit('no more')"),
            last=False,
        )
        return await until_made(lambda: runs.score(name))

    answer = with_runs(other)
    assert (answer.status_code, told(answer)["error"]) == (422, "no more")


@pytest.mark.parametrize(
    "name", ["..", ".pages", "../x", "x" * 200, "no-such-run", "link", "a/b", "%2e%2e", "a\0b", ""]
)
def test_nothing_outside_the_list_is_reached(folder: Path, tmp_path: Path, demo_log: Path, name: str) -> None:
    shutil.copy(demo_log, tmp_path / "x.sqlite")
    (folder / "link.sqlite").symlink_to(tmp_path / "x.sqlite")

    async def work() -> list[Response]:
        runs = Runs(folder, "us", lambda: None)
        return [await runs.score(name), await runs.report(name)]

    for answer in with_runs(work):
        assert answer.status_code == 404
        assert not (folder / ".pages").exists()


def test_a_run_that_goes_on_is_left_alone(folder: Path) -> None:
    name = "20260601-143000-abcdef"

    async def work() -> Response:
        return await Runs(folder, "us", lambda: name).report(name)

    answer = with_runs(work)
    assert answer.status_code == 409
    assert "goes on" in told(answer)["error"]


def test_what_takes_too_long_is_ended_and_one_is_made_at_a_time(
    folder: Path, tmp_path: Path, demo_log: Path
) -> None:
    shutil.copy(demo_log, folder / "second.sqlite")
    going = tmp_path / "going"
    code = (
        "import os, sys, time\n"
        f"path = {str(going)!r}\n"
        "assert not os.path.exists(path), 'two at once'\n"
        "assert os.getpriority(os.PRIO_PROCESS, 0) == 19, 'as busy as anybody'\n"
        "open(path, 'w').close()\n"
        "time.sleep(0.3)\n"
        "os.unlink(path)\n"
        "sys.exit('done')\n"
    )

    async def both() -> list[Response]:
        runs = Runs(
            folder, "us", lambda: None, command=(sys.executable, "-c", f"import time; time.sleep(.2)\n{code}")
        )
        names = ("20260601-143000-abcdef", "second")
        return await asyncio.gather(*(until_made(lambda name=name: runs.score(name)) for name in names))

    assert [told(answer)["error"] for answer in with_runs(both)] == ["done", "done"]

    async def late() -> Response:
        slow = (sys.executable, "-c", "import time; time.sleep(60)")
        runs = Runs(folder, "us", lambda: None, command=slow, limit_s=0.3, last=False)
        return await until_made(lambda: runs.score("second"))

    answer = with_runs(late)
    assert "took longer than 0.3 s" in told(answer)["error"]


def test_missing_extra_says_what_to_install(folder: Path) -> None:
    """A Python without the extra: the command's own words reach the page."""
    without = (
        sys.executable,
        "-c",
        "import sys; sys.modules['jinja2'] = None; from rigmon.cli import main; sys.exit(main())",
    )

    async def work() -> Response:
        runs = Runs(folder, "us", lambda: None, command=without, last=False)
        return await until_made(lambda: runs.report("20260601-143000-abcdef"))

    answer = with_runs(work)
    assert answer.status_code == 422
    assert "pip install 'rigmon[" in told(answer)["error"]
