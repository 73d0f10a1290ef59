"""rigmon simulate --study"""

from pathlib import Path
from typing import Any, Final

import click

from rigmon import config
from rigmon.cli.common import bar, print_json
from rigmon.errors import UsageError

#: what a shell reports of a program that Ctrl-C has ended
_INTERRUPTED: Final = 130
DEFAULT_RUNS: Final = 40
#: scenario fields that a study takes, for every run
TAKEN: Final = (
    *("gps_hz", "sensor_hz", "white_noise_m_s", "correlated_noise_m_s", "correlated_tau_s", "latency_s"),
    *("position_noise_m", "flow_noise_pct", "pressure_noise_pct", "wander_sd_m_s", "wander_tau_s"),
)

#: options that mean something in a study alone
_MINE: Final = (
    "runs", "cells", "jobs", "false_alarms", "receiver", "meters", "units", "list_cells",
)  # fmt: skip
#: options of the command that a study takes as well
_BESIDE: Final = ("study", "rig_file", "seed", "as_json")

_OPTIONS: Final = (
    click.option(
        "--study",
        is_flag=True,
        help="Instead of a recording: many runs, and how soon and how rightly their faults are found.",
    ),
    click.option(
        "--runs", type=click.IntRange(1), metavar="N", help="Study: number of runs of each cell; 40."
    ),
    click.option("--cell", "cells", multiple=True, metavar="NAME", help="Study: these cells alone."),
    click.option(
        "--jobs",
        "--processes",
        "jobs",
        type=click.IntRange(1, 1024),
        metavar="N",
        help="Study: number of processes to work in; left out: as many as there are processors.",
    ),
    click.option(
        "--false-alarms",
        type=float,
        metavar="PER_HOUR",
        help="Study: false alarms an hour to ask for, in place of diagnosis.false_alarms_per_h.",
    ),
    click.option(
        "--receiver", metavar="KIND", help="Study: the receivers' noise: white, correlated, or mixed (both)."
    ),
    click.option(
        "--meters", metavar="KIND", help="Study: the meters' noise: white, correlated, or mixed (both)."
    ),
    click.option("--units", type=click.Choice(["us", "metric"]), help="Study: show these units."),
    click.option(
        "--list-cells", is_flag=True, help="Study: list the cells, which are faults and rigs, and stop."
    ),
)


def study_options(function: Any) -> Any:
    """Decorator: the options above."""
    for option in reversed(_OPTIONS):
        function = option(function)
    return function


def told_apart(
    ctx: click.Context, study: bool, given: dict[str, Any]
) -> tuple[dict[str, Any], dict[str, Any]]:
    """Of `given`, the scenario's fields that were typed, and the options of a study.

    Raises UsageError for one of a study without --study, and for one that a study does not take.
    """
    for param in ctx.command.params:
        if (
            param.name is None
            or ctx.get_parameter_source(param.name) is not click.core.ParameterSource.COMMANDLINE
        ):
            continue
        shown = param.opts[0] if isinstance(param, click.Option) else param.make_metavar(ctx)
        if not study and param.name in _MINE:
            raise UsageError(f"{shown} is of --study; give --study too, or leave it out")
        if study and param.name not in {*_MINE, *TAKEN, *_BESIDE}:
            raise UsageError(
                f"--study decides the drive and what goes wrong itself, and writes no file; leave out {shown}"
            )
    fields = {name: value for name, value in given.items() if name not in _MINE and value is not None}
    return fields, {name: given[name] for name in _MINE}


def run_study(rig_file: Path | None, fields: dict[str, Any], own: dict[str, Any], as_json: bool) -> None:
    """Do the study and print it. `fields` are the scenario's, as typed; `own` the options of a study.

    Raises UsageError for what cannot be; click's Exit with what a shell reports when Ctrl-C stopped it.
    """
    from rigmon import simulate as sim
    from rigmon import study
    from rigmon.study.cells import chosen, heard, with_nozzles
    from rigmon.study.text import cells_text, study_text

    fields = dict(fields)
    seed = fields.pop("seed", 1)
    rate = own["false_alarms"]
    if rate is not None and not config.SCHEMA["diagnosis"]["false_alarms_per_h"].low <= rate <= 10:
        raise UsageError(f"--false-alarms {rate:g} must be 0.001 to 10 an hour")
    rig = heard(config.load(rig_file)[0] if rig_file is not None else sim.demo_rig(), rate)
    # a person's own rig is studied as it is; the invented one with a longer boom beside it
    every = study.cells(rig, None if rig_file is not None else with_nozzles(rig, 18))
    if own["list_cells"]:
        click.echo(cells_text([(cell.name, cell.about) for cell in every]), nl=False)
        return
    noise = study.Noise(own["receiver"] or "mixed", own["meters"] or "mixed", fields)
    picked = chosen(every, own["cells"])
    with bar("runs") as tell:
        told = study.study(
            picked, runs=own["runs"] or DEFAULT_RUNS, seed=seed, noise=noise, jobs=own["jobs"], progress=tell
        )
    if as_json:
        print_json(told)
    else:
        click.echo(study_text(told, own["units"] or rig.units), nl=False)
    if not told["complete"]:
        click.echo("rigmon: stopped; what was done by then is above", err=True)
        click.get_current_context().exit(_INTERRUPTED)
