"""What several commands share: options, output as JSON, a progress counter, the driver's lines."""

import json
import shlex
import shutil
import socket
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from rigmon.errors import UsageError

if TYPE_CHECKING:
    from rigmon.daemon import Feedback
    from rigmon.edge.feedback import TerminalFeedback
    from rigmon.edge.feedback_group import Member
    from rigmon.rig import Rig, Web

    FloatParam = click.ParamType[float]
else:
    FloatParam = click.ParamType  # older click's takes no type argument

source_argument = click.argument("source", type=click.Path(path_type=Path))
json_option = click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
rig_option = click.option(
    "--rig",
    "rig_file",
    type=click.Path(path_type=Path),
    help="Rig file (TOML). A recording needs one; a run log carries its own.",
)


_SLOWEST = 0.01
#: with the count it fits a phone's 40 columns
_BAR: Final = 16


class Pace(FloatParam):
    """How many times faster than real time."""

    name = "times"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        try:
            pace = float(value)
        except ValueError:
            pace = 0.0
        if not (isfinite(pace) and pace >= _SLOWEST):
            self.fail(
                f"{value!r} must be a number, at least {_SLOWEST:g}: 1 is real time, 10 is ten times faster",
                param,
                ctx,
            )
        return pace


def print_json(data: Any) -> None:
    """One JSON value on stdout; NaN would be a bug and raises."""
    click.echo(json.dumps(data, indent=2, allow_nan=False))


def program() -> str:
    """What to type to call this program again: in a fresh clone it is not on the PATH."""
    return "rigmon" if shutil.which("rigmon") else shlex.quote(sys.argv[0])


def refuse_folder(path: Path, example: str) -> None:
    """Raise UsageError for a folder where a file is to be written; `example` is a name for one."""
    if not path.name or path.is_dir():
        raise UsageError(f"{path}: is a folder; give the name of a file, such as {path / example}")


def typed(path: Path) -> str:
    """A path as a shell takes it."""
    return shlex.quote(str(path))


def driver_lines(rig: "Rig", every_s: float = 1.0, stale_s: float | None = None) -> "TerminalFeedback | None":
    """The driver's lines on stdout; None where there is no stdout, as under some init systems.

    `stale_s` is for live runs: what comes at a pace of its own, or is cut short, is not stale.
    """
    from rigmon.edge.feedback import TerminalFeedback

    # the stream is missing when the descriptor was closed, whatever the type says
    out: Any = sys.stdout
    return None if out is None else TerminalFeedback(rig, out, every_s, stale_s=stale_s)


def page_address(web: "Web") -> str:
    """What to type into a browser, as far as it can be told from here."""
    host = web.address
    if host in ("0.0.0.0", "::"):
        host = f"{socket.gethostname()}.local"
    elif ":" in host:
        host = f"[{host}]"
    return f"http://{host}:{web.port}/"


def driver_feedback(
    rig: "Rig", lines: bool, further: "Mapping[str, Member] | None" = None
) -> "Feedback | None":
    """What shows the driver how the run goes: the lines if they are wanted, the rig's lights and buzzer,
    and `further` ones by their name.

    None: there is nothing. Raises UsageError for pins that cannot be used.
    """
    from rigmon.edge.feedback_group import FeedbackGroup, Member
    from rigmon.edge.signals import STALE_S

    members: dict[str, Member] = {}
    terminal = driver_lines(rig, stale_s=STALE_S) if lines else None
    if terminal is not None:
        members["lines"] = terminal
    if rig.lights.pins or rig.lights.trouble_pin is not None:
        from rigmon.edge.lights import LightsFeedback

        members["lights"] = LightsFeedback(rig)
    if rig.buzzer.pin is not None:
        from rigmon.edge.buzzer import BuzzerFeedback

        members["buzzer"] = BuzzerFeedback(rig)
    members |= further or {}
    return FeedbackGroup(members) if members else None


@contextmanager
def progress(label: str) -> Iterator[Callable[[int], None] | None]:
    """A counter of run time on stderr, on a terminal only: yields what to call with each stamp, or None."""
    err: Any = sys.stderr
    if err is None or not err.isatty():
        yield None
        return
    shown = -1

    def tell(t_ns: int) -> None:
        nonlocal shown
        minutes = t_ns // 60_000_000_000
        if minutes != shown:
            shown = minutes
            click.echo(f"\r{label}: {minutes // 60}:{minutes % 60:02d} h of run time", nl=False, err=True)

    try:
        yield tell
    finally:
        if shown >= 0:
            click.echo("\r" + " " * 60 + "\r", nl=False, err=True)


@contextmanager
def bar(what: str) -> Iterator[Callable[[int, int], None] | None]:
    """A bar on stderr, on a terminal only: yields what to call with how many of how many, or None."""
    err: Any = sys.stderr
    if err is None or not err.isatty():
        yield None
        return
    shown = False

    def tell(done: int, of: int) -> None:
        nonlocal shown
        shown = True
        full = _BAR * done // max(of, 1)
        click.echo(f"\r[{'#' * full}{'-' * (_BAR - full)}] {done} of {of} {what}", nl=False, err=True)

    try:
        yield tell
    finally:
        if shown:
            click.echo("\r" + " " * 39 + "\r", nl=False, err=True)
