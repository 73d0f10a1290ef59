"""rigmon calibrate target"""

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from rigmon.cli.calibrate.common import (
    Keep,
    Setup,
    finish,
    record_options,
    rig_file_option,
    setup,
    units_option,
)
from rigmon.cli.dialogue import Dialogue, wrapped
from rigmon.cli.typed import items, option
from rigmon.errors import UsageError

if TYPE_CHECKING:
    from rigmon.calibration.crosscheck import CrossCheck
    from rigmon.calibration.result import Finding
    from rigmon.calibration.target import TargetResult

#: quantity -> (dimension, option)
_QUANTITIES: Final = {
    "rate": ("rate", "--rate"),
    "speed": ("speed", "--speed"),
    "flow": ("flow", "--flow"),
    "pressure": ("pressure", "--pressure"),
}


@click.command("target")
@rig_file_option
@click.option("--rate", metavar="QUANTITY", help="Application rate, such as '20 gal/ac' or '150 L/ha'.")
@click.option("--speed", metavar="QUANTITY", help="Ground speed, such as '3.5 mph' or '5.6 km/h'.")
@click.option("--flow", metavar="QUANTITY", help="Whole-boom flow, such as '2.4 gal/min' or '9 L/min'.")
@click.option("--pressure", metavar="QUANTITY", help="Pressure, such as '40 psi' or '2.8 bar'.")
@click.option("--swath", metavar="QUANTITY", help="Swath, such as '20 ft' or '6 m'.  [default: the rig's]")
@click.option(
    "--tolerance", "tolerance_pct", type=float, help="How far the rate may be off, %.  [default: the rig's]"
)
@click.option(
    "--density", metavar="QUANTITY", help="Density of what is sprayed, such as '10.65 lb/gal' or '1.28 kg/L'."
)
@click.option("--refill", metavar="LIST", help="Cross-check: what refilled the tank: '4.1 gal, 4.0'.")
@click.option("--refill-distance", metavar="QUANTITY", help="The course it was for, such as '218 ft'.")
@click.option(
    "--caught", metavar="LIST", help="Cross-check: caught over the 1/128-acre course: '17 oz, 16.8'."
)
@click.option("--drive-time", metavar="QUANTITY", help="Time of that drive and each catch, such as '39 s'.")
@click.option(
    "--drive-distance",
    metavar="QUANTITY",
    help="That course, such as '204 ft'.  [default: 1/128 ac or 10 m2]",
)
@click.option(
    "--strict", is_flag=True, help="Exit code 1 when a cross-check disagrees or something is to do."
)
@units_option
@record_options
def command(
    rig_file: Path | None,
    swath: str | None,
    tolerance_pct: float | None,
    density: str | None,
    refill: str | None,
    refill_distance: str | None,
    caught: str | None,
    drive_time: str | None,
    drive_distance: str | None,
    strict: bool,
    units_shown: str | None,
    keep: Keep,
    **quantities: str | None,
) -> int:
    """Rate, speed, boom flow or pressure: give two or three, and the others are worked out.

    What is not given comes from the rig file: its target rate, and its catch test's flow and pressure. Then
    the speed to hold and its band for the tolerance; and, with --refill or --caught, whether another method
    agrees with the catch test. Shown in gal/ac, mph, gal/min, psi or L/ha, km/h, L/min, kPa; JSON has L/ha,
    m/s, L/min, kPa, m, kg/L, %.
    """
    pairs = (
        ("--refill", refill, "--refill-distance", refill_distance),
        ("--caught", caught, "--drive-time", drive_time),
    )
    for a, first, b, second in pairs:
        if (first is None) != (second is None):
            given, missing = (a, b) if second is None else (b, a)
            raise UsageError(f"{given} needs {missing} beside it")
    if drive_distance is not None and caught is None:
        raise UsageError("--drive-distance needs --caught beside it")
    where = setup(rig_file, units_shown, keep.book)
    dialogue = Dialogue(where.system, "target")
    asked = _Asked(quantities, swath, tolerance_pct, density)
    result = dialogue.run(lambda d: d.check(lambda: _solve(d, where, asked)))
    checks: list[CrossCheck] = []
    if refill is not None and refill_distance is not None:
        checks.append(_refill(dialogue, where, result, refill, refill_distance))
    if caught is not None and drive_time is not None:
        checks.append(_ounces(dialogue, where, result, caught, drive_time, drive_distance))
    both = _Checked(result, tuple(checks))
    extra = {"cross_checks": [check.to_json() for check in checks]}
    more = [] if checks else _how_to_check(where)
    subject = where.rig.nozzles.set_name or ""
    finish(
        where,
        keep,
        dialogue,
        "target",
        subject,
        both,
        f"Target, {where.rig.name}, {keep.taken_on}",
        more,
        extra,
    )
    return 1 if strict and any(finding.severity == "do" for finding in both.findings) else 0


@dataclass(frozen=True, slots=True)
class _Asked:
    quantities: dict[str, str | None]
    swath: str | None
    tolerance_pct: float | None
    density: str | None


@dataclass(frozen=True, slots=True)
class _Checked:
    """The target with its cross-checks."""

    target: "TargetResult"
    checks: "tuple[CrossCheck, ...]"

    @property
    def findings(self) -> "tuple[Finding, ...]":
        return (*self.target.findings, *(finding for check in self.checks for finding in check.findings))

    def lines(self) -> list[str]:
        return [*self.target.lines(), *(check.text for check in self.checks)]

    def to_json(self) -> dict[str, Any]:
        return self.target.to_json()


def _solve(d: Dialogue, where: Setup, asked: _Asked) -> "TargetResult":
    from rigmon.calibration.target import solve_target

    rig = where.rig
    given = {
        name: option(d.typed, words, text, dimension)
        for name, (dimension, words) in _QUANTITIES.items()
        if (text := asked.quantities[name]) is not None
    }
    given |= _from_rig(d, where, given)
    calibration = rig.calibration
    return solve_target(
        rate_l_ha=given.get("rate"),
        speed_m_s=given.get("speed"),
        flow_l_min=given.get("flow"),
        pressure_kpa=given.get("pressure"),
        swath_m=rig.swath_m if asked.swath is None else option(d.typed, "--swath", asked.swath, "length"),
        calibration_flow_l_min=None if calibration is None else calibration.flow_l_min,
        calibration_pressure_kpa=None if calibration is None else calibration.pressure_kpa,
        tolerance_pct=rig.target.tolerance_pct if asked.tolerance_pct is None else asked.tolerance_pct,
        solution_density_kg_l=1.0
        if asked.density is None
        else option(d.typed, "--density", asked.density, "density"),
        pressure_low_kpa=rig.nozzles.pressure_low_kpa,
        pressure_high_kpa=rig.nozzles.pressure_high_kpa,
        spray_angle_deg=rig.nozzles.spray_angle_deg,
        flow_u_pct=2.5 if calibration is None else calibration.uncertainty_pct,
        speed_u_pct=rig.gps.speed_bias_pct,
        swath_u_pct=rig.swath_uncertainty_pct,
        pressure_u_pct=rig.pressure.uncertainty_pct,
        system=where.system,
    )


def _from_rig(d: Dialogue, where: Setup, given: dict[str, float]) -> dict[str, float]:
    """What makes two of those given; asked for where the rig file does not say it."""
    if len(given) >= 2 or set(given) == {"flow", "pressure"}:
        return {} if set(given) != {"flow", "pressure"} else {"rate": where.rig.target.rate_l_ha}
    if set(given) & {"speed", "flow", "pressure"}:
        return {"rate": where.rig.target.rate_l_ha}
    rate = {} if "rate" in given else {"rate": where.rig.target.rate_l_ha}
    calibration = where.rig.calibration
    if calibration is None:
        flow = d.quantity(
            "flow", "Boom flow", "flow", example="2.4 gal/min" if where.system == "us" else "9 L/min",
            option="--flow", about="All nozzles together, from the catch test.",
        )  # fmt: skip
        return {**rate, "flow": flow}
    if calibration.pressure_kpa is None:
        return {**rate, "flow": calibration.flow_l_min}
    return {**rate, "pressure": calibration.pressure_kpa}


def _volumes(d: Dialogue, words: str, text: str) -> list[float]:
    return [option(d.typed, words, item, "volume") for item in items(text)]


# -- cross-checks --------------------------------------------------------------------------------------------


def _catch_test(where: Setup, words: str) -> tuple[float, float]:
    """Flow [L/min] and its standard uncertainty [%]."""
    if where.rig.calibration is None:
        raise UsageError(
            f"{words} is compared with the catch test, and {where.rig_file} has no calibration.flow; do a "
            "catch test and apply it first"
        )
    return where.rig.calibration.flow_l_min, where.rig.calibration.uncertainty_pct


def _refill(d: Dialogue, where: Setup, target: "TargetResult", volumes: str, distance: str) -> "CrossCheck":
    from rigmon.calibration.crosscheck import refill_check

    flow_l_min, u_pct = _catch_test(where, "--refill")
    return refill_check(
        refills_l=_volumes(d, "--refill", volumes),
        distance_m=option(d.typed, "--refill-distance", distance, "length"),
        swath_m=target.swath_m,
        catch_flow_l_min=flow_l_min,
        speed_m_s=target.speed_m_s,
        catch_flow_u_pct=u_pct,
        speed_u_pct=where.rig.gps.speed_bias_pct,
        tolerance_pct=target.tolerance_pct,
        system=where.system,
    )


def _ounces(
    d: Dialogue, where: Setup, target: "TargetResult", volumes: str, drive_time: str, distance: str | None
) -> "CrossCheck":
    from rigmon.calibration.crosscheck import ounce_check

    flow_l_min, u_pct = _catch_test(where, "--caught")
    return ounce_check(
        catches_l=_volumes(d, "--caught", volumes),
        drive_time_s=option(d.typed, "--drive-time", drive_time, "time"),
        spacing_m=target.swath_m / where.rig.nozzle_count,
        nozzle_count=where.rig.nozzle_count,
        catch_flow_l_min=flow_l_min,
        speed_m_s=target.speed_m_s,
        distance_m=None if distance is None else option(d.typed, "--drive-distance", distance, "length"),
        catch_flow_u_pct=u_pct,
        speed_u_pct=where.rig.gps.speed_bias_pct,
        tolerance_pct=target.tolerance_pct,
        system=where.system,
    )


def _how_to_check(where: Setup) -> list[str]:
    """The courses for this rig."""
    from rigmon.calibration.crosscheck import catch_course_m, refill_course_m
    from rigmon.calibration.result import amount

    rig, system = where.rig, where.system
    one = amount(catch_course_m(rig.swath_m / rig.nozzle_count, system), "length", system)
    tenth = amount(refill_course_m(rig.swath_m, 10, system), "length", system)
    reads = "fl oz are gal/ac" if system == "us" else "mL are L/ha"
    area = "1/10 ac" if system == "us" else "1/10 ha"
    return [
        wrapped(
            f"Cross-check it: catch a nozzle for as long as the drive over {one} takes, {reads} (--caught, "
            f"--drive-time); or refill after {tenth}, {area} (--refill, --refill-distance).",
            "  ",
        ),
        "",
    ]
