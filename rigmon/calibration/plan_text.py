"""The job plan as one page of text, for a screen from 40 columns on."""

import textwrap

from rigmon.calibration.plan import JobPlan, Nozzles
from rigmon.calibration.result import System, amount, significant
from rigmon.calibration.tank import Load, TankPlan, amount_text, volume_text
from rigmon.units import convert, shown_unit


def plan_text(plan: JobPlan, width: int = 80) -> str:
    """The plan in lines of at most `width` columns (words longer than that stay whole)."""
    lines = _wrap(f"Job plan{f': {plan.job}' if plan.job else ''}, {plan.rig}, {plan.made_on}", width)
    lines += ["", *_hold(plan, width)]
    if plan.tank is not None:
        lines += ["", *tank_lines(plan.tank, width)]
    if plan.work is not None:
        lines += [
            "",
            *_wrap(
                f"Time: {clock(plan.work.field_s)} in the field, {clock(plan.work.boom_on_s)} of it with the "
                f"boom on (field efficiency {plan.work.efficiency_pct:g} %: common practice).",
                width,
            ),
        ]
    lines += ["", *_boom(plan.nozzles, plan.system, width)]
    lines += ["", "Calibrations (+-: k = 2)"]
    for age in plan.ages:
        mark = "! " if age.due else "  "
        days = "no date" if age.age_days is None else f"{age.age_days} days old"
        says = f": {age.says}" if age.says else ""
        lines += _wrap(f"{mark}{age.what}, {days}{says}", width, "    ")
    for severity, head in (("do", "Before you start"), ("mind", "Mind")):
        texts = [finding.text for finding in plan.findings if finding.severity == severity]
        if texts:
            lines += ["", head, *(line for text in texts for line in _wrap(f"- {text}", width))]
    lines += ["", *(line for text in plan.cautions for line in _wrap(text, width))]
    return "\n".join(lines) + "\n"


def _hold(plan: JobPlan, width: int) -> list[str]:
    system = plan.system
    unit = shown_unit("speed", system)
    low, high = (f"{convert(v, 'speed', unit):.1f}" for v in (plan.speed_low_m_s, plan.speed_high_m_s))
    at = "" if plan.pressure_kpa is None else f" at {amount(plan.pressure_kpa, 'pressure', system)}"
    flow = "not calibrated" if plan.flow_l_min is None else f"{amount(plan.flow_l_min, 'flow', system)}{at}"
    rows = [
        ("Rate", f"{amount(plan.rate_l_ha, 'rate', system)} within {plan.tolerance_pct:g} %"),
        ("HOLD", f"{convert(plan.speed_m_s, 'speed', unit):.1f} {unit} ({low} to {high})"),
        (
            "Watch",
            f"{watch_course(plan)} in {plan.watch_s:.1f} s "
            f"({plan.watch_low_s:.1f} to {plan.watch_high_s:.1f})",
        ),
        ("Boom", f"{flow}, swath {amount(plan.swath_m, 'length', system)}"),
    ]
    return [line for label, text in rows for line in _wrap(f"{label:<6} {text}", width, " " * 7)]


def watch_course(plan: JobPlan) -> str:
    """The course for the watch: a round number."""
    unit = shown_unit("length", plan.system)
    return f"{convert(plan.watch_course_m, 'length', unit):.0f} {unit}"


def tank_lines(tank: TankPlan, width: int = 80) -> list[str]:
    """Ground per tank, loads, and what goes into each."""
    system = tank.system
    lines = _wrap(
        f"A tank of {volume_text(tank.tank_l, system)} treats "
        f"{amount(tank.area_per_tank_m2, 'area', system)} at {amount(tank.rate_l_ha, 'rate', system)}.",
        width,
    )
    if tank.area_m2 is not None and tank.spray_l is not None:
        lines += _wrap(
            f"The job of {amount(tank.area_m2, 'area', system)} takes "
            f"{volume_text(tank.spray_l, system)}: {loads_text(tank)}.",
            width,
        )
    if tank.full_loads != 0:
        lines += ["", *load_lines(tank.full, full_name(tank), system, width)]
    if tank.last is not None:
        lines += ["", *load_lines(tank.last, "Last load" if tank.full_loads else "One load", system, width)]
    if tank.totals and tank.loads != 1:
        told = ", ".join(
            f"{total.product} {amount_text(total.needed, total.kind, system)}" for total in tank.totals
        )
        lines += ["", *_wrap(f"In all: {told}.", width)]
    return lines


def full_name(tank: TankPlan) -> str:
    """'Each full tank', with how many there are."""
    if not tank.full_loads:
        return "Full tank"
    return "Full tank" if tank.full_loads == 1 else f"Each of {tank.full_loads} full tanks"


def loads_text(tank: TankPlan) -> str:
    """'4 full tanks and a last load of 19.0 gal'."""
    full = tank.full_loads or 0
    told = "1 full tank" if full == 1 else f"{full} full tanks"
    if tank.last is None:
        return told
    last = f"load of {volume_text(tank.last.volume_l, tank.system)}"
    return f"{told} and a last {last}" if full else f"one {last}"


def load_lines(load: Load, name: str, system: System, width: int = 80) -> list[str]:
    """A load as a list to work by: water, then each product as it is measured out."""
    ground = "" if load.area_m2 is None else f", for {amount(load.area_m2, 'area', system)}"
    rows = [("water", volume_text(load.water_l, system), "")]
    for item in load.amounts:
        rows.append(
            (
                item.product,
                item.text,
                item.under_text,
            )
        )
    label = max(len(row[0]) for row in rows)
    lines = _wrap(f"{name}, {volume_text(load.volume_l, system)}{ground}:", width)
    for what, text, under in rows:
        told = f"{text} ({under})" if under else text
        if 2 + label + 2 + max(len(row[1]) for row in rows) <= width:
            lines += _wrap(f"  {what:<{label}}  {told}", width, " " * (4 + label))
        else:
            lines += [*_wrap(f"  {what}:", width, "    "), *_wrap(f"    {told}", width, "      ")]
    return lines


def _boom(boom: Nozzles | None, system: System, width: int) -> list[str]:
    if boom is None:
        return _wrap("Nozzles: no catch test of this set in the book.", width)
    good = len(boom.states) - len(boom.to_mend)
    cv = "" if boom.cv_pct is None else f", CV {boom.cv_pct:.1f} %"
    head = f"Nozzles ({boom.record}): {good} of {len(boom.states) + len(boom.missing)} good{cv}"
    lines = _wrap(head, width)
    unit = shown_unit("flow", system)
    for nozzle in boom.to_mend:
        flow = significant(convert(nozzle.flow_l_min, "flow", unit), 3)
        lines += _wrap(
            f"! {nozzle.nozzle:>2}  {flow} {unit}  {nozzle.from_mean_pct:+.0f} %  {nozzle.state}", width
        )
    lines += [f"! {number:>2}  not caught" for number in boom.missing]
    return lines


def clock(seconds: float) -> str:
    """'2:05 h' or '45 min'."""
    minutes = max(1, round(seconds / 60))
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60}:{minutes % 60:02d} h"


def _wrap(text: str, width: int, indent: str = "  ") -> list[str]:
    return textwrap.wrap(
        text, width, subsequent_indent=indent, break_on_hyphens=False, break_long_words=False
    )
