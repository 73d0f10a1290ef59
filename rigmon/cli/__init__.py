"""The command line: argument handling only, one module a family of commands, loaded when it is called."""

import importlib
import sys
from typing import Final

import click

from rigmon import __version__
from rigmon.errors import UsageError

#: command -> (module, help shown in the list)
COMMANDS: Final[dict[str, tuple[str, str]]] = {
    "demo": ("rigmon.cli.demo", "Play a simulated run on this computer and score it. No hardware."),
    "init": ("rigmon.cli.init", "Write a commented rig file to fill in."),
    "run": ("rigmon.cli.run", "The daemon: read the sensors, guide the driver, write the run log."),
    "replay": ("rigmon.cli.replay", "Run a run log or an NMEA recording through the same core."),
    "check": ("rigmon.cli.check", "Recompute a run log and compare every number with the recorded one."),
    "score": ("rigmon.cli.score", "Was the rate held, and where was it not?"),
    "runs": ("rigmon.cli.runs", "List the run logs in a folder."),
    "simulate": ("rigmon.cli.simulate", "Write a simulated recording and its truth."),
}


class _LazyGroup(click.Group):
    """Loads a command's module when it is called, so that the daemon starts without the others' imports."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        if cmd_name not in COMMANDS:
            return None
        command = importlib.import_module(COMMANDS[cmd_name][0]).command
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        with formatter.section("Commands"):
            formatter.write_dl([(name, about) for name, (_, about) in COMMANDS.items()])


@click.group(cls=_LazyGroup)
@click.version_option(__version__, prog_name="rigmon")
def group() -> None:
    """Speed hold, application rate and run log for a small spray rig.

    The product label is the law; rigmon measures, it does not permit. Keep your eyes on the ground.
    """


def main() -> None:
    """Entry point. Exit codes: 0 done, 1 the answer is no, 2 bad input."""
    try:
        code = group.main(standalone_mode=False)
    except UsageError as error:
        click.echo(f"rigmon: {error}", err=True)
        sys.exit(2)
    except click.ClickException as error:
        error.show()
        sys.exit(2)
    except click.Abort:
        click.echo("rigmon: stopped", err=True)
        sys.exit(130)
    except BrokenPipeError:
        # the reader of our output went away, as in 'rigmon ... | head'
        sys.stderr.close()
        sys.exit(0)
    sys.exit(code if isinstance(code, int) else 0)
