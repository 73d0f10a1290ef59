"""`rigmon season` as a person uses it: text, JSON, page; what it refuses; that it never writes over a log."""

import json
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from invoking import Made, done, refused, rigmon
from terminal import COLUMNS, Phone

from rigmon.analysis.season.cache import NAME

DAY_MS = 86_400_000


@pytest.fixture
def runs(made: Made, tmp_path: Path) -> Path:
    """Seven runs of one rig, a day apart, and a log that the card has damaged."""
    folder = tmp_path / "runs"
    folder.mkdir()
    for n in range(7):
        path = shutil.copy(made.log, folder / f"run-{n}.sqlite")
        with closing(sqlite3.connect(path)) as connection, connection:
            connection.execute("UPDATE run SET run_id = ?", (f"run {n}",))
            connection.execute("UPDATE anchor SET utc_ms = utc_ms + ?", (n * DAY_MS,))
    (folder / "torn.sqlite").write_bytes(made.log.read_bytes()[:20_000])
    (folder / "bench.nmea").write_bytes(made.recording.read_bytes()[:5000])
    return folder


def test_the_season_as_text(runs: Path) -> None:
    us, metric = done("season", runs, "--jobs", 1), done("season", runs, "--jobs", 1, "--units", "metric")
    for text in (us, metric):
        assert text.startswith("7 runs: ")
        assert "nothing that stands out from the scatter between runs" in text
        assert "\n  torn.sqlite: the run log is damaged" in text
        assert "1 NMEA recording not scored" in text
        assert "The product label is the law" in text
    assert "gal/ac" in us
    assert "L/ha" not in us
    assert "L/ha" in metric
    assert "gal" not in metric


def test_json_has_every_figure_and_two_jobs_give_the_same(runs: Path) -> None:
    one, two = (json.loads(done("season", runs, "--json", "--no-cache", "--jobs", n)) for n in (1, 2))
    assert one == two
    assert [Path(run["path"]).name for run in one["runs"]] == [f"run-{n}.sqlite" for n in range(7)]
    assert [Path(left["path"]).name for left in one["left_out"]] == ["torn.sqlite"]
    assert one["html"] is None
    scored = json.loads(done("score", runs / "run-3.sqlite", "--json"))
    assert one["runs"][3]["score"]["rate"] == scored["rate"]


def test_the_cache_is_used_unless_told_otherwise(runs: Path) -> None:
    def used(*options: object) -> tuple[object, object]:
        cache = json.loads(done("season", runs, "--jobs", 1, "--json", *options))["cache"]
        return cache["file"], cache["used"]

    assert used("--no-cache") == (None, 0)
    assert not (runs / NAME).exists()
    assert used() == (str(runs / NAME), 0)
    assert used() == (str(runs / NAME), 7)
    elsewhere = runs.parent / "mine.jsonl"
    assert used("--cache", elsewhere) == (str(elsewhere), 0)


def test_the_page_is_written_again_but_over_nothing_else(runs: Path) -> None:
    page = runs / "season.html"
    assert done("season", runs, "--jobs", 1, "-o", page).endswith(f"Wrote {page}\n")
    first = page.read_text()
    assert json.loads(done("season", runs, "-o", page, "--json"))["html"] == str(page)
    assert page.read_text() == first
    notes = runs / "notes.html"
    notes.write_text("mine")
    refused("season", runs, "-o", notes, naming="notes.html: is there already")
    assert notes.read_text() == "mine"
    whole = (runs / "run-1.sqlite").read_bytes()
    refused("season", runs, "-o", runs / "run-1.sqlite", naming="ends in .html")
    assert (runs / "run-1.sqlite").read_bytes() == whole
    refused("season", runs, "-o", runs, naming="is a folder")
    refused("season", runs, "-o", runs / "no" / "season.html", naming="there is no folder")


def test_an_empty_folder_is_said_to_be_empty(tmp_path: Path) -> None:
    assert done("season", tmp_path) == f"No run logs that can be read in {tmp_path}\n"
    assert done("season", tmp_path, "-o", tmp_path / "a.html").endswith(f"Wrote {tmp_path / 'a.html'}\n")
    assert not (tmp_path / NAME).exists()


def test_refusals(tmp_path: Path) -> None:
    refused("season", naming="DIR")
    refused("season", tmp_path / "nothing", naming="nothing: there is no such folder")
    refused("season", tmp_path, "--jobs", 0, naming="--jobs")
    refused("season", tmp_path, "--jobs", 2, "--scheduler", "tcp://127.0.0.1:1", naming="give one")
    refused("season", tmp_path, "--cache", tmp_path / "c", "--no-cache", naming="give one")
    (tmp_path / "c").write_text("somebody's")
    refused("season", tmp_path, "--cache", tmp_path / "c", naming="is no season cache")


def test_a_bar_is_shown_on_a_terminal_only(runs: Path) -> None:
    assert rigmon("season", runs, "--no-cache", "--jobs", 1).err == ""
    with Phone("season", runs, "--no-cache", "--jobs", 2, cwd=runs) as phone:
        shown = phone.wait_for("] 8 of 8 logs")
        assert phone.end() == 0
    assert "[----------------] 0 of 8 logs" in shown
    assert all(len(line) < COLUMNS for line in shown.replace("\r", "\n").splitlines())


def test_ctrl_c_ends_it_and_its_processes_quietly(runs: Path) -> None:
    for n in range(7, 50):
        path = shutil.copy(runs / "run-0.sqlite", runs / f"run-{n}.sqlite")
        with closing(sqlite3.connect(path)) as connection, connection:
            connection.execute("UPDATE run SET run_id = ?", (f"run {n}",))
    with Phone("season", runs, "--jobs", 2, cwd=runs) as phone:
        phone.wait_for("] 1 of 51 logs")
        phone.press("\x03")
        assert phone.end() == 130
        assert "Traceback" not in phone.screen
        assert phone.screen.strip().endswith("rigmon: stopped")
    head, *kept = (runs / NAME).read_text().splitlines()
    assert 1 <= len(kept) < 50, "what was done by then is known"
    assert "rigmon_season_cache" in head
