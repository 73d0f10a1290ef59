"""A season from a folder: which logs, their summaries (kept or made), totals, trends."""

import json
import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Final

from rigmon.analysis.season import cache as cache_file
from rigmon.analysis.season.cache import Cache
from rigmon.analysis.season.diagnosed import counts, listed
from rigmon.analysis.season.pool import spread
from rigmon.analysis.season.scan import digests, scan
from rigmon.analysis.season.trends import calibration_drift, started, trends
from rigmon.analysis.season.version import analysis_version
from rigmon.analysis.season.work import work
from rigmon.errors import UsageError
from rigmon.processes import processors

SEASON_SCHEMA: Final = 1


def season(
    folder: Path,
    *,
    jobs: int | None = None,
    scheduler: str | None = None,
    keep: bool = True,
    cache: Path | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> dict[str, Any]:
    """Everything about a season, as an object that serialises to JSON.

    `jobs` processes (None: as many as it pays), or the address of a dask.distributed `scheduler`, whose
    workers must see the logs under the same paths: the answer is the same. `keep` False neither uses nor
    keeps summaries; `cache` the file to keep them in instead of the folder's own. `progress` is told how many
    of how many logs are done.

    runs          in order of their start, those without a known start last, then by path: path, digest, and
                  what `rigmon.analysis.season.work.summarise` says of it
    left_out      path and why: what cannot be read, and copies of a run that is there already
    recordings    how many NMEA recordings lie there: they are no run logs, and not scored
    totals, trends, calibrations   see `totals`, `trends`, `calibration_drift`
    diagnoses     of all runs, see `rigmon.analysis.season.diagnosed`
    cache         file (None: none), used: how many summaries came from it, trouble: why it is not kept

    Raises UsageError for a folder, a scheduler or a `cache` that cannot be used.
    """
    found = scan(folder)
    version = analysis_version()
    if cache is not None and not os.access(cache.absolute().parent, os.W_OK):
        raise UsageError(f"--cache: {cache}: there is no folder {cache.parent} that can be written")
    kept = Cache(_cache_path(folder, cache) if keep else None, version)
    if cache is not None and kept.trouble is not None:
        raise UsageError(f"--cache: {kept.trouble}")
    hashes = digests(found.logs, jobs or processors())
    summaries: dict[Path, tuple[str | None, dict[str, Any]]] = {}
    left_out: dict[Path, str] = {}
    first: dict[str, Path] = {}
    todo: list[tuple[Path, str | None]] = []
    used = 0
    for path, digest in zip(found.logs, hashes, strict=True):
        if digest is not None and digest in first:
            left_out[path] = f"a copy of {first[digest]}"
            continue
        if digest is not None:
            first[digest] = path
        summary = kept.get(digest)
        if summary is None:
            todo.append((path, digest))
        else:
            used += 1
            summaries[path] = (digest, summary)
    done = len(found.logs) - len(todo)
    if progress is not None:
        progress(done, len(found.logs))
    # the largest first, so that no process is left with a long one when the others have finished
    todo.sort(key=lambda item: (-_size(item[0]), str(item[0])))
    tasks = [(str(path.absolute()), digest) for path, digest in todo]
    for n, answer, why in spread(work, tasks, jobs, scheduler):
        path = todo[n][0]
        told: dict[str, Any] = {"error": why} if answer is None else json.loads(answer)
        if "error" in told:
            left_out[path] = told["error"]
        else:
            summaries[path] = (told["digest"], told["summary"])
            kept.put(told["digest"], told["summary"])
        done += 1
        if progress is not None:
            progress(done, len(found.logs))
    _drop_shorter(summaries, left_out)
    runs = [{"path": str(path), "digest": digest, **summary} for path, (digest, summary) in summaries.items()]
    runs.sort(key=_order)
    return {
        "season_schema": SEASON_SCHEMA,
        "folder": str(folder),
        "analysis_version": version,
        "runs": runs,
        "left_out": [{"path": str(path), "why": left_out[path]} for path in sorted(left_out, key=str)],
        "recordings": found.recordings,
        "totals": totals(runs),
        "trends": trends(runs),
        "calibrations": calibration_drift(runs),
        "diagnoses": listed(runs),
        "cache": {
            "file": None if kept.path is None else str(kept.path),
            "used": used,
            "trouble": kept.trouble,
        },
    }


def _cache_path(folder: Path, cache: Path | None) -> Path:
    return folder / cache_file.NAME if cache is None else cache


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def _order(run: dict[str, Any]) -> tuple[bool, float, str]:
    start = started(run)
    return (start is None, 0.0 if start is None else start.timestamp(), run["path"])


def _drop_shorter(
    summaries: dict[Path, tuple[str | None, dict[str, Any]]], left_out: dict[Path, str]
) -> None:
    """A run that is there twice with other content, such as one copied before it had ended, counts once."""
    best: dict[str, Path] = {}
    for path in sorted(summaries, key=str):
        run_id = summaries[path][1]["score"]["run"]["run_id"]
        other = best.setdefault(run_id, path)
        if other is path:
            continue
        longer, shorter = sorted(
            (path, other), key=lambda p: (-summaries[p][1]["score"]["input"]["readings"], str(p))
        )
        best[run_id] = longer
        left_out[shorter] = f"the same run as {longer}, with no more readings"
    for path in left_out:
        summaries.pop(path, None)


def totals(runs: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """Sums over the runs, with what is known of each: runs, verdicts (how many of each), duration_s, and of
    treated ground distance_m, area_m2, volume_l; in_tolerance_area_pct weighted by the area; unknown_time_s;
    diagnoses: how often each code, see `rigmon.analysis.season.diagnosed.counts`.
    """
    verdicts = dict.fromkeys(("in_tolerance", "out_of_tolerance", "insufficient_data"), 0)
    for run in runs:
        verdicts[run["score"]["verdict"]] += 1
    applied = [run["score"]["applied"] for run in runs]
    shares = [
        (run["score"]["applied"]["area_m2"], run["score"]["rate"]["in_tolerance_area_pct"]) for run in runs
    ]
    weight = sum(area for area, share in shares if share is not None)
    return {
        "runs": len(runs),
        "verdicts": verdicts,
        "duration_s": sum(run["score"]["run"]["duration_s"] or 0.0 for run in runs),
        **{
            key: sum(one[key] or 0.0 for one in applied)
            for key in ("distance_m", "area_m2", "volume_l", "unknown_time_s")
        },
        "in_tolerance_area_pct": sum(area * share for area, share in shares if share is not None) / weight
        if weight > 0
        else None,
        "diagnoses": counts(listed(runs)),
    }
