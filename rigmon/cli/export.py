"""rigmon export"""

from pathlib import Path

import click

from rigmon.cli.common import json_option, print_json, progress, rig_option, source_argument

#: the formats of `rigmon.analysis.export`
ABOUT = {
    "csv": "a table of the samples, the unit in each column's name",
    "geojson": "the way as lines with their dose (RFC 7946)",
    "gpkg": "GeoPackage: samples as points, the way as lines",
    "parquet": "the table of the samples, units in the schema",
    "gpx": "GPX 1.1 track; speed and dose as extensions",
}
_LIST = "\n".join(f"    {name:<8} {about}" for name, about in ABOUT.items())


@click.command("export", epilog="\b\nFormats:\n" + _LIST)
@source_argument
@rig_option
@click.option(
    "-o",
    "--output",
    "path",
    type=click.Path(path_type=Path),
    required=True,
    help="File to write; must be new.",
)
@click.option(
    "--format", "name", type=click.Choice(list(ABOUT)), help="Format; left out: by the file's ending."
)
@click.option("--units", type=click.Choice(["us", "metric"]), help="Units of tables, whatever the rig says.")
@json_option
def command(
    source: Path, rig_file: Path | None, path: Path, name: str | None, units: str | None, as_json: bool
) -> None:
    """Write the run SOURCE in a format of other tools: CSV, GeoJSON, GeoPackage, Parquet or GPX.

    Tables have the unit in each column's name: m/s, L/min, kPa, L/ha, m, m2, L, or mph, gal/min, psi, gal/ac,
    ft, ac, gal. Lines (GeoJSON, GeoPackage) and GPX are in m/s and L/ha. What is unknown is left empty.
    """
    from rigmon.analysis.export import export
    from rigmon.analysis.source import load

    with progress("reading") as tell:
        run = load(source, rig_file, tell)
    for note in run.notes:
        click.echo(f"rigmon: {source}: {note}", err=True)
    kind = export(run, path, name, units or run.rig.units)
    if as_json:
        print_json({"written": str(path), "format": kind, "samples": len(run.columns)})
    else:
        click.echo(f"{path}: {ABOUT[kind]}; {len(run.columns)} samples")
