"""What became of a fault that was provoked many times."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final


@dataclass(slots=True)
class Done:
    """One row: what was done how often, the worst figures, and what should not have happened."""

    what: str
    count: int
    worst: str = ""
    failures: list[str] = field(default_factory=list)
    skipped: str = ""  #: why it was not done

    @property
    def verdict(self) -> str:
        if self.skipped:
            return "skipped"
        return f"{len(self.failures)} FAILED" if self.failures else "held"


_HEADINGS: Final = ("fault", "count", "", "worst")
_MOST_SHOWN: Final = 5


def table(rows: Iterable[Done]) -> str:
    """The rows as lines of aligned columns; failures and reasons below."""
    rows = list(rows)
    cells = [_HEADINGS, *((row.what, f"{row.count:,}", row.verdict, row.worst) for row in rows)]
    widths = [max(len(line[i]) for line in cells) for i in range(len(_HEADINGS))]
    lines = [
        "  ".join(
            cell.rjust(width) if i == 1 else cell.ljust(width)
            for i, (cell, width) in enumerate(zip(line, widths, strict=True))
        ).rstrip()
        for line in cells
    ]
    lines.insert(1, "-" * max(map(len, lines)))
    for row in rows:
        if row.skipped:
            lines.append(f"{row.what}: {row.skipped}")
        lines += [f"{row.what}: {failure}" for failure in row.failures[:_MOST_SHOWN]]
        if len(row.failures) > _MOST_SHOWN:
            lines.append(f"{row.what}: and {len(row.failures) - _MOST_SHOWN} more")
    return "\n".join(lines)
