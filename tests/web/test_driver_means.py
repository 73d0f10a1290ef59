"""The driver's page in a real browser: light and dark, tones, the screen that stays on, how long it took."""

from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from browser import UNTRUSTED, Watched
from rig_states import message
from standin import STATIC, StandIn, stand_in

from rigmon.edge.signals import RHYTHM, Sound
from rigmon.web.awake_video import video

# What the page asks of the browser's sound. Without a sound device the context runs all the same.
_NOTED = """
window.contexts = 0;
window.AudioContext = class extends AudioContext { constructor() { super(); window.contexts += 1; } };
window.gains = [];
const set = AudioParam.prototype.setValueAtTime;
AudioParam.prototype.setValueAtTime = function (value, at) {
  if (this.maxValue > 1e6 && value <= 1) window.gains.push([value, at]);
  return set.call(this, value, at);
};
"""
_NO_LOCK = "navigator.wakeLock.request = () => Promise.reject(new Error('saving the battery'));"
_NO_FILM = "HTMLMediaElement.prototype.play = () => Promise.reject(new Error('not without a touch'));"
_KEEPS_NOTHING = """Object.defineProperty(window, 'localStorage', {
  get() { throw new DOMException('no', 'SecurityError'); } });"""
_FILM = "document.getElementById('film')"


@pytest.fixture
def rig() -> Iterator[StandIn]:
    with stand_in() as server:
        server.message = message()
        yield server


def awake(watched: Watched, text: str) -> None:
    watched.wait(f"document.getElementById('awake-is').textContent === '{text}'")


# -- light and dark ------------------------------------------------------------------------------------


def test_light_and_dark_follow_the_phone_until_they_are_chosen(browser: Any, rig: StandIn) -> None:
    theme = "document.documentElement.dataset.theme"
    with Watched(browser, rig.url, color_scheme="dark") as watched:
        watched.open()
        assert watched.page.evaluate(theme) == "dark"
        watched.page.emulate_media(color_scheme="light")
        watched.wait(f"{theme} === 'light'")
        watched.page.click("#theme")
        assert watched.page.evaluate(theme) == "dark"
        assert watched.text("#theme") == "screen dark"
        watched.page.reload()
        assert watched.page.evaluate(theme) == "dark"
        watched.page.click("#theme")
        assert watched.page.evaluate(theme) == "light"
        watched.no_fault()


def test_a_browser_that_keeps_nothing_changes_colours_all_the_same(browser: Any, rig: StandIn) -> None:
    with Watched(browser, rig.url) as watched:
        watched.context.add_init_script(_KEEPS_NOTHING)
        watched.open()
        watched.page.click("#theme")
        assert watched.page.evaluate("document.documentElement.dataset.theme") == "dark"
        watched.no_fault()


# -- tones ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("sound", [Sound.TOO_FAST, Sound.TOO_SLOW, Sound.FLOW])
def test_tones_have_the_buzzers_rhythm_once_they_are_touched(
    browser: Any, rig: StandIn, sound: Sound
) -> None:
    rig.message = {**message(), "sound": sound.value}
    with Watched(browser, rig.url) as watched:
        watched.context.add_init_script(_NOTED)
        watched.open_still()
        watched.wait("document.getElementById('word').textContent === 'HOLD'")
        assert watched.page.evaluate("window.contexts") == 0  # off until then
        assert watched.text("#tones") == "tones off"
        watched.page.click("#tones")
        watched.wait("document.getElementById('tones-are').textContent === 'on'")
        assert watched.page.get_attribute("#tones", "aria-pressed") == "true"
        watched.picture("driver-tones-on")
        count = len(RHYTHM[sound])
        # after the switch's own tone: the moments at which it goes on and off in turn
        watched.wait(f"window.gains.length >= {count} + 4")
        gains = watched.page.evaluate("window.gains")[-count - 1 :]
        assert [value > 0 for value, _ in gains] == [i % 2 == 0 for i in range(count)] + [False]
        times = [after - before for (_, before), (_, after) in pairwise(gains)]
        assert times == pytest.approx(RHYTHM[sound], abs=1e-6)
        # when its round is over it is said again
        watched.page.evaluate("window.gains.length = 0")
        watched.page.clock.resume()
        watched.wait(f"window.gains.filter(([value]) => value > 0).length >= {count // 2}")
        watched.page.click("#tones")
        assert watched.text("#tones") == "tones off"
        watched.no_fault()


def test_tones_stop_with_the_message_and_with_the_link(browser: Any, rig: StandIn) -> None:
    rig.message = {**message(), "sound": "flow"}
    with Watched(browser, rig.url, allowed=("status of 503",)) as watched:
        watched.context.add_init_script(_NOTED)
        watched.open()
        watched.page.click("#tones")
        watched.wait("window.gains.length >= 7")
        rig.message = {**message(), "sound": "none"}
        watched.wait("window.gains.at(-1)[0] === 0")
        rig.message = {**message(), "sound": "too slow"}
        watched.wait("window.gains.filter(([value]) => value > 0).length >= 4")
        rig.refuse = True
        rig.drop()
        watched.wait("document.getElementById('speed').textContent === '--'")
        assert watched.page.evaluate("window.gains.at(-1)[0]") == 0
        watched.no_fault()


# -- the screen stays on -------------------------------------------------------------------------------


def test_the_wake_lock_is_taken_where_there_is_one(browser: Any, rig: StandIn) -> None:
    """On the device itself, which browsers trust."""
    with Watched(browser, rig.url) as watched:
        watched.open()
        awake(watched, "yes")
        assert watched.page.evaluate("isSecureContext") is True
        assert watched.page.evaluate(f"{_FILM}.paused") is True
        assert not any("awake.mp4" in asked for asked in rig.asked)
        watched.no_fault()


def test_over_plain_http_a_film_plays_instead(browser: Any, rig: StandIn) -> None:
    """Over the rig's network, which browsers do not trust: there is no wake lock at all."""
    with Watched(browser, f"http://{UNTRUSTED}:{rig.port}/") as watched:
        watched.open()
        awake(watched, "by film")
        assert watched.page.evaluate("'wakeLock' in navigator") is False
        watched.wait(f"{_FILM}.currentTime > 0.2 && !{_FILM}.paused")
        assert watched.page.evaluate(f"[{_FILM}.videoWidth, {_FILM}.videoHeight, {_FILM}.duration]") == [
            160,
            144,
            43200,
        ]
        # as large as the window, and behind all of it
        box = watched.page.evaluate(f"(r => [r.width, r.height])({_FILM}.getBoundingClientRect())")
        assert box == [360, 640]
        assert watched.page.evaluate("document.elementFromPoint(180, 300).closest('main') !== null")
        watched.picture("driver-by-film")
        # it is over at last: from the start again; paused by the phone: said so, and mended by a touch
        watched.page.evaluate(f"{_FILM}.dispatchEvent(new Event('ended'))")
        watched.wait(f"!{_FILM}.paused && {_FILM}.currentTime < 60")
        watched.page.evaluate(f"{_FILM}.pause()")
        awake(watched, "no: touch")
        watched.page.click("#awake")
        awake(watched, "by film")
        watched.no_fault()


def test_a_refused_lock_falls_back_to_the_film(browser: Any, rig: StandIn) -> None:
    with Watched(browser, rig.url) as watched:
        watched.context.add_init_script(_NO_LOCK)
        watched.open()
        awake(watched, "by film")
        watched.no_fault()


def test_where_nothing_keeps_it_on_the_page_says_so(browser: Any, rig: StandIn) -> None:
    with Watched(browser, rig.url) as watched:
        watched.context.add_init_script(_NO_LOCK + _NO_FILM)
        watched.open()
        awake(watched, "no: touch")
        watched.picture("driver-not-kept-on")
        watched.page.click("#awake")
        awake(watched, "no")
        watched.no_fault()


def test_the_film_is_what_the_module_makes() -> None:
    assert Path(STATIC, "awake.mp4").read_bytes() == video()
    assert len(video()) < 2000


# -- how long it took ----------------------------------------------------------------------------------


def test_marks_are_left_only_when_they_are_asked_for(browser: Any, rig: StandIn) -> None:
    marks = "performance.getEntriesByName('glass').length"
    with Watched(browser, rig.url) as watched:
        watched.open()
        watched.wait("document.getElementById('speed').textContent === '3.5'")
        assert watched.page.evaluate(marks) == 0
    with Watched(browser, rig.url + "?marks") as watched:
        watched.open()
        watched.wait(f"{marks} >= 3")
        assert watched.page.evaluate("performance.getEntriesByName('glass')[0].detail") == 60.0
        watched.no_fault()
