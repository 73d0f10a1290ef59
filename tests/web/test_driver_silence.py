"""The driver's page in a real browser: what is old is never shown, and what was lost comes back by itself.

Time is the page's own: playwright stops its clock and moves it on, so that nothing here depends on how fast
the machine is. Events still come over a real connection.
"""

from collections.abc import Iterator
from typing import Any

import pytest
from browser import Watched
from rig_states import message
from standin import StandIn, stand_in

# Every text that the speed has ever shown, so that a figure that was there for one frame is found; and how
# many events the page has taken.
_SEEN = """
window.seen = [];
window.heard = 0;
window.EventSource = class extends EventSource {
  addEventListener(name, take) {
    super.addEventListener(name, (event) => { take(event); window.heard += 1; });
  }
};
document.addEventListener("DOMContentLoaded", () => {
  const speed = document.getElementById("speed");
  new MutationObserver(() => window.seen.push(speed.textContent))
    .observe(speed, { childList: true, characterData: true, subtree: true });
});
"""
_SPEED = "document.getElementById('speed').textContent"
_FIGURES = ("#speed", "#hold", "#rate", "#rate-off", "#high", "#low")


@pytest.fixture
def rig() -> Iterator[StandIn]:
    with stand_in() as server:
        server.message = message()
        yield server


@pytest.fixture
def watched(browser: Any, rig: StandIn) -> Iterator[Watched]:
    with Watched(browser, rig.url, allowed=("net::ERR", "status of 503")) as page:
        page.context.add_init_script(_SEEN)
        yield page


def stopped_clock(watched: Watched) -> Any:
    """Open the page and stop its clock once it has everything it needs to show figures."""
    watched.open_still()
    shows(watched, "3.5")
    return watched.page.clock


def shows(watched: Watched, speed: str) -> None:
    watched.wait(f"{_SPEED} === '{speed}'")


def blank(watched: Watched, word: str) -> None:
    """No figure is left, and the word says why."""
    watched.wait(f"{_SPEED} === '--'")
    assert [watched.text(figure) for figure in _FIGURES] == ["--"] * len(_FIGURES)
    assert watched.text("#off-figure") == ""
    assert watched.text("#word") == word
    assert watched.page.evaluate("document.getAnimations().length") == 0


def live_at(rig: StandIn, watched: Watched, clock: Any, gap_ms: int) -> None:
    """Some messages, `gap_ms` apart by the page's clock, so that it knows how often this receiver speaks."""
    rig.mute = True
    rig.settle()
    for n in range(7):
        step(rig, watched, clock, gap_ms, n)


def step(rig: StandIn, watched: Watched, clock: Any, gap_ms: int, n: int) -> None:
    """Time goes on by `gap_ms`, with a beat each 250 ms, and then a message comes."""
    for at_ms in range(250, gap_ms + 1, 250):
        clock.run_for(250)
        say(rig, watched, "beat", {"age_ms": at_ms % gap_ms, "connected": True})
    clock.run_for(gap_ms % 250)
    say(rig, watched, "beat", {"age_ms": 0, "connected": True})
    say(rig, watched, "now", message(speed_share=1.0 + 0.05 * (n % 2)))
    shows(watched, ("3.5", "3.7")[n % 2])


def say(rig: StandIn, watched: Watched, event: str, data: dict[str, Any]) -> None:
    """Send an event and wait until the page has taken it."""
    heard = watched.page.evaluate("window.heard")
    rig.send(event, data)
    watched.wait(f"window.heard > {heard}")


@pytest.mark.parametrize("gap_ms", [100, 200])
def test_every_figure_is_gone_within_a_second_of_silence(watched: Watched, rig: StandIn, gap_ms: int) -> None:
    clock = stopped_clock(watched)
    rig.refuse = True  # nothing comes back by a new connection
    live_at(rig, watched, clock, gap_ms)
    clock.run_for(800)
    assert watched.text("#speed") == "3.5"
    clock.run_for(200)
    blank(watched, "NO LINK")
    assert watched.text("#words") == "link lost, trying again"
    watched.picture("driver-no-link")
    watched.no_fault()


def test_the_link_lives_but_no_reading_comes(watched: Watched, rig: StandIn) -> None:
    clock = stopped_clock(watched)
    live_at(rig, watched, clock, 100)
    for age_ms in (250, 500, 750, 1000):
        clock.run_for(250)
        say(rig, watched, "beat", {"age_ms": age_ms, "connected": True})
    blank(watched, "NO DATA")
    assert watched.text("#words") == "no readings from the rig"
    watched.picture("driver-no-data")
    rig.mute = False
    rig.message = message(speed_share=0.95)
    shows(watched, "3.3")


def test_an_old_reading_is_not_shown_though_messages_come(watched: Watched, rig: StandIn) -> None:
    """By the beat's age: the reading is old by the server's own clock."""
    watched.open()
    shows(watched, "3.5")
    rig.age_ms = 1500
    blank(watched, "NO DATA")
    rig.age_ms = None
    shows(watched, "3.5")
    rig.connected = False
    blank(watched, "NO DATA")
    rig.connected = True
    shows(watched, "3.5")
    watched.no_fault()


def test_a_receiver_of_1_hz_does_not_make_it_blink(watched: Watched, rig: StandIn) -> None:
    clock = stopped_clock(watched)
    live_at(rig, watched, clock, 1000)
    watched.page.evaluate("window.seen.length = 0")
    for n in range(7, 13):
        step(rig, watched, clock, 1000, n)
    assert set(watched.page.evaluate("window.seen")) == {"3.5", "3.7"}
    rig.refuse = True
    clock.run_for(1400)
    blank(watched, "NO LINK")


def test_a_dropped_connection_comes_back_without_reload(watched: Watched, rig: StandIn) -> None:
    watched.open()
    shows(watched, "3.5")
    watched.page.evaluate("window.same = true")
    rig.refuse = True
    rig.drop()
    blank(watched, "NO LINK")
    asked = rig.opened
    watched.wait(f"{_SPEED} === '--'")
    while rig.opened < asked + 2:  # an error of HTTP makes EventSource give up; the page does not
        watched.page.evaluate("new Promise(requestAnimationFrame)")
    blank(watched, "NO LINK")
    rig.message = message(speed_share=0.95)
    rig.refuse = False
    shows(watched, "3.3")
    assert watched.page.evaluate("window.same") is True
    watched.no_fault()


def test_a_server_that_is_started_again_is_found_again(browser: Any) -> None:
    with stand_in() as first:
        first.message = message()
        watched = Watched(browser, first.url, allowed=("net::ERR",)).open()
        shows(watched, "3.5")
        watched.page.evaluate("window.same = true")
    with watched:
        blank(watched, "NO LINK")
        with stand_in(port=first.port) as second:
            second.message = message(speed_share=0.95)
            shows(watched, "3.3")
            assert watched.page.evaluate("window.same") is True
            watched.no_fault()


def test_what_a_stalled_network_held_back_is_never_shown(watched: Watched, rig: StandIn) -> None:
    clock = stopped_clock(watched)
    live_at(rig, watched, clock, 100)
    opened = rig.opened
    rig.stall = True
    rig.mute = False
    rig.message = message(speed_share=0.8)  # 2.8, and it stays in the network
    rig.mute = True
    clock.run_for(1200)
    blank(watched, "NO LINK")
    assert rig.opened == opened + 1
    rig.stall = False
    rig.send(
        "now", message(speed_share=0.9)
    )  # what was held back comes with this one, over the old connection
    rig.mute = False
    rig.message = message(speed_share=0.95)
    clock.resume()
    shows(watched, "3.3")
    assert "2.8" not in watched.page.evaluate("window.seen")


_HIDE = """(hidden) => {
  Object.defineProperty(document, "hidden", { value: hidden, configurable: true });
  const state = hidden ? "hidden" : "visible";
  Object.defineProperty(document, "visibilityState", { value: state, configurable: true });
  document.dispatchEvent(new Event("visibilitychange"));
  return document.getElementById("speed").textContent;
}"""


def test_a_page_that_was_hidden_comes_back_blank(watched: Watched, rig: StandIn) -> None:
    watched.open()
    shows(watched, "3.5")
    opened = rig.opened
    # in the very task in which it is hidden, before any frame
    assert watched.page.evaluate(_HIDE, True) == "--"
    rig.message = message(speed_share=0.95)
    watched.page.evaluate("window.seen.length = 0")
    assert watched.page.evaluate(_HIDE, False) == "--"
    shows(watched, "3.3")
    assert set(watched.page.evaluate("window.seen")) == {"3.3"}
    assert rig.opened == opened + 1
    watched.no_fault()


def test_a_tab_that_the_browser_freezes_comes_back_blank(watched: Watched, rig: StandIn) -> None:
    watched.open()
    shows(watched, "3.5")
    rig.mute = True
    watched.page.evaluate("window.seen.length = 0")
    tool = watched.context.new_cdp_session(watched.page)
    tool.send("Page.setWebLifecycleState", {"state": "frozen"})
    rig.message = message(speed_share=0.95)
    tool.send("Page.setWebLifecycleState", {"state": "active"})
    blank(watched, "NO LINK")
    rig.mute = False
    shows(watched, "3.3")
    assert watched.page.evaluate("window.seen") == ["--", "3.3"]


def test_going_back_to_the_page_shows_nothing_old(watched: Watched, rig: StandIn) -> None:
    watched.open()
    shows(watched, "3.5")
    watched.page.goto(rig.url + "static/icon.svg")
    rig.message = message(speed_share=0.95)
    watched.page.go_back()
    shows(watched, "3.3")
    assert "3.5" not in watched.page.evaluate("window.seen.slice(window.seen.lastIndexOf('--'))")


def test_another_software_is_loaded_when_the_rig_stands(watched: Watched, rig: StandIn) -> None:
    watched.open()
    shows(watched, "3.5")
    watched.page.evaluate("window.same = true")
    rig.software = "2"
    rig.drop()
    watched.wait("document.getElementById('words').textContent === 'stop: new software'")
    watched.picture("driver-new-software")
    assert watched.page.evaluate("window.same") is True
    rig.message = message(speed_share=0.0, boom_on=0)
    watched.wait("window.same === undefined")
    shows(watched, "0.0")
    assert watched.text("#words") == "Eyes on the ground"


def test_a_message_that_is_no_message_does_no_harm(watched: Watched, rig: StandIn) -> None:
    watched.open_still()
    shows(watched, "3.5")
    rig.mute = True
    rig.settle()
    for odd in ({"v": 1}, {"advice": "hold", "shown": None}, {"advice": 7, "shown": {}}):
        say(rig, watched, "now", odd)
        assert watched.text("#speed") == "--"  # and not what was there before
    say(rig, watched, "now", {"advice": "hold", "shown": {}})
    assert watched.text("#word") == "HOLD"
    say(rig, watched, "beat", {})
    assert watched.text("#word") == "NO DATA"
    rig.mute = False
    rig.message = message(speed_share=0.95)
    shows(watched, "3.3")
    watched.no_fault()
