"""The driver's page from the real pages' process: over its own feed, under its own policy for content."""

import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from browser import Watched, cut_off
from helpers import rig_toml
from helpers.pages import Child, child, free_port

sys.path.append(str(Path(__file__).parents[1] / "live"))
from samples import STANDING, sample

from rigmon.model import Alert


@contextmanager
def driven(running: Child, **fields: Any) -> Iterator[dict[str, Any]]:
    """A rig that makes ten samples a second; what is returned can be changed meanwhile."""
    done = threading.Event()

    def drive() -> None:
        t_s = 1.0
        while not done.wait(0.1):
            t_s += 0.1
            try:
                running.publish(sample(t_s, **fields))
            except OSError:
                return  # the child was killed

    thread = threading.Thread(target=drive)
    thread.start()
    try:
        yield fields
    finally:
        done.set()
        thread.join()


def shows(watched: Watched, word: str, speed: str) -> None:
    watched.wait(
        f"document.getElementById('word').textContent === '{word}'"
        f" && document.getElementById('speed').textContent === '{speed}'"
    )


def test_a_run_on_the_glass(browser: Any, tmp_path: Path) -> None:
    """2 m/s is 7.2 km/h and the target; 100 L/ha at 6 L/min over 5 m (hand-worked: 600 x 6 / (5 x 7.2))."""
    with (
        child(rig_toml(web={"port": free_port()}), tmp_path) as running,
        driven(running) as rig,
        Watched(browser, f"http://127.0.0.1:{running.port}/") as watched,
    ):
        watched.open()
        shows(watched, "HOLD", "7.2")
        assert watched.text("#at") == "7.2 km/h to hold"
        assert watched.text("#rate-and-unit") == "100 L/ha"
        rig["speed_m_s"] = 2.5
        shows(watched, "SLOWER", "9.0")
        assert watched.text("#off-figure") == "1.8"
        running.publish(Alert(1, "pressure_loss", True, 100.0, 150.0, "kPa"))
        watched.wait("document.getElementById('wrong').dataset.kind === 'hand'")
        assert watched.text("#words") == "pressure loss"
        assert cut_off(watched.page) == []
        rig.update(STANDING)
        shows(watched, "STOPPED", "0.0")
        watched.wait("document.getElementById('awake-is').textContent === 'yes'")
        watched.picture("driver-real")
        watched.no_fault()


def test_a_killed_server_is_told_and_found_again(browser: Any, tmp_path: Path) -> None:
    toml = rig_toml(web={"port": free_port()})
    (tmp_path / "second").mkdir()
    with child(toml, tmp_path) as first:
        watched = Watched(browser, f"http://127.0.0.1:{first.port}/", allowed=("net::ERR",))
        with driven(first):
            watched.open()
            shows(watched, "HOLD", "7.2")
            watched.page.evaluate("window.same = true")
            first.process.kill()
            shows(watched, "NO LINK", "--")
    with watched, child(toml, tmp_path / "second") as second, driven(second, speed_m_s=1.9):
        shows(watched, "HOLD", "6.8")
        assert watched.page.evaluate("window.same") is True
        watched.no_fault()


def test_a_daemon_that_makes_nothing_more_leaves_no_figure(browser: Any, tmp_path: Path) -> None:
    with (
        child(rig_toml(web={"port": free_port()}), tmp_path) as running,
        Watched(browser, f"http://127.0.0.1:{running.port}/") as watched,
    ):
        watched.open()
        shows(watched, "NO DATA", "--")
        with driven(running):
            shows(watched, "HOLD", "7.2")
        shows(watched, "NO DATA", "--")
        watched.no_fault()
