"""The diagnoses of a season's runs: how often each, and the list of them."""

from collections.abc import Sequence
from typing import Any

from rigmon.analysis.diagnosis_words import change, nozzles
from rigmon.units import show
from rigmon.words import alert_words


def listed(runs: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Each run's diagnoses with the run's path, rig and run_id, in the order of the runs and of finding."""
    return [
        {"path": run["path"], "rig": run["rig"]["name"], "run_id": run["score"]["run"]["run_id"], **one}
        for run in runs
        for one in run["score"]["diagnoses"]
    ]


def counts(diagnoses: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Of each code: count, in how many runs, and area_m2 treated so, where known. The most frequent first."""
    found: dict[str, dict[str, Any]] = {}
    runs: dict[str, set[str]] = {}
    for one in diagnoses:
        of_code = found.setdefault(one["code"], {"code": one["code"], "count": 0, "runs": 0, "area_m2": 0.0})
        of_code["count"] += 1
        of_code["area_m2"] += one["area_m2"] or 0.0
        runs.setdefault(one["code"], set()).add(one["path"])
    for code, of_code in found.items():
        of_code["runs"] = len(runs[code])
    return sorted(found.values(), key=lambda one: (-one["count"], one["code"]))


def count_words(one: dict[str, Any], system: str) -> str:
    """'nozzle plugged: 4 times in 3 runs, 1.20 ac treated meanwhile'"""
    times = (
        "once" if one["count"] == 1 else f"{one['count']} times in {one['runs']} run{'s' * (one['runs'] > 1)}"
    )
    return f"{alert_words(one['code'])}: {times}, {show(one['area_m2'], 'area', system, 2)} treated meanwhile"


def row(one: dict[str, Any], system: str) -> list[str]:
    """When it began, what, how many nozzles and by how much, the area since, and whether it was over."""
    utc = one["since_utc"] or one["found_utc"]
    began_s = one["found_s"] if one["since_s"] is None else one["since_s"]
    minutes = int(began_s // 60)
    when = f"{utc[:10]} {utc[11:16]}" if utc else f"{minutes // 60}:{minutes % 60:02d} h into the run"
    how = ", ".join(text for text in (nozzles(one), change(one)) if text)
    area = "--" if one["area_m2"] is None else show(one["area_m2"], "area", system, 2)
    over = {True: "open at the end", False: "over"}.get(one["open"], "--")
    return [when, alert_words(one["code"]), how or "--", area, over]


#: what stands above `row`
HEADS = ("began (UTC)", "diagnosis", "how much", "treated since", "then")
