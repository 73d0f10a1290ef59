"""What is known of the work now, small enough to be said anew to whoever comes later.

The daemon keeps one beside its core, so that a pages' process that was started again, or that could not
follow for a while, goes on from it; the board keeps one of its own.
"""

from collections.abc import Iterable
from typing import Any, Final

from rigmon.live.tank import Tank
from rigmon.live.totals import Totals
from rigmon.model import Act, Alert, Anchor, Finding, Output, Sample, Weather
from rigmon.rig import Rig

#: outputs by their name in the lines between the daemon and the pages' process
_KINDS: Final[dict[str, type[Any]]] = {
    "s": Sample,
    "a": Alert,
    "n": Anchor,
    "f": Finding,
    "c": Act,
    "w": Weather,
}
_NAMES: Final[dict[type[Any], str]] = {kind: name for name, kind in _KINDS.items()}


def to_wire(outputs: Iterable[Output]) -> list[list[Any]]:
    """Outputs as JSON-ready lists; tallies, which no page shows, are left out."""
    return [[name, *output] for output in outputs if (name := _NAMES.get(type(output))) is not None]


def from_wire(items: Iterable[list[Any]]) -> list[Output]:
    """Raises KeyError and TypeError for what `to_wire` does not make."""
    return [_KINDS[item[0]](*item[1:]) for item in items]


class LiveState:
    """Run, sums, tank, and what is up. Not for two threads at once."""

    def __init__(self, rig: Rig) -> None:
        self.run: str | None = None
        self.started_utc: str | None = None  #: as a run log says; None: by the receiver's time alone
        self.totals = Totals()
        self.tank = Tank(rig.tank_l)
        self.sample: Sample | None = None
        self.anchor: Anchor | None = None
        self.alerts: dict[str, Alert] = {}
        self.acknowledged: set[str] = set()
        self.findings: dict[str, Finding] = {}
        self._counted_ns: int | None = None  # stamp of the newest sample that is in the sums
        self.weather: Weather | None = None  #: the newest; an old one is no longer true

    def begin(self, run: str | None, started_utc: str | None = None, outputs: Iterable[Output] = ()) -> None:
        """A run begins: its sums start anew. The tank is the same, and alerts stay until they are cleared.

        `outputs` are what its core made of readings from before: they belong to the run, but what they took
        from the tank, and what was filled in, was seen when it happened.
        """
        self.run, self.started_utc = run, started_utc
        self.totals = Totals()
        self.anchor = self.weather = None
        self._counted_ns = None
        self._take(outputs, seen=True)

    def end(self) -> None:
        """The run has ended; its sums stay until the next begins."""
        self.run = None

    def take(self, outputs: Iterable[Output]) -> bool:
        """Take what the core made. True: more has changed than the newest sample.

        Between runs nothing is added to the sums. A sample that comes again is not counted again.
        """
        return self._take(outputs, seen=False)

    def _take(self, outputs: Iterable[Output], seen: bool) -> bool:
        changed = False
        for output in outputs:
            if isinstance(output, Sample):
                self.sample = output
                if output.t_ns != self._counted_ns:
                    self._counted_ns = output.t_ns
                    if self.run is not None:
                        self.totals.take(output)
                    if not seen:
                        self.tank.take(output)
            elif isinstance(output, Alert):
                changed = True
                self._alert(output)
            elif isinstance(output, Anchor):
                self.anchor = output
            elif isinstance(output, Finding):
                changed = True
                self.findings[output.code] = output
            elif isinstance(output, Weather):
                self.weather = output
            elif isinstance(output, Act):
                changed = True
                self._act(output, seen)
        return changed

    def _act(self, act: Act, seen: bool) -> None:
        """What the core took of what a person did."""
        if act.kind == "acknowledge" and act.text in self.alerts:
            self.acknowledged.add(act.text)
        elif act.kind == "refill" and not seen:
            self.tank.refill(act.volume_l, bool(act.full))

    def _alert(self, alert: Alert) -> None:
        self.acknowledged.discard(alert.code)
        if alert.raised:
            self.alerts[alert.code] = alert
        else:
            self.alerts.pop(alert.code, None)
            self.findings.pop(alert.code, None)

    def to_json(self) -> dict[str, Any]:
        """All of it; bounded, whatever the run's length."""
        known = (self.sample, self.anchor, self.weather, *self.alerts.values(), *self.findings.values())
        return {
            "run": self.run,
            "started_utc": self.started_utc,
            "totals": self.totals.to_json(),
            "tank": self.tank.to_json(),
            "outputs": to_wire(output for output in known if output is not None),
            "acknowledged": sorted(self.acknowledged),
        }

    def restore(self, data: dict[str, Any]) -> None:
        """Become what `to_json` was made of. Raises KeyError and TypeError for anything else."""
        self.alerts.clear()
        self.findings.clear()
        self.begin(data["run"], data["started_utc"])
        self.take(from_wire(data["outputs"]))
        self.totals = Totals.from_json(data["totals"])
        self.tank = Tank.from_json(data["tank"])
        self.acknowledged = set(data["acknowledged"])
