"""The season's page: self-contained HTML in the report's style, light and dark, for a phone and to print."""

import os
import tempfile
from contextlib import suppress
from importlib import resources
from pathlib import Path
from typing import Any, Final

from rigmon import __version__
from rigmon.analysis.extras import load
from rigmon.analysis.season import diagnosed, words
from rigmon.analysis.season.text import (
    VERDICTS,
    cells,
    change_text,
    drift_text,
    file_text,
    heads,
    hours,
    nothing_stands_out,
    units_of,
)
from rigmon.errors import UsageError
from rigmon.units import show

#: so many diagnoses are listed, the newest
LISTED_DIAGNOSES: Final = 200
#: what tells a page of ours, which may be written again, from any other file
MARK: Final = '<meta name="generator" content="rigmon season">'


def page(season: dict[str, Any], asked: str | None = None) -> str:
    """The page of a season. `asked` 'us' or 'metric', else the units of the newest run's rig.

    Raises UsageError where matplotlib or jinja2 is not installed.
    """
    jinja2 = load("jinja2", "analysis", "a season's page")
    load("matplotlib", "analysis", "a season's page")
    from rigmon.analysis.season.figures import trend_figure

    system = units_of(season, asked)
    runs = season["runs"]
    starts = [run["score"]["run"]["started_utc"] for run in runs if run["score"]["run"]["started_utc"]]
    environment = jinja2.Environment(autoescape=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined)
    return str(
        environment.from_string(_packed("season.html.j2")).render(
            mark=MARK,
            style=_packed("report.css"),
            season=season,
            totals=season["totals"],
            span=f"{starts[0][:10]} to {starts[-1][:10]}" if starts else "no run of a known start",
            rigs=sorted({run["rig"]["name"] for run in runs}),
            verdicts=[(n, VERDICTS[name]) for name, n in season["totals"]["verdicts"].items() if n],
            findings=words.findings(season, system),
            nothing=nothing_stands_out(season),
            heads=heads(system),
            rows=[(cells(run, system), file_text(run["path"], season), run["notes"]) for run in runs],
            trends=[
                {
                    "rig": trend["rig"],
                    "nozzles": trend["nozzles"],
                    "title": words.title(trend, system),
                    "change": change_text(trend, system),
                    "svg": trend_figure(trend, season, system, n).svg if len(trend["points"]) > 1 else None,
                }
                for n, trend in enumerate(season["trends"], 1)
            ],
            calibrations=[
                {
                    "rig": drift["rig"],
                    "title": words.calibration_title(drift, system),
                    "points": [
                        (
                            point["day"],
                            words.calibration_value(point["value"], drift, system),
                            point["expanded_uncertainty_pct"],
                            point["record"],
                        )
                        for point in drift["points"]
                    ],
                    "change": None if drift["change_pct"] is None else drift_text(drift),
                }
                for drift in season["calibrations"]
            ],
            counted=[diagnosed.count_words(one, system) for one in season["totals"]["diagnoses"]],
            diagnosis_heads=diagnosed.HEADS,
            diagnoses=[
                (diagnosed.row(one, system), file_text(one["path"], season))
                for one in season["diagnoses"][-LISTED_DIAGNOSES:]
            ],
            show=lambda value, dimension, digits=1: show(value, dimension, system, digits),
            hours=hours,
            left_out=[(file_text(one["path"], season), one["why"]) for one in season["left_out"]],
            caution=words.CAUTIONS,
            version=__version__,
        )
    )


def write_page(season: dict[str, Any], asked: str | None, path: Path) -> None:
    """Write the page, over one of before too, all of it or nothing.

    Raises UsageError for a file that is there and is no such page, and for a place that cannot be written.
    """
    refuse_other(path)
    text = page(season, asked)
    try:
        descriptor, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}-")
        try:
            with open(descriptor, "w", encoding="utf-8") as file:
                file.write(text)
                os.fchmod(file.fileno(), 0o644)
            os.replace(name, path)
        except BaseException:
            with suppress(OSError):
                os.unlink(name)
            raise
    except OSError as error:
        raise UsageError(f"{path}: cannot be written: {error.strerror}") from error


def refuse_other(path: Path) -> None:
    """Raise UsageError where a file is there that is no page of a season."""
    if not path.exists():
        return
    try:
        with path.open("rb") as file:
            ours = MARK.encode() in file.read(1024)
    except OSError as error:
        raise UsageError(f"{path}: cannot be read: {error.strerror}") from error
    if not ours:
        raise UsageError(f"{path}: is there already and is no page of a season; give another name")


def _packed(name: str) -> str:
    return (resources.files("rigmon") / "data" / name).read_text(encoding="utf-8")
