"""What the watchers of the sensors have found: what is up now, for the alerts, and what was found so far."""

from typing import Final

from rigmon.model import Finding

#: no run has more; it would be noise
_MOST: Final = 600


class Found:
    """`present` are the codes that are up, each with (value, limit) in %; `findings` is kept in order."""

    __slots__ = ("findings", "present")

    def __init__(self) -> None:
        self.present: dict[str, tuple[float | None, float | None]] = {}
        self.findings: list[Finding] = []

    def put(self, code: str, change: float, limit: float) -> None:
        """`code` is up: a change by a share, and the share that matters."""
        self.present[code] = (100 * change, 100 * (limit if change > 0 else -limit))

    def drop(self, code: str) -> None:
        """`code` is not up, or no longer."""
        self.present.pop(code, None)

    def keep(self, finding: Finding) -> None:
        if len(self.findings) < _MOST:
            self.findings.append(finding)
