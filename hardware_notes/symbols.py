"""Circuit symbols as SVG text: black on white, so that they print in grey and read in dark mode.

A sheet is 480 units wide with letters of 15, so that on a phone of 360 pixels they are 11 high. Symbols have
a white ground and are drawn after the wires, so a wire may run straight through where a part will sit.
Coordinates are whole numbers: the same on every machine and Python.
"""

from html import escape
from typing import Final, Self

WIDTH: Final = 480
SIZE: Final = 15
_STYLE: Final = (
    "text{font-family:Helvetica,Arial,sans-serif;fill:#000}"
    ".w{fill:none;stroke:#000;stroke-width:2;stroke-linejoin:round;stroke-linecap:round}"
    ".p{fill:#fff;stroke:#000;stroke-width:2;stroke-linejoin:round}"
    ".b{fill:#000;stroke:#000;stroke-width:2;stroke-linejoin:round}"
    ".g{fill:#ddd;stroke:#000;stroke-width:2}"
    ".d{fill:none;stroke:#000;stroke-width:2;stroke-dasharray:7 5}"
)
#: unit vectors: along, and to its left hand
_WAYS: Final = {"r": (1, 0), "l": (-1, 0), "d": (0, 1), "u": (0, -1)}


class Sheet:
    """One drawing. Every method adds to it and returns it."""

    def __init__(self, height: int, title: str, desc: str) -> None:
        self.height = height
        self.title = title
        self.desc = desc
        self._parts: list[str] = []

    def svg(self) -> str:
        head = (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {self.height}" '
            f'width="{WIDTH}" height="{self.height}" role="img" aria-labelledby="title desc">\n'
            f'<title id="title">{escape(self.title, quote=False)}</title>\n'
            f'<desc id="desc">{escape(self.desc, quote=False)}</desc>\n'
            f"<style>{_STYLE}</style>\n"
            f'<rect width="{WIDTH}" height="{self.height}" fill="#fff"/>\n'
        )
        return head + "\n".join(self._parts) + "\n</svg>\n"

    def _add(self, part: str) -> Self:
        self._parts.append(part)
        return self

    # -- lines and words ---------------------------------------------------------------------------------

    def wire(self, *points: tuple[int, int]) -> Self:
        return self._line("w", points)

    def dashed(self, *points: tuple[int, int]) -> Self:
        return self._line("d", points)

    def _line(self, kind: str, points: tuple[tuple[int, int], ...]) -> Self:
        path = " ".join(f"{x},{y}" for x, y in points)
        return self._add(f'<polyline class="{kind}" points="{path}"/>')

    def area(self, kind: str, *points: tuple[int, int]) -> Self:
        path = " ".join(f"{x},{y}" for x, y in points)
        return self._add(f'<polygon class="{kind}" points="{path}"/>')

    def dot(self, x: int, y: int) -> Self:
        """Wires that cross here are joined; without a dot they are not."""
        return self._add(f'<circle class="b" cx="{x}" cy="{y}" r="3"/>')

    def text(
        self, x: int, y: int, *lines: str, at: str = "start", bold: bool = False, size: int = SIZE
    ) -> Self:
        """Lines of text, the first with its base line at y. `at`: start, middle or end."""
        weight = ' font-weight="bold"' if bold else ""
        for i, line in enumerate(lines):
            self._add(
                f'<text x="{x}" y="{y + i * (size + 3)}" font-size="{size}" text-anchor="{at}"{weight}>'
                f"{escape(line, quote=False)}</text>"
            )
        return self

    def heading(self, y: int, words: str) -> Self:
        return self.text(16, y, words, bold=True, size=17)

    # -- boxes -------------------------------------------------------------------------------------------

    def rect(self, x: int, y: int, w: int, h: int, kind: str = "p", rx: int = 0) -> Self:
        return self._add(f'<rect class="{kind}" x="{x}" y="{y}" width="{w}" height="{h}" rx="{rx}"/>')

    def box(self, x: int, y: int, w: int, h: int, *lines: str, kind: str = "p") -> Self:
        """A box with centred lines; the first is bold."""
        self.rect(x, y, w, h, kind)
        top = y + (h - len(lines) * (SIZE + 3)) // 2 + SIZE - 1
        for i, line in enumerate(lines):
            self.text(x + w // 2, top + i * (SIZE + 3), line, at="middle", bold=i == 0)
        return self

    def flag(self, x: int, y: int, *lines: str, w: int = 66, way: str = "r") -> Self:
        """A pin, its point at the wire's end (x, y), its body on that `way` (r or l)."""
        h = len(lines) * (SIZE + 3) + 8
        top = y - h // 2
        near, far = (x + 12, x + 12 + w) if way == "r" else (x - 12, x - 12 - w)
        self.area("g", (x, y), (near, top), (far, top), (far, top + h), (near, top + h))
        left = min(near, far) + 6
        for i, line in enumerate(lines):
            self.text(left, top + 18 + i * (SIZE + 3), line, bold=i == 0)
        return self

    # -- symbols -----------------------------------------------------------------------------------------

    def supply(self, x: int, y: int, words: str, at: str = "middle") -> Self:
        """A rail: a bar at (x, y) with its name above; the wire goes down from it."""
        self.wire((x - 12, y), (x + 12, y))
        place = {"middle": x, "start": x - 12, "end": x + 12}[at]
        return self.text(place, y - 6, words, at=at, bold=True)

    def ground(self, x: int, y: int) -> Self:
        """Ground, its wire's end at (x, y)."""
        self.wire((x - 14, y), (x + 14, y)).wire((x - 9, y + 5), (x + 9, y + 5))
        return self.wire((x - 4, y + 10), (x + 4, y + 10))

    def resistor(self, x: int, y: int, way: str) -> Self:
        """Centred; `way` h or v."""
        w, h = (40, 14) if way == "h" else (14, 40)
        return self.rect(x - w // 2, y - h // 2, w, h)

    def fuse(self, x: int, y: int) -> Self:
        """Upright, with the wire through it."""
        return self.rect(x - 8, y - 20, 16, 40).wire((x, y - 20), (x, y + 20))

    def capacitor(self, x: int, y: int, way: str = "v") -> Self:
        """Centred, in a wire that runs `way`."""
        if way == "v":
            self._add(f'<rect fill="#fff" x="{x - 15}" y="{y - 4}" width="30" height="8"/>')
            return self.wire((x - 15, y - 4), (x + 15, y - 4)).wire((x - 15, y + 4), (x + 15, y + 4))
        self._add(f'<rect fill="#fff" x="{x - 4}" y="{y - 15}" width="8" height="30"/>')
        return self.wire((x - 4, y - 15), (x - 4, y + 15)).wire((x + 4, y - 15), (x + 4, y + 15))

    def diode(self, x: int, y: int, way: str, kind: str = "") -> Self:
        """Centred; the current goes `way` (r, l, u, d). `kind`: '', 'schottky', 'tvs' or 'led'."""
        ax, ay = _WAYS[way]
        lx, ly = -ay, ax  # across

        def at(along: int, across: int) -> tuple[int, int]:
            return x + along * ax + across * lx, y + along * ay + across * ly

        self.area("b" if kind != "led" else "p", at(-9, -10), at(-9, 10), at(9, 0))
        if kind == "schottky":
            self.wire(at(5, 6), at(5, 10), at(9, 10), at(9, -10), at(13, -10), at(13, -6))
        elif kind == "tvs":
            self.wire(at(13, 13), at(9, 9), at(9, -9), at(5, -13))
        else:
            self.wire(at(9, -10), at(9, 10))
        if kind == "led":
            for start in (-2, 8):
                tip = at(start + 8, 27)
                self.wire(at(start, 15), tip)
                self.wire(at(start + 1, 24), tip, at(start + 9, 20))
        return self

    def npn(self, x: int, y: int) -> Self:
        """Base at (x - 30, y), collector at (x + 14, y - 30), emitter at (x + 14, y + 30)."""
        self._add(f'<circle class="p" cx="{x}" cy="{y}" r="24"/>')
        self.wire((x - 30, y), (x - 7, y)).wire((x - 7, y - 14), (x - 7, y + 14))
        self.wire((x - 7, y - 6), (x + 14, y - 18), (x + 14, y - 30))
        self.wire((x - 7, y + 6), (x + 14, y + 18), (x + 14, y + 30))
        return self.area("b", (x + 13, y + 17), (x + 3, y + 17), (x + 8, y + 9))

    def gate(self, x: int, y: int) -> Self:
        """A Schmitt-trigger buffer: input at (x, y), output at (x + 50, y)."""
        self.area("p", (x, y - 26), (x, y + 26), (x + 50, y))
        self.wire((x + 6, y + 7), (x + 22, y + 7), (x + 22, y - 7), (x + 30, y - 7))
        return self.wire((x + 14, y + 7), (x + 14, y - 7), (x + 22, y - 7))

    def switch(self, x: int, y: int) -> Self:
        """An upright contact from (x, y - 20) to (x, y + 20), open."""
        self._add(f'<rect fill="#fff" x="{x - 5}" y="{y - 18}" width="10" height="36"/>')
        self.dot(x, y - 18).dot(x, y + 18)
        return self.wire((x, y + 18), (x - 16, y - 16))

    def cell(self, x: int, y: int) -> Self:
        """A battery in an upright wire, plus above."""
        self._add(f'<rect fill="#fff" x="{x - 20}" y="{y - 9}" width="40" height="18"/>')
        for dy, half in ((-9, 18), (-3, 9), (3, 18), (9, 9)):
            self.wire((x - half, y + dy), (x + half, y + dy))
        return self

    def optocoupler(self, x: int, y: int) -> Self:
        """Top left (x, y), 104 x 80: LED in (x, y + 16), out (x, y + 64); collector (x + 104, y + 16),
        emitter (x + 104, y + 64)."""
        self.rect(x, y, 104, 80)
        self.wire((x, y + 16), (x + 26, y + 16), (x + 26, y + 64), (x, y + 64))
        self.diode(x + 26, y + 40, "d")
        for dy in (-5, 5):
            tip = (x + 58, y + 40 + dy)
            self.wire((x + 42, y + 40 + dy), tip)
            self.wire((x + 52, y + 36 + dy), tip, (x + 52, y + 44 + dy))
        self.wire((x + 68, y + 26), (x + 68, y + 54))
        self.wire((x + 68, y + 34), (x + 86, y + 22), (x + 86, y + 16), (x + 104, y + 16))
        self.wire((x + 68, y + 46), (x + 86, y + 58), (x + 86, y + 64), (x + 104, y + 64))
        return self.area("b", (x + 85, y + 57), (x + 75, y + 57), (x + 80, y + 49))
