"""The graphs of the season's page: one a trend, its runs as dots over the days, and the line through them.

What is drawn is in the season's object; nothing is worked out here.
"""

from datetime import UTC, datetime
from math import ceil, floor
from typing import Any, Final

from rigmon.analysis.report.drawing import FONT_PT, Drawing, colour, drawn, figure, styled, tidy
from rigmon.analysis.season.text import change_text
from rigmon.analysis.season.words import title
from rigmon.units import convert, shown_unit

_HEIGHT_IN: Final = 1.75
#: a scale narrower than this share of its middle would show noise as mountains
_NARROWEST: Final = 0.02


def trend_figure(trend: dict[str, Any], season: dict[str, Any], system: str, number: int) -> Drawing:
    """A trend of two runs or more."""
    unit = "%" if trend["dimension"] == "%" else shown_unit(trend["dimension"], system)

    def shown(value: float) -> float:
        return value if trend["dimension"] == "%" else convert(value, trend["dimension"], unit)

    days = [_day(point["started_utc"]) for point in trend["points"]]
    values = [shown(point["value"]) for point in trend["points"]]
    with styled():
        made = figure(_HEIGHT_IN)
        axes = made.add_axes((0.125, 0.13, 0.855, 0.74))
        tidy(axes)
        band = _band(trend, season)
        if band is not None:
            axes.axhspan(*band, color=colour("band"), linewidth=0, zorder=0)
        axes.plot(days, values, linestyle="none", marker="o", markersize=2.6, color=colour("bar"), zorder=2)
        if trend["change"] is not None:
            clear = trend["direction"] is not None
            axes.plot(
                [days[0], days[-1]],
                [shown(trend["first_value"]), shown(trend["last_value"])],
                color=colour("ink" if clear else "soft"),
                linewidth=1.4 if clear else 0.9,
                linestyle="solid" if clear else (0, (4, 3)),
                zorder=3,
            )
        _scales(axes, days, values, at_least=0.5 if trend["dimension"] == "%" else 0.0)
        axes.set_title(unit, loc="left", fontsize=FONT_PT, color=colour("ink"), pad=4)
        name = title(trend, system)
        told = (
            f"{len(values)} runs from {trend['points'][0]['started_utc'][:10]} to "
            f"{trend['points'][-1]['started_utc'][:10]}, between {min(values):.3g} and {max(values):.3g} "
            f"{unit}. "
            f"Change along the season: {change_text(trend, system)}."
        )
        return drawn(made, f"trend-{number}", name[0].upper() + name[1:], told)


def _band(trend: dict[str, Any], season: dict[str, Any]) -> tuple[float, float] | None:
    """What was asked for, where all runs of the rig were asked the same."""
    runs = [run for run in season["runs"] if run["rig"]["name"] == trend["rig"]]
    if trend["figure"] == "rate_error_pct":
        asked = {run["score"]["target"]["tolerance_pct"] for run in runs}
        return (-max(asked), max(asked)) if len(asked) == 1 else None
    if trend["figure"] == "in_tolerance_area_pct":
        asked = {run["rig"]["required_area_pct"] for run in runs}
        return (max(asked), 100.0) if len(asked) == 1 else None
    return None


def _scales(axes: Any, days: list[float], values: list[float], at_least: float) -> None:
    from matplotlib.ticker import MaxNLocator

    low, high = min(values), max(values)
    middle = (low + high) / 2
    half = max((high - low) / 2 * 1.15, _NARROWEST * abs(middle), at_least)
    axes.set_ylim(middle - half, middle + half)
    axes.yaxis.set_major_locator(MaxNLocator(4, steps=[1, 2, 2.5, 5, 10]))
    axes.yaxis.set_major_formatter(lambda value, _: f"{value:.6g}")
    margin = max((days[-1] - days[0]) * 0.03, 0.02)
    axes.set_xlim(days[0] - margin, days[-1] + margin)
    axes.set_xticks(ticks := _ticks(days[0], days[-1]))
    short = days[-1] - days[0] < 2
    axes.set_xticklabels([f"{_at(day):{'%H:%M' if short else '%b %-d'}}" for day in ticks])


def _ticks(first: float, last: float) -> list[float]:
    """Up to six whole days (or hours) between the first and the last run."""
    span = last - first
    steps = (1 / 24, 2 / 24, 6 / 24, 1.0, 2.0, 5.0, 7.0, 14.0, 30.0, 60.0, 91.0, 182.0, 365.0)
    step = next((one for one in steps if span / one <= 6), ceil(span / 6))
    start = ceil(first / step) if step < 1 else ceil(first)
    if step < 1:
        return [n * step for n in range(start, floor(last / step) + 1)] or [first]
    return [float(start + n * step) for n in range(floor(max(last - start, 0) / step) + 1)]


def _day(started_utc: str) -> float:
    return datetime.fromisoformat(started_utc.replace("Z", "+00:00")).timestamp() / 86400


def _at(day: float) -> datetime:
    return datetime.fromtimestamp(day * 86400, UTC)
