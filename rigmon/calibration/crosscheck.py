"""Two other ways to the application rate, and whether they agree with the catch test.

Refill: treat a course of known length with water from a tank filled to a mark, and measure what fills it
again: rate = volume / (length x swath). County and state calibration sheets take 1/10 acre and at least two
runs.

1/128 acre: time the drive over a course that makes 1/128 acre with the width of one nozzle, and catch each
nozzle for that time: fluid ounces are then gal/ac, because a gallon is 128 fl oz. Its metric twin is a course
of 10 m2: mL are then L/ha. The rate is worked out from volume and ground, so any course will do.

Agreement: the two rates are the same when they differ by no more than the expanded uncertainty (k = 2) of the
difference, JCGM 100:2008, 5.1.2 and 6.2.1. What both share (the swath; the scale of one cylinder) shifts both
alike and cancels in the difference (5.2.2), so it is left out of it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import fsum, sqrt
from typing import Any, Final, Literal

from rigmon.calibration.budget import COVERAGE_FACTOR, Budget, Component, mean, rectangular, sample_sd
from rigmon.calibration.instruments import CYLINDER_SCALE_U_PCT, CYLINDER_U_L, STOPWATCH_U_S, TAPE_U_M
from rigmon.calibration.result import Finding, System, amount, check, significant
from rigmon.core import rate
from rigmon.errors import UsageError
from rigmon.units import ACRE_M2, HECTARE_M2

#: ground on which so much volume is so much rate, exact
OUNCE_GROUND_M2: Final = ACRE_M2 / 128  #: 340.3125 sq ft: fl oz are gal/ac
PINT_GROUND_M2: Final = ACRE_M2 / 8  #: 5445 sq ft: pints are gal/ac, for boomless nozzles
MILLILITRE_GROUND_M2: Final = HECTARE_M2 / 1000  #: 10 m2: mL are L/ha

#: the level may be brought back this far off the mark: judgement, a few mm on a small tank [L]
LEVEL_HALF_L: Final = 0.25
#: the boom may be opened and closed this far off the course's marks: judgement [m]
ENDS_HALF_M: Final = 0.5
#: how far one nozzle may be from the mean of the boom, where only one was caught [%]
_ONE_NOZZLE_HALF_PCT: Final = 5.0

Method = Literal["refill", "1/128 acre"]


def course_m(ground_m2: float | Fraction, width_m: float) -> float:
    """Length [m] of a course of `width_m` that is `ground_m2` of ground, such as OUNCE_GROUND_M2."""
    check(float(ground_m2), "ground of the course", "m2", high=1e6)
    check(width_m, "width of the course", "m", high=100)
    return float(Fraction(ground_m2) / Fraction(width_m))


def catch_course_m(spacing_m: float, system: System) -> float:
    """The course on which a nozzle's catch reads as the rate: fl oz as gal/ac, or mL as L/ha."""
    return course_m(OUNCE_GROUND_M2 if system == "us" else MILLILITRE_GROUND_M2, spacing_m)


def refill_course_m(swath_m: float, parts: int, system: System) -> float:
    """The course that is 1/`parts` of an acre or of a hectare: what refills the tank x parts is the rate."""
    if parts < 1:
        raise UsageError(
            f"parts = {parts} must be a whole number, 1 or more: the course is 1/parts of an area"
        )
    return course_m((ACRE_M2 if system == "us" else HECTARE_M2) / parts, swath_m)


@dataclass(frozen=True, slots=True)
class CrossCheck:
    """The rate by another method beside the catch test's. Carried units."""

    method: Method
    inputs: Mapping[str, Any]
    rate_l_ha: float  #: by this method
    catch_rate_l_ha: float  #: by the catch test
    difference_pct: float  #: of this method's rate from the catch test's, % of the latter
    allowed_pct: float  #: expanded uncertainty (k = 2) of the difference, same %
    agrees: bool
    speed_m_s: float | None  #: driven in this method, where it was timed
    budget: Budget  #: of rate_l_ha, without what is shared with the catch test
    findings: tuple[Finding, ...]
    system: System

    @property
    def text(self) -> str:
        """Both rates, and whether they agree, in a sentence."""
        name = {"refill": "The refill method", "1/128 acre": "The 1/128-acre method"}[self.method]
        if self.system == "metric" and self.method == "1/128 acre":
            name = "The timed catch"
        how = "they agree" if self.agrees else "they do not agree"
        than = "within" if self.agrees else "more than"
        return (
            f"{name} gives {amount(self.rate_l_ha, 'rate', self.system)} over "
            f"{amount(self.inputs['distance_m'], 'length', self.system)}, the catch test "
            f"{amount(self.catch_rate_l_ha, 'rate', self.system)}: {how}. They differ by "
            f"{self.difference_pct:+.1f} %, {than} the combined expanded uncertainty (k = 2) of "
            f"{self.allowed_pct:.1f} %."
        )

    def to_json(self) -> dict[str, Any]:
        return {
            "inputs": {"method": self.method, **self.inputs},
            "result": {
                "rate_l_ha": self.rate_l_ha,
                "catch_rate_l_ha": self.catch_rate_l_ha,
                "difference_pct": self.difference_pct,
                "allowed_pct": self.allowed_pct,
                "agrees": self.agrees,
                "speed_m_s": self.speed_m_s,
            },
            "uncertainty": {"rate_l_ha": self.budget.to_json()},
            "findings": [finding.to_json() for finding in self.findings],
        }


def refill_check(
    *,
    refills_l: Sequence[float],
    distance_m: float,
    swath_m: float,
    catch_flow_l_min: float,
    speed_m_s: float,
    catch_flow_u_pct: float = 2.5,
    speed_u_pct: float = 0.5,
    level_half_l: float = LEVEL_HALF_L,
    vessel_u_pct: float = CYLINDER_SCALE_U_PCT,
    ends_half_m: float = ENDS_HALF_M,
    distance_u_m: float = TAPE_U_M,
    tolerance_pct: float = 10.0,
    system: System = "us",
) -> CrossCheck:
    """The refill method, from one or more runs over the same course at the speed of the work.

    `catch_flow_l_min` (whole boom, at the same pressure) and `speed_m_s` make the catch test's rate; their
    `_u_pct` and the other `_u_` are standard uncertainties (k = 1), `_half_` bounds. Raises UsageError for
    numbers that cannot be.
    """
    _check_catch(catch_flow_l_min, speed_m_s, swath_m, catch_flow_u_pct, speed_u_pct, tolerance_pct)
    check(distance_m, "distance", "m", high=100_000)
    _check_volumes(refills_l, "refill", 5000)
    check(level_half_l, "how far the level may be off the mark", "L", zero=True, high=100)
    check(vessel_u_pct, "standard uncertainty of the vessel's scale", "%", zero=True, high=50)
    check(ends_half_m, "how far off the marks the boom may be opened", "m", zero=True, high=distance_m)
    check(distance_u_m, "standard uncertainty of the distance", "m", zero=True, high=distance_m)
    runs = len(refills_l)
    volume_l = mean(refills_l)
    rate_l_ha = _on_ground(volume_l, distance_m * swath_m)
    per_l, per_m = rate_l_ha / volume_l, -rate_l_ha / distance_m
    scatter = [
        Component(
            "level at the mark",
            "B",
            rectangular(level_half_l) * sqrt(2 / runs),
            "L",
            per_l,
            note=f"+-{level_half_l:g} L, filled twice a run",
        ),
        Component(
            "boom opened and closed at the marks",
            "B",
            rectangular(ends_half_m) * sqrt(2 / runs),
            "m",
            per_m,
            note=f"+-{ends_half_m:g} m at each end",
        ),
    ]
    budget = Budget(
        [
            *_scatter(refills_l, scatter, per_l),
            Component("scale of the vessel", "B", volume_l * vessel_u_pct / 100, "L", per_l),
            Component("measured distance", "B", distance_u_m, "m", per_m),
        ],
        rate_l_ha,
        "L/ha",
    )
    findings = []
    if runs < 2:
        findings.append(
            Finding(
                "one_run",
                "mind",
                "One refill does not show how well it repeats: drive the course at least twice, full to the "
                "same mark on level ground.",
            )
        )
    return _compare(
        "refill",
        {
            "refills_l": list(refills_l),
            "distance_m": distance_m,
            "swath_m": swath_m,
            "catch_flow_l_min": catch_flow_l_min,
            "speed_m_s": speed_m_s,
            "catch_flow_u_pct": catch_flow_u_pct,
            "speed_u_pct": speed_u_pct,
        },
        budget,
        rate.application_rate_l_ha(catch_flow_l_min, speed_m_s, swath_m),
        sqrt(catch_flow_u_pct * catch_flow_u_pct + speed_u_pct * speed_u_pct),
        None,
        speed_m_s,
        findings,
        tolerance_pct,
        system,
    )


def ounce_check(
    *,
    catches_l: Sequence[float],
    drive_time_s: float,
    spacing_m: float,
    nozzle_count: int,
    catch_flow_l_min: float,
    speed_m_s: float,
    distance_m: float | None = None,
    catch_flow_u_pct: float = 2.5,
    speed_u_pct: float = 0.5,
    reading_u_l: float = CYLINDER_U_L,
    cylinder_u_pct: float = CYLINDER_SCALE_U_PCT,
    same_cylinder: bool = True,
    stopwatch_u_s: float = STOPWATCH_U_S,
    distance_u_m: float = TAPE_U_M,
    tolerance_pct: float = 10.0,
    system: System = "us",
) -> CrossCheck:
    """The 1/128-acre method: nozzles each caught for the time that the drive over the course took.

    `distance_m` None: the course of `catch_course_m`. `catches_l` holds one volume a nozzle, of some or all
    of `nozzle_count`; those not caught are taken to be like the others. `same_cylinder`: the catch test was
    read on the same one. The rest is as for `refill_check`. Raises UsageError for numbers that cannot be.
    """
    check(spacing_m, "nozzle spacing", "m", high=20)
    if isinstance(nozzle_count, bool) or nozzle_count != int(nozzle_count) or not 1 <= nozzle_count <= 500:
        raise UsageError(f"nozzle count = {nozzle_count} must be a whole number from 1 to 500")
    swath_m = nozzle_count * spacing_m
    _check_catch(catch_flow_l_min, speed_m_s, swath_m, catch_flow_u_pct, speed_u_pct, tolerance_pct)
    _check_volumes(catches_l, "catch", 100)
    caught = len(catches_l)
    if caught > nozzle_count:
        raise UsageError(
            f"{caught} catches are given for {nozzle_count} nozzles; give one a nozzle, the mean where one "
            "was caught more than once"
        )
    if distance_m is None:
        distance_m = catch_course_m(spacing_m, system)
    check(distance_m, "distance", "m", high=100_000)
    check(drive_time_s, "time of the drive", "s", low=1, high=3600)
    check(reading_u_l, "standard uncertainty of a reading", "L", zero=True, high=1)
    check(cylinder_u_pct, "standard uncertainty of the cylinder's scale", "%", zero=True, high=50)
    check(stopwatch_u_s, "standard uncertainty of a time", "s", zero=True, high=10)
    check(distance_u_m, "standard uncertainty of the distance", "m", zero=True, high=distance_m)
    volume_l = mean(catches_l)
    rate_l_ha = _on_ground(volume_l, distance_m * spacing_m)
    per_l, per_s = rate_l_ha / volume_l, rate_l_ha / drive_time_s
    parts = [
        Component("cylinder reading", "B", reading_u_l / sqrt(caught), "L", per_l),
        Component("stopwatch, drive", "B", stopwatch_u_s, "s", per_s),
        Component("stopwatch, catches", "B", stopwatch_u_s / sqrt(caught), "s", per_s),
        Component("measured distance", "B", distance_u_m, "m", -rate_l_ha / distance_m),
        *_not_caught(catches_l, nozzle_count, volume_l, per_l),
    ]
    catch_u_pct = sqrt(catch_flow_u_pct * catch_flow_u_pct + speed_u_pct * speed_u_pct)
    if same_cylinder:
        shared = cylinder_u_pct * cylinder_u_pct
        catch_u_pct = sqrt(max(0.0, catch_u_pct * catch_u_pct - shared))
    else:
        parts.append(Component("scale of the cylinder", "B", volume_l * cylinder_u_pct / 100, "L", per_l))
    return _compare(
        "1/128 acre",
        {
            "catches_l": list(catches_l),
            "drive_time_s": drive_time_s,
            "distance_m": distance_m,
            "spacing_m": spacing_m,
            "nozzle_count": nozzle_count,
            "catch_flow_l_min": catch_flow_l_min,
            "speed_m_s": speed_m_s,
            "catch_flow_u_pct": catch_flow_u_pct,
            "speed_u_pct": speed_u_pct,
            "same_cylinder": same_cylinder,
        },
        Budget(parts, rate_l_ha, "L/ha"),
        rate.application_rate_l_ha(catch_flow_l_min, speed_m_s, swath_m),
        catch_u_pct,
        distance_m / drive_time_s,
        speed_m_s,
        [],
        tolerance_pct,
        system,
    )


def _check_catch(
    flow_l_min: float,
    speed_m_s: float,
    swath_m: float,
    flow_u_pct: float,
    speed_u_pct: float,
    tolerance_pct: float,
) -> None:
    check(flow_l_min, "boom flow of the catch test", "L/min", high=5000)
    check(speed_m_s, "speed", "m/s", high=50)
    check(swath_m, "swath", "m", high=100)
    check(flow_u_pct, "standard uncertainty of the catch test's flow", "%", zero=True, high=50)
    check(speed_u_pct, "standard uncertainty of the speed", "%", zero=True, high=50)
    check(tolerance_pct, "tolerance", "%", high=99)


def _check_volumes(volumes_l: Sequence[float], what: str, most_l: float) -> None:
    if not volumes_l:
        raise UsageError(f"no {what} is given; give at least one volume")
    for n, volume_l in enumerate(volumes_l, 1):
        check(volume_l, f"{what} {n}", "L", high=most_l)


def _on_ground(volume_l: float, ground_m2: float) -> float:
    """The rate [L/ha] of a volume on some ground."""
    return volume_l * float(HECTARE_M2) / ground_m2


def _scatter(volumes_l: Sequence[float], parts: list[Component], per_l: float) -> list[Component]:
    """How the repeats scattered, or what was expected of them: the larger, not both (JCGM 100, 4.3.10)."""
    sd = sample_sd(volumes_l)
    runs = len(volumes_l)
    if sd is None:
        return parts
    seen = Component("repeatability", "A", sd / sqrt(runs), "L", per_l, runs - 1, f"{runs} runs")
    expected = sqrt(fsum(part.contribution * part.contribution for part in parts))
    return [seen] if seen.contribution > expected else parts


def _not_caught(
    catches_l: Sequence[float], nozzle_count: int, volume_l: float, per_l: float
) -> list[Component]:
    """The nozzles that were not caught may differ; nothing where all were."""
    caught = len(catches_l)
    left_out = 1 - caught / nozzle_count  # of a finite number, so the mean of all of them is exact
    if not left_out:
        return []
    sd = sample_sd(catches_l)
    if sd is None:
        u_l = volume_l * rectangular(_ONE_NOZZLE_HALF_PCT) / 100 * sqrt(left_out)
        note = f"only one caught; nozzles taken to be within +-{_ONE_NOZZLE_HALF_PCT:g} %"
        return [Component("nozzles not caught", "B", u_l, "L", per_l, note=note)]
    u_l = sd * sqrt(left_out / caught)
    note = f"{caught} of {nozzle_count} caught"
    return [Component("nozzles not caught", "A", u_l, "L", per_l, caught - 1, note)]


def _compare(
    method: Method,
    inputs: Mapping[str, Any],
    budget: Budget,
    catch_rate_l_ha: float,
    catch_u_pct: float,
    driven_m_s: float | None,
    speed_m_s: float,
    findings: list[Finding],
    tolerance_pct: float,
    system: System,
) -> CrossCheck:
    rate_l_ha = budget.value
    difference_pct = 100 * (rate_l_ha / catch_rate_l_ha - 1)
    u_pct = 100 * budget.combined / catch_rate_l_ha
    allowed_pct = COVERAGE_FACTOR * sqrt(u_pct * u_pct + catch_u_pct * catch_u_pct)
    agrees = abs(difference_pct) <= allowed_pct
    if not agrees:
        findings.append(_disagree(method, driven_m_s, speed_m_s, system))
    if allowed_pct > tolerance_pct:
        findings.append(_weak(budget, allowed_pct, tolerance_pct))
    return CrossCheck(
        method=method,
        inputs=inputs,
        rate_l_ha=rate_l_ha,
        catch_rate_l_ha=catch_rate_l_ha,
        difference_pct=difference_pct,
        allowed_pct=allowed_pct,
        agrees=agrees,
        speed_m_s=driven_m_s,
        budget=budget,
        findings=tuple(findings),
        system=system,
    )


def _disagree(method: Method, driven_m_s: float | None, speed_m_s: float, system: System) -> Finding:
    if driven_m_s is not None and abs(driven_m_s / speed_m_s - 1) > 0.02:
        look = (
            f"The course was driven at {amount(driven_m_s, 'speed', system)}, but the catch test's rate is "
            f"for {amount(speed_m_s, 'speed', system)}: compare at one speed."
        )
    elif method == "refill":
        look = "Look for another pressure on the move, a plugged nozzle, another speed, a leak, or the mark."
    else:
        look = "Look for another pressure, a plugged nozzle, or a catch of another time than the drive's."
    return Finding(
        "methods_disagree",
        "do",
        f"Do not spray on either figure yet: one of the two is off by more than its uncertainty. {look} "
        "Then do both again.",
    )


def _weak(budget: Budget, allowed_pct: float, tolerance_pct: float) -> Finding:
    largest = max(budget.components, key=lambda part: part.contribution)
    return Finding(
        "weak_check",
        "mind",
        f"This check is too coarse: it cannot see a difference below {significant(allowed_pct, 2)} %, and "
        f"the tolerance is {tolerance_pct:g} %. A longer course or more repeats sharpen it; the largest part "
        f"of its own is the {largest.name}.",
    )
