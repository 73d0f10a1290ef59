"""The driver's page in a real browser: every state, read and measured on the glass."""

from collections.abc import Iterator
from typing import Any

import pytest
from browser import SCREEN_MM, Watched, arc_minutes, contrasts, cut_off, inaccessible, letters_px
from rig_states import STATES, message
from standin import StandIn, stand_in

from rigmon.edge.signals import MANNERS, Light
from rigmon.words import ALERT_WORDS

#: name -> what a browser leaves of a screen [CSS px]
ROOMS = {
    "phone": (360, 640),
    "phone_412": (412, 780),
    "narrow": (320, 480),
    "landscape": (740, 300),
    "landscape_412": (854, 340),
    "landscape_narrow": (568, 250),
}
#: states whose word is an order
ACTED_ON = ("hold", "hold_fastish", "hold_slowish", "slower", "faster", "fast_12", "by_catch", "replay")
#: what is read at a glance while driving; beside it; and what is known once it has been read
MAIN = ("#word", "#speed", "#hold", "#off-figure")
SECOND = ("#words", "#rate", "#rate-off")
LABELS = (".label", "#basis")
#: a code that a version to come may send, without a blank to break it at
LONGEST = "something_that_a_later_version_knows"


@pytest.fixture(scope="module")
def rig() -> Iterator[StandIn]:
    with stand_in() as server:
        yield server


def follow(rig: StandIn, watched: Watched, sent: dict[str, Any]) -> None:
    """Send a message and wait until it is what the page shows."""
    rig.message = sent
    wrong = sent["wrong"]
    watched.page.wait_for_function(
        """([say, shown, words]) => document.documentElement.dataset.say === say
            && document.getElementById("speed").textContent === shown.speed
            && document.getElementById("hold").textContent === shown.hold
            && document.getElementById("rate").textContent === shown.rate
            && (words === null || document.getElementById("words").textContent === words)""",
        arg=[sent["advice"], sent["shown"], None if wrong is None else wrong["words"]],
        timeout=10_000,
    )


def minus(text: str) -> str:
    """As it is typeset."""
    return text if text == "--" else text.replace("-", "\u2212")


def looks_right(watched: Watched, what: str) -> None:
    """What holds in every state."""
    assert cut_off(watched.page) == [], what
    weak = [(text, round(ratio, 1)) for text, ratio in contrasts(watched.page) if ratio < 7.0]
    assert weak == [], what
    watched.no_fault()


@pytest.mark.parametrize("units", ["us", "metric"])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_each_state_is_read_whole_with_contrast(browser: Any, rig: StandIn, scheme: str, units: str) -> None:
    with Watched(browser, rig.url, color_scheme=scheme) as watched:
        watched.open_still()
        for name, (told, word) in STATES.items():
            sent = message(units, **told)
            follow(rig, watched, sent)
            assert watched.text("#word") == word, name
            shown = sent["shown"]
            assert watched.text("#now") == f"{shown['speed']} {shown['speed_unit']} now", name
            assert watched.text("#at") == f"{shown['hold']} {shown['speed_unit']} to hold", name
            assert watched.text("#rate-and-unit") == f"{shown['rate']} {shown['rate_unit']}", name
            assert watched.text("#rate-off") == shown["rate_off"].replace("-", "\u2212").replace(
                "\u2212\u2212", "--"
            )
            looks_right(watched, name)
            watched.picture(f"driver-{scheme}-{units}-{name}")


@pytest.mark.parametrize("room", ROOMS)
def test_nothing_is_cut_off_in_any_room(browser: Any, rig: StandIn, room: str) -> None:
    width, height = ROOMS[room]
    with Watched(browser, rig.url, width=width, height=height) as watched:
        watched.open_still()
        for units in ("us", "metric"):
            for name, (told, _) in STATES.items():
                follow(rig, watched, message(units, **told, alerts=["start_mismatch", "pressure_silent"]))
                looks_right(watched, f"{room} {units} {name}")
                watched.picture(f"driver-{room}-{units}-{name}")


def test_the_cards_stand_as_the_speeds_do(browser: Any, rig: StandIn) -> None:
    """Place and shape say it without colour: too fast, and the left card is higher than the right one."""

    def middle(selector: str) -> float:
        box = watched.page.locator(selector).bounding_box()
        return float(box["y"] + box["height"] / 2)

    heights = []
    with Watched(browser, rig.url) as watched:
        watched.open_still()
        for share in (0.6, 0.93, 0.97, 1.0, 1.03, 1.08, 1.4):
            sent = message(speed_share=share)
            follow(rig, watched, sent)
            heights.append(middle("#at") - middle("#now"))
            acts = sent["advice"] != "hold"
            assert watched.page.locator("#off svg").is_visible() == acts
            assert watched.text("#off-figure") == (
                sent["shown"]["off"].lstrip("+-") if acts else minus(sent["shown"]["off"])
            )
            # how far off stands where the card has to go
            if share != 1.0:
                assert (middle("#off-figure") > middle("#now")) == (share > 1.0)
        # where there is no band, higher is faster too, and nothing is said to be off
        for told, faster in (
            ({"speed_share": 0.0}, -1), ({"boom_on": 0, "speed_share": 0.5}, -1), ({"boom_on": 0}, 0),
            ({"boom_on": 0, "speed_share": 2.0}, 1),
        ):  # fmt: skip
            follow(rig, watched, message(**told))
            higher = middle("#at") - middle("#now")
            assert (higher > 1) - (higher < -1) == faster, told
            assert watched.text("#off-figure") == ""
    assert heights == sorted(heights)
    assert heights[0] < heights[1] < 0 == heights[3] < heights[5] < heights[6]


def test_the_card_does_not_tremble_about_a_border(browser: Any, rig: StandIn) -> None:
    place = "document.querySelector('.lane').dataset.place"
    with Watched(browser, rig.url) as watched:
        watched.open_still()
        # a seventh of the band is about 3 % of the speed; 1.5 % is the border between the middle and the next
        for share, at in ((1.0, "0"), (1.018, "0"), (1.03, "1"), (1.015, "1"), (1.0, "0")):
            follow(rig, watched, message(speed_share=share, pressure_kpa=200.0 + share))
            watched.wait(f"{place} === '{at}'")


def test_each_alert_in_words_in_the_smallest_rooms(browser: Any, rig: StandIn) -> None:
    told = [code for code in ALERT_WORDS if MANNERS[code].trouble is not Light.DARK]
    assert len(told) > 15
    for room in ("narrow", "landscape_narrow"):
        width, height = ROOMS[room]
        with Watched(browser, rig.url, width=width, height=height) as watched:
            watched.open_still()
            for code in (*told, LONGEST):
                sent = message(alerts=[code])
                sent["wrong"]["more"] = 12  # as many as may be: the words have the least room
                follow(rig, watched, sent)
                hand = code in MANNERS and MANNERS[code].trouble is Light.FAST
                assert watched.page.get_attribute("#wrong", "data-kind") == ("hand" if hand else "know"), code
                assert watched.page.is_visible("#at-once") == hand, code
                assert watched.text("#more") == "+12"
                assert cut_off(watched.page) == [], f"{room} {code}"
            looks_right(watched, room)
            follow(rig, watched, message(speed_share=1.03, alerts=[told[0]]))
            watched.wait("document.getElementById('more').textContent === ''")
            watched.picture(f"driver-{room}-longest-words")


def test_only_what_needs_the_hand_now_flashes(browser: Any, rig: StandIn) -> None:
    moving = "document.getAnimations().length"
    hand = {"alerts": ["pressure_loss", "gps_late"]}
    with Watched(browser, rig.url) as watched:
        watched.open_still()
        for name, (told, _) in STATES.items():
            follow(rig, watched, message(**told, alerts=["gps_lost"]))
            assert watched.page.evaluate(moving) == 0, name
        follow(rig, watched, message(**hand))
        assert watched.page.evaluate(moving) == 1
        # WCAG 2.3.1: at most three flashes in a second; MIL-STD-1472E: a slow code has 2 or fewer
        assert watched.page.evaluate("document.getAnimations()[0].effect.getTiming().duration") == 500
        watched.picture("driver-hand")
        # both halves of the flash can be read
        for at_ms in (100, 350):
            watched.page.evaluate(
                f"document.getAnimations().forEach(a => {{ a.pause(); a.currentTime = {at_ms}; }})"
            )
            looks_right(watched, f"at {at_ms} ms of the flash")
        # seen by somebody, or with the boom off, it only stands there
        follow(rig, watched, message(alerts=["pressure_loss"], seen=["pressure_loss"], speed_share=0.95))
        watched.wait("document.getElementById('wrong').dataset.kind === 'seen'")
        assert watched.page.evaluate(moving) == 0
        watched.picture("driver-seen")
        follow(rig, watched, message(**hand, boom_on=0))
        assert watched.page.evaluate(moving) == 0
    with Watched(browser, rig.url, reduced_motion="reduce") as watched:
        watched.open_still()
        follow(rig, watched, message(**hand))
        assert watched.page.evaluate(moving) == 0
        assert watched.page.locator("#at-once").is_visible()
        looks_right(watched, "reduced motion")
        watched.picture("driver-hand-reduced-motion")


def test_eyes_on_the_ground_is_said_until_the_rig_has_moved(browser: Any, rig: StandIn) -> None:
    words = "#words"
    rig.message = stopped = message(**STATES["stopped"][0])
    with Watched(browser, rig.url) as watched:
        watched.open_still()
        follow(rig, watched, stopped)
        assert watched.text(words) == "Eyes on the ground"
        looks_right(watched, "caution")
        watched.picture("driver-caution")
        follow(rig, watched, message())
        watched.wait("document.getElementById('words').textContent === ''")
        follow(rig, watched, stopped)
        assert watched.text(words) == ""


def test_a_logged_run_says_that_it_is_a_replay(browser: Any, rig: StandIn) -> None:
    with Watched(browser, rig.url) as watched:
        watched.open_still()
        follow(rig, watched, message(live=False))
        assert watched.text("#basis") == "REPLAY"
        follow(rig, watched, message(speed_share=1.01))
        assert watched.text("#basis") == "meter"


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing(browser: Any, rig: StandIn, scheme: str) -> None:
    with Watched(browser, rig.url, color_scheme=scheme, reduced_motion="reduce") as watched:
        watched.open()  # axe waits for timers
        for name in ("slower", "boom_off", "speed_unknown"):  # every colour, and every part seen and hidden
            follow(rig, watched, message(**STATES[name][0], alerts=["pressure_loss", "gps_late"]))
            assert inaccessible(watched.page) == [], name


@pytest.mark.parametrize(
    ("room", "mm_per_px"),
    [
        # hand-worked: 68 mm / 360 = 0.1889; 68 / 412 = 0.1650; held across, the same pixels
        ("phone", 0.18889),
        ("phone_412", 0.16505),
        ("landscape", 0.18889),
        ("landscape_412", 0.16505),
    ],
)
def test_main_figures_are_40_arc_minutes_high(
    browser: Any, rig: StandIn, room: str, mm_per_px: float
) -> None:
    """Capitals and figures, from 0.7 m: main ones 40', what is wrong and the rate 20', labels 15'.

    ISO 15008 (from memory): 20' recommended, 16' acceptable; MIL-STD-1472 (from memory): 15' to 25'. 40' for
    what is read while driving is our own choice, for vibration and sun.
    """
    width, height = ROOMS[room]
    # the browser's own bars take a part of the length; the width is the phone's
    across = room.startswith("landscape")
    assert (height if across else width) * mm_per_px <= SCREEN_MM[0] + 0.01
    with Watched(browser, rig.url, width=width, height=height) as watched:
        watched.open_still()
        for units in ("us", "metric"):
            for name, (told, _) in STATES.items():
                follow(rig, watched, message(units, **told, alerts=["pressure_loss"]))
                heights = letters_px(watched.page, (*MAIN, *SECOND, *LABELS))
                sizes = {selector: arc_minutes(px, mm_per_px) for selector, px in heights.items()}
                for selector in MAIN:
                    # with the phone held across, words that call for nothing may be a little smaller
                    least = 34.0 if across and selector == "#word" and name not in ACTED_ON else 40.0
                    assert sizes[selector] >= least, (name, units, selector, sizes)
                for selector in SECOND:
                    assert sizes[selector] >= 17.0, (name, units, selector, sizes)
                assert min(sizes.values()) >= 13.0, (name, units, sizes)


def test_buttons_are_15_mm_and_more_for_gloves(browser: Any, rig: StandIn) -> None:
    for room, mm_per_px in (("phone", 0.18889), ("phone_412", 0.16505), ("landscape", 0.18889)):
        width, height = ROOMS[room]
        with Watched(browser, rig.url, width=width, height=height) as watched:
            watched.open_still()
            boxes = [button.bounding_box() for button in watched.page.locator("button").all()]
            assert len(boxes) == 3
            for box in boxes:
                assert box["width"] * mm_per_px >= 15.0
                assert box["height"] * mm_per_px >= 15.0


def test_a_phone_with_wide_letters_cuts_nothing_off(browser: Any, rig: StandIn) -> None:
    for room, (width, height) in ROOMS.items():
        with Watched(browser, rig.url, width=width, height=height) as watched:
            watched.open_still()
            watched.page.evaluate(
                "document.body.style.fontFamily = 'DejaVu Sans'; dispatchEvent(new Event('resize'))"
            )
            wide = watched.page.evaluate("document.documentElement.classList.contains('wide')")
            if not wide:
                pytest.skip("DejaVu Sans, whose letters are wide, is not installed here")
            for name, (told, _) in STATES.items():
                follow(rig, watched, message("metric", **told, alerts=["start_mismatch", "gps_late"]))
                assert cut_off(watched.page) == [], f"{room} {name}"
            watched.picture(f"driver-{room}-wide-letters")


def test_what_is_sent_is_text_whatever_it_says(browser: Any, rig: StandIn) -> None:
    hostile = "<img src=x onerror=alert(1)>"
    sent = message(alerts=["gps_lost"])
    sent["wrong"]["words"] = hostile
    sent["shown"] |= {"speed": ">99999", "off": ">99999", "rate": ">99999"}
    with Watched(browser, rig.url) as watched:
        watched.open_still()
        follow(rig, watched, sent)
        assert watched.text("#words") == hostile
        looks_right(watched, "hostile")
        # an advice that this page does not know is shown as unknown
        rig.message = {**sent, "advice": "fly"}
        watched.wait("document.getElementById('word').textContent === '--'")
        watched.no_fault()


def test_the_page_is_light(browser: Any, rig: StandIn) -> None:
    """All of it, the film included: 100 kB is the goal, less than a tenth of a second at 10 Mbit/s."""
    weights = {}
    with Watched(browser, rig.url) as watched:
        watched.page.on(
            "response", lambda got: weights.setdefault(got.url, int(got.headers.get("content-length", 0)))
        )
        watched.open_still()
        watched.page.evaluate("fetch('/static/awake.mp4').then(r => r.arrayBuffer())")
        watched.page.evaluate("fetch('/static/icon.svg').then(r => r.text())")
    assert len(weights) >= 5
    assert sum(weights.values()) < 100_000
    assert sum(weights.values()) > 10_000
