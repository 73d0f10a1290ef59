"""The findings as people read them, worst first, and as JSON."""

import textwrap
from collections.abc import Sequence
from typing import Any, Final

from rigmon.doctor.findings import STATES, Finding, State, counts, worst_first

_HEADS: Final[dict[State, str]] = {
    "wrong": "WRONG",
    "look": "Have a look",
    "unknown": "Not checked",
    "ok": "Fine",
}
_NARROWEST: Final = 30


def summary(findings: Sequence[Finding]) -> str:
    """'1 wrong, 2 to look at, 3 not checked, 18 fine'."""
    words = {"wrong": "wrong", "look": "to look at", "unknown": "not checked", "ok": "fine"}
    found = counts(findings)
    return (
        ", ".join(f"{found[state]} {words[state]}" for state in STATES if found[state]) or "nothing checked"
    )


def text(findings: Sequence[Finding], width: int) -> str:
    """Lines of at most `width` columns, the worst first; the summary is the last one, beside the prompt."""
    lines: list[str] = []
    ordered = worst_first(findings)
    for state in STATES:
        group = [finding for finding in ordered if finding.state == state]
        if not group:
            continue
        lines += ["", _HEADS[state]] if lines else [_HEADS[state]]
        for finding in group:
            seen = finding.seen.removeprefix("not checked: ") if state == "unknown" else finding.seen
            lines += _wrap(f"- {finding.title}: {seen}", width, "  ")
            if finding.do:
                lines += _wrap(f"  Do: {finding.do}", width, "      ")
    return "\n".join([*lines, "", *_wrap(f"Doctor: {summary(findings)}", width, "  "), ""])


def _wrap(line: str, width: int, indent: str) -> list[str]:
    first = line[: len(line) - len(line.lstrip(" "))]
    # names of processes and devices may hold anything; a terminal would obey some of it
    plain = "".join(letter if letter.isprintable() else "?" for letter in " ".join(line.split()))
    return textwrap.wrap(
        plain,
        max(width, _NARROWEST),
        initial_indent=first,
        subsequent_indent=indent,
        break_on_hyphens=False,
    )


def to_json(findings: Sequence[Finding], rig: str | None, rig_file: str) -> dict[str, Any]:
    """Plain data; the findings in the order in which they were made."""
    worst = worst_first(findings)
    return {
        "doctor_schema": 1,
        "rig": rig,
        "rig_file": rig_file,
        "state": worst[0].state if worst else "unknown",
        "counts": counts(findings),
        "findings": [finding.to_json() for finding in findings],
    }
