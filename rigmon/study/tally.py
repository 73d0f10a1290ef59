"""The runs of one cell, added up."""

from collections import Counter
from collections.abc import Sequence
from math import inf
from typing import Any

from rigmon.study.cells import Cell
from rigmon.study.intervals import Interval, quantile, rate, share

Run = dict[str, Any]  #: what `rigmon.study.run.one_run` returns


def tally(cell: Cell, runs: Sequence[Run]) -> dict[str, Any]:
    """What is known of a cell from its runs, as an object that serialises to JSON.

    Every cell: name, about, rig (name), nozzle_count, runs. Of a fault

    in_time_s, watched_s     limits, with the boom on
    found                    share of the runs in which any diagnosis was raised in the watched time
    in_time                  share in which it was within in_time_s; by_the_clock: the same, turns counted
    delay_s, delay_m         median and p95 (over all runs: one that was missed took longer than any)
    cause_right, cause_right_at_last   shares of those found: of the first diagnosis, of the last
    nozzles_right            share of those named plugged with the right number; None: no such cell
    named                    code -> in how many runs it was the first
    missed                   runs without a diagnosis
    early                    diagnoses raised before the fault began, per hour with the boom on

    and of a cell without causes

    hours                    with the boom on
    alarms, by_code          false alarms per hour, all and of each code
    quiet                    share of the runs without any

    A share or rate is value, low, high (95 %), count, of; null ends are not known, or longer than watched.
    """
    told: dict[str, Any] = {
        "name": cell.name,
        "about": cell.about,
        "rig": cell.rig.name,
        "nozzle_count": cell.rig.nozzle_count,
        "runs": len(runs),
    }
    return told | (_fault(cell, runs) if cell.causes else _quiet(runs))


def _fault(cell: Cell, runs: Sequence[Run]) -> dict[str, Any]:
    n = len(runs)
    found = [run["found"] for run in runs if run["found"] is not None]
    delays = {key: [inf] * (n - len(found)) + [one[key] for one in found] for key in ("delay_s", "delay_m")}
    right = sum(one["code"] in cell.causes for one in found)
    at_last = sum(run["last"] in cell.causes for run in runs)
    named = [run for run in runs if run["nozzles"] is not None]
    return {
        "causes": list(cell.causes),
        "in_time_s": cell.in_time_s,
        "watched_s": cell.watch_s,
        "found": share_of(len(found), n),
        "in_time": share_of(sum(one["delay_s"] <= cell.in_time_s for one in found), n),
        "by_the_clock": share_of(sum(one["clock_s"] <= cell.in_time_s for one in found), n),
        **{
            key: {name: _interval(quantile(values, p)) for name, p in (("median", 0.5), ("p95", 0.95))}
            for key, values in delays.items()
        },
        "cause_right": share_of(right, len(found)),
        "cause_right_at_last": share_of(at_last, len(found)),
        "nozzles_right": None
        if cell.nozzles is None
        else share_of(sum(run["nozzles"] == cell.nozzles for run in named), len(named)),
        "named": dict(sorted(Counter(one["code"] for one in found).items())),
        "missed": n - len(found),
        "early": rate_of(sum(len(run["alarms"]) for run in runs), sum(run["on_s"] for run in runs) / 3600),
    }


def _quiet(runs: Sequence[Run]) -> dict[str, Any]:
    hours = sum(run["on_s"] for run in runs) / 3600
    codes = Counter(code for run in runs for code, _ in run["alarms"])
    return {
        "hours": hours,
        "alarms": rate_of(sum(codes.values()), hours),
        "by_code": {code: rate_of(k, hours) for code, k in sorted(codes.items())},
        "quiet": share_of(sum(not run["alarms"] for run in runs), len(runs)),
    }


def share_of(k: int, n: int) -> dict[str, Any]:
    """k of n with its interval, for JSON."""
    return {"count": k, "of": n, **_interval(share(k, n))}


def rate_of(k: int, hours: float) -> dict[str, Any]:
    """k events in so many hours with its interval, for JSON."""
    return {"count": k, "of": hours, **_interval(rate(k, hours))}


def _interval(found: Interval | None) -> dict[str, float | None]:
    if found is None:
        return dict.fromkeys(("value", "low", "high"))
    return {key: None if value == inf else value for key, value in found._asdict().items()}
