"""The page: one self-contained HTML file, of two sheets in print."""

from collections.abc import Callable, Sequence
from importlib import resources
from typing import Any, Final

from rigmon import __version__
from rigmon.analysis import diagnosis_words
from rigmon.analysis.acts import words_of
from rigmon.analysis.extras import load
from rigmon.analysis.report import figures, words
from rigmon.analysis.report import map as maps
from rigmon.analysis.report.drawing import Drawing, patterns
from rigmon.analysis.report.sheets import print_sizes
from rigmon.analysis.report.shown import Html, Shown, clock
from rigmon.analysis.weather_words import INVERSION
from rigmon.analysis.whole import Analysis
from rigmon.calibration.headline import headline
from rigmon.calibration.record import Record
from rigmon.units import compass_point
from rigmon.words import alert_words

#: rows of tables that print; the rest is on the screen alone
PRINTED_STRETCHES: Final = 7
PRINTED_RECORDS: Final = 5
LISTED_STRETCHES: Final = 60
LISTED_ROWS: Final = 300
LISTED_GAPS: Final = 30
PRINTED_DIAGNOSES: Final = 3

_DRAWINGS: Final[dict[str, str]] = {
    "map": "drawing the map",
    "coverage": "drawing the coverage",
    "dose": "drawing the graphs",
}


def page(
    analysis: Analysis,
    data: dict[str, Any],
    *,
    system: str | None = None,
    progress: Callable[[str], None] | None = None,
) -> str:
    """The report of `analysis` as HTML; `data` is its `facts`. `system` 'us' or 'metric', else the rig's.

    Raises UsageError where matplotlib or jinja2 is not installed.
    """
    jinja2 = load("jinja2", "analysis", "a report")
    shown = Shown(data, system or analysis.run.rig.units)
    environment = jinja2.Environment(autoescape=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined)
    template = environment.from_string(_packed("report.html.j2"))
    verdict = words.verdict(shown)
    records = _records(data["calibration"]["records"], shown.system)
    flags = [(words.FLAGS.get(one["flag"], one["flag"]), n) for n, one in enumerate(data["quality"]["flags"])]
    sizes = print_sizes(
        shown, verdict, records[:PRINTED_RECORDS], flags, PRINTED_STRETCHES, PRINTED_DIAGNOSES
    )
    html: str = template.render(
        style=Html(_packed("report.css")),
        sizes=sizes,
        shown=shown,
        data=data,
        patterns=Html(patterns()),
        drawings=_drawings(analysis, shown, progress),
        verdict=verdict,
        words=words,
        compass_point=compass_point,
        inversion=INVERSION,
        alert_words=alert_words,
        act_words=words_of,
        diagnosis=diagnosis_words,
        letters=maps.LETTERS,
        marked=bool(maps.marked(analysis, data["diagnoses"])),
        start=_start(data["run"]["started_utc"]),
        duration=clock(data["run"]["duration_s"] or 0.0),
        source=analysis.run.source,
        records=records,
        flags=flags,
        limits={
            "printed_stretches": PRINTED_STRETCHES,
            "stretches": LISTED_STRETCHES,
            "printed_records": PRINTED_RECORDS,
            "rows": LISTED_ROWS,
            "gaps": LISTED_GAPS,
            "diagnoses": len(maps.LETTERS),
            "printed_diagnoses": PRINTED_DIAGNOSES,
        },
        version=__version__,
    )
    return html


def _packed(name: str) -> str:
    return (resources.files("rigmon") / "data" / name).read_text(encoding="utf-8")


def _drawings(
    analysis: Analysis, shown: Shown, progress: Callable[[str], None] | None
) -> dict[str, Drawing | None]:
    makers: dict[str, Callable[[], Drawing | None]] = {
        "map": lambda: maps.dose_map(analysis, shown),
        "coverage": lambda: maps.coverage_map(analysis, shown),
        "dose": lambda: figures.dose(shown),
        "along": lambda: figures.along(shown),
        "across": lambda: figures.across(shown),
        "hold": lambda: figures.hold(shown),
    }
    found: dict[str, Drawing | None] = {}
    for name, make in makers.items():
        if progress is not None and name in _DRAWINGS:
            progress(_DRAWINGS[name])
        found[name] = make()
    return found


def _start(started_utc: str | None) -> str:
    return "start time unknown" if started_utc is None else f"{started_utc[:10]} {started_utc[11:16]} UTC"


def _records(records: Sequence[dict[str, Any]], system: str) -> list[tuple[str, str]]:
    """Name and headline of each calibration record that the log carries; what cannot be read says so."""
    found = []
    for one in records:
        try:
            record = Record.from_json(one)
            found.append((record.name, headline(record, "us" if system == "us" else "metric")))
        except (KeyError, TypeError, ValueError, AttributeError):
            found.append((str(one.get("name", "a record")), "cannot be read"))
    return found
