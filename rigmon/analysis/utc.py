"""From stamps to wall time, by the receiver's clock as the run's anchors tell it."""

from collections.abc import Sequence
from datetime import UTC, datetime

import numpy as np

from rigmon.analysis.frames import Floats, Integers
from rigmon.model import Anchor


def utc_ms(anchors: Sequence[Anchor], t_ns: Integers) -> Floats:
    """Unix time [ms] at each stamp; NaN where it is not known.

    The newest anchor at or before a stamp counts, for stamps before the first one the first. Where an anchor
    says that the receiver's date cannot be believed, time is unknown until one says better.
    """
    if not anchors:
        return np.full(len(t_ns), np.nan)
    at = np.array([anchor.t_ns for anchor in anchors])
    offset = np.array([np.nan if a.utc_ms is None else a.utc_ms - a.t_ns / 1e6 for a in anchors])
    which = np.maximum(np.searchsorted(at, t_ns, side="right") - 1, 0)
    found: Floats = offset[which] + t_ns / 1e6
    return found


def iso(ms: float) -> str | None:
    """ISO 8601 with milliseconds, '2026-06-01T14:30:00.200Z'; None for an unknown or impossible time."""
    if not np.isfinite(ms):
        return None
    whole = round(ms)
    try:
        moment = datetime.fromtimestamp(whole // 1000, UTC)
    except (ValueError, OverflowError, OSError):  # beyond the calendar
        return None
    return f"{moment:%Y-%m-%dT%H:%M:%S}.{whole % 1000:03d}Z"
