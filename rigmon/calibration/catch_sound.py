"""Which nozzles of a boom are sound: whose mean the others are compared with."""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from rigmon.calibration.result import SLACK

if TYPE_CHECKING:
    from rigmon.calibration.catch import CatchLimits


def sound_nozzles(flows: Mapping[int, float], rated_l_min: float | None, limits: "CatchLimits") -> list[int]:
    """The nozzles whose mean the others are compared with, by number; never empty."""
    flowing = sorted((flow, number) for number, flow in flows.items() if flow > 0)
    near: Sequence[tuple[float, int]] = ()
    not_worn: Sequence[tuple[float, int]] = flowing
    if rated_l_min is not None:
        worn_from = rated_l_min * (1 + limits.over_rated_pct / 100) * (1 + SLACK)
        low_from = rated_l_min * (1 - limits.under_rated_pct / 100) * (1 - SLACK)
        not_worn = [(flow, number) for flow, number in flowing if flow <= worn_from]
        near = [(flow, number) for flow, number in not_worn if flow >= low_from]
    group = _largest_group(not_worn, limits.from_mean_pct / 100)
    if 2 * len(group) <= len(flowing):
        group = near or _largest_group(flowing, limits.from_mean_pct / 100)
    if not near and 2 * len(group) <= len(flowing):
        plugged_below = limits.plugged_below_pct / 100 * _median([flow for flow, _ in flowing])
        group = [(flow, number) for flow, number in flowing if flow >= plugged_below]
    return sorted(number for _, number in group)


def _largest_group(flows: Sequence[tuple[float, int]], limit: float) -> Sequence[tuple[float, int]]:
    """The longest run of the sorted flows that are all within `limit` of the run's mean.

    Of several as long, the one that spreads least. Empty for no flows.
    """
    sums = [0.0]
    for flow, _ in flows:
        sums.append(sums[-1] + flow)
    best, best_key = flows[:1], (1, 0.0)
    for start in range(len(flows)):
        for end in range(start + 1, len(flows) + 1):
            middle = (sums[end] - sums[start]) / (end - start)
            low, high = flows[start][0], flows[end - 1][0]
            if high > low * (1 + limit) / (1 - limit) * (1 + 2 * SLACK):
                break  # a longer run spreads no less
            outside = max(high / middle - 1, 1 - low / middle)
            key = (end - start, -(high - low) / middle)
            if outside <= limit * (1 + SLACK) and key > best_key:
                best, best_key = flows[start:end], key
    return best


def _median(values: Sequence[float]) -> float:
    ordered = sorted(values)
    half = len(ordered) // 2
    return ordered[half] if len(ordered) % 2 else (ordered[half - 1] + ordered[half]) / 2
