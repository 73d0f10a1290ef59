"""What the project asks of its diagnoses, and whether a study shows it."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from rigmon.study.tally import share_of


@dataclass(frozen=True, slots=True)
class Goal:
    """`figure` of the cell `cell` must be `limit` or more (or, if `at_most`, or less)."""

    cell: str
    figure: str
    limit: float
    about: str
    at_most: bool = False


GOALS: Final = (
    Goal("plugged_1_of_12", "in_time", 0.95, "1 of 12 plugged is found within 15 s"),
    Goal("plugged_1_of_18", "in_time", 0.95, "1 of 18 plugged is found within 30 s"),
    Goal("leak", "found", 0.95, "a leak of 10 % that leaves the total within 5 % is found"),
    Goal("leak_small", "found", 0.95, "a leak of 5 % that leaves the total within 5 % is found"),
    Goal("healthy", "alarms", 0.1, "false alarms per hour, all diagnoses together", at_most=True),
)
#: of the faults of all cells, so many are called by their right name
CAUSE_RIGHT: Final = 0.9


def judged(told: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """The goals that these cells bear on: about, limit, at_most, value, low, high, met, sure.

    `met` goes by the value; `sure`: the interval lies on the same side of the limit. `by_the_clock`, where
    there is a time to keep: the value if the turns count too. The causes are judged over all the faults
    together; `below` are the cells that alone are under the limit.
    """
    found = []
    by_name = {cell["name"]: cell for cell in told if cell["runs"]}
    for goal in GOALS:
        if goal.cell in by_name:
            cell = by_name[goal.cell]
            one = _judge(goal.about, goal.limit, goal.at_most, cell[goal.figure])
            if goal.figure == "in_time":
                one["by_the_clock"] = cell["by_the_clock"]["value"]
            found.append(one)
    faults = [cell for cell in by_name.values() if cell.get("cause_right") and cell["cause_right"]["of"]]
    if faults:
        right = sum(cell["cause_right"]["count"] for cell in faults)
        of = sum(cell["cause_right"]["of"] for cell in faults)
        below = [cell["name"] for cell in faults if cell["cause_right"]["value"] < CAUSE_RIGHT]
        about = "the cause is named rightly at first, over all faults found"
        found.append({**_judge(about, CAUSE_RIGHT, False, share_of(right, of)), "below": below})
    return found


def _judge(about: str, limit: float, at_most: bool, figure: dict[str, Any]) -> dict[str, Any]:
    value, low, high = (figure[key] for key in ("value", "low", "high"))
    met = value <= limit if at_most else value >= limit
    bound = (high if at_most else low) if met else (low if at_most else high)
    sure = bound <= limit if met == at_most else bound >= limit
    return {"about": about, "limit": limit, "at_most": at_most, "value": value, "low": low, "high": high,
            "met": met, "sure": sure}  # fmt: skip
