"""Options that ask 'what if' of a run: score, report, replay."""

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from rigmon.analysis.whatif import WhatIf

F = TypeVar("F", bound=Callable[..., Any])


def what_if_options(command: F) -> F:
    """--target, --tolerance, --swath, --calibration and those of `diagnosis_options`: see `what_if`."""
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
    return diagnosis_options(command)


def diagnosis_options(command: F) -> F:
    """--false-alarms-per-h, --smallest-change."""
    for option in reversed(
        (
            click.option(
                "--false-alarms-per-h",
                metavar="N",
                help="What if so many false alarms an hour were tolerated, of all diagnoses together.",
            ),
            click.option(
                "--smallest-change",
                metavar="PCT",
                help="What if this were the smallest change of the boom's output that matters, in percent.",
            ),
        )
    ):
        command = option(command)
    return command


def what_if(
    target: str | None = None,
    tolerance: str | None = None,
    swath: str | None = None,
    calibration: str | None = None,
    false_alarms_per_h: str | None = None,
    smallest_change: str | None = None,
) -> "WhatIf":
    from rigmon.analysis.whatif import WhatIf

    return WhatIf(target, tolerance, swath, calibration, false_alarms_per_h, smallest_change)


def tell_asked(asked: "WhatIf") -> None:
    """Say above a result that it is not that of the run's own settings."""
    click.echo(f"What if: {' '.join(asked.words())}")
    click.echo("The same readings run again with these settings; the log is as it was.")
