"""The crew's page in a real browser: every state, read, measured and kept as a picture."""

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browser import SCREENSHOTS, Watched, contrasts, inaccessible
from crew_rig import CrewRig, crew_rig

from rigmon.model import Flag, Weather
from tests.helpers.pages import post

ROOMS = {"phone": (360, 640), "narrow": (320, 560), "landscape": (740, 340), "desktop": (1280, 800)}

# Text that reaches out of the window to a side, and a page that would have to be moved sideways.
_SIDEWAYS = """() => {
  const found = [];
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let node = walk.nextNode(); node; node = walk.nextNode()) {
    const element = node.parentElement;
    if (!node.textContent.trim() || !element.checkVisibility()) continue;
    if (element.closest(".unseen, select")) continue;
    const range = document.createRange();
    range.selectNodeContents(node);
    const at = range.getBoundingClientRect();
    if (at.left < 0 || at.right > innerWidth) found.push(node.textContent.trim());
  }
  if (document.scrollingElement.scrollWidth > innerWidth) found.push("the page is too wide");
  return found;
}"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "runs").mkdir()
    return tmp_path / "runs"


@pytest.fixture
def rig(folder: Path) -> Iterator[CrewRig]:
    with crew_rig(folder) as running:
        yield running


def opened(browser: Any, rig: CrewRig, room: str = "phone", **options: Any) -> Watched:
    width, height = ROOMS[room]
    return Watched(browser, rig.url, width=width, height=height, **options).open()


def picture(page: Any, name: str) -> None:
    """The whole page, where pictures were asked for."""
    if SCREENSHOTS is not None:
        SCREENSHOTS.mkdir(parents=True, exist_ok=True)
        page.screenshot(path=str(SCREENSHOTS / f"{name}.png"), full_page=True)


def looks_right(watched: Watched, what: str) -> None:
    picture(watched.page, f"crew-{what}")
    assert watched.page.evaluate(_SIDEWAYS) == [], what
    weak = [(text, round(ratio, 1)) for text, ratio in contrasts(watched.page) if ratio < 7.0]
    assert weak == [], what
    assert inaccessible(watched.page) == [], what
    watched.no_fault()


def reads(watched: Watched, selector: str, text: str) -> None:
    """Wait until an element says it."""
    watched.page.wait_for_function(
        "([selector, text]) => document.querySelector(selector).textContent.includes(text)",
        arg=[selector, text],
        timeout=10_000,
    )


def is_live(watched: Watched) -> None:
    watched.wait("document.documentElement.dataset.is === 'live'")


FULL_TANK_L = 189.3  # invented for the demo; 50 gal


def working(rig: CrewRig) -> None:
    """A run with passes, a tank, alerts that are up and one that was acknowledged."""
    rig.begin()
    rig.act("refill", volume_l=FULL_TANK_L, full=True)
    rig.drive(500, 0.5)
    rig.alert("pressure_loss")
    rig.finding("nozzles_plugged")
    rig.alert("gps_late")
    rig.act("acknowledge", "gps_late")


def pair(watched: Watched, rig: CrewRig) -> None:
    watched.page.wait_for_selector("#code", state="visible")
    watched.wait("!document.querySelector('#pair button').disabled")
    watched.page.fill("#code", f"{rig.pairing.code[:4]} {rig.pairing.code[4:]}")
    watched.page.click("#pair button")
    watched.page.wait_for_selector("#deeds", state="visible")
    watched.page.click("#said-ok")


def stand(rig: CrewRig) -> None:
    rig.told = {"speed_share": 0.0, "boom_on": 0, "distance_m": 0.0, "area_m2": 0.0, "volume_l": 0.0}


# -- what it shows ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("room", ROOMS)
def test_a_run_in_every_room(browser: Any, rig: CrewRig, room: str) -> None:
    working(rig)
    for scheme in ("light", "dark"):
        with opened(browser, rig, room, color_scheme=scheme) as watched:
            is_live(watched)
            reads(watched, "#alert-list", "pressure loss")
            reads(watched, "#finding-list", "nozzle plugged")
            assert "acknowledged, still up" in watched.text("#alert-list")
            assert watched.text("#state") == "run going on"
            assert watched.text("#clock").startswith("2026-06-01 14:3")
            assert watched.text("#clock").endswith("UTC")
            assert watched.text("#legend").startswith("below ")
            looks_right(watched, f"run-{room}-{scheme}")


def test_findings_say_what_to_look_at_and_how_to_do_so_safely(browser: Any, rig: CrewRig) -> None:
    working(rig)
    with opened(browser, rig) as watched:
        reads(watched, "#finding-list", "boom off, pump stopped")
        text = watched.text("#finding-list")
        for part in ("seen by", "most likely", "look at"):
            assert part in text


def test_figures_are_the_boards_in_both_systems(browser: Any, folder: Path) -> None:
    for units, rate_unit, volume_unit in (("us", "gal/ac", "gal"), ("metric", "L/ha", "L")):
        with crew_rig(folder, units) as rig:
            working(rig)
            stand(rig)
            with opened(browser, rig) as watched:
                is_live(watched)
                told = rig.do(rig.board.status)
                reads(watched, "#area", told["totals"]["shown"]["area"])
                reads(watched, "#volume", told["totals"]["shown"]["volume"])
                reads(watched, "#tank-level", told["tank"]["shown"]["level"])
                assert rate_unit in watched.text("#target")
                assert watched.text("#tank-level").endswith(f" {volume_unit}")
                assert rate_unit in watched.text("#legend")
                looks_right(watched, f"standing-{units}")


def test_tank_says_when_it_runs_out_and_what_is_unknown(browser: Any, rig: CrewRig) -> None:
    rig.begin()
    rig.drive(20)
    with opened(browser, rig) as watched:
        is_live(watched)
        reads(watched, "#tank-note", "unknown until a refill")
        assert watched.text("#tank-level").startswith("--")
        rig.act("refill", volume_l=FULL_TANK_L, full=True)
        reads(watched, "#tank-time", "min")
        assert not watched.text("#tank-distance").startswith("--")
        rig.told = {"flow_l_min": None, "volume_l": None, "flags": int(Flag.FLOW_STALE), "basis": 0}
        reads(watched, "#tank-level", "at most")
        reads(watched, "#tank-note", "there is less")
        looks_right(watched, "flow-unknown")


def test_before_the_first_reading_nothing_is_known(browser: Any, rig: CrewRig) -> None:
    with opened(browser, rig) as watched:
        reads(watched, "#state", "no readings from the rig")
        assert "unknown" in watched.text("#alert-list")
        for figure in ("#area", "#tank-level", "#target", "#clock"):
            assert watched.text(figure) == "--"
        reads(watched, "#runs-note", "No run log")
        looks_right(watched, "no-reading")


def test_between_runs(browser: Any, rig: CrewRig) -> None:
    """And the calibration book holds no target to choose."""
    stand(rig)
    rig.desk.book = []
    rig.drive(5)
    with opened(browser, rig) as watched:
        reads(watched, "#state", "between runs")
        reads(watched, "#so-far-head", "The last run")
        pair(watched, rig)
        watched.page.wait_for_selector("#no-target", state="visible")
        assert watched.page.is_hidden("#retarget")
        assert watched.page.is_enabled("[data-act=begin_run] button")
        assert watched.page.is_disabled("[data-act=end_run] button")
        looks_right(watched, "between-runs")


def test_speed_and_place_unknown(browser: Any, rig: CrewRig) -> None:
    rig.begin()
    rig.drive(60)
    rig.told = {"speed_share": None, "lat_deg": None, "lon_deg": None, "track_deg": None, "rate_l_ha": None,
                "area_m2": None, "distance_m": None, "flags": int(Flag.GPS_STALE)}  # fmt: skip
    with opened(browser, rig) as watched:
        reads(watched, "#map-note", "the place now is unknown")
        reads(watched, "#why", "the speed is unknown")
        reads(watched, "#sensors", "silent")
        assert watched.page.is_disabled("#pair button")
        looks_right(watched, "speed-unknown")


def test_wind_and_air_where_they_are_fitted(browser: Any, rig: CrewRig) -> None:
    rig.begin()
    rig.drive(5)
    with opened(browser, rig) as watched:
        is_live(watched)
        assert not watched.page.is_visible("#weather")

        def blow() -> None:
            values = dict.fromkeys(Weather._fields)
            values |= {"t_ns": round(rig.t_s * 1e9) + 4_000_000_000, "wind_2min_m_s": 3.0, "gust_m_s": 5.0}
            values |= {"wind_2min_from_deg": 225.0, "air_temperature_c": 21.0, "humidity_pct": 55.0}
            rig.take([Weather(**values)])

        rig.do(blow)
        # 3 m/s x 3600 / 1609.344 = 6.7 mph (hand-worked)
        reads(watched, "#wind", "6.7 mph")
        assert watched.text("#wind-from") == "225 °"
        looks_right(watched, "weather")


def test_hostile_names_are_text(browser: Any, rig: CrewRig) -> None:
    hostile = "<img src=x onerror=alert(1)>" + "W" * 90
    working(rig)
    rig.alert(hostile)
    with opened(browser, rig, "narrow") as watched:
        reads(watched, "#alert-list", "onerror")
        looks_right(watched, "hostile")


# -- silence ---------------------------------------------------------------------------------------------


def test_silence_blanks_within_a_second_and_it_comes_back(browser: Any, rig: CrewRig) -> None:
    working(rig)
    with Watched(browser, rig.url) as watched:
        watched.page.clock.install()
        watched.open()
        reads(watched, "#area", "ac")
        watched.page.clock.pause_at(watched.page.evaluate("Date.now()") + 1000)
        is_live(watched)
        # it has to know how often this receiver speaks
        watched.page.evaluate(
            """() => {
                 window.heard = 0;
                 const feed = new EventSource("/feed?only=now");
                 feed.addEventListener("now", () => ++window.heard === 8 && feed.close());
               }"""
        )
        watched.wait("window.heard >= 8")
        rig.silent = True
        rig.do(lambda: setattr(rig, "ahead_s", 0.98))  # the rig's clock and the page's go on alike
        watched.page.clock.run_for(980)
        watched.wait("document.documentElement.dataset.is === 'no_data'")
        assert watched.text("#area") == "--"
        assert "unknown" in watched.text("#alert-list")
        assert "as it was" in watched.text("#map-note")
        assert watched.page.is_disabled("#pair button")
        watched.page.clock.resume()
        looks_right(watched, "stale")
        rig.silent = False
        reads(watched, "#area", "ac")
        is_live(watched)


def test_a_lost_link_is_said_and_comes_back_by_itself(browser: Any, rig: CrewRig) -> None:
    working(rig)
    with opened(browser, rig, allowed=("ERR_", "net::")) as watched:
        is_live(watched)
        have = watched.page.evaluate("document.querySelector('#mark-said') !== null")
        assert have
        watched.context.set_offline(True)
        rig.do(lambda: [one.transport.abort() for one in list(rig.served.connections())])
        reads(watched, "#state", "no link")
        assert watched.text("#area") == "--"
        reads(watched, "#why", "the link is lost")
        looks_right(watched, "no-link")
        watched.context.set_offline(False)
        is_live(watched)
        reads(watched, "#area", "ac")
        watched.no_fault()


# -- doing -----------------------------------------------------------------------------------------------


def test_nothing_is_done_while_it_moves_or_is_not_paired(browser: Any, rig: CrewRig) -> None:
    working(rig)
    with opened(browser, rig) as watched:
        reads(watched, "#why", "the rig moves: stop first")
        assert watched.page.is_disabled("#pair button")
        assert watched.page.locator("#alert-list button").count() == 0
        stand(rig)
        reads(watched, "#why", "")
        pair(watched, rig)
        rig.told = {}
        reads(watched, "#why", "the rig moves: stop first")
        for button in watched.page.locator("#deeds button, #alert-list button").all():
            assert button.is_disabled()
        looks_right(watched, "paired-moving")
        assert rig.desk.asked == []


def test_a_wrong_code_is_told(browser: Any, rig: CrewRig) -> None:
    stand(rig)
    rig.drive(2)
    with opened(browser, rig, allowed=("403", "429")) as watched:
        watched.wait("!document.querySelector('#pair button').disabled")
        wrong = f"{(int(rig.pairing.code) + 1) % 10**8:08d}"
        watched.page.fill("#code", wrong)
        watched.page.click("#pair button")
        reads(watched, "#said-words", "this is not the code")
        watched.page.click("#pair button")
        reads(watched, "#said-words", "too many tries")
        looks_right(watched, "wrong-code")


def test_each_act_is_sent_once_and_its_answer_shown(browser: Any, rig: CrewRig) -> None:
    working(rig)
    stand(rig)
    page_acts: list[tuple[str, dict[str, str], dict[str, Any]]] = [
        ("note", {"#note-text": "gate left open"}, {"act": "note", "text": "gate left open"}),
        ("refill", {"#refill-volume": "25"}, {"act": "refill", "full": False, "volume": "25 gal"}),
        ("retarget", {}, {"act": "retarget", "record": "2026-05-30 target 1"}),
        ("end_run", {"#end-why": "field done"}, {"act": "end_run", "why": "field done"}),
    ]
    with opened(browser, rig) as watched:
        pair(watched, rig)
        watched.wait("document.getElementById('target-choice').options.length === 2")
        looks_right(watched, "paired-standing")
        for name, typed, expected in page_acts:
            button = f"[data-act={name}] button"
            for field, text in typed.items():
                watched.page.fill(field, text)
            watched.wait(f"!document.querySelector('{button}').disabled")
            before = len(rig.desk.asked)
            watched.page.dblclick(button, force=True)
            reads(watched, "#said-words", "Done: it is in the run log")
            assert rig.desk.asked[before:] == [expected]
            for field in typed:
                assert watched.page.input_value(field) == ""
        watched.page.click("#said-ok")
        watched.page.check("#refill-full")
        watched.page.select_option("#refill-unit", "L")
        watched.wait("!document.querySelector('[data-act=refill] button').disabled")
        watched.page.click("[data-act=refill] button")
        reads(watched, "#said-words", "Done")
        assert rig.desk.asked[-1] == {"act": "refill", "full": True}
        acknowledge = "#alert-list button"
        watched.wait(f"!document.querySelector('{acknowledge}').disabled")
        watched.page.click(acknowledge)
        watched.wait("document.getElementById('said-words').textContent.startsWith('Done')")
        assert rig.desk.asked[-1]["act"] == "acknowledge"
        looks_right(watched, "done")


def test_a_refusal_is_shown_in_the_rigs_own_words(browser: Any, rig: CrewRig) -> None:
    stand(rig)
    rig.drive(2)
    rig.desk.answer = (409, {"error": "a run goes on already", "done": False, "outcome": "refused"})
    with opened(browser, rig, allowed=("409", "403")) as watched:
        pair(watched, rig)
        watched.wait("!document.querySelector('[data-act=begin_run] button').disabled")
        watched.page.click("[data-act=begin_run] button")
        reads(watched, "#said-words", "Not done: a run goes on already")
        looks_right(watched, "refused")
        # the rig knows this browser no more
        rig.do(rig.pairing._sessions.clear)
        watched.wait("!document.querySelector('[data-act=begin_run] button').disabled")
        watched.page.click("[data-act=begin_run] button")
        reads(watched, "#said-words", "not paired")
        watched.page.wait_for_selector("#pair", state="visible")
        assert len(rig.desk.asked) == 1


def test_a_lost_answer_is_said_and_nothing_is_done_again(browser: Any, rig: CrewRig) -> None:
    import asyncio

    stand(rig)
    rig.drive(2)
    with opened(browser, rig, allowed=("ERR_", "net::")) as watched:
        pair(watched, rig)
        rig.do(lambda: setattr(rig.desk, "hold", asyncio.Event()))
        watched.page.fill("#note-text", "kept")
        watched.wait("!document.querySelector('[data-act=note] button').disabled")
        watched.page.click("[data-act=note] button")
        reads(watched, "#why", "Waiting for the answer")
        rig.do(lambda: [one.transport.abort() for one in list(rig.served.connections())])
        reads(watched, "#said-words", "No answer came")
        assert watched.page.input_value("#note-text") == "kept"
        is_live(watched)
        looks_right(watched, "no-answer")
        # the browser itself may have sent it again: it is one act all the same
        assert rig.desk.asked == [{"act": "note", "text": "kept"}]


def test_an_act_that_is_sent_again_is_done_once(rig: CrewRig) -> None:
    stand(rig)
    rig.drive(2)
    port = rig.served.port
    cookie = post(port, "/api/pair", {"code": rig.pairing.code}).headers["set-cookie"].partition(";")[0]
    note = {"act": "note", "text": "x"}
    for once in ("a", "a", "b"):
        assert post(port, "/api/act", {**note, "once": once}, cookie).status == 200
    assert rig.desk.asked == [note, note]
    for nameless in ("", 5, None, "x" * 65):
        assert post(port, "/api/act", {**note, "once": nameless}, cookie).status == 200
    assert len(rig.desk.asked) == 6


# -- last runs -------------------------------------------------------------------------------------------


def test_last_runs_with_score_and_report(browser: Any, rig: CrewRig, folder: Path, demo_log: Path) -> None:
    shutil.copy(demo_log, folder / "20260601-143000-abcdef.sqlite")
    (folder / "damaged.sqlite").write_bytes(demo_log.read_bytes()[:9000])
    shutil.copy(demo_log, folder / "invented-run.sqlite")
    rig.begin("invented-run")
    rig.drive(3)
    with opened(browser, rig) as watched:
        reads(watched, "#run-list", "2026-06-01 14:30 UTC")
        text = watched.text("#run-list")
        assert "invented-run, going on" in text
        assert "damaged, cannot be read" in text
        one = "[data-run='20260601-143000-abcdef']"
        watched.page.click(f"{one} button:has-text('score')")
        watched.page.wait_for_function(
            "(one) => document.querySelector(one).textContent.includes('of the area in tolerance')",
            arg=one,
            timeout=60_000,
        )
        watched.page.click(f"{one} button:has-text('report')")
        link = watched.page.locator(f"{one} a")
        link.wait_for(timeout=60_000)
        looks_right(watched, "runs")
        with watched.context.expect_page() as news:
            link.click()
        report = news.value
        report.on("console", lambda said: watched.faults.append(said.text))
        report.wait_for_load_state()
        assert "Run report" in report.title() or report.locator("h1").count() == 1
        # in its sandbox it has no origin, so it can do nothing here
        assert report.evaluate("origin") == "null"
        picture(report, "crew-report")
        watched.no_fault()


# -- the map ---------------------------------------------------------------------------------------------


def test_the_map_is_moved_by_keys_fingers_and_buttons(browser: Any, rig: CrewRig) -> None:
    working(rig)
    with opened(browser, rig, has_touch=True) as watched:
        is_live(watched)
        pixels = "document.getElementById('field').toDataURL()"

        def changes(what: Any) -> None:
            stand(rig)
            before = watched.page.evaluate(pixels)
            what()
            watched.page.wait_for_function(f"(before) => {pixels} !== before", arg=before, timeout=10_000)

        watched.page.focus("#field")
        for key in ("ArrowLeft", "ArrowUp", "+", "-", "0", "r", "m"):
            changes(lambda key=key: watched.page.keyboard.press(key))
        reads(watched, "#mark-said", "at 0:08:")
        changes(lambda: watched.page.click("#nearer"))
        changes(lambda: watched.page.click("#look-whole"))
        assert watched.page.get_attribute("#look-whole", "aria-pressed") == "true"
        box = watched.page.locator("#field").bounding_box()
        x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2

        def drag() -> None:
            watched.page.mouse.move(x, y)
            watched.page.mouse.down()
            watched.page.mouse.move(x + 60, y + 20, steps=4)
            watched.page.mouse.up()

        changes(drag)
        assert watched.page.get_attribute("#look-whole", "aria-pressed") == "false"
        changes(lambda: watched.page.mouse.wheel(0, -300))
        watched.no_fault()


def test_the_maps_colours_are_told_apart_with_any_colour_vision(browser: Any, rig: CrewRig) -> None:
    """Simulated as Machado, Oliveira and Fernandes (2009) do, at full severity (matrices from memory)."""
    matrices = {
        "usual": ((1, 0, 0), (0, 1, 0), (0, 0, 1)),
        "protan": (
            (0.152286, 1.052583, -0.204868), (0.114503, 0.786281, 0.099216), (-0.003882, -0.048116, 1.051998),
        ),
        "deutan": (
            (0.367322, 0.860646, -0.227968), (0.280085, 0.672501, 0.047413), (-0.011820, 0.042940, 0.968881),
        ),
        "tritan": (
            (1.255528, -0.076749, -0.178779), (-0.078411, 0.930809, 0.147602), (0.004733, 0.691367, 0.303900),
        ),
    }  # fmt: skip
    with opened(browser, rig) as watched:
        palettes = watched.page.evaluate("import('/static/map.js').then((map) => map.COLOURS)")
    for theme, paper in (("light", 1.0), ("dark", 0.0)):
        doses = [_linear(palettes[theme][code]) for code in (3, 4, 5, 6, 7)]
        for colour in doses:
            light = sum(w * c for w, c in zip((0.2126, 0.7152, 0.0722), colour, strict=True))
            ratio = (max(light, paper) + 0.05) / (min(light, paper) + 0.05)
            assert ratio >= 3.0, (theme, colour)  # WCAG 2.2, 1.4.11
        for vision, matrix in matrices.items():
            seen = [_lab(_through(matrix, colour)) for colour in doses]
            # what has the same width class: neighbours, and the two ends
            for a, b in ((0, 1), (1, 2), (2, 3), (3, 4), (0, 4), (1, 3)):
                far = sum((p - q) ** 2 for p, q in zip(seen[a], seen[b], strict=True)) ** 0.5
                # 2.3 is a just noticeable difference (Mahy 1994, from memory): six of them
                assert far >= 14.0, (theme, vision, a, b, far)


def _linear(text: str) -> tuple[float, ...]:
    values = (int(text[i : i + 2], 16) / 255 for i in (1, 3, 5))
    return tuple(v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in values)


def _through(matrix: Any, colour: tuple[float, ...]) -> tuple[float, ...]:
    return tuple(min(1.0, max(0.0, sum(m * c for m, c in zip(row, colour, strict=True)))) for row in matrix)


def _lab(colour: tuple[float, ...]) -> tuple[float, float, float]:
    """CIE 1976 L*a*b*, D65, from linear sRGB (IEC 61966-2-1)."""
    rows = ((0.4124, 0.3576, 0.1805), (0.2126, 0.7152, 0.0722), (0.0193, 0.1192, 0.9505))
    xyz = [sum(m * c for m, c in zip(row, colour, strict=True)) for row in rows]
    x, y, z = (
        t ** (1 / 3) if t > (6 / 29) ** 3 else t / (3 * (6 / 29) ** 2) + 4 / 29
        for t in (v / w for v, w in zip(xyz, (0.95047, 1.0, 1.08883), strict=True))
    )
    return 116 * y - 16, 500 * (x - y), 200 * (y - z)
