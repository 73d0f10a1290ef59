"""rigmon simulate"""

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from rigmon import config
from rigmon.cli.common import json_option, print_json, refuse_folder
from rigmon.cli.quantity import Quantity
from rigmon.cli.study import run_study, study_options, told_apart
from rigmon.errors import UsageError

LENGTH, SPEED, TIME = Quantity("length"), Quantity("speed"), Quantity("time")
TEMPERATURE = Quantity("temperature")

#: the decoder reads 80 to 99 as a receiver whose week count has rolled over
_YEARS = range(2000, 2080)

#: option -> (Scenario field, type, help); defaults are the scenario's own
_OPTIONS: tuple[tuple[str, str, Any, str], ...] = (
    ("--seed", "seed", int, "Another seed gives another run of the same kind."),
    ("--passes", "passes", int, "Parallel passes, joined by half circles."),
    ("--pass-length", "pass_length_m", LENGTH, "Length of a pass, boom on, such as '300 ft'."),
    (
        "--turn-radius",
        "turn_radius_m",
        LENGTH,
        "Radius of the turns, such as '5 m'; left out: half the swath.",
    ),
    (
        "--spacing",
        "pass_spacing_m",
        LENGTH,
        "Between neighbouring passes, such as '22 ft'; left out: twice the turn radius.",
    ),
    (
        "--circle",
        "circle_radius_m",
        LENGTH,
        "Drive circles of this radius instead, boom on, such as '10 m'; '-10 m' to the left.",
    ),
    ("--turn-speed", "turn_speed_m_s", SPEED, "Speed in the turns, such as '2.5 mph'."),
    ("--standstill", "standstill_s", TIME, "Time at rest at the start and at the end, such as '5 s'."),
    ("--heading", "heading_deg", float, "Course of the first pass, degrees."),
    (
        "--wander",
        "wander_sd_m_s",
        SPEED,
        "Driver's wander: standard deviation of the speed, such as '0.2 mph'.",
    ),
    ("--wander-time", "wander_tau_s", TIME, "Time constant of the wander, such as '8 s'."),
    ("--gps-hz", "gps_hz", int, "Fixes a second (Hz), 1 to 20."),
    ("--talker", "talker", str, "Talker of the receiver's sentences, such as GP or GN."),
    (
        "--white-noise",
        "white_noise_m_s",
        SPEED,
        "Receiver's speed noise, independent from fix to fix, such as '0.04 m/s'.",
    ),
    (
        "--correlated-noise",
        "correlated_noise_m_s",
        SPEED,
        "Receiver's speed noise that lingers, such as '0.06 m/s'.",
    ),
    ("--correlated-time", "correlated_tau_s", TIME, "How long that noise lingers, such as '2 s'."),
    ("--latency", "latency_s", TIME, "How late the receiver's speed and position are, such as '0.4 s'."),
    (
        "--smoothing",
        "smoothing_s",
        TIME,
        "Time constant of the receiver's own smoothing of its speed, such as '1 s'.",
    ),
    ("--position-noise", "position_noise_m", LENGTH, "Receiver's position noise, such as '0.5 m'."),
    ("--sensor-hz", "sensor_hz", int, "XDR sentences a second (Hz), 1 to 50."),
    ("--flow-noise", "flow_noise_pct", float, "Flowmeter's noise, %."),
    ("--flow-correlated", "flow_correlated_pct", float, "Flowmeter's noise that lingers, %."),
    ("--flow-correlated-time", "flow_correlated_tau_s", TIME, "How long that noise lingers, such as '5 s'."),
    ("--flow-lag", "flow_tau_s", TIME, "Time constant with which the flowmeter follows, such as '0.5 s'."),
    ("--pressure-noise", "pressure_noise_pct", float, "Transducer's noise, %."),
    ("--wind", "wind_m_s", SPEED, "Mean wind, of a rig file with [weather], such as '7 mph' or '3 m/s'."),
    ("--wind-from", "wind_from_deg", float, "Where it comes from, degrees clockwise from north."),
    ("--gustiness", "gustiness_pct", float, "Standard deviation of the wind's gusts, % of its mean."),
    ("--air-temperature", "air_temperature_c", TEMPERATURE, "Air temperature, such as '64 F' or '18 C'."),
    ("--humidity", "humidity_pct", float, "Relative humidity, %."),
    ("--pressure-correlated", "pressure_correlated_pct", float, "Transducer's noise that lingers, %."),
    (
        "--pressure-correlated-time",
        "pressure_correlated_tau_s",
        TIME,
        "How long that noise lingers, such as '5 s'.",
    ),
    ("--vibration", "vibration_pct", float, "Vibration in the transducer's reading, %."),
    ("--vibration-hz", "vibration_hz", float, "Its frequency (Hz); it aliases into the sampling rate."),
    ("--pressure-lag", "pressure_tau_s", TIME, "Time constant of the boom's pressure, such as '0.3 s'."),
    ("--pressure-wander", "pressure_wander_pct", float, "How much the boom's true pressure wanders, %."),
    ("--pressure-wander-time", "pressure_wander_tau_s", TIME, "How slowly, such as '20 s'."),
    ("--pulsation", "pulsation_pct", float, "Pump's strokes in the pressure, %; half of it in the flow."),
    ("--pulsation-hz", "pulsation_hz", float, "Strokes a second (Hz)."),
    (
        "--pump-shutoff",
        "pump_shutoff_ratio",
        float,
        "Head at which the pump delivers nothing, as a multiple of its head when all is well.",
    ),
    ("--bypass", "bypass_pct", float, "Through the relief valve when all is well, % of the boom's flow."),
    (
        "--valve-rise",
        "valve_rise_pct",
        float,
        "By how much the boom's whole flow through the relief valve would raise the pressure, %.",
    ),
    ("--line-loss", "line_loss_pct", float, "Lost between pump and boom, % of the boom's pressure."),
    ("--suction-loss", "suction_kpa", Quantity("pressure"), "Lost over the clean strainer, such as '5 kPa'."),
)


def _list_events(ctx: click.Context, _param: click.Parameter, asked: bool) -> None:
    if not asked:
        return
    from rigmon import simulate as sim

    for kind, about in sim.EVENT_KINDS.items():
        size = f"; size: {about.size_means}" if about.size_means else ""
        if about.default_size is not None:
            size += f" (left out: {about.shown(about.default_size)})"
        more = [*(["ramp"] if about.ramps else []), *(["nozzles"] if about.nozzles else [])]
        takes = f"; takes {' and '.join(more)}" if more else ""
        slow = ", left out: over its duration" if about.slow else ""
        click.echo(f"{kind:<18}{about.about}{size}{takes}{slow}")
    click.echo(
        "Sizes are typed as 30%, as 2 (nozzles) or as 1.5s. After them: ramp=20s, it grows to its size in"
    )
    click.echo(
        "so long; nozzles=3+4, these, from 1 at the left end, instead of any; share=50%, plugged in part."
    )
    ctx.exit()


def _scenario_options(function: Any) -> Any:
    for option, field, kind, about in reversed(_OPTIONS):
        function = click.option(option, field, type=kind, default=None, help=about)(function)
    return function


@click.command("simulate")
@click.argument("out", metavar="OUT", required=False, type=click.Path(path_type=Path))
@click.option(
    "--truth", type=click.Path(path_type=Path), help="Where the truth goes; default: OUT with .truth.json."
)
@click.option(
    "--rig", "rig_file", type=click.Path(path_type=Path), help="Rig file; left out: an invented rig."
)
@click.option("--repeat", type=click.Path(path_type=Path), help="Repeat the run of this truth file.")
@click.option("--start", help="Start, UTC, such as 2026-06-01T23:58:00.")
@click.option(
    "--origin", help="Start of the first pass: latitude,longitude in degrees, south and west negative."
)
@click.option("--sentences", help="Receiver's sentences, such as RMC,GGA.")
@click.option("--sensors", help="XDR sensors to send: of flow,pressure,switch; 'none' for GPS alone.")
@click.option(
    "--noise",
    help="Receiver and meters as noisy as they commonly are: calm, usual or rough; single noises typed "
    "beside it stand.",
)
@click.option("--nmea41", is_flag=True, help="RMC with the navigational status field of NMEA 4.1.")
@click.option("--tag-blocks", is_flag=True, help="An NMEA 4 TAG block with the time before each sentence.")
@click.option(
    "--event",
    "events",
    multiple=True,
    metavar="KIND,START,DURATION[,SIZE][,ramp=TIME][,nozzles=N+N]",
    help="Something goes wrong, such as pressure_loss,120s,20s,30% or nozzles_plugged,120s,60s,1. May be "
    "given several times.",
)
@click.option(
    "--list-events",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_list_events,
    help="List the kinds of events and what their size means, and stop.",
)
@_scenario_options
@study_options
@click.option("--force", is_flag=True, help="Overwrite files that are there.")
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    /,
    out: Path | None,
    truth: Path | None,
    rig_file: Path | None,
    repeat: Path | None,
    start: str | None,
    origin: str | None,
    sentences: str | None,
    sensors: str | None,
    noise: str | None,
    nmea41: bool,
    tag_blocks: bool,
    events: tuple[str, ...],
    force: bool,
    as_json: bool,
    study: bool,
    **given: Any,
) -> None:
    """Write a simulated recording (NMEA 0183 with XDR) to OUT, and what really happened beside it.

    The scenario is invented. The same options give the same bytes. Lengths, speeds and times are typed
    with their unit: '300 ft', '90 m', '3.5 mph', '0.04 m/s', '2 s'.

    With --study, and without OUT: many runs of many faults, and a table of how surely (%, with 95 %
    intervals), how soon (s, ft or m) and how rightly the diagnoses find them, and of false alarms an hour.
    """
    fields, own = told_apart(ctx, study, given)
    if study:
        run_study(rig_file, fields, own, as_json)
        return
    if out is None:
        raise click.MissingParameter(ctx=ctx, param=ctx.command.params[0])
    from rigmon import simulate as sim

    truth_path = _targets(out, truth, force)
    options = fields if noise is None else {**sim.typical_noise(noise), **fields}
    if rig_file is not None:
        options["rig"] = config.load(rig_file)[0]
    if start is not None:
        options["start_utc"] = _start(start)
    if origin is not None:
        options["origin_lat_deg"], options["origin_lon_deg"] = _origin(origin)
    if sentences is not None:
        options["sentences"] = tuple(part.strip().upper() for part in sentences.split(","))
    if sensors is not None:
        options["sensors"] = () if sensors == "none" else tuple(part.strip() for part in sensors.split(","))
    if nmea41:
        options["nmea41"] = True
    if tag_blocks:
        options["tag_blocks"] = True
    if events:
        options["events"] = tuple(sim.parse_event(text) for text in events)
    if repeat is not None:
        if options:
            raise UsageError("--repeat takes every parameter from the truth file; leave the others out")
        scenario = _repeated(repeat)
    else:
        scenario = sim.Scenario(**options)
    simulation = sim.simulate(scenario)
    sim.write(simulation, out, truth_path, overwrite=force)
    if as_json:
        print_json(simulation.truth)
    else:
        click.echo(f"Wrote {out} (simulated, invented) and its truth {truth_path}")


def _targets(out: Path, truth: Path | None, force: bool) -> Path:
    """Where the truth goes; both files are looked at before the work, not after it."""
    refuse_folder(out, "run.nmea")
    truth_path = truth or out.with_suffix(".truth.json")
    if not force:
        for path in (out, truth_path):
            if path.exists():
                raise UsageError(f"{path}: is there already; choose another name, or overwrite it by --force")
    return truth_path


def _repeated(path: Path) -> Any:
    from rigmon import simulate as sim

    try:
        values = json.loads(path.read_bytes())
    except OSError as error:
        raise UsageError(f"{path}: cannot be read: {error.strerror}") from error
    except ValueError as error:
        raise UsageError(f"{path}: not a truth file: {error}") from error
    if not isinstance(values, dict) or not isinstance(values.get("scenario"), dict):
        raise UsageError(f"{path}: not a truth file: it has no 'scenario'; 'rigmon simulate' writes one")
    return sim.scenario_from_dict(values["scenario"])


def _start(text: str) -> datetime:
    try:
        moment = datetime.fromisoformat(text)
        moment = moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)
    except (ValueError, OverflowError):
        raise UsageError(f"--start '{text}' must be a date and time, such as 2026-06-01T09:00:00") from None
    if moment.year not in _YEARS:
        raise UsageError(
            f"--start '{text}' must be in {_YEARS[0]} to {_YEARS[-1]}: NMEA 0183 sends two digits of the year"
        )
    return moment


def _origin(text: str) -> tuple[float, float]:
    try:
        lat, lon = (float(part) for part in text.split(","))
    except ValueError:
        raise UsageError(
            f"--origin '{text}' must be latitude,longitude in degrees, such as -36.5,-12.25"
        ) from None
    return lat, lon
