"""How large drawings may be in print, so that the page takes two sheets of A4 or Letter, whatever it says.

The lines of text are estimated, a little too many; what room they leave on a sheet goes to the drawings.
"""

import re
from collections.abc import Sequence
from math import ceil
from typing import Any, Final

from rigmon.analysis.report.shown import Shown
from rigmon.analysis.report.words import Verdict
from rigmon.analysis.weather_words import INVERSION

#: room on a sheet of Letter, the shorter, within the margins of report.css [mm]
_SHEET_MM: Final = 279.4 - 20
#: print in report.css is set in this; letters are about half as wide as high
FONT_PT: Final = 8.2
_LINE_MM: Final = FONT_PT * 1.25 / 72 * 25.4
_FULL_CHARS: Final = 112
_HALF_CHARS: Final = 53
_HEADING_MM: Final = 7.2
_ROW_MM: Final = 4.3

_MAPS_MM: Final = (38.0, 76.0)
_GRAPHS_MM: Final = (34.0, 74.0)
_BOOM_MM: Final = (24.0, 50.0)


def print_sizes(
    shown: Shown,
    verdict: Verdict,
    records: Sequence[tuple[str, str]],
    flags: Sequence[tuple[str, int]],
    stretches: int,
    diagnoses: int,
) -> dict[str, float]:
    """Heights [mm] of the maps, of the graphs on the first sheet and of those on the second, and the size of
    print [pt]. `stretches` rows of their table are printed, and so many `diagnoses`."""
    first = _SHEET_MM - _first_mm(shown, verdict)
    maps = min(max(first * 0.52, _MAPS_MM[0]), _MAPS_MM[1])
    graphs = min(max(first - maps, _GRAPHS_MM[0]), _GRAPHS_MM[1])
    second = _SHEET_MM - _second_mm(shown, records, flags, stretches) - _diagnoses_mm(shown, diagnoses)
    boom = min(max(second, _BOOM_MM[0]), _BOOM_MM[1])
    short = max(maps + graphs - first, boom - second, 0.0)
    # what the drawings cannot give, all of the print must
    return {"maps": maps, "graphs": graphs, "boom": boom, "font": FONT_PT * max(1 - short / _SHEET_MM, 0.6)}


def lines(text: str, width: int) -> int:
    """How many lines a text takes, its marks left out."""
    return ceil(len(re.sub(r"<[^>]*>", "", text)) / width)


def _first_mm(shown: Shown, verdict: Verdict) -> float:
    body = lines(verdict.lead, 92) * 1.2 + lines(verdict.mean, _FULL_CHARS)
    body += sum(lines(f"{point.head}: {point.text}", _FULL_CHARS) for point in verdict.points)
    body += 2 if shown.get("what_if") else 0
    captions = 5 + (2 if (shown.get("coverage") or {}).get("boundary") else 0) + 4
    return 41 + 2 * _HEADING_MM + _LINE_MM * (body + captions)


def _diagnoses_mm(shown: Shown, diagnoses: int) -> float:
    told: list[dict[str, Any]] = shown.get("diagnoses")[:diagnoses]
    # the figures take two lines
    texts = [f"{one['evidence']} {one['cause']} {one['check']}{'.' * 70}" for one in told]
    rows = sum(2 + lines(text, _FULL_CHARS) for text in texts) + (2 if told else 1)
    missing = " ".join(one["words"] for one in shown.get("diagnosis.cannot_tell"))
    return _HEADING_MM + _LINE_MM * (rows + lines(missing, _FULL_CHARS) + 1) + 1.2 * len(told)


def _weather_mm(shown: Shown) -> float:
    weather: dict[str, Any] | None = shown.get("weather")
    if weather is None:
        return 0.0
    return _HEADING_MM + _LINE_MM * (
        7 + (lines(INVERSION, _HALF_CHARS) + 1 if weather["inversion_caution"] else 0)
    )


def _second_mm(
    shown: Shown, records: Sequence[tuple[str, str]], flags: Sequence[tuple[str, int]], stretches: int
) -> float:
    listed: list[dict[str, Any]] = shown.get("stretches")[:stretches]
    table = 2 * _ROW_MM + sum(_ROW_MM * lines(f"{one['kind']}: {one['why'] or ''}", 44) for one in listed)
    left = _HEADING_MM * 3 + 5 * _LINE_MM + 3 * _ROW_MM
    for one in shown.get("closure.differences"):
        left += _LINE_MM * (2 if one["agrees"] else lines(one["meaning"], _HALF_CHARS) + 4) + 1
    left += 3 * _LINE_MM
    if shown.get("closure.filled_from") == "log":
        left += _LINE_MM * (2 + len(shown.get("closure.filled_spans")))
    left += sum(_ROW_MM * lines(f"{name}: {says}", _HALF_CHARS - 12) for name, says in records)
    right = _HEADING_MM * 3 + 5 * _LINE_MM + 3 * _ROW_MM + 7 * _LINE_MM
    rejected = ", ".join(f"{reason} {n}" for reason, n in shown.get("input.rejected_by_reason").items())
    right += _LINE_MM * (4 + lines(rejected, _HALF_CHARS))
    right += _LINE_MM * lines("; ".join(f"{label}: 0:00:00" for label, _ in flags), _HALF_CHARS)
    right += _weather_mm(shown)
    right += sum(_LINE_MM * lines(note, _HALF_CHARS) + 1 for note in shown.get("quality.notes"))
    return _HEADING_MM + table + max(left, right) + 26
