"""From a run log or an NMEA recording to the data that a score is made from."""

from collections.abc import Callable
from pathlib import Path

from rigmon.analysis.frames import RunData, columns_from_samples, from_log
from rigmon.analysis.whatif import WhatIf
from rigmon.replay import Opened


def load(
    path: Path,
    rig_file: Path | None,
    progress: Callable[[int], None] | None = None,
    what_if: WhatIf | None = None,
) -> RunData:
    """Read a run. Recorded samples are used as they are; they are recomputed from the raw readings for an
    NMEA recording, for another rig, with `what_if`, and after a power cut, when the newest ones were not
    written yet. The file is only read.

    Raises UsageError (a ConfigError or LogError among them) for what cannot be read.
    """
    with Opened(path, rig_file) as opened:
        log = opened.log
        if what_if:
            opened.rig = what_if.applied_to(opened.rig)
        elif log is not None and rig_file is None and log.ended_cleanly:
            return from_log(log, opened.rig)
        replayed = opened.replay(progress)
        ended_ns = opened.ended_ns
        return RunData(
            rig=opened.rig,
            run_id=None if log is None else log.header.run_id,
            source=path.name if log is None else log.header.source,
            ended_cleanly=log is None or log.ended_cleanly,
            duration_s=(replayed.last_ns if ended_ns is None else ended_ns) / 1e9,
            readings=replayed.readings,
            columns=columns_from_samples(replayed.samples),
            alerts=tuple(replayed.alerts),
            anchors=tuple(replayed.anchors),
            tallies=tuple(replayed.tallies),
            notes=() if log is None else tuple(log.notes),
            findings=tuple(replayed.findings),
            acts=tuple(replayed.acts),
            weather=tuple(replayed.weather),
        )
