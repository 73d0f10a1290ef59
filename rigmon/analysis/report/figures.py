"""The graphs of the report: dose by area, speed and rate along the run, the boom, the driver's hold.

What is drawn is in the report's object; nothing is worked out here. Colours differ in lightness, and what is
over or under the tolerance is hatched as well, so that a grey print says the same.
"""

from itertools import pairwise
from math import ceil, isfinite
from typing import Any, Final

from rigmon.analysis.report.drawing import (
    FONT_PT,
    HATCHES,
    Drawing,
    colour,
    drawn,
    figure,
    hatch,
    styled,
    tidy,
)
from rigmon.analysis.report.shown import Shown
from rigmon.words import alert_words

#: kinds of alert that have a row of their own below the run
_MOST_ALERTS: Final = 5


def _nan(value: float | None) -> float:
    return float("nan") if value is None else value


def _bars(axes: Any, left: list[float], width: list[float], height: list[float], kinds: list[str]) -> None:
    """Bars in the colour of their kind, with its hatch."""
    for kind in dict.fromkeys(kinds):
        chosen = [n for n, one in enumerate(kinds) if one == kind]
        x, w, h = ([values[n] for n in chosen] for values in (left, width, height))
        axes.bar(x, h, w, align="edge", color=colour(kind), edgecolor=colour("ink"), linewidth=0.4)
        if kind in HATCHES:
            axes.bar(x, h, w, align="edge", color=hatch(kind), linewidth=0)


def kind_of(off_pct: float, tolerance_pct: float) -> str:
    """The colour of a dose so many percent off the target; limits belong inside."""
    if abs(off_pct) <= tolerance_pct * (1 + 1e-9):
        return "within"
    far = abs(off_pct) > 2 * tolerance_pct
    return ("far-" if far else "") + ("over" if off_pct > 0 else "under")


def _percent_axis(axes: Any, top: float) -> None:
    axes.set_ylim(0, top * 1.12 or 1)
    axes.yaxis.set_major_locator(_ticks(4))
    axes.yaxis.set_major_formatter(lambda value, _: f"{value:g}")


def _ticks(count: int) -> Any:
    from matplotlib.ticker import MaxNLocator

    return MaxNLocator(count, steps=[1, 2, 2.5, 5, 10])


# -- dose ----------------------------------------------------------------------------------------------------


def dose(shown: Shown) -> Drawing | None:
    """How much of the ground got which dose; None: no ground with a known dose."""
    classes = shown.get("dose.classes")
    tolerance, target = shown.get("target.tolerance_pct"), shown.get("target.rate_l_ha")
    if not classes or not shown.get("dose.area_m2"):
        return None
    with styled():
        made = figure(2.0)
        axes = made.add_axes((0.105, 0.2, 0.875, 0.68))
        tidy(axes)
        unit = shown.unit("rate")
        edges = [shown.convert(max(one["low_l_ha"], 0.0), "rate") for one in classes]
        edges.append(shown.convert(classes[-1]["high_l_ha"], "rate"))
        share = [one["share_pct"] for one in classes]
        kinds = [kind_of((one["low_pct"] + one["high_pct"]) / 2, tolerance) for one in classes]
        width = [b - a for a, b in pairwise(edges)]
        low, high = (shown.convert(target * (1 + side * tolerance / 100), "rate") for side in (-1, 1))
        axes.axvspan(low, high, color=colour("band"), linewidth=0, zorder=0)
        full = [n for n, value in enumerate(share) if value > 0]
        x, w, h = ([values[n] for n in full] for values in (edges, width, share))
        _bars(axes, x, w, h, [kinds[n] for n in full])
        middle = shown.convert(target, "rate")
        axes.axvline(middle, color=colour("ink"), linewidth=0.9, linestyle=(0, (4, 2)))
        top = max(share)
        _percent_axis(axes, top)
        axes.set_xlim(edges[0], edges[-1])
        axes.xaxis.set_major_locator(_ticks(7))
        axes.set_xlabel(f"dose, {unit}", labelpad=2)
        axes.set_title("% of the ground", loc="left", fontsize=FONT_PT, color=colour("ink"), pad=10)
        axes.text(middle, 1.02, "target and tolerance", transform=axes.get_xaxis_transform(), ha="center",
                  color=colour("ink"))  # fmt: skip
        rate = shown.get("rate")
        told = (
            f"Histogram of the dose by area. {shown.text(rate['in_tolerance_area_pct'], '%')} of the ground "
            f"lies between {low:.1f} and {high:.1f} {unit}, {shown.text(rate['under_area_pct'], '%')} below, "
            f"{shown.text(rate['over_area_pct'], '%')} above; the outermost bars hold all beyond."
        )
        return drawn(made, "dose", "Dose by area", told)


# -- along the run -------------------------------------------------------------------------------------------


def along(shown: Shown) -> Drawing | None:
    """Speed and rate over time, and when which alert was raised; None: a run without samples."""
    steps = shown.get("along.steps")
    if not steps:
        return None
    alerts = _alert_rows(shown)
    extra = 0.13 * len(alerts)
    height = 2.75 + extra + (0.1 if alerts else 0)
    with styled():
        made = figure(height)
        bottom = 0.33
        panel = (height - bottom - extra - (0.1 if alerts else 0) - 0.42) / 2
        rows = extra + (0.1 if alerts else 0)
        rate_axes = made.add_axes((0.105, (bottom + rows) / height, 0.865, panel / height))
        speed_axes = made.add_axes((0.105, (bottom + rows + panel + 0.2) / height, 0.865, panel / height))
        for axes in (rate_axes, speed_axes):
            tidy(axes)
        times = _breaks(steps)
        _speed_panel(speed_axes, shown, times)
        _rate_panel(rate_axes, shown, times)
        end = max(steps[-1]["end_s"], 1.0)
        foot = rate_axes
        speed_axes.tick_params(labelbottom=False)
        if alerts:
            foot = made.add_axes((0.105, bottom / height, 0.865, extra / height))
            tidy(foot, left=False)
            _alert_panel(foot, alerts, end)
            rate_axes.tick_params(labelbottom=False)
        for axes in (rate_axes, speed_axes, foot):
            axes.set_xlim(0, end)
            axes.xaxis.set_major_locator(_clock_ticks(end))
            axes.xaxis.set_major_formatter(lambda s, _: _hours(s, end))
        foot.set_xlabel("time into the run, " + ("h:mm" if end >= 3600 else "min:s"), labelpad=2)
        kinds = ", ".join(f"{words} {len(times)} times" for words, times in alerts) or "none"
        speed, rate = shown.get("speed"), shown.text(shown.get("rate.mean_l_ha"), "rate")
        told = (
            f"Two graphs over time. Speed: {shown.text(speed['mean_m_s'], 'speed')} on average over the "
            f"treated ground, {shown.text(speed['in_band_time_pct'], '%')} of the time in the band. "
            f"Rate: {rate} on average. Alerts: {kinds}."
        )
        return drawn(made, "along", "Speed and rate along the run", told)


def _breaks(steps: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The steps, with an empty one wherever time is missing, so that no line is drawn across."""
    found: list[dict[str, Any]] = []
    for step in steps:
        if found and step["start_s"] > found[-1]["end_s"] + 1e-6:
            found.append({**dict.fromkeys(step), "start_s": found[-1]["end_s"], "end_s": step["start_s"]})
        found.append(step)
    return found


def _panel(axes: Any, shown: Shown, steps: list[dict[str, Any]], keys: tuple[str, str, str], dimension: str,
           band: tuple[float, float], target: float, title: str) -> None:  # fmt: skip
    """A line with what lies between its lowest and highest value, over the band that was to be kept."""
    x = [(step["start_s"] + step["end_s"]) / 2 for step in steps]
    mean, low, high = (
        [_nan(None if step[key] is None else shown.convert(step[key], dimension)) for step in steps]
        for key in keys
    )
    a, b = (shown.convert(value, dimension) for value in band)
    middle = shown.convert(target, dimension)
    # a single wild value must not flatten the rest
    seen = sorted(value for value in mean if isfinite(value))
    usual = seen[min(int(0.98 * len(seen)), len(seen) - 1)] if seen else b
    top = max(b + (b - middle), min(1.25 * usual, 2.5 * middle), 1.4 * middle)
    axes.axhspan(a, b, color=colour("band"), linewidth=0, zorder=0)
    axes.axhline(middle, color=colour("ink"), linewidth=0.8, linestyle=(0, (4, 2)), zorder=1)
    axes.fill_between(x, low, high, color=colour("bar"), alpha=0.45, linewidth=0)
    axes.plot(x, mean, color=colour("ink"), linewidth=0.9, solid_joinstyle="round")
    beyond = [(t, top) for t, value in zip(x, mean, strict=True) if value > top]
    if beyond:
        axes.plot(*zip(*beyond, strict=True), linestyle="none", marker="^", markersize=3,
                  color=colour("far-over"), clip_on=False)  # fmt: skip
    axes.set_ylim(0, top)
    axes.yaxis.set_major_locator(_ticks(4))
    axes.set_title(title, loc="left", fontsize=FONT_PT, color=colour("ink"), pad=3)


def _speed_panel(axes: Any, shown: Shown, steps: list[dict[str, Any]]) -> None:
    band = (shown.get("target.speed_low_m_s"), shown.get("target.speed_high_m_s"))
    keys = ("speed_m_s", "speed_low_m_s", "speed_high_m_s")
    title = f"speed, {shown.unit('speed')} (band: keeps the rate at the target flow)"
    _panel(axes, shown, steps, keys, "speed", band, shown.get("target.speed_m_s"), title)


def _rate_panel(axes: Any, shown: Shown, steps: list[dict[str, Any]]) -> None:
    rate, part = shown.get("target.rate_l_ha"), shown.get("target.tolerance_pct") / 100
    keys = ("rate_l_ha", "rate_low_l_ha", "rate_high_l_ha")
    band = (rate * (1 - part), rate * (1 + part))
    _panel(axes, shown, steps, keys, "rate", band, rate, f"rate, {shown.unit('rate')} (band: tolerance)")


def _alert_rows(shown: Shown) -> list[tuple[str, list[tuple[float, float]]]]:
    """Words of a kind of alert, and when it was active; the kinds that took longest, in the order of time."""
    end_s = shown.get("run.duration_s") or 0.0
    rows: dict[str, list[tuple[float, float]]] = {}
    for alert in shown.get("alerts"):
        until = end_s if alert["cleared_s"] is None else alert["cleared_s"]
        rows.setdefault(alert["code"], []).append((alert["raised_s"], max(until, alert["raised_s"])))
    longest = sorted(rows, key=lambda code: -sum(b - a for a, b in rows[code]))[:_MOST_ALERTS]
    return [(alert_words(code), times) for code, times in rows.items() if code in longest]


def _alert_panel(axes: Any, rows: list[tuple[str, list[tuple[float, float]]]], end_s: float) -> None:
    axes.set_ylim(len(rows), 0)
    for n, (words, times) in enumerate(rows):
        axes.axhline(n + 0.5, color=colour("line"), linewidth=0.3)
        axes.broken_barh([(a, b - a) for a, b in times], (n + 0.22, 0.56), color=colour("ink"), linewidth=0)
        axes.plot([a for a, _ in times], [n + 0.5] * len(times), linestyle="none", marker="|", markersize=6,
                  color=colour("ink"), markeredgewidth=0.8)  # fmt: skip
        # where fewer alerts are, and on the page's colour, since a bar may reach anywhere
        early = any(a < 0.27 * end_s for a, _ in times) and not any(b > 0.73 * end_s for _, b in times)
        axes.text(0.998 if early else 0.002, n + 0.5, words, transform=axes.get_yaxis_transform(),
                  va="center", ha="right" if early else "left", fontsize=7, color=colour("ink"),
                  bbox={"facecolor": colour("page"), "linewidth": 0, "pad": 0.8})  # fmt: skip


_CLOCK_STEPS: Final = (5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400)


def _clock_ticks(end_s: float) -> Any:
    from matplotlib.ticker import MultipleLocator

    step = next((s for s in _CLOCK_STEPS if end_s / s <= 7), ceil(end_s / 7 / 14400) * 14400)
    return MultipleLocator(step)


def _hours(seconds: float, end_s: float) -> str:
    whole = round(seconds)
    if end_s >= 3600:
        return f"{whole // 3600}:{whole // 60 % 60:02d}"
    return f"{whole // 60}:{whole % 60:02d}"


# -- across the boom -----------------------------------------------------------------------------------------


def across(shown: Shown) -> Drawing | None:
    """Mean dose under each nozzle; None: no way is known, or no ground with a dose."""
    found = shown.get("across")
    nozzles = [] if found is None else found["nozzles"]
    if not any(one["mean_l_ha"] is not None for one in nozzles):
        return None
    target, tolerance = shown.get("target.rate_l_ha"), shown.get("target.tolerance_pct")
    with styled():
        made = figure(1.9)
        axes = made.add_axes((0.105, 0.2, 0.875, 0.66))
        tidy(axes)
        middle = shown.convert(target, "rate")
        part = tolerance / 100
        axes.axhspan(middle * (1 - part), middle * (1 + part), color=colour("band"), linewidth=0, zorder=0)
        means = [
            0.0 if one["mean_l_ha"] is None else shown.convert(one["mean_l_ha"], "rate") for one in nozzles
        ]
        kinds = [kind_of(100 * (value / middle - 1), tolerance) for value in means]
        left = [one["nozzle"] - 0.4 for one in nozzles]
        _bars(axes, left, [0.8] * len(nozzles), means, kinds)
        axes.axhline(middle, color=colour("ink"), linewidth=0.9, linestyle=(0, (4, 2)))
        axes.set_ylim(0, max(*means, middle * (1 + part)) * 1.12)
        axes.yaxis.set_major_locator(_ticks(4))
        axes.set_xlim(0.4, len(nozzles) + 0.6)
        axes.xaxis.set_major_locator(_whole_ticks(len(nozzles)))
        axes.set_xlabel("nozzle, from the left end of the boom to the right", labelpad=2)
        axes.set_title(
            f"mean dose, {shown.unit('rate')}", loc="left", fontsize=FONT_PT, color=colour("ink"), pad=4
        )
        known = [one["mean_l_ha"] for one in nozzles if one["mean_l_ha"] is not None]
        told = (
            f"Bars of the mean dose under each of {len(nozzles)} nozzles, from "
            f"{shown.text(min(known), 'rate')} to {shown.text(max(known), 'rate')}; "
            f"the target is {shown.text(target, 'rate')}."
        )
        return drawn(made, "across", "Dose across the boom", told)


def _whole_ticks(count: int) -> Any:
    from matplotlib.ticker import FixedLocator

    step = max(1, ceil(count / 16))
    return FixedLocator(range(1, count + 1, step))


# -- hold ----------------------------------------------------------------------------------------------------


def hold(shown: Shown) -> Drawing | None:
    """How far off the speed to hold the treated distance was driven; None: nothing treated."""
    classes = shown.get("hold.histogram")
    if not classes:
        return None
    tolerance = shown.get("target.tolerance_pct")
    low, high = 100 * (1 / (1 + tolerance / 100) - 1), 100 * (1 / (1 - tolerance / 100) - 1)
    full = [one for one in classes if one["share_pct"] > 0]
    reach = max(abs(low), abs(high), *(max(abs(one["low_pct"]), abs(one["high_pct"])) for one in full)) + 2.5
    with styled():
        made = figure(1.9)
        axes = made.add_axes((0.105, 0.2, 0.875, 0.66))
        tidy(axes)
        axes.axvspan(low, high, color=colour("band"), linewidth=0, zorder=0)
        kinds = [_speed_kind((one["low_pct"] + one["high_pct"]) / 2, low, high) for one in full]
        left = [one["low_pct"] for one in full]
        width = [one["high_pct"] - one["low_pct"] for one in full]
        _bars(axes, left, width, [one["share_pct"] for one in full], kinds)
        axes.axvline(0, color=colour("ink"), linewidth=0.9, linestyle=(0, (4, 2)))
        _percent_axis(axes, max(one["share_pct"] for one in full))
        axes.set_xlim(-reach, reach)
        axes.xaxis.set_major_locator(_ticks(8))
        axes.xaxis.set_major_formatter(lambda value, _: f"{value:+g}" if value else "0")
        axes.set_xlabel("slower   –   % off the speed to hold   –   faster", labelpad=2)
        axes.set_title("% of the treated distance", loc="left", fontsize=FONT_PT, color=colour("ink"), pad=4)
        told = (
            "Histogram of the ground speed against the speed to hold. "
            f"{shown.text(shown.get('hold.in_band_pct'), '%')} of the distance lies in the "
            f"band from {low:+.1f} to {high:+.1f} %."
        )
        return drawn(made, "hold", "Speed against the speed to hold", told)


def _speed_kind(off_pct: float, low_pct: float, high_pct: float) -> str:
    """A speed that is too slow gives too much: it has that colour."""
    if low_pct <= off_pct <= high_pct:
        return "within"
    return "over" if off_pct < 0 else "under"
