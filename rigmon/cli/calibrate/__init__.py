"""rigmon calibrate: one module a command, loaded when it is called."""

from typing import Final

import click

from rigmon.cli import LazyGroup

#: command -> (module, help shown in the list)
COMMANDS: Final[dict[str, tuple[str, str]]] = {
    "catch": ("rigmon.cli.calibrate.catch", "Catch test: each nozzle's output, and the whole boom's."),
    "course": ("rigmon.cli.calibrate.course", "Measured course: ground speed by stopwatch or GPS."),
    "target": ("rigmon.cli.calibrate.target", "Rate, speed, flow or pressure from the other three."),
    "pace": ("rigmon.cli.calibrate.pace", "Steps a minute for a hand boom, and their beat."),
    "flowmeter": ("rigmon.cli.calibrate.flowmeter", "The flowmeter against what it let through."),
    "transducer": ("rigmon.cli.calibrate.transducer", "The pressure transducer against a gauge."),
    "history": ("rigmon.cli.calibrate.history", "How each nozzle, meter and transducer drifted."),
    "list": ("rigmon.cli.calibrate.listing", "The records in the calibration book."),
    "apply": ("rigmon.cli.calibrate.apply", "Copy a record into the rig file."),
}


@click.group("calibrate", cls=LazyGroup, commands_by_name=COMMANDS)
def command() -> None:
    """Calibrate the rig. Each result is a dated record in the calibration book.

    Quantities are typed with their unit as people write them: '148 mL', '32 oz', '20 in', '45.5 s', '1:23';
    after the first of a kind the unit may be left out. Data come from prompts, from options, or from a CSV
    file (--from). 'back' takes the last answer back; an interrupted calibration resumes where it stopped.

    Calibrate with clean water and wear PPE; the product label is the law.
    """
