"""Options that ask 'what if' of a run: score, report."""

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from rigmon.analysis.whatif import WhatIf

F = TypeVar("F", bound=Callable[..., Any])


def what_if_options(command: F) -> F:
    """--target, --tolerance, --swath, --calibration: see `what_if`."""
    for option in reversed(
        (
            click.option("--target", metavar="RATE", help='What if the target were, such as "20 gal/ac".'),
            click.option("--tolerance", metavar="PCT", help="What if the tolerance were, in percent."),
            click.option("--swath", metavar="LENGTH", help='What if the swath were, such as "20 ft".'),
            click.option(
                "--calibration",
                metavar="FLOW",
                help='What if the whole boom gave, such as "2.5 gal/min" or "2.5 gal/min at 40 psi".',
            ),
        )
    ):
        command = option(command)
    return command


def what_if(
    target: str | None, tolerance: str | None, swath: str | None, calibration: str | None
) -> "WhatIf":
    from rigmon.analysis.whatif import WhatIf

    return WhatIf(target, tolerance, swath, calibration)
