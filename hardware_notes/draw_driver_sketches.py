"""Draw the three sketches of the driver's page: python hardware_notes/draw_driver_sketches.py [FOLDER]

Writes driver_sketch_a.svg to driver_sketch_c.svg here, or into FOLDER, and prints what can be counted and
measured of each. The same bytes each time; only the standard library. All three are our own, and show the
same moment: 4.6 mph, 3.5 to hold, so 1.1 too fast, and a pressure loss. One unit is one CSS pixel of a phone
that is 360 wide.
"""

import sys
from html import escape
from pathlib import Path
from typing import Final, NamedTuple

_HERE: Final = Path(__file__).parent
WIDTH, HEIGHT = 360, 640
#: the phone's width, and how far the eye is [mm]
SCREEN_MM, DISTANCE_MM = 68.0, 700.0
MM_PER_PX: Final = SCREEN_MM / WIDTH
#: height of a capital or a figure, and of an x, in the size of common sans-serif letters
CAPITAL, X_HEIGHT = 0.716, 0.519


class Text(NamedTuple):
    """`what`: do, off, now, hold, band, wrong, rate or label. `at`: start, middle or end."""

    what: str
    words: str
    x: int
    y: int
    size: int
    at: str = "middle"
    white: bool = False


class Sketch(NamedTuple):
    """`way_mm`: how far what shows the way without being read stands from where it has to go [mm]."""

    name: str
    title: str
    desc: str
    shapes: tuple[str, ...]
    texts: tuple[Text, ...]
    way_mm: float


def _box(x: int, y: int, w: int, h: int, fill: str = "#fff") -> str:
    return f'<rect x="{x}" y="{y}" width="{w}" height="{h}" fill="{fill}" stroke="#000" stroke-width="4"/>'


A: Final = Sketch(
    "a",
    "Sketch A: a sentence",
    "Our own sketch of a driver's page, not chosen: five lines of large text. SLOWER, by 1.1 mph, now 4.6, "
    "to 3.5, 3.2 to 3.9; below them what is wrong, pressure loss and one more, and the rate. Nothing but the "
    "words says which way.",
    (_box(8, 466, 344, 88),),
    (
        Text("do", "SLOWER", 180, 78, 78),
        Text("off", "by 1.1 mph", 180, 164, 60),
        Text("now", "now 4.6", 180, 252, 72),
        Text("hold", "to 3.5", 180, 340, 72),
        Text("band", "3.2 to 3.9", 180, 420, 48),
        Text("wrong", "pressure loss", 20, 522, 40, "start"),
        Text("wrong", "+1", 338, 522, 36, "end"),
        Text("rate", "13.1 gal/ac", 12, 610, 34, "start"),
        Text("rate", "\u221223 %", 348, 610, 34, "end"),
    ),
    0.0,
)
B: Final = Sketch(
    "b",
    "Sketch B: a scale",
    "Our own sketch of a driver's page, not chosen: a scale of speeds from left to right, with the band as a "
    "grey box from 3.2 to 3.9, a line in it at 3.5, and a wedge that stands at 4.6, right of the box. Above "
    "it the word SLOWER and 4.6 mph, below it 1.1 off, then what is wrong and the rate.",
    (
        '<path d="M30 330H330" stroke="#000" stroke-width="6"/>',
        _box(114, 300, 84, 60, "#ddd"),
        '<path d="M150 292V368" stroke="#000" stroke-width="6"/>',
        '<path d="M282 322L258 276H306Z"/>',
        _box(8, 466, 344, 88),
    ),
    (
        Text("do", "SLOWER", 180, 74, 72),
        Text("now", "4.6", 150, 168, 96),
        Text("label", "mph", 286, 168, 36),
        Text("band", "3.2", 100, 396, 32),
        Text("hold", "3.5", 150, 278, 44),
        Text("band", "3.9", 204, 396, 32),
        Text("off", "1.1", 160, 446, 56),
        Text("label", "off", 250, 446, 32),
        Text("wrong", "pressure loss", 20, 522, 40, "start"),
        Text("wrong", "+1", 338, 522, 36, "end"),
        Text("rate", "13.1 gal/ac", 12, 610, 34, "start"),
        Text("rate", "\u221223 %", 348, 610, 34, "end"),
    ),
    # hand-worked: from the wedge at 282 to the line at 150
    round((282 - 150) * MM_PER_PX, 1),
)
C: Final = Sketch(
    "c",
    "Sketch C: two cards",
    "Our own sketch of a driver's page, the one that was chosen: two cards side by side. The right one, in "
    "the middle of its column, holds the speed to hold, 3.5, with its band, to 3.9 and from 3.2. The left "
    "one, filled, holds the speed now, 4.6, and stands higher, since that is faster; below it an arrow "
    "points down, and under that is how far off, 1.1. Above both the word SLOWER, below them what is wrong "
    "and the rate. When the speed is right both cards are level.",
    (
        _box(7, 5, 346, 90, "#000"),
        _box(7, 102, 169, 130, "#000"),
        '<path d="M20 258H164L92 322Z"/>',
        _box(184, 188, 169, 130),
        _box(8, 466, 344, 88),
    ),
    (
        Text("do", "SLOWER", 180, 77, 74, white=True),
        Text("now", "4.6", 92, 188, 101, white=True),
        Text("label", "mph now", 92, 222, 24, white=True),
        Text("off", "1.1", 92, 386, 74),
        Text("band", "to 3.9", 268, 176, 32),
        Text("hold", "3.5", 268, 274, 101),
        Text("label", "mph to hold", 268, 308, 24),
        Text("band", "from 3.2", 268, 352, 32),
        Text("wrong", "pressure loss", 20, 522, 40, "start"),
        Text("wrong", "+1", 338, 522, 36, "end"),
        Text("rate", "13.1 gal/ac", 12, 610, 34, "start"),
        Text("rate", "\u221223 %", 348, 610, 34, "end"),
    ),
    # hand-worked: from the middle of the left card, 102 + 65, to that of the right one, 188 + 65
    round((188 - 102) * MM_PER_PX, 1),
)
SKETCHES: Final = (A, B, C)


def arc_minutes(mm: float) -> float:
    """Under which a height is seen [']."""
    return 3437.75 * mm / DISTANCE_MM


def capital(sketch: Sketch, what: str) -> float:
    """Capitals and figures of the smallest text for `what` [']."""
    return arc_minutes(min(text.size for text in sketch.texts if text.what == what) * CAPITAL * MM_PER_PX)


def glyphs(sketch: Sketch, *whats: str) -> int:
    """Letters and figures that have to be read for these."""
    return sum(len(text.words.replace(" ", "")) for text in sketch.texts if text.what in whats)


def figures() -> list[str]:
    """The rows of the table in driver_page.md."""
    return [f"| {what} | {' | '.join(texts)} |" for what, texts in _table()]


def _table() -> list[tuple[str, list[str]]]:
    def each(what: str) -> list[str]:
        return [f"{capital(sketch, what):.0f}'" for sketch in SKETCHES]

    def all_glyphs(sketch: Sketch) -> int:
        return glyphs(sketch, *{text.what for text in sketch.texts})

    smallest = [min(capital(sketch, what) for what in ("do", "off", "now", "hold")) for sketch in SKETCHES]
    wrong = [capital(sketch, "wrong") for sketch in SKETCHES]
    return [
        ("the order (capitals)", each("do")),
        ("how far off", each("off")),
        ("speed now", each("now")),
        ("speed to hold", each("hold")),
        ("its band", each("band")),
        ("smallest of the first four", [f"{size:.0f}'" for size in smallest]),
        ("what is wrong (capitals, an x)", [f"{it:.0f}', {it * X_HEIGHT / CAPITAL:.0f}'" for it in wrong]),
        ("glyphs to read for order and how far off", [f"{glyphs(it, 'do', 'off')}" for it in SKETCHES]),
        ("glyphs on the page", [f"{all_glyphs(it)}" for it in SKETCHES]),
        ("the way, seen without reading", [f"{it.way_mm:g} mm" for it in SKETCHES]),
    ]


def picture(sketch: Sketch) -> str:
    """The SVG text."""
    parts = list(sketch.shapes)
    for text in sketch.texts:
        fill = "#fff" if text.white else "#000"
        parts.append(
            f'<text x="{text.x}" y="{text.y}" font-size="{text.size}" text-anchor="{text.at}" fill="{fill}">'
            f"{escape(text.words)}</text>"
        )
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" '
        f'height="{HEIGHT}" role="img" aria-labelledby="title desc">\n'
        f'<title id="title">{escape(sketch.title)}</title>\n<desc id="desc">{escape(sketch.desc)}</desc>\n'
        "<style>text{font-family:Helvetica,Arial,sans-serif;font-weight:bold}</style>\n"
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="#fff"/>\n'
    )
    return head + "\n".join(parts) + "\n</svg>\n"


if __name__ == "__main__":
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else _HERE
    for one in SKETCHES:
        (folder / f"driver_sketch_{one.name}.svg").write_text(picture(one), encoding="utf-8")
    sys.stdout.write("\n".join(figures()) + "\n")
