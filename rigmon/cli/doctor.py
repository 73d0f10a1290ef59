"""rigmon doctor"""

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from rigmon.cli.calibrate.common import DEFAULT_RIG, rig_file_option, system_of, units_option
from rigmon.cli.common import json_option, print_json
from rigmon.cli.dialogue import width, wrapped
from rigmon.cli.quantity import Quantity
from rigmon.errors import UsageError

if TYPE_CHECKING:
    from rigmon.doctor.examine import Examination
    from rigmon.doctor.findings import Finding

_LONGEST_WAIT_S: Final = 3600.0


@click.command("doctor")
@rig_file_option
@click.option(
    "--live", "is_live", is_flag=True,
    help="Then ask for the pump and the boom switch, and watch that fix, pulses and changes arrive.",
)  # fmt: skip
@click.option(
    "--wait", "wait_s", type=Quantity("time"), default=60.0, metavar="QUANTITY",
    help="How long --live waits for each, such as '2 min'.  [default: 60 s]",
)  # fmt: skip
@units_option
@json_option
def command(
    rig_file: Path | None, is_live: bool, wait_s: float, units_shown: str | None, as_json: bool
) -> int:
    """Is the rig ready? Looks at board, pins, ports, receiver, clock, card, power and calibrations.

    Says what to do about each. Takes about 10 seconds, at most 15, and changes nothing. What a running
    rigmon holds is left alone. Without --rig and a rig.toml here it looks at the service's rig file. It finds
    the receiver's baud by listening at the usual ones. Shown in mph,
    gal/min, psi or km/h, L/min, kPa; JSON has Hz, %, bytes/s, ms, s, MB, V, °C, m/s, kPa, days.

    Exit codes: 0 nothing is wrong, 1 something is wrong, 2 bad input. With --live clean water only, nobody at
    the boom.
    """
    from rigmon.doctor.examine import examine, usual_rig_file
    from rigmon.doctor.machine import Machine
    from rigmon.doctor.report import text, to_json

    if not 0 < wait_s <= _LONGEST_WAIT_S:
        raise UsageError(f"--wait {wait_s:g} s must be above 0 and at most 1 h, such as '2 min'")
    machine = Machine()
    path = rig_file or usual_rig_file(machine, DEFAULT_RIG)
    if rig_file is not None and not rig_file.is_file():
        raise UsageError(f"{rig_file}: there is no such rig file; 'rigmon init' writes one")
    if is_live and not path.is_file():
        raise UsageError(
            f"--live needs a rig file: give --rig FILE, or run 'rigmon init' to write {DEFAULT_RIG}"
        )
    tell, done = _progress()
    try:
        found = examine(
            machine, path, must_be=rig_file is not None,
            system=None if units_shown is None else system_of(units_shown), tell=tell,
        )  # fmt: skip
    finally:
        done()
    findings = list(found.findings)
    if is_live:
        findings += _live(found, wait_s)
    name = None if found.rig is None else found.rig.name
    if as_json:
        print_json(to_json(findings, name, str(path)))
    else:
        click.echo(text(findings, width()), nl=False)
    return 1 if any(finding.state == "wrong" for finding in findings) else 0


def _live(found: "Examination", wait_s: float) -> "list[Finding]":
    """The proofs by live readings; prompts and what comes of them go to stderr."""
    from rigmon import daemon
    from rigmon.doctor.findings import unknown, wrong
    from rigmon.doctor.live import watch
    from rigmon.edge.hub import Hub, MonotonicClock

    if found.rig is None:
        return [unknown("live", "Live proofs", "the rig file cannot be used")]
    if found.busy:
        do = "Stop it (a service: sudo systemctl stop rigmon), then ask again."
        return [unknown("live", "Live proofs", found.busy, do)]
    rig = found.rig
    hub = Hub(MonotonicClock())
    try:
        sources = daemon.live_sources(rig, hub)
    except UsageError as error:
        return [wrong("live", "Live proofs", str(error), "Correct it, then ask again.")]
    tell, done = _progress()

    def say(line: str) -> None:
        done()
        click.echo(wrapped(line, " " * 5), err=True)

    try:
        return watch(rig, hub, sources, wait_s, say, tell)
    finally:
        done()


def _progress() -> tuple[Callable[[str], None], Callable[[], None]]:
    """What shows one line on stderr, over and over, on a terminal only; and what wipes it."""
    err: Any = sys.stderr
    if err is None or not err.isatty():
        return lambda _: None, lambda: None
    columns = width() - 1

    def tell(line: str) -> None:
        click.echo("\r" + line[:columns].ljust(columns), nl=False, err=True)

    def done() -> None:
        click.echo("\r" + " " * columns + "\r", nl=False, err=True)

    return tell, done
