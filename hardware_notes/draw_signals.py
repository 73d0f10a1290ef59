"""Draw what lights and buzzer show: python hardware_notes/draw_signals.py [FILE]

Writes hardware_notes/light_signals.svg, or FILE, from the patterns in rigmon/edge/signals.py, so that the
picture is what the rig does. rigmon must be installed. The same bytes each time.
"""

import sys
from html import escape
from pathlib import Path
from typing import Final

from rigmon.edge.signals import Light, Sound, level, spot_lights

_HERE: Final = Path(__file__).parent
_WIDTH: Final = 480
_ROW: Final = 46
#: the strip of the picture
_N: Final = 5
#: how long the time lines are [s], and how long they are drawn
_LINE_S: Final = 3.0
_LINE: Final = 200
_LINE_X: Final = 256

_D, _ON = Light.DARK, Light.STEADY
_TITLE: Final = "What the lights and the buzzer show"
_DESC: Final = (
    "A strip of five lights from slow to fast. At the speed to hold the middle one is lit, steady. Where the "
    "speed lies nearer to an edge of the band, one light or two neighbours nearer to that end are lit. "
    "Too slow: the slow end alone flashes slowly, 1.25 times a second. Too fast: the fast end alone flashes "
    "fast, 4 times a second. Both ends lit, steady: something is unknown. Dark: the boom is off. The trouble "
    "light is a light apart: steady for something wrong, flashing fast for what needs the hand. The buzzer: "
    "one long tone for the boom and its pump, four quick ticks for too fast, two slow ones for too slow."
)
_STRIP: Final[tuple[tuple[str, tuple[Light, ...]], ...]] = (
    ("at the speed to hold", spot_lights(0, _N)),
    ("a little fast, in the band", spot_lights(1, _N)),
    ("near the fast edge", spot_lights(3, _N)),
    ("too fast: slower", spot_lights(4, _N)),
    ("too slow: faster", spot_lights(-4, _N)),
    ("unknown", (_ON, _D, _D, _D, _ON)),
    ("boom off", (_D,) * _N),
)
_TROUBLE: Final = (("something is wrong", Light.STEADY), ("it needs your hand now", Light.FAST))
_SOUNDS: Final = (
    ("boom, pump or nozzle", Sound.FLOW),
    ("too fast, and still", Sound.TOO_FAST),
    ("too slow, and still", Sound.TOO_SLOW),
)


def picture() -> str:
    """The SVG text."""
    parts: list[str] = []
    y = 30
    parts += [_text(16, y, "Strip", bold=True), _text(16, y + 22, "slow"), _text(208, y + 22, "fast", "end")]
    parts.append(_text(_LINE_X, y + 22, f"{_LINE_S:g} seconds; black is lit"))
    y += 44
    for words, lights in _STRIP:
        parts += [_lamp(32 + 40 * i, y, light) for i, light in enumerate(lights)]
        lit = [light for light in lights if light is not Light.DARK]
        parts += _time_line(y, lit[0] if lit else Light.DARK)
        parts.append(_text(_LINE_X, y + 28, words))
        y += _ROW
    y += 26
    parts.append(_text(16, y, "Trouble light", bold=True))
    y += 24
    for words, light in _TROUBLE:
        parts += [_lamp(32, y, light), *_time_line(y, light), _text(_LINE_X, y + 28, words)]
        y += _ROW
    y += 26
    parts.append(_text(16, y, "Buzzer", bold=True))
    y += 24
    for words, sound in _SOUNDS:
        parts += [*_time_line(y, sound), _text(16, y + 10, words)]
        y += 32
    height = y + 4
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH} {height}" width="{_WIDTH}" '
        f'height="{height}" role="img" aria-labelledby="title desc">\n'
        f'<title id="title">{escape(_TITLE)}</title>\n<desc id="desc">{escape(_DESC)}</desc>\n'
        "<style>text{font-family:Helvetica,Arial,sans-serif;fill:#000}"
        ".on{fill:#000;stroke:#000;stroke-width:2}.off{fill:#fff;stroke:#000;stroke-width:2}</style>\n"
        f'<rect width="{_WIDTH}" height="{height}" fill="#fff"/>\n'
    )
    return head + "\n".join(parts) + "\n</svg>\n"


def _text(x: int, y: int, words: str, at: str = "start", bold: bool = False) -> str:
    weight = ' font-weight="bold"' if bold else ""
    return f'<text x="{x}" y="{y}" font-size="15" text-anchor="{at}"{weight}>{escape(words)}</text>'


def _lamp(x: int, y: int, light: Light) -> str:
    """A light; one that flashes has rays."""
    kind = "off" if light is Light.DARK else "on"
    lamp = f'<circle class="{kind}" cx="{x}" cy="{y}" r="10"/>'
    if light in (Light.SLOW, Light.FAST):
        rays = "".join(
            f"M{x + a * 14},{y + b * 14}L{x + a * 19},{y + b * 19}"
            for a, b in ((1, 0), (-1, 0), (0, 1), (0, -1))
        )
        lamp += f'<path d="{rays}" class="on"/>'
    return lamp


def _time_line(y: int, pattern: Light | Sound) -> list[str]:
    """A bar that is black while the pattern is on."""
    parts = [f'<rect class="off" x="{_LINE_X}" y="{y - 6}" width="{_LINE}" height="12"/>']
    t_s = 0.0
    while t_s < _LINE_S - 1e-6:
        on, wait_s = level(pattern, t_s + 1e-9)
        until_s = min(_LINE_S, _LINE_S if wait_s is None else t_s + wait_s + 1e-9)
        if on:
            x, end = (round(_LINE_X + _LINE * s / _LINE_S) for s in (t_s, until_s))
            parts.append(f'<rect class="on" x="{x}" y="{y - 6}" width="{max(end - x, 1)}" height="12"/>')
        t_s = until_s
    return parts


if __name__ == "__main__":
    path = Path(sys.argv[1]) if len(sys.argv) > 1 else _HERE / "light_signals.svg"
    path.write_text(picture(), encoding="utf-8")
