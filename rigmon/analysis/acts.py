"""What people did during a run: with time and place, and what their refills say of the volume applied."""

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np

from rigmon.analysis.frames import RunData
from rigmon.analysis.ground import number, positions
from rigmon.analysis.utc import utc_ms
from rigmon.model import Act
from rigmon.units import show
from rigmon.words import act_words


def acts(run: RunData) -> list[dict[str, Any]]:
    """What people did, in the order of time.

    kind       note, refill, acknowledge, begin_run, end_run, retarget
    text       the note; the alert's code; why the run was ended; the record's name
    t_s        since the run's start; 0 also for what was noted before it; utc_ms: unix time, None: unknown
    volume_l   of a refill: added, None: not measured; full: the tank was filled to what it holds
    lat_deg, lon_deg   None: unknown
    """
    done = run.acts
    if not done:
        return []
    t_ns = np.array([act.t_ns for act in done], dtype=np.int64)
    lat, lon = positions(run.columns, t_ns)
    ms = utc_ms(run.anchors, t_ns)
    return [
        {
            "kind": act.kind,
            "text": act.text,
            "t_s": act.t_ns / 1e9,
            "utc_ms": None if np.isnan(ms[n]) else round(float(ms[n])),
            "volume_l": number(act.volume_l),
            "full": act.full,
            "lat_deg": number(lat[n]),
            "lon_deg": number(lon[n]),
        }
        for n, act in enumerate(done)
    ]


def words_of(act: dict[str, Any], system: str) -> str:
    """One of `acts` in words; a note's line ends are spaces."""
    volume = None if act["volume_l"] is None else show(act["volume_l"], "volume", system)
    return " ".join(act_words(act["kind"], act["text"], volume, act["full"]).split())


class Used(NamedTuple):
    """What left the tank in a span of time, by the refills alone."""

    from_ns: int
    to_ns: int
    volume_l: float
    counted_full: bool  #: nobody said how full the tank was at the start: it was taken as full


def used(
    done: Sequence[Act], capacity_l: float | None, left_l: float | None, first_on_ns: int, end_ns: int
) -> list[Used]:
    """Spans from one full tank to the next, and to the end where `left_l`, what was left then, is known.

    What was filled in from one full tank to the next is what was used between: the refill method. A tank that
    nobody touched before the boom came on (`first_on_ns`) and whose capacity is known is taken as full at the
    start. A full tank whose refill was not measured ends a span that nothing is known of.
    """
    refills = [act for act in done if act.kind == "refill"]
    if not refills:
        return []
    untouched = capacity_l is not None and refills[0].t_ns >= first_on_ns
    mark_ns = 0 if untouched else None
    found: list[Used] = []
    added_l = 0.0
    assumed = untouched
    for refill in refills:
        volume_l = refill.volume_l
        if refill.full:
            if mark_ns is not None and volume_l is not None:
                found.append(Used(mark_ns, refill.t_ns, added_l + volume_l, assumed))
            mark_ns, added_l, assumed = refill.t_ns, 0.0, False
        elif volume_l is not None:
            added_l += volume_l
    if left_l is not None and mark_ns is not None and capacity_l is not None:
        found.append(Used(mark_ns, end_ns, capacity_l + added_l - left_l, assumed))
    return found


def used_in(run: RunData, left_l: float | None = None) -> list[Used]:
    """`used` of a run, by the refills in its log."""
    columns = run.columns
    on = np.flatnonzero(columns.boom_on == 1)
    if not len(on) or not run.acts:
        return []
    end_ns = max(round(run.duration_s * 1e9), int(columns.t_ns[-1]))
    return used(run.acts, run.rig.tank_l, left_l, int(columns.start_ns[on[0]]), end_ns)
