"""The unit of work: one run log -> one small summary. Pure: it depends on the log's content alone.

It runs in this process, in others, or on a cluster's workers, and goes there and back as JSON text, which
keeps every float to the last bit. (On processors of other kinds numpy may add in another order.)
"""

import json
from pathlib import Path
from typing import Any, Final

from rigmon.analysis.acts import used_in
from rigmon.analysis.closure import closure
from rigmon.analysis.ground import Ground
from rigmon.analysis.hold import hold
from rigmon.analysis.passes import find_passes
from rigmon.analysis.path import path_of
from rigmon.analysis.score import score_of
from rigmon.analysis.season.calibrations import calibrations
from rigmon.analysis.season.coefficient import nozzle_coefficient
from rigmon.analysis.season.scan import digest
from rigmon.analysis.source import load
from rigmon.errors import UsageError
from rigmon.log.reader import RunLog
from rigmon.log.records import calibration_records

#: a log that somebody writes to while it is read is read again so often
_ATTEMPTS: Final = 3


def summarise(path: Path) -> dict[str, Any]:
    """What a season keeps of a run. Raises UsageError for a log that cannot be read.

    score        as `rigmon score --json`, but of the alerts and the stretches only how many and how much,
                 and the diagnoses without their words
    hold         as in `rigmon.analysis.hold`, without histogram; of the passes the best and the worst
    closure      as in `rigmon.analysis.closure`, with the refills that the log holds
    nozzle_coefficient  see `rigmon.analysis.season.coefficient`, or None
    calibrations see `rigmon.analysis.season.calibrations`
    rig          name, nozzle_count, nozzle_set, units, required_area_pct
    notes        what the log's reader says of it
    """
    with RunLog.open(path) as log:  # first: of a file that is no log it says why
        records = calibration_records(log)
        notes = log.notes
    run = load(path, None)
    ground = Ground(run)
    driven = find_passes(ground, path_of(run.columns))
    scored = score_of(run, ground, lambda: driven)
    held = hold(ground, driven)
    passes = {one["number"]: one for one in held["passes"]}
    rig = run.rig
    return {
        "rig": {
            "name": rig.name,
            "nozzle_count": rig.nozzle_count,
            "nozzle_set": rig.nozzles.set_name,
            "units": rig.units,
            "required_area_pct": rig.required_area_pct,
        },
        "score": {
            **scored,
            "alerts": _alerts(scored["alerts"], run.duration_s),
            "stretches": _stretches(scored["stretches"]),
            # what they mean is in rigmon.words
            "diagnoses": [
                {key: value for key, value in one.items() if key not in ("evidence", "cause", "check")}
                for one in scored["diagnoses"]
            ],
        },
        "hold": {
            **{key: value for key, value in held.items() if key != "histogram"},
            "passes": len(passes),
            **{key: passes.get(held[key]) for key in ("best_pass", "worst_pass")},
        },
        "closure": closure(ground, used=used_in(run)),
        "nozzle_coefficient": nozzle_coefficient(ground),
        "calibrations": calibrations(rig, records),
        "notes": [_without(note, path) for note in dict.fromkeys([*run.notes, *notes])],
    }


def _alerts(alerts: list[dict[str, Any]], duration_s: float) -> dict[str, dict[str, Any]]:
    """Per code how many, and for how long in all."""
    found: dict[str, dict[str, Any]] = {}
    for alert in alerts:
        of_code = found.setdefault(alert["code"], {"count": 0, "time_s": 0.0})
        of_code["count"] += 1
        cleared_s = duration_s if alert["cleared_s"] is None else alert["cleared_s"]
        of_code["time_s"] += max(cleared_s - alert["raised_s"], 0.0)
    return found


def _stretches(stretches: list[dict[str, Any]]) -> dict[str, dict[str, Any]]:
    """Per kind how many, and how much ground."""
    found: dict[str, dict[str, Any]] = {}
    for stretch in stretches:
        of_kind = found.setdefault(stretch["kind"], {"count": 0, "area_m2": 0.0})
        of_kind["count"] += 1
        of_kind["area_m2"] += stretch["area_m2"] or 0.0
    return found


def work(path_text: str, told: str | None) -> str:
    """Summarise a log whose digest was found to be `told`. Never raises, so that the other logs go on.

    The answer as JSON: 'summary' and the 'digest' that it holds for (None: the log changed all the while, as
    one that is being written does, so the summary must not be kept); or 'error', why there is none.
    """
    path = Path(path_text)
    try:
        for _ in range(_ATTEMPTS):
            summary = summarise(path)
            # reading folds what a power cut left beside the log into it; then its content is what it is now
            after = told if summary["score"]["run"]["ended_cleanly"] else digest(path)
            if after == told:
                break
            told, after = after, None
        return json.dumps({"summary": summary, "digest": after}, allow_nan=False)
    except UsageError as error:
        return _failed(_reason(error, path))
    except MemoryError:
        return _failed("not enough memory to read it")
    except Exception as error:  # whatever a damaged file makes of the code, the season goes on
        return _failed(f"cannot be scored: {type(error).__name__}: {_without(str(error), path)}")


def _failed(why: str) -> str:
    return json.dumps({"error": why})


def _reason(error: UsageError, path: Path) -> str:
    text = _without(str(error), path)
    if "database is locked" in text:
        return "another program has locked it; try again when that is done"
    return text


def _without(text: str, path: Path) -> str:
    """A message about the log without its path, which is said beside it."""
    return text.replace(f"{path}: ", "").replace(f"{path} (rig)", "its rig")
