"""Records as files: CSV, JSON, and a page to print. All three hold the same elements; blank stays blank."""

import csv
import io
import json
from collections.abc import Sequence
from html import escape
from typing import Final

from rigmon.analysis.record.book import Kept
from rigmon.analysis.record.elements import DUTY, ELEMENTS, RULES

_GROUPS: Final = {
    "who": "Who",
    "when": "When",
    "where": "Where",
    "what": "What",
    "weather": "Weather as observed",
    "source": "Source of the figures",
}
#: of the log, for machines: columns of CSV; JSON has all of them
_FIGURES: Final = (
    "start_utc_ms", "end_utc_ms", "centre_lat_deg", "centre_lon_deg", "area_m2", "area_estimated_m2",
    "volume_l", "volume_estimated_l", "mean_l_ha", "target_l_ha", "in_tolerance_area_pct",
    "wind_start_m_s", "wind_from_start_deg", "air_temperature_start_c", "humidity_start_pct",
    "wind_end_m_s", "wind_from_end_deg", "air_temperature_end_c", "humidity_end_pct",
)  # fmt: skip
_ORIGINS: Final = {"log": "from the log", "computed": "worked out"}
_CAUTION: Final = (
    "The product label is the law. Follow it, and local rules, for wind, drift, buffers and re-entry."
)


def csv_text(records: Sequence[Kept]) -> str:
    """RFC 4180, one row a record: a column for each element, then the log's figures with their units."""
    out = io.StringIO(newline="")
    rows = csv.writer(out)
    rows.writerow(["name", "corrects", "recorded_utc", *(element.key for element in ELEMENTS), *_FIGURES])
    for kept in records:
        texts = (kept.text(element.key) for element in ELEMENTS)
        figures = (kept.record["figures"].get(key) for key in _FIGURES)  # csv writes None as nothing
        rows.writerow([kept.name, kept.corrects or "", kept.recorded_utc, *texts, *figures])
    return out.getvalue()


def json_text(records: Sequence[Kept]) -> str:
    return (
        json.dumps([kept.to_json() for kept in records], indent=2, allow_nan=False, ensure_ascii=False) + "\n"
    )


def html_text(records: Sequence[Kept]) -> str:
    """A page of its own for each record; needs nothing from anywhere."""
    sheets = "\n".join(_sheet(kept) for kept in records) or "<p>The book holds no record yet.</p>"
    return _PAGE.replace("$sheets", sheets)


def _sheet(kept: Kept) -> str:
    parts = [f"<section class='sheet'><h1>Application record {escape(kept.name)}</h1>"]
    if kept.corrects:
        parts.append(f"<p>Corrects {escape(kept.corrects)}, which stays in the book.</p>")
    parts.append("<table>")
    for group, title in _GROUPS.items():
        parts.append(f"<tbody><tr><th colspan='2' scope='rowgroup' class='group'>{title}</th></tr>")
        for element in (element for element in ELEMENTS if element.group == group):
            text = kept.text(element.key)
            rules = f" <small class='nobr'>{', '.join(element.rules)}</small>" if element.rules else ""
            cell = escape(text) if text else "<span class='blank' title='blank'>&nbsp;</span>"
            origin = _ORIGINS.get((kept.record["elements"].get(element.key) or {}).get("from", ""))
            mark = f" <small>{origin}</small>" if origin else ""
            parts.append(f"<tr><th scope='row'>{escape(element.label)}{rules}</th><td>{cell}{mark}</td></tr>")
        parts.append("</tbody>")
    parts.append("</table>")
    legend = "; ".join(f"<b>{rule}</b> {escape(text)}" for rule, text in RULES.items())
    parts.append(f"<p class='duty'>Asked for by: {legend}.</p>")
    missing = {rule: labels for rule, labels in kept.record["missing"].items() if labels}
    if missing:
        lines = "".join(
            f"<li><b>{rule}</b>: {escape('; '.join(labels))}</li>" for rule, labels in missing.items()
        )
        parts.append(f"<p>Blank above, and asked for where the rule applies:</p><ul>{lines}</ul>")
    parts.append("<p class='sign'>Certified applicator: <span class='blank'>&nbsp;</span> Date: ")
    parts.append("<span class='blank'>&nbsp;</span></p>")
    parts.append(f"<p class='duty'>{escape(DUTY)} {escape(_CAUTION)}</p>")
    parts.append(
        f"<p class='duty'>Entered {escape(kept.recorded_utc)} by {escape(kept.software)}.</p></section>"
    )
    return "\n".join(parts)


_PAGE: Final = """\
<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'">
<title>Application records</title>
<style>
:root { color-scheme: light dark; --ink: #111; --soft: #555; --line: #999; --page: #fff; }
@media (prefers-color-scheme: dark) { :root { --ink: #eee; --soft: #aaa; --line: #777; --page: #161616; } }
* { box-sizing: border-box; }
body { margin: 0; background: var(--page); color: var(--ink); font: 15px/1.4 system-ui, sans-serif; }
.sheet { max-width: 50rem; margin: 0 auto; padding: 1rem; }
h1 { font-size: 1.4rem; overflow-wrap: anywhere; }
table { width: 100%; border-collapse: collapse; }
th, td { text-align: left; vertical-align: top; padding: .25rem .4rem; border-bottom: 1px solid var(--line); }
th[scope=row] { width: 42%; font-weight: 600; }
td { overflow-wrap: anywhere; }
.group { padding-top: .8rem; border-bottom: 2px solid var(--ink); }
small { color: var(--soft); font-weight: 400; }
.nobr { white-space: nowrap; }
.blank { display: inline-block; min-width: 9rem; border-bottom: 1px dotted var(--ink); }
.duty { color: var(--soft); font-size: .9em; }
@media print {
  :root { --ink: #000; --soft: #444; --line: #888; --page: #fff; }
  body { font-size: 8.5pt; line-height: 1.25; }
  h1 { font-size: 13pt; margin: 0 0 4pt; }
  p, ul { margin: 4pt 0; }
  .group { padding-top: 5pt; }
  .sheet { break-after: page; padding: 0; max-width: none; }
  .sheet:last-child { break-after: auto; }
  th, td { padding: .1rem .3rem; }
}
@page { margin: 12mm; }
</style>
</head>
<body>
<main>
$sheets
</main>
</body>
</html>
"""
