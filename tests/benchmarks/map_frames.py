"""The crew's map in a browser: how long a frame takes after 10 hours of passes at 10 Hz.

added    a frame that draws what is new, while the rig drives on; against the same after 10 minutes of passes
whole    a frame that draws all of it anew, as after a move of the map
heap     what the page's script holds of memory

A frame's time is from its begin to the picture (one pixel is read back). The browser draws without a graphics
processor; the glass is a phone's, 360 x 640, at 3 device pixels to one of the page.
"""

from pathlib import Path
from statistics import median
from typing import Any, Final

from rigmon import config
from rigmon.live.board import Board
from rigmon.web.show import Show
from tests.benchmarks.harness import Figure, percentile
from tests.benchmarks.pages_cost import _passes
from tests.helpers.pages import Served
from tests.helpers.served import DATA
from tests.web.browser import chromium

GOAL_RATIO: Final = 2.0
#: below this a finger that moves the map sees it follow (common practice: 100 ms)
GOAL_WHOLE_MS: Final = 100.0
GOAL_HEAP_MB: Final = 30.0
_HZ: Final = 10
_FRAMES: Final = 40


def run(quick: bool, folder: Path) -> list[Figure]:  # noqa: ARG001
    hours = 1.0 if quick else 10.0
    with chromium("--enable-precise-memory-info", "--js-flags=--expose-gc") as browser:
        short, _, _, _ = _measure(browser, round(600 * _HZ))
        added, whole, heap_mb, points = _measure(browser, round(hours * 3600 * _HZ))
    note = f"{points} points of the map after {hours:g} h"
    return [
        Figure(
            "frame that adds what is new", median(added), "ms", median(short),
            median(added) / median(short), goal_ratio=GOAL_RATIO, note=note,
        ),
        Figure(
            "frame that draws all anew, 95th percentile", percentile(whole, 95), "ms", goal=GOAL_WHOLE_MS,
            note=f"median {median(whole):.1f} ms",
        ),
        Figure("heap of the page", heap_mb, "MB", goal=GOAL_HEAP_MB),
    ]  # fmt: skip


def _measure(browser: Any, count: int) -> tuple[list[float], list[float], float, int]:
    """(ms of frames that add, ms of frames that draw all, heap [MB], points)."""
    board = Board(config.load(DATA / "demo.rig.toml")[0])
    board.begin("invented")
    show = Show(board, 4)
    show.connected = True
    coming = _passes(count + 10 * _FRAMES)
    for _ in range(count):
        one = next(coming)
        board.state.take([one])
        board.track.take(one)
    served = Served(show)
    try:
        context = browser.new_context(viewport={"width": 360, "height": 640}, device_scale_factor=3)
        page = context.new_page()
        page.goto(f"http://127.0.0.1:{served.port}/crew?marks")
        drawn = (
            "() => Math.max(0, ...performance.getEntriesByName('map-frame').map((one) => one.detail.points))"
        )
        points = len(board.track)
        page.wait_for_function(f"(n) => ({drawn})() >= n", arg=points, timeout=60_000)
        added = _frames(page, lambda: served.call(lambda: _drive(show, coming)), "!one.detail.all")
        page.focus("#field")
        keys = iter(["ArrowLeft", "ArrowRight", "+", "-"] * _FRAMES)
        whole = _frames(page, lambda: page.keyboard.press(next(keys)), "one.detail.all")
        heap = page.evaluate("(gc(), performance.memory.usedJSHeapSize)") / 1e6
        context.close()
    finally:
        served.close()
    return added, whole, heap, points


def _drive(show: Show, coming: Any) -> None:
    show.take([next(coming) for _ in range(5)])
    show.changed()  # the map goes out with the crew's message


def _frames(page: Any, cause: Any, which: str) -> list[float]:
    """Times of the frames of a kind, each after its cause."""
    page.evaluate("performance.clearMarks()")
    found = f"performance.getEntriesByName('map-frame').filter((one) => {which})"
    for n in range(_FRAMES):
        cause()
        page.wait_for_function(f"(n) => {found}.length > n", arg=n, timeout=60_000)
    return [float(ms) for ms in page.evaluate(f"{found}.map((one) => one.detail.ms)")]
