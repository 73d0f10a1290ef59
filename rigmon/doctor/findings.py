"""What the doctor hands back: one finding a check, with what was seen and what to do about it. Pure."""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, Literal

State = Literal["wrong", "look", "unknown", "ok"]
Value = str | int | float | bool | None
Values = dict[str, Value]

#: the worst first; 'look' works, but not as well as it could; 'unknown' was not checked, and `seen` says why
STATES: Final[tuple[State, ...]] = ("wrong", "look", "unknown", "ok")


@dataclass(frozen=True, slots=True)
class Finding:
    """One check's answer. `values` holds the figures behind the words; their names carry the unit."""

    check: str  #: snake case, stable
    title: str  #: as people read it
    state: State
    seen: str  #: what was seen, with values and units; for 'unknown' why it was not checked
    do: str = ""  #: what to do about it; '' when there is nothing to do
    values: Values = field(default_factory=dict)

    def to_json(self) -> dict[str, Any]:
        return {
            "check": self.check,
            "title": self.title,
            "state": self.state,
            "seen": self.seen,
            "do": self.do or None,
            "values": self.values,
        }


def ok(check: str, title: str, seen: str, **values: Value) -> Finding:
    return Finding(check, title, "ok", seen, "", values)


def look(check: str, title: str, seen: str, do: str, **values: Value) -> Finding:
    return Finding(check, title, "look", seen, do, values)


def wrong(check: str, title: str, seen: str, do: str, **values: Value) -> Finding:
    return Finding(check, title, "wrong", seen, do, values)


def unknown(check: str, title: str, why: str, do: str = "", **values: Value) -> Finding:
    return Finding(check, title, "unknown", f"not checked: {why}", do, values)


def worst_first(findings: Iterable[Finding]) -> list[Finding]:
    """By state, within a state in the order they were found."""
    return sorted(findings, key=lambda finding: STATES.index(finding.state))


def counts(findings: Sequence[Finding]) -> dict[str, int]:
    """How many findings are in each state, the worst first; zero where there is none."""
    found = Counter(finding.state for finding in findings)
    return {state: found[state] for state in STATES}
