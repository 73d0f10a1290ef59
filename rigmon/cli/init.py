"""rigmon init"""

from pathlib import Path

import click

from rigmon import config
from rigmon.cli.common import program, refuse_folder, typed
from rigmon.errors import UsageError


@click.command("init")
@click.argument("file", type=click.Path(path_type=Path), default="rig.toml")
@click.option("--force", is_flag=True, help="Overwrite FILE if it is there.")
def command(file: Path, force: bool) -> None:
    """Write a commented rig file to FILE (default: rig.toml) for you to fill in.

    Quantities in it are written with their unit, US customary or metric: "20 in", "50 cm", "17 gal/ac",
    "160 L/ha", "3.5 mph", "5.6 km/h", "40 psi", "2.8 bar".
    """
    refuse_folder(file, "rig.toml")
    try:
        with file.open("w" if force else "x", encoding="utf-8") as out:
            out.write(config.template())
    except FileExistsError:
        raise UsageError(
            f"{file}: is there already; choose another name, or overwrite it by --force"
        ) from None
    except OSError as error:
        raise UsageError(f"{file}: cannot be written: {error.strerror}") from error
    click.echo(f"Wrote {file}. Put your rig's numbers in it, then: {program()} run --rig {typed(file)}")
    click.echo("Calibrate with clean water first. The product label is the law.")
