"""Drawings for the page: matplotlib without its global state, to SVG that takes its colours from the page.

A drawing is made in stand-in colours, which become the page's CSS variables, so that one drawing serves
light, dark and print. Text stays text, in the page's font. The same drawing gives the same bytes.
"""

import io
import logging
import re
from dataclasses import dataclass
from html import escape
from itertools import count
from typing import TYPE_CHECKING, Any, Final

from rigmon.analysis.extras import load

if TYPE_CHECKING:
    from matplotlib.figure import Figure

#: as wide as half a page in print and as a phone; letters are then as large as the page's
WIDTH_IN: Final = 3.6
FONT_PT: Final = 8.0

#: the page's CSS variables that drawings use; see report.css
COLOURS: Final = (
    "ink", "soft", "line", "page", "band", "bar",
    "far-under", "under", "within", "over", "far-over", "once", "twice", "more",
)  # fmt: skip
_DOT: Final = '<circle cx="{0}" cy="{0}" r=".42" fill="var(--ink)" stroke="none"/>'
#: the page's patterns to draw over a colour: a grey print, or an eye that does not tell colours, sees them
HATCHES: Final = {
    "far-under": '<path d="M0 0L3 3M-1 2L1 4M2 -1L4 1" stroke="var(--page)"/>',
    "under": _DOT.format(".75") + _DOT.format("2.25"),
    "over": '<path d="M0 3L3 0M-1 1L1 -1M2 4L4 2" stroke="var(--ink)"/>',
    "far-over": '<path d="M0 0L3 3M0 3L3 0" stroke="var(--page)"/>',
}  # fmt: skip
_STAND_IN: Final = {name: f"#0100{n:02x}" for n, name in enumerate(COLOURS, 1)}
_PATTERN: Final = {name: f"#0101{n:02x}" for n, name in enumerate(HATCHES, 1)}
_ON_PAGE: Final = {code: f"var(--{name})" for name, code in _STAND_IN.items()} | {
    code: f"url(#hatch-{name})" for name, code in _PATTERN.items()
}

_STYLE: Final[dict[str, Any]] = {
    "svg.fonttype": "none",
    "font.family": "sans-serif",
    "font.size": FONT_PT,
    "axes.linewidth": 0.6,
    "path.simplify": True,
    "path.simplify_threshold": 0.3,
}


def colour(name: str) -> str:
    """What to draw in for it to come out as the page's colour of this name."""
    return _STAND_IN[name]


def hatch(name: str) -> str:
    """What to fill with for it to come out as the page's pattern of this name."""
    return _PATTERN[name]


def patterns() -> str:
    """The patterns, once for a page, as an SVG element that takes no room."""
    inner = "".join(
        f'<pattern id="hatch-{name}" width="3" height="3" patternUnits="userSpaceOnUse" '
        'patternTransform="scale(1.7)">'
        f'<g stroke-width=".42">{shape}</g></pattern>'
        for name, shape in HATCHES.items()
    )
    return (
        f'<svg width="0" height="0" style="position:absolute" aria-hidden="true"><defs>{inner}</defs></svg>'
    )


@dataclass(frozen=True, slots=True)
class Drawing:
    """An SVG element, its caption's text alternative included."""

    name: str  #: letters and '-', one of its kind on a page
    svg: str


def figure(height_in: float) -> "Figure":
    """An empty figure of the page's width. Raises UsageError where matplotlib is not installed."""
    load("matplotlib", "analysis", "a report")
    from matplotlib.figure import Figure

    # fonts that are not there are the browser's business
    logging.getLogger("matplotlib").setLevel(logging.ERROR)
    made = Figure(figsize=(WIDTH_IN, height_in))
    made.patch.set_visible(False)
    return made


def styled(**more: Any) -> Any:
    """A context in which figures are made and drawn."""
    matplotlib = load("matplotlib", "analysis", "a report")
    return matplotlib.rc_context({**_STYLE, **more})


def tidy(axes: Any, *, left: bool = True, bottom: bool = True) -> None:
    """Plain axes in the page's colours."""
    axes.patch.set_visible(False)
    for side, spine in axes.spines.items():
        spine.set_visible({"left": left, "bottom": bottom}.get(side, False))
        spine.set_color(colour("soft"))
    axes.tick_params(colors=colour("soft"), labelcolor=colour("ink"), width=0.6, length=2.5, pad=2)
    axes.tick_params(left=left, labelleft=left, bottom=bottom, labelbottom=bottom)
    for label in (axes.xaxis.label, axes.yaxis.label):
        label.set_color(colour("ink"))


def drawn(made: "Figure", name: str, title: str, description: str) -> Drawing:
    """The finished figure. `title` and `description` are what is read out where it cannot be seen."""
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    out = io.StringIO()
    canvas: Any = FigureCanvasSVG(made)
    with styled(**{"svg.hashsalt": name}):
        canvas.print_svg(out, metadata=dict.fromkeys(("Date", "Creator", "Format", "Type")))
    return Drawing(name, _inline(out.getvalue(), name, title, description))


_TOO_EXACT: Final = re.compile(r"(-?\d+\.\d\d)\d+")


def _inline(text: str, name: str, title: str, description: str) -> str:
    width, height = re.findall(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', text)[0]
    inner = text[text.index(">", text.index("<svg")) + 1 : text.rindex("</svg>")]
    inner = re.sub(r"<metadata>.*?</metadata>|<style.*?</style>|<!--.*?-->", "", inner, flags=re.DOTALL)
    inner = re.sub(r' (?:xlink:href|href)="#', ' href="#', inner)
    inner = _short_names(inner, name)
    inner = re.sub(r' (d|transform|points)="[^"]*"', lambda m: _TOO_EXACT.sub(r"\1", m[0]), inner)
    inner = re.sub(r"#010[01][0-9a-f]{2}", lambda m: _ON_PAGE[m[0]], inner)
    # the page's own font; sizes stay
    inner = re.sub(r"font: ([\d.]+)px [^;\"]*", r"font-size: \1px", inner)
    inner = re.sub(r"font-family: [^;\"]*;?", "", inner)
    inner = re.sub(r"\s*\n\s*", "\n", inner).strip()
    return (
        f'<svg role="img" aria-labelledby="{name}-title {name}-desc" viewBox="0 0 {width} {height}">'
        f'<title id="{name}-title">{escape(title)}</title>'
        f'<desc id="{name}-desc">{escape(description)}</desc>\n{inner}\n</svg>'
    )


def _short_names(inner: str, name: str) -> str:
    """Names that nothing refers to go; the others are made the figure's own."""
    used = set(re.findall(r'url\(#([^)]+)\)|href="#([^"]+)"', inner))
    referred = {one or other for one, other in used}
    number = count(1)
    short = {long: f"{name}-{next(number)}" for long in sorted(referred, key=inner.index)}

    def renamed(match: re.Match[str]) -> str:
        long = match[1]
        return f' id="{short[long]}"' if long in short else ""

    inner = re.sub(r' id="([^"]*)"', renamed, inner)
    inner = re.sub(r"url\(#([^)]+)\)", lambda m: f"url(#{short[m[1]]})", inner)
    return re.sub(r'href="#([^"]+)"', lambda m: f'href="#{short[m[1]]}"', inner)
