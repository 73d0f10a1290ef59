"""A study as a table."""

import textwrap
from math import floor, log10
from typing import Any, Final

from rigmon.units import convert, shown_unit

_WIDTH: Final = 100
#: of the column of names
_NAME: Final = 25
_NOTE: Final = (
    "Rigs, faults and noise are simulated and invented. In brackets: 95 % intervals (shares: Wilson;",
    "rates: Garwood; delays: order statistics). Delays count with the boom on, from when the fault began.",
    "Missed: runs without any diagnosis in the time watched. Early: diagnoses before the fault began.",
)


def study_text(told: dict[str, Any], units: str) -> str:
    """The study as readable text; `units` 'us' or 'metric'."""
    noise = told["noise"]
    fixed = "".join(f", {name} {value:g}" for name, value in noise["fixed"].items())
    lines = [
        f"Diagnoses: {told['runs_asked']} runs of each, seed {told['seed']}, receivers {noise['receiver']}, "
        f"meters {noise['meters']}{fixed};",
        f"the rig asks for at most {told['false_alarms_per_h']:g} false alarms an hour",
        *_NOTE,
    ]
    if not told["complete"]:
        lines += [
            f"STOPPED EARLY: {told['runs_done']} of {told['runs_of']} runs; what follows is of these alone"
        ]
    for one in told["failed"]:
        lines += [f"Not done: {one['cell']}, run {one['number']}: {one['why']}"]
    faults = [cell for cell in told["cells"] if "found" in cell]
    others = [cell for cell in told["cells"] if "alarms" in cell]
    if faults:
        lines += ["", *_detection(faults), "", *_ground(faults, units), *_names(faults)]
    if others or told["before_faults"]["of"]:
        lines += ["", *_false_alarms(others, told["before_faults"])]
    if told["goals"]:
        lines += ["", *_goals(told["goals"])]
    return "\n".join(lines) + "\n"


def cells_text(cells: list[tuple[str, str]]) -> str:
    """The names of cells and what they are."""
    return "".join(f"{name:<26}{about}\n" for name, about in cells)


def _detection(faults: list[dict[str, Any]]) -> list[str]:
    widths = (17, 7, 17, 17, 17)
    lines = [_row("fault", ("found, %", "within", "in time, %", "half in, s", "95 % in, s"), widths)]
    for cell in faults:
        delays, watched = cell["delay_s"], cell["watched_s"]
        lines.append(
            _row(
                _title(cell),
                (
                    _share(cell["found"]),
                    f"{cell['in_time_s']:g} s",
                    _share(cell["in_time"]),
                    _delay(delays["median"], watched),
                    _delay(delays["p95"], watched),
                ),
                widths,
            )
        )
    return lines


def _ground(faults: list[dict[str, Any]], units: str) -> list[str]:
    unit = shown_unit("length", units)
    widths = (19, 19, 19, 9, 9)
    head = (f"half in, {unit}", f"95 % in, {unit}", "cause right, %", "missed", "early")
    lines = [_row("fault", head, widths)]
    for cell in faults:
        ground = {
            name: {key: None if v is None else convert(v, "length", unit) for key, v in one.items()}
            for name, one in cell["delay_m"].items()
        }
        lines.append(
            _row(
                _title(cell),
                (
                    _delay(ground["median"], None),
                    _delay(ground["p95"], None),
                    _share(cell["cause_right"]),
                    str(cell["missed"]),
                    str(cell["early"]["count"]),
                ),
                widths,
            )
        )
    return lines


def _names(faults: list[dict[str, Any]]) -> list[str]:
    """Where it was called something else at first, what; and whether the number of nozzles was right."""
    lines = []
    for cell in faults:
        other = {code: n for code, n in cell["named"].items() if code not in cell["causes"]}
        if other:
            told = ", ".join(f"{code} {n}" for code, n in other.items())
            at_last = _share(cell["cause_right_at_last"])
            lines += _wrapped(f"{_title(cell)}: named at first {told}; right at last {at_last} %", "  ")
        number = cell["nozzles_right"]
        if number is not None and number["of"]:
            lines.append(f"  {_title(cell)}: number of nozzles right {_share(number)} %")
    return lines


def _false_alarms(others: list[dict[str, Any]], before: dict[str, Any]) -> list[str]:
    widths = (10, 8, 24, 22)
    lines = [_row("no fault", ("hours", "alarms", "an hour", "runs without any, %"), widths)]
    rows = []
    for cell in others:
        rows.append((_title(cell), cell["alarms"], _share(cell["quiet"])))
        rows += [(f"  {code}", rate, "") for code, rate in cell["by_code"].items()]
    if before["of"]:
        rows.append(("before faults began", before, ""))
    for name, rate, quiet in rows:
        lines.append(_row(name, (f"{rate['of']:.1f}", str(rate["count"]), _rate(rate), quiet), widths))
    return lines


def _goals(goals: list[dict[str, Any]]) -> list[str]:
    lines = ["Goals"]
    for goal in goals:
        if goal["at_most"]:
            figure, limit = _rate(goal), f"at most {goal['limit']:g}"
        else:
            figure, limit = f"{_share(goal)} %", f"{100 * goal['limit']:g} % or more"
        verdict = "met" if goal["met"] else "MISSED"
        sure = "" if goal["sure"] else " (more runs could turn that)"
        if "by_the_clock" in goal:
            figure += f" (turns counted too: {_figure(100 * goal['by_the_clock'])} %)"
        lines += _wrapped(f"{verdict}: {goal['about']}: {figure}; asked: {limit}{sure}", "  ")
        if goal.get("below"):
            lines += _wrapped(f"alone below that: {', '.join(goal['below'])}", "    ")
    return lines


def _wrapped(text: str, indent: str) -> list[str]:
    return textwrap.wrap(text, _WIDTH, initial_indent=indent, subsequent_indent=indent + "  ")


def _title(cell: dict[str, Any]) -> str:
    return str(cell["about"])


def _row(name: str, cells: tuple[str, ...], widths: tuple[int, ...]) -> str:
    shown = name if len(name) < _NAME else name[: _NAME - 1]
    return (f"{shown:<{_NAME}}" + "".join(f"{c:>{w}}" for c, w in zip(cells, widths, strict=True))).rstrip()


def _share(one: dict[str, Any]) -> str:
    if one["value"] is None:
        return "none"
    value, low, high = (_figure(100 * one[key]) for key in ("value", "low", "high"))
    return f"{value} ({low}-{high})"


def _rate(one: dict[str, Any]) -> str:
    if one["value"] is None:
        return "unknown"
    return f"{_figure(one['value'])} ({_figure(one['low'])}-{_figure(one['high'])})"


def _delay(one: dict[str, Any], watched_s: float | None) -> str:
    """What was not reached in the time watched, or is not known from so few, is said to be more."""
    if one["value"] is None:
        return "not found" if watched_s is None else f">{watched_s:g}"
    high = "..." if one["high"] is None else _figure(one["high"])
    return f"{_figure(one['value'])} ({_figure(one['low'])}-{high})"


def _figure(value: float) -> str:
    """Three significant digits, without a power of ten."""
    if value == 0:
        return "0"
    digits = max(2 - floor(log10(abs(value))), 0)
    text = f"{value:.{min(digits, 4)}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
