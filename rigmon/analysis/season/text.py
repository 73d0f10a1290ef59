"""A season as readable text."""

from pathlib import Path
from typing import Any, Final

from rigmon.analysis.season import diagnosed
from rigmon.analysis.season.trends import started
from rigmon.analysis.season.words import (
    CAUTIONS,
    amount,
    calibration_title,
    calibration_value,
    findings,
    interval,
    title,
)
from rigmon.units import convert, show, shown_unit

#: so many diagnoses are listed in the text
_DIAGNOSES: Final = 20

VERDICTS: Final = {
    "in_tolerance": "in tolerance",
    "out_of_tolerance": "out of tolerance",
    "insufficient_data": "too little data",
}


def units_of(season: dict[str, Any], asked: str | None) -> str:
    """'us' or 'metric': those asked for, else the newest run's."""
    runs = season["runs"]
    return asked or (runs[-1]["rig"]["units"] if runs else "us")


def season_text(season: dict[str, Any], asked: str | None) -> str:
    """Runs, what stands out, trends, calibrations, and what was left out."""
    system = units_of(season, asked)
    lines = summary_lines(season, system)
    if season["runs"]:
        lines += ["", *_runs(season, system), "", *_trends(season, system), *_calibrations(season, system)]
        lines += _diagnoses(season, system)
    if season["left_out"]:
        lines += ["", "Left out"]
        lines += [f"  {file_text(one['path'], season)}: {one['why']}" for one in season["left_out"]]
    if season["recordings"]:
        n = season["recordings"]
        lines += ["", f"{n} NMEA recording{'s' if n > 1 else ''} not scored: make run logs of them first,"]
        lines += ["such as: rigmon replay FILE --rig RIG.toml --to NAME.sqlite"]
    if season["cache"]["trouble"]:
        lines += ["", f"Summaries are not kept: {season['cache']['trouble']}"]
    if season["runs"]:
        lines += ["", CAUTIONS]
    return "\n".join(lines) + "\n"


def summary_lines(season: dict[str, Any], system: str) -> list[str]:
    """The season in a few lines: how many runs, how much ground, what stands out."""
    sums = season["totals"]
    if not sums["runs"]:
        return [f"No run logs that can be read in {season['folder']}"]
    told = [f"{n} {VERDICTS[name]}" for name, n in sums["verdicts"].items() if n]
    lines = [
        f"{sums['runs']} run{'s' if sums['runs'] > 1 else ''}: {', '.join(told)}",
        f"{show(sums['area_m2'], 'area', system)}, {show(sums['volume_l'], 'volume', system, 0)}, "
        f"{hours(sums['duration_s'])} h of run time",
    ]
    if sums["in_tolerance_area_pct"] is not None:
        lines.append(f"{sums['in_tolerance_area_pct']:.1f} % of the treated ground in tolerance")
    told = findings(season, system)
    lines += ["", "What changed along the season", *(f"  {text}" for text in told)]
    if not told:
        lines.append(f"  {nothing_stands_out(season)}")
    return lines


def nothing_stands_out(season: dict[str, Any]) -> str:
    """Why there is nothing to say of trends."""
    most = max((len(trend["points"]) for trend in season["trends"]), default=0)
    if most < 6:
        return "too few runs of a known start to tell a trend from chance (six are needed)"
    return "nothing that stands out from the scatter between runs"


def file_text(path: str, season: dict[str, Any]) -> str:
    """A file as seen from the season's folder."""
    try:
        return str(Path(path).relative_to(season["folder"]))
    except ValueError:
        return path


def hours(seconds: float) -> str:
    whole = round(seconds / 60)
    return f"{whole // 60}:{whole % 60:02d}"


def start_text(run: dict[str, Any]) -> str:
    start = started(run)
    return "unknown" if start is None else f"{start:%Y-%m-%d %H:%M}"


def _number(value: float | None, digits: int = 1) -> str:
    return "--" if value is None else f"{value:z.{digits}f}"


def cells(run: dict[str, Any], system: str) -> list[str]:
    """A run's row: start, length, area, mean rate, share in tolerance, hold, number of diagnoses, verdict."""
    score = run["score"]
    area, mean = score["applied"]["area_m2"], score["rate"]["mean_l_ha"]
    return [
        start_text(run),
        hours(score["run"]["duration_s"] or 0.0),
        _number(convert(area, "area", shown_unit("area", system)), 2),
        _number(None if mean is None else convert(mean, "rate", shown_unit("rate", system))),
        _number(score["rate"]["in_tolerance_area_pct"]),
        _number(run["hold"]["hold_pct"]),
        str(len(score["diagnoses"])),
        VERDICTS[score["verdict"]],
    ]


def heads(system: str) -> list[str]:
    """What stands above `cells`."""
    return [
        "start (UTC)",
        "h:mm",
        shown_unit("area", system),
        shown_unit("rate", system),
        "in tol. %",
        "hold %",
        "diagn.",
        "verdict",
    ]


def _runs(season: dict[str, Any], system: str) -> list[str]:
    rows = [[*heads(system), "file"]]
    rows += [[*cells(run, system), file_text(run["path"], season)] for run in season["runs"]]
    return _aligned(rows, (0, 7, 8))


def _diagnoses(season: dict[str, Any], system: str) -> list[str]:
    found = season["diagnoses"]
    if not found:
        return []
    lines = ["", "What the sensors said together"]
    lines += [f"  {diagnosed.count_words(one, system)}" for one in season["totals"]["diagnoses"]]
    rows = [[*diagnosed.HEADS, "file"]]
    # the newest are what can still be acted on
    shown = found[-_DIAGNOSES:]
    rows += [[*diagnosed.row(one, system), file_text(one["path"], season)] for one in shown]
    lines += [f"  {line}" for line in _aligned(rows, (0, 1, 2, 4, 5))]
    if len(found) > len(shown):
        lines.append(f"  and {len(found) - len(shown)} before them: --json lists them")
    return lines


def _aligned(rows: list[list[str]], left: tuple[int, ...]) -> list[str]:
    widths = [max(len(row[n]) for row in rows) for n in range(len(rows[0]))]
    return [
        "  ".join(
            cell.ljust(width) if n in left else cell.rjust(width)
            for n, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]


def _trends(season: dict[str, Any], system: str) -> list[str]:
    lines = ["Trends: change from the first run to the last (99 % interval)"]
    for trend in season["trends"]:
        of = "" if trend["nozzles"] is None else f", {trend['nozzles']} nozzles"
        lines.append(f"  {trend['rig']}{of}: {title(trend, system)}")
        lines.append(f"    {change_text(trend, system)}")
    return lines


def change_text(trend: dict[str, Any], system: str) -> str:
    """The change along the season with its interval."""
    n = len(trend["points"])
    runs = f"{n} run{'s' if n > 1 else ''}"
    if trend["change"] is None:
        return f"{amount(trend['points'][0]['value'], trend, system, sign=False)}; {runs}"
    change = amount(trend["change"], trend, system)
    sure = "too few to be sure" if trend["low_change"] is None else interval(trend, system)
    last = amount(trend["last_value"], trend, system, sign=False)
    return f"{change} ({sure}), to {last}; {runs}"


def _calibrations(season: dict[str, Any], system: str) -> list[str]:
    lines = ["", "Calibrations that the runs rested on"]
    for drift in season["calibrations"]:
        lines.append(f"  {drift['rig']}: {calibration_title(drift, system)}")
        for point in drift["points"]:
            u = point["expanded_uncertainty_pct"]
            sure = "" if u is None else f" +-{u:.1f} %"
            lines.append(f"    {point['day']}  {calibration_value(point['value'], drift, system)}{sure}")
        if drift["change_pct"] is not None:
            lines.append(f"    {drift_text(drift)}")
    return lines if len(lines) > 2 else []


def drift_text(drift: dict[str, Any]) -> str:
    """The change from the first calibration to the last, and what to think of it."""
    text = f"change {drift['change_pct']:+.1f} %"
    if drift["allowed_pct"] is None:
        return text
    judged = "more than" if drift["beyond_uncertainty"] else "within"
    return f"{text}, {judged} the {drift['allowed_pct']:.1f} % of their uncertainties together (k = 2)"
