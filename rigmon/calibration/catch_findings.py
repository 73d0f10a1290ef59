"""What a catch test found, in words: what to clean, replace and catch again, and what to mind."""

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Final

from rigmon.calibration.budget import mean
from rigmon.calibration.result import SLACK, Finding, amount, capital
from rigmon.calibration.result import nozzles as nozzle_words

if TYPE_CHECKING:
    from rigmon.calibration.catch import CatchResult, NozzleResult

_CLEAN: Final = "Clean tip and strainer with a soft brush (not with wire, never with your mouth)"


def findings(result: "CatchResult") -> list[Finding]:
    """What to do first, then what to mind."""
    return [*_to_do(result), *_to_mind(result)]


def _to_do(result: "CatchResult") -> Iterable[Finding]:
    limits = result.limits
    state: dict[str, list[NozzleResult]] = {}
    for nozzle in result.nozzles:
        state.setdefault(nozzle.state, []).append(nozzle)

    if plugged := state.get("plugged"):
        yield Finding(
            "plugged",
            "do",
            f"{_said(plugged)} {_give(plugged)} far less than the mean ({_list(plugged, 'from_mean_pct')}): "
            f"plugged. {_CLEAN}, then catch again.{_replace_if_cleaned(plugged)}",
        )
    if low := state.get("low"):
        yield Finding(
            "low",
            "do",
            f"{_said(low)} {_give(low)} less than the mean by more than {limits.from_mean_pct:g} % "
            f"({_list(low, 'from_mean_pct')}). {_CLEAN}, then catch again; replace what stays low."
            f"{_if_unsure(low)}{_replace_if_cleaned(low)}",
        )
    worn = state.get("worn", [])
    if worn and 2 * len(worn) > len(result.nozzles) > 1:
        yield Finding(
            "set_worn",
            "do",
            f"{_said(worn)}, most of the boom, {_give(worn)} more than {limits.over_rated_pct:g} % over "
            "rated. Check the pressure with a second gauge at the nozzles, and the size; if both are right "
            f"the set is worn: replace all of it, then catch again.{_if_unsure(worn)}",
        )
    elif worn:
        yield Finding(
            "worn",
            "do",
            f"{_said(worn)} {_give(worn)} more than {limits.over_rated_pct:g} % over rated "
            f"({_list(worn, 'from_rated_pct')}): worn, or of another size. Replace, then catch again."
            f"{_if_unsure(worn)}",
        )
    if uneven := state.get("uneven"):
        yield Finding(
            "uneven",
            "do",
            f"{_said(uneven)} {_give(uneven)} more than the mean by more than {limits.from_mean_pct:g} % "
            f"({_list(uneven, 'from_mean_pct')}): worn, damaged or of another size. Compare size and colour "
            f"with the others and replace, then catch again.{_if_unsure(uneven)}",
        )
    if result.rated_l_min is not None:
        off = 100 * (result.mean_l_min / result.rated_l_min - 1)
        if off < -limits.under_rated_pct * (1 + SLACK):
            yield Finding(
                "below_rated",
                "do",
                f"The sound nozzles give {-off:.0f} % less than rated. Check the pressure with a gauge at "
                "the nozzle farthest from the pump, the strainers, and the nozzles' size; then catch again.",
            )
    if result.missing:
        was = "was" if len(result.missing) == 1 else "were"
        yield Finding(
            "missing",
            "do",
            f"{capital(nozzle_words(result.missing))} {was} not caught: catch too. Until then the "
            "boom's flow is an estimate.",
        )
    scattered = [n for n in result.nozzles if n.range_pct > limits.repeat_range_pct * (1 + SLACK)]
    if scattered:
        worst = max(n.range_pct for n in scattered)
        yield Finding(
            "repeats_scatter",
            "do",
            f"Catches of {nozzle_words(n.nozzle for n in scattered)} differ by up to {worst:.0f} %. Hold the "
            "pressure steady, check volume and time as written down, and catch again.",
        )
    sure_pct = result.budget.expanded_pct
    if sure_pct is not None and sure_pct > limits.expanded_pct and not result.missing:
        largest = max(result.budget.components, key=lambda part: part.contribution)
        yield Finding(
            "unsure",
            "do",
            f"The boom's flow is known to +-{sure_pct:.1f} % only, most of it by {largest.name}. "
            f"{_BETTER.get(largest.name, 'Catch more often')}; +-{limits.expanded_pct:g} % or better is "
            "needed.",
        )


_BETTER: Final = {
    "repeatability": "Hold the pressure steady and catch each nozzle again",
    "cylinder reading": "Catch longer, or read on a finer scale",
    "cylinder scale": "Use a better cylinder, or weigh the water (1 kg is 1 L)",
    "stopwatch": "Catch longer",
}


def _to_mind(result: "CatchResult") -> Iterable[Finding]:
    limits, system = result.limits, result.system
    least_l = result.least_volume_l
    flowing = [n for n in result.nozzles if n.state != "plugged"]
    short = [n for n in flowing if any(c.time_s < limits.min_time_s for c in n.catches)]
    small = [n for n in flowing if any(c.volume_l < least_l for c in n.catches)]
    if short or small:
        slowest = min(n.flow_l_min for n in (*short, *small))
        wanted_s = max(limits.min_time_s, least_l / slowest * 60)
        told = []
        if short:
            told.append(
                f"{nozzle_words(n.nozzle for n in short)} caught for less than {limits.min_time_s:g} s"
            )
        if small:
            least = amount(least_l, "volume", system, small=True)
            told.append(
                f"{nozzle_words(n.nozzle for n in small)} caught less than {least}, too "
                "little for the cylinder's marks"
            )
        yield Finding(
            "short_catch",
            "mind",
            f"{capital('; '.join(told))}. A longer catch tells better, here {_round_up(wanted_s)} s.",
        )
    if result.repeat_dof < limits.repeat_dof:
        yield Finding(
            "few_repeats",
            "mind",
            "Too few nozzles were caught twice to tell how well a catch repeats; "
            f"{limits.repeatability_pct:g} % is assumed. A second catch of {limits.repeat_dof} or more "
            "would tell.",
        )
    if result.pressure_kpa is None:
        yield Finding(
            "no_pressure",
            "mind",
            "The pressure was not noted, so this flow cannot be worked out for another pressure, and a "
            "sagging one cannot be told. Note it next time.",
        )
    if result.rated_l_min is None:
        yield Finding(
            "no_rated",
            "mind",
            "The nozzles' rated output is not known, so wear of the whole set cannot be told. Give their "
            "size.",
        )
    renewed = [n for n in result.nozzles if n.replaced]
    if renewed:
        before = "; ".join(
            f"{n.nozzle}: {amount(mean([c.flow_l_min for c in n.replaced]), 'flow', system)} before, "
            f"{amount(n.flow_l_min, 'flow', system)} now"
            for n in renewed
        )
        yield Finding(
            "caught_again",
            "mind",
            f"{_said(renewed)} caught again ({before}). The older catches stay "
            "in the record and do not count.",
        )


def _said(group: Sequence["NozzleResult"]) -> str:
    return capital(nozzle_words(n.nozzle for n in group))


def _give(group: Sequence["NozzleResult"]) -> str:
    return "gives" if len(group) == 1 else "give"


def _list(group: Sequence["NozzleResult"], what: str) -> str:
    """'-12 %', or '3: -12 %, 7: -8 %'."""
    if len(group) == 1:
        return f"{getattr(group[0], what):+.0f} %"
    return ", ".join(f"{n.nozzle}: {getattr(n, what):+.0f} %" for n in group)


def _if_unsure(group: Sequence["NozzleResult"]) -> str:
    unsure = [n.nozzle for n in group if not n.sure]
    if not unsure:
        return ""
    return f" Of {nozzle_words(unsure)} this is not certain: catch once more before you replace anything."


def _replace_if_cleaned(group: Sequence["NozzleResult"]) -> str:
    cleaned = [n.nozzle for n in group if n.replaced]
    return f" Replace {nozzle_words(cleaned)}: caught again already, and still low." if cleaned else ""


def _round_up(seconds: float) -> int:
    """To the next 5 s."""
    return 5 * -int(-seconds // 5)
