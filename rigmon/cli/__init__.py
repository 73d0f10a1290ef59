"""The command line: argument handling only, one module a family of commands, loaded when it is called."""

import errno
import importlib
import io
import os
import sys
from contextlib import suppress
from typing import Any, Final, TextIO

import click

from rigmon import __version__
from rigmon.errors import UsageError

#: command -> (module, help shown in the list)
COMMANDS: Final[dict[str, tuple[str, str]]] = {
    "demo": ("rigmon.cli.demo", "Play a simulated run on this computer and score it. No hardware."),
    "init": ("rigmon.cli.init", "Write a commented rig file to fill in."),
    "doctor": ("rigmon.cli.doctor", "Is the rig ready? Checks board, ports, receiver, card, calibrations."),
    "run": ("rigmon.cli.run", "The daemon: read the sensors, guide the driver, write the run log."),
    "pair": ("rigmon.cli.pair", "Show the code that lets a phone do things on the crew's page."),
    "replay": ("rigmon.cli.replay", "Run a run log or an NMEA recording through the same core."),
    "check": ("rigmon.cli.check", "Recompute a run log and compare it with what was recorded."),
    "score": ("rigmon.cli.score", "Was the rate held, and where was it not?"),
    "report": ("rigmon.cli.report", "One page of the run: verdict, maps, graphs, what to do."),
    "export": ("rigmon.cli.export", "The run as CSV, GeoJSON, GeoPackage, Parquet or GPX."),
    "record": ("rigmon.cli.record", "The application record of a run, into a season book."),
    "season": ("rigmon.cli.season", "All runs of a folder: what changed along the season, one page."),
    "records": ("rigmon.cli.records", "The season book: a list, CSV, JSON, or pages to print."),
    "runs": ("rigmon.cli.runs", "List the run logs in a folder."),
    "calibrate": ("rigmon.cli.calibrate", "Catch test, measured course, target, sensors: dated records."),
    "mix": ("rigmon.cli.mix", "What goes into the tank: products, loads, the last partial load."),
    "plan": ("rigmon.cli.plan", "One page for the job: what to hold, mix, loads, nozzles, calibrations."),
    "simulate": ("rigmon.cli.simulate", "Write a simulated recording and its truth."),
}

#: what a shell reports of a program that Ctrl-C, or the end of a pipe's reader, has ended
_INTERRUPTED: Final = 130
_READER_GONE: Final = 141
#: what writing to a full or broken disk fails with
_OUTPUT_TROUBLE: Final = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO}


class _ReaderGoneError(Exception):
    """Whoever read our output went away, as in 'rigmon ... | head'."""


class LazyGroup(click.Group):
    """Loads a command's module when it is called, so that the daemon starts without the others' imports.

    `commands_by_name`: command -> (module, help shown in the list).
    """

    def __init__(
        self, *args: Any, commands_by_name: dict[str, tuple[str, str]] | None = None, **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self._commands = commands_by_name or {}

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        return list(self._commands)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        if cmd_name not in self._commands:
            return None
        command = importlib.import_module(self._commands[cmd_name][0]).command
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        with formatter.section("Commands"):
            formatter.write_dl([(name, about) for name, (_, about) in self._commands.items()])

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except BrokenPipeError:
            # click would make it exit code 1, which here means that the answer is no
            raise _ReaderGoneError from None


@click.group(
    cls=LazyGroup, commands_by_name=COMMANDS, context_settings={"help_option_names": ["-h", "--help"]}
)
@click.version_option(__version__, prog_name="rigmon")
def group() -> None:
    """Speed hold, application rate and run log for a small spray rig.

    Begin with 'demo'. Then 'init' writes a rig file for your own numbers, 'run' guides the driver and keeps
    the run log, and 'score' tells how it went. Each command has its own --help.

    Exit codes: 0 done, 1 the answer is no, 2 bad input.

    The product label is the law; rigmon measures, it does not permit. Calibrate with clean water. Keep your
    eyes on the ground.
    """


def main() -> None:
    """Entry point. Exit codes: 0 done, 1 the answer is no, 2 bad input."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            # a name that the terminal's encoding does not have is shown escaped
            stream.reconfigure(errors="backslashreplace")
    sys.exit(_run())


def _run() -> int:
    try:
        code = group.main(prog_name="rigmon", standalone_mode=False)
    except UsageError as error:
        _tell(f"rigmon: {error}")
        return 2
    except click.ClickException as error:
        try:
            error.show()
        except OSError:
            _discard(sys.stderr)
        return 2
    except click.Abort:
        _tell("rigmon: stopped")
        return _INTERRUPTED
    except _ReaderGoneError:
        _discard(sys.stdout)
        return _READER_GONE
    except OSError as error:
        if error.filename is not None:
            _tell(f"rigmon: {os.fsdecode(error.filename)}: {error.strerror}")
        elif error.errno in _OUTPUT_TROUBLE:
            _tell(f"rigmon: the output cannot be written: {error.strerror}")
        else:
            raise
        _discard(sys.stdout)
        return 2
    return code if isinstance(code, int) else 0


def _tell(message: str) -> None:
    try:
        click.echo(message, err=True)
    except OSError:
        _discard(sys.stderr)


def _discard(stream: TextIO) -> None:
    """What could not be written must not be tried again when the interpreter ends, which would complain."""
    with suppress(AttributeError, OSError, ValueError):
        descriptor = stream.fileno()
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, descriptor)
        os.close(nowhere)
