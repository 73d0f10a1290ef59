"""What the tests of the pages share: a real Chromium, and what has to hold of every page.

One browser for all tests of a module, a fresh context for each page. `Watched` notes what must not happen:
messages of the console, errors, requests to anybody but the page's own server. With RIGMON_SCREENSHOTS=FOLDER
in the environment pictures of every state are kept there for looking at; they take half of the time.

Playwright's plain interface keeps an event loop running in its thread, so in a module that uses the browser
no test can call `asyncio.run`.
"""

import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final
from urllib.parse import urlsplit

import pytest

CHROMIUM: Final = Path(os.environ.get("RIGMON_CHROMIUM", "/usr/bin/chromium"))
#: where pictures are kept; None: nowhere
SCREENSHOTS: Final = Path(os.environ["RIGMON_SCREENSHOTS"]) if os.environ.get("RIGMON_SCREENSHOTS") else None

#: A phone of 6 inches: what its screen measures [mm] (common practice: 68 x 142), seen from 0.7 m
SCREEN_MM: Final = (68.0, 142.0)
DISTANCE_MM: Final = 700.0


#: A name of this machine that browsers do not trust as they do localhost: as a rig is seen over its network
UNTRUSTED: Final = "rig.test"


def why_no_browser() -> str | None:
    """None: there is one."""
    if not CHROMIUM.exists():
        return f"no Chromium at {CHROMIUM} (apt install chromium)"
    try:
        import playwright.sync_api  # noqa: F401
    except ImportError:
        return "playwright is not installed (pip install 'rigmon[dev]')"
    return None


@contextmanager
def chromium(*arguments: str) -> Iterator[Any]:
    """A headless browser, as its playwright object. Skips the test where there is none, and says why."""
    why = why_no_browser()
    if why is not None:
        pytest.skip(why)
    from playwright.sync_api import sync_playwright

    # root has no sandbox to put a browser into
    sandbox = ["--no-sandbox"] if os.geteuid() == 0 else []
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=str(CHROMIUM), args=[*sandbox, "--disable-gpu", *arguments]
        )
        yield browser
        browser.close()


class Watched:
    """A page in a context of its own, with what it did wrong. Close it, or use it with `with`."""

    def __init__(
        self,
        browser: Any,
        url: str,
        *,
        width: int = 360,
        height: int = 640,
        allowed: tuple[str, ...] = (),
        **options: Any,
    ) -> None:
        """`allowed`: parts of console messages that the test provokes. `options`: of the context."""
        self.url = url
        self.faults: list[str] = []
        self._allowed = allowed
        self.context = browser.new_context(viewport={"width": width, "height": height}, **options)
        self.page = self.context.new_page()
        self.page.on("console", self._console)
        self.page.on("pageerror", lambda error: self.faults.append(f"error: {error}"))
        self.page.on("request", self._request)

    def _console(self, message: Any) -> None:
        if message.type in ("error", "warning") and not any(part in message.text for part in self._allowed):
            self.faults.append(f"console: {message.text} at {message.location}")

    def _request(self, request: Any) -> None:
        asked = urlsplit(request.url)
        if asked.scheme not in ("data", "blob") and asked.netloc != urlsplit(self.url).netloc:
            self.faults.append(f"asks a stranger: {request.url}")

    def open(self) -> "Watched":
        self.page.goto(self.url)
        return self

    def open_still(self) -> "Watched":
        """Open it and stop its clock: what it shows does not go stale, however slow the machine is.

        `page.clock` moves its time on.
        """
        self.page.clock.install(time=0)
        self.open()
        self.page.clock.pause_at(10_000)
        return self

    def wait(self, condition: str, timeout_s: float = 10.0) -> None:
        """Until a JavaScript expression is true; looked at in every frame."""
        # as a function, for the policy for content forbids to evaluate a text
        self.page.wait_for_function(f"() => ({condition})", timeout=1000 * timeout_s)

    def text(self, selector: str) -> str:
        return " ".join(self.page.locator(selector).inner_text().split())

    def picture(self, name: str) -> None:
        """Keep a picture of it for looking at, when pictures were asked for."""
        if SCREENSHOTS is not None:
            SCREENSHOTS.mkdir(parents=True, exist_ok=True)
            self.page.screenshot(path=str(SCREENSHOTS / f"{name}.png"))

    def no_fault(self) -> None:
        assert self.faults == []

    def close(self) -> None:
        self.context.close()

    def __enter__(self) -> "Watched":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


# -- what holds of every page --------------------------------------------------------------------------

# Every text that is seen, with its colour and what it stands on: the nearest ancestor that is painted.
_CONTRASTS: Final = """() => {
  const rgb = (text) => text.match(/[\\d.]+/g).map(Number);
  const light = ([r, g, b]) => [r, g, b].map((v) => v / 255)
    .map((v) => v <= .04045 ? v / 12.92 : ((v + .055) / 1.055) ** 2.4)
    .reduce((sum, v, i) => sum + v * [.2126, .7152, .0722][i], 0);
  const found = [];
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let node = walk.nextNode(); node; node = walk.nextNode()) {
    const element = node.parentElement;
    if (!node.textContent.trim() || !element.checkVisibility({ visibilityProperty: true })) continue;
    const range = document.createRange();
    range.selectNodeContents(node);
    if (range.getBoundingClientRect().width < 2) continue;
    const paint = (of) => rgb(getComputedStyle(of).backgroundColor);
    let painted = element;
    while (painted && (paint(painted)[3] ?? 1) === 0) painted = painted.parentElement;
    const ground = painted ? paint(painted) : [255, 255, 255];
    const [a, b] = [light(rgb(getComputedStyle(element).color)), light(ground)];
    found.push([node.textContent.trim(), (Math.max(a, b) + .05) / (Math.min(a, b) + .05)]);
  }
  return found;
}"""

# Texts that reach out of the window or of the box they are in; and a page that would have to be scrolled.
_CUT_OFF: Final = """() => {
  const found = [];
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let node = walk.nextNode(); node; node = walk.nextNode()) {
    const element = node.parentElement;
    if (!node.textContent.trim() || !element.checkVisibility({ visibilityProperty: true })) continue;
    if (element.closest(".unseen")) continue;
    const range = document.createRange();
    range.selectNodeContents(node);
    const at = range.getBoundingClientRect();
    const room = { left: 0, top: 0, right: innerWidth, bottom: innerHeight };
    const over = (box, by) => at.left < box.left - by || at.right > box.right + by;
    if (over(room, 0) || at.top < -at.height * .2 || at.bottom > innerHeight + at.height * .2)
      found.push(`'${node.textContent.trim()}' leaves the window`);
    const box = element.closest(".card, #word, #wrong, #off, .edge, #dose, button, td, th, li, section");
    if (box && over(box.getBoundingClientRect(), .5))
      found.push(`'${node.textContent.trim()}' leaves #${box.id}.${box.className}`);
    const lines = element.closest("#wrong, button, td, th, li")?.getBoundingClientRect();
    if (lines && (at.top < lines.top - 1 || at.bottom > lines.bottom + 1))
      found.push(`'${node.textContent.trim()}' is higher than its box`);
  }
  const page = document.scrollingElement;
  if (page.scrollWidth > innerWidth || page.scrollHeight > innerHeight)
    found.push(`${page.scrollWidth} x ${page.scrollHeight} does not fit ${innerWidth} x ${innerHeight}`);
  return found;
}"""


def contrasts(page: Any) -> list[tuple[str, float]]:
    """(text, its contrast to what it stands on), from the computed styles, by WCAG 2's formula."""
    return [(text, ratio) for text, ratio in page.evaluate(_CONTRASTS)]


def cut_off(page: Any) -> list[str]:
    """What cannot be read whole without scrolling."""
    return list(page.evaluate(_CUT_OFF))


def inaccessible(page: Any) -> list[str]:
    """What axe-core finds, by all its rules. It waits for timers, so not with the page's clock stopped."""
    import axe_playwright_python.sync_playwright as axe

    script = (Path(axe.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
    page.evaluate(script)
    found = page.evaluate("() => axe.run({ resultTypes: ['violations'] })")
    return [
        f"{broken['id']}: {broken['help']}: {[node['html'] for node in broken['nodes']]}"
        for broken in found["violations"]
    ]


def arc_minutes(height_px: float, mm_per_px: float) -> float:
    """The angle under which a height is seen from DISTANCE_MM [']: small, so 3437.75 minutes in a radian."""
    return 3437.75 * height_px * mm_per_px / DISTANCE_MM


#: The height of the letter H, or of a lower-case x, that an element's letters have [CSS px]
LETTER: Final = """(element, letter) => {
  const style = getComputedStyle(element);
  const pen = document.createElement("canvas").getContext("2d");
  pen.font = `${style.fontWeight} 1000px ${style.fontFamily}`;
  return pen.measureText(letter).actualBoundingBoxAscent / 1000 * parseFloat(style.fontSize);
}"""


def letters_px(page: Any, selectors: Sequence[str], letter: str = "H") -> dict[str, float]:
    """How high the letters of each element are, of the first where there are several."""
    script = f"""([selectors, letter]) => selectors.map(
        (selector) => ({LETTER})(document.querySelector(selector), letter))"""
    return dict(zip(selectors, page.evaluate(script, [list(selectors), letter]), strict=True))
