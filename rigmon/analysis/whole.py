"""All that rigmon can say of a run afterwards, worked out once for report, exports and season."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from rigmon.analysis.acts import used_in
from rigmon.analysis.closure import closure
from rigmon.analysis.frames import RunData
from rigmon.analysis.ground import Ground
from rigmon.analysis.hold import hold
from rigmon.analysis.passes import Pass, find_passes
from rigmon.analysis.path import Path, path_of
from rigmon.analysis.score import score_of
from rigmon.analysis.stretches import ranked_stretches

if TYPE_CHECKING:
    from rigmon.analysis.boundary import Boundary
    from rigmon.analysis.coverage import Coverage

ANALYSIS_SCHEMA: Final = 1


@dataclass(frozen=True, slots=True)
class Analysis:
    """A run, and what was made of it. `coverage` None: no way is known, or it was not asked for."""

    run: RunData
    ground: Ground
    path: Path | None
    passes: list[Pass]
    coverage: "Coverage | None"
    score: dict[str, Any]
    sections: dict[str, Any]  #: stretches, across, coverage, closure, hold

    def to_json(self) -> dict[str, Any]:
        """The score's keys, `analysis_schema`, and the sections; stretches are the ranked ones."""
        return {**self.score, "analysis_schema": ANALYSIS_SCHEMA, **self.sections}


def analyse(
    run: RunData,
    *,
    boundary: "Boundary | None" = None,
    refills_l: Sequence[float] = (),
    left_l: float | None = None,
    position_uncertainty_m: float | None = None,
    progress: Callable[[str], None] | None = None,
) -> Analysis:
    """Everything about a run. `progress` is told the name of each part before it begins.

    `boundary` is the field that was to be treated; `refills_l` and `left_l`: see `closure`, where the run
    log's own refills count as long as none are given;
    `position_uncertainty_m`: of one pass beside another, see `coverage`; None: the rig's. Needs shapely.
    Raises UsageError for a boundary that is nowhere near the run.
    """
    from rigmon.analysis.across import across_boom
    from rigmon.analysis.coverage import Coverage, coverage

    def begin(part: str) -> None:
        if progress is not None:
            progress(part)

    if position_uncertainty_m is None:
        position_uncertainty_m = run.rig.gps.position_uncertainty_m
    begin("score")
    ground = Ground(run)
    path = path_of(run.columns)
    passes = find_passes(ground, path)
    scored = score_of(run, ground, lambda: passes)
    begin("across the boom")
    across = None if path is None else across_boom(ground, path)
    begin("coverage")
    covered = None if path is None else Coverage(ground, path, boundary, position_uncertainty_m)
    begin("stretches")
    sections = {
        "stretches": ranked_stretches(ground, path, passes, scored["stretches"]),
        "across": across,
        "coverage": None if covered is None else coverage(covered),
        "closure": closure(ground, refills_l, left_l, used_in(run, left_l)),
        "hold": hold(ground, passes),
    }
    return Analysis(run, ground, path, passes, covered, scored, sections)
