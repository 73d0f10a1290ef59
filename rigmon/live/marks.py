"""Where alerts were raised, for the map: bounded, whatever the run's length."""

from typing import Any, Final

from rigmon.model import Alert, Sample
from rigmon.words import alert_words

#: the older ones make room for the newer
MOST: Final = 200


class Marks:
    """The newest alerts of a run with the places where they were raised. `n` counts all there were."""

    def __init__(self) -> None:
        self.n = 0
        self._marks: list[dict[str, Any]] = []

    def clear(self) -> None:
        """A new run."""
        self.n += 1  # whoever has the old ones asks anew
        self._marks.clear()

    def take(self, alert: Alert, sample: Sample | None) -> None:
        """One that was raised; `sample` is the newest. Without a position there is nothing to mark."""
        if not alert.raised or sample is None or sample.lat_deg is None or sample.lon_deg is None:
            return
        self.n += 1
        self._marks.append(
            {
                "code": alert.code,
                "words": alert_words(alert.code),
                "t_s": alert.t_ns / 1e9,
                "lat_deg": sample.lat_deg,
                "lon_deg": sample.lon_deg,
            }
        )
        del self._marks[:-MOST]

    def to_json(self) -> dict[str, Any]:
        """{"n", "marks": [{code, words, t_s, lat_deg, lon_deg}, ...]}, the oldest first."""
        return {"n": self.n, "marks": list(self._marks)}
