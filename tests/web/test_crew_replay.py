"""A logged run in both pages in a real browser: it says that it is one, plays, stands and is looked up."""

from pathlib import Path
from typing import Any

from browser import Watched
from test_crew_states import looks_right, reads
from test_playback import Replay, replayed


def _controls_work(watched: Watched, running: Replay) -> None:
    page = watched.page
    reads(watched, "#state", "REPLAY of a logged run")
    page.wait_for_selector("#play", state="visible")
    assert not page.is_visible("#acts")
    assert not page.is_visible("#runs")
    watched.wait("!document.getElementById('play-pause').disabled")
    assert watched.text("#play-pause") == "pause"
    # by keys alone
    page.focus("#play-pause")
    page.keyboard.press("Enter")
    reads(watched, "#play-pause", "play")
    page.focus("#play-at")
    page.keyboard.press("Home")
    reads(watched, "#play-time", "0:00:00 of 0:04:0")
    page.select_option("#play-pace", "50")
    watched.wait("document.getElementById('play-pace').value === '50'")
    assert running.ask("/api/play")[1]["pace"] == 50.0


def test_both_pages_show_a_logged_run(browser: Any, demo_log: Path) -> None:
    with replayed(str(demo_log), "--pace", "2") as running:
        for width, height, room in ((360, 640, "phone"), (320, 560, "narrow"), (1280, 800, "desktop")):
            with Watched(browser, f"{running.url}/crew", width=width, height=height) as watched:
                running.ask("/api/play", {"paused": False, "t_s": 0, "pace": 2})
                watched.open()
                _controls_work(watched, running)
                running.ask("/api/play", {"paused": True, "t_s": 150})
                # invented for the demo: the run begins at 14:30:00
                reads(watched, "#clock", "2026-06-01 14:32:30 UTC")
                reads(watched, "#play-time", "0:02:30 of 0:04:0")
                reads(watched, "#alert-list", "pressure loss")
                told = running.ask("/api/status")[1]
                reads(watched, "#area", told["totals"]["shown"]["area"])
                assert watched.page.locator("#alert-list button").count() == 0
                looks_right(watched, f"replay-{room}")
        with Watched(browser, f"{running.url}/") as watched:
            watched.open()
            reads(watched, "#basis", "REPLAY")
            # standing still, it shows on: a picture that stands is no silence
            watched.page.wait_for_function(
                "(speed) => document.getElementById('speed').textContent === speed",
                arg=running.ask("/api/now")[1]["shown"]["speed"],
            )
            watched.picture("driver-replay-paused")
            watched.no_fault()
        assert running.end() == (0, "")


def test_it_plays_on_to_the_end(browser: Any, demo_log: Path) -> None:
    with replayed(str(demo_log), "--pace", "100") as running:
        with Watched(browser, f"{running.url}/crew") as watched:
            watched.open()
            reads(watched, "#play-pause", "play")
            end = running.ask("/api/status")[1]
            reads(watched, "#volume", end["totals"]["shown"]["volume"])
            assert end["totals"]["shown"]["volume"] == "6.9 gal"  # invented for the demo
            watched.page.click("#play-pause")
            reads(watched, "#play-pause", "pause")
            watched.no_fault()
        assert running.end()[0] == 0
