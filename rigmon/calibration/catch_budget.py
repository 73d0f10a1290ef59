"""The uncertainty budget of a catch test; the method is described in `rigmon.calibration.catch`."""

from collections.abc import Mapping, Sequence
from math import fsum, sqrt
from typing import TYPE_CHECKING, NamedTuple

from rigmon.calibration.budget import (
    Budget,
    Component,
    Repeatability,
    mean,
    pooled_sd,
    rectangular,
    repeatability,
    root_sum,
    sample_sd,
)

if TYPE_CHECKING:
    from rigmon.calibration.catch import Catch, CatchLimits


class OneCatch(NamedTuple):
    """How well one catch tells a nozzle's flow, relative to it and without what all nozzles share."""

    repeat_sd: float | None  #: standard deviation of one catch as the repeats have it
    dof: int  #: degrees of freedom of repeat_sd
    scatter: Repeatability


def one_catch(
    counted: Mapping[int, Sequence["Catch"]],
    flows: Mapping[int, float],
    middle: float,
    limits: "CatchLimits",
    cylinder_u_l: float,
    stopwatch_u_s: float,
    timed_together: bool,
) -> OneCatch:
    """From the catches of all nozzles that are not plugged."""
    fair = [number for number in counted if flows[number] >= limits.plugged_below_pct / 100 * middle]
    repeat_sd, dof = pooled_sd(
        [[catch.flow_l_min / flows[number] for catch in counted[number]] for number in fair]
    )
    # a time that all nozzles share is the same for all, and not seen as their scatter
    read_and_timed = [
        (cylinder_u_l / catch.volume_l) ** 2
        + (0.0 if timed_together else (stopwatch_u_s / catch.time_s) ** 2)
        for number in fair
        for catch in counted[number]
        if catch.volume_l > 0
    ]
    reading_u = sqrt(mean(read_and_timed)) if read_and_timed else 0.0
    prior = limits.repeatability_pct / 100
    return OneCatch(repeat_sd, dof, repeatability(repeat_sd, dof, reading_u, prior, limits.repeat_dof))


def boom_budget(
    counted: Mapping[int, Sequence["Catch"]],
    flows: Mapping[int, float],
    sound: Sequence[int],
    missing: int,
    one: OneCatch,
    limits: "CatchLimits",
    cylinder_u_l: float,
    cylinder_scale_u_pct: float,
    shared_cylinder: bool,
    stopwatch_u_s: float,
    timed_together: bool,
) -> Budget:
    """Of the boom's flow, the sum of weight x nozzle's flow: a sound nozzle stands for missing ones too."""
    weight = {number: 1 + missing / len(sound) if number in sound else 1.0 for number in flows}
    parts = {number: weight[number] * flow for number, flow in flows.items()}
    boom = fsum(parts.values())

    by_reading: list[float] = []
    by_time: list[float] = []
    together: dict[int, list[float]] = {}
    for number, group in counted.items():
        for place, catch in enumerate(group):
            per_l = weight[number] * 60 / (len(group) * catch.time_s)
            by_reading.append(per_l)
            by_time.append(per_l * catch.volume_l / catch.time_s)
            together.setdefault(place, []).append(by_time[-1])
    time_parts = [fsum(shared) for shared in together.values()] if timed_together else by_time

    scatter = one.scatter
    shown = "; counted as far as the repeats do not show it" if scatter.kind == "A" else ""
    components = [
        Component(
            "repeatability",
            scatter.kind,
            100 * scatter.sd,
            "%",
            root_sum(part / sqrt(len(counted[number])) for number, part in parts.items()) / 100,
            scatter.dof,
            f"standard deviation of one catch; {scatter.about(one.dof)}",
        ),
        Component(
            "cylinder reading", "B", cylinder_u_l, "L", scatter.not_shown * root_sum(by_reading), None,
            f"each reading for itself{shown}",
        ),
        Component(
            "cylinder scale", "B", cylinder_scale_u_pct, "%",
            (boom if shared_cylinder else root_sum(parts.values())) / 100, None,
            "one cylinder for all nozzles: fully correlated, sensitivities add"
            if shared_cylinder else "another cylinder for each nozzle: independent",
        ),
        Component(
            "stopwatch", "B", stopwatch_u_s, "s",
            -(1.0 if timed_together else scatter.not_shown) * root_sum(time_parts), None,
            "shared by all nozzles caught at the same time"
            if timed_together else f"reaction, each time for itself{shown}",
        ),
    ]  # fmt: skip
    if missing:
        spread = sample_sd([flows[number] for number in sound])
        note = f"{missing} taken for one more of the {len(sound)} sound ones"
        reach = sqrt(missing + missing * missing / len(sound))
        if spread is None:
            u = rectangular(limits.under_rated_pct / 100) * mean([flows[number] for number in sound])
            components.append(Component("nozzles not caught", "B", u, "L/min", reach, None, note))
        else:
            dof = float(len(sound) - 1)
            components.append(Component("nozzles not caught", "A", spread, "L/min", reach, dof, note))
    return Budget(components, boom, "L/min")
