"""A study: the runs of every cell, over processes, and what they add up to."""

import json
from collections.abc import Callable, Sequence
from typing import Any, Final

from rigmon import __version__, processes
from rigmon.errors import UsageError
from rigmon.study.cells import Cell
from rigmon.study.goals import judged
from rigmon.study.noise import Noise
from rigmon.study.run import work
from rigmon.study.tally import rate_of, tally

STUDY_SCHEMA: Final = 1
#: more runs of a cell are a slip of the keyboard
MOST_RUNS: Final = 100_000


def study(
    chosen: Sequence[Cell],
    *,
    runs: int,
    seed: int = 1,
    noise: Noise | None = None,
    jobs: int | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> dict[str, Any]:
    """`runs` runs of every cell in `jobs` processes (None: as many as there are processors).

    Returns an object that serialises to JSON and depends on cells, runs, seed and noise alone:

    study_schema, rigmon (version), seed, noise (receiver, meters, fixed)
    false_alarms_per_h, as the rigs ask
    runs_asked (of each cell), runs_done and runs_of (of all), complete
    failed    cell, number and why, of runs that could not be done
    cells     see `rigmon.study.tally.tally`
    before_faults   false alarms per hour in all the runs of faults together, before those began
    goals     see `rigmon.study.goals.judged`

    Stopped by Ctrl-C it returns what is done; the cells take turns, so that all have some of their runs.
    `progress` is told how many of how many runs are done. Raises UsageError for a number of runs or a
    scenario that cannot be.
    """
    if not 1 <= runs <= MOST_RUNS:
        raise UsageError(f"--runs = {runs} must be between 1 and {MOST_RUNS}")
    noise = noise or Noise()
    tasks = [(cell, noise, seed, number) for number in range(runs) for cell in chosen]
    done: dict[str, dict[int, dict[str, Any]]] = {cell.name: {} for cell in chosen}
    failed = []
    count = 0
    complete = False
    answers = processes.spread(work, tasks, jobs or processes.processors())
    try:
        for n, answer, why in answers:
            cell, _, _, number = tasks[n]
            if answer is None:
                failed.append({"cell": cell.name, "number": number, "why": why})
            else:
                done[cell.name][number] = json.loads(answer)
            count += 1
            if progress is not None:
                progress(count, len(tasks))
        complete = True
    except KeyboardInterrupt:
        pass  # what is done is told, and that it is not all
    told = [tally(cell, [run for _, run in sorted(done[cell.name].items())]) for cell in chosen]
    return {
        "study_schema": STUDY_SCHEMA,
        "rigmon": __version__,
        "seed": seed,
        "noise": {"receiver": noise.receiver, "meters": noise.meters, "fixed": noise.fixed},
        "false_alarms_per_h": chosen[0].rig.diagnosis.false_alarms_per_h if chosen else None,
        "runs_asked": runs,
        "runs_done": count,
        "runs_of": len(tasks),
        "complete": complete,
        "failed": sorted(failed, key=lambda one: (one["cell"], one["number"])),
        "cells": told,
        "before_faults": _before(told),
        "goals": judged(told),
    }


def _before(told: Sequence[dict[str, Any]]) -> dict[str, Any]:
    early = [cell["early"] for cell in told if "early" in cell]
    return rate_of(sum(one["count"] for one in early), sum(one["of"] for one in early))
