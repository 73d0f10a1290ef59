"""rigmon season"""

from pathlib import Path

import click

from rigmon.cli.common import bar, json_option, print_json, refuse_folder
from rigmon.errors import UsageError


@click.command("season")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option(
    "-o", "--output", "page", type=click.Path(path_type=Path), help="Write one HTML page there, FILE.html."
)
@json_option
@click.option(
    "--jobs",
    type=click.IntRange(1, 1024),
    metavar="N",
    help="Number of processes to work in; left out: as many as there are processors.",
)
@click.option(
    "--scheduler",
    metavar="ADDRESS",
    help="Work on this dask.distributed cluster, such as tcp://127.0.0.1:8786; its workers must see DIR.",
)
@click.option(
    "--cache",
    type=click.Path(path_type=Path),
    help="File to keep summaries in; left out: season_cache.jsonl in DIR.",
)
@click.option("--no-cache", is_flag=True, help="Neither use nor keep summaries.")
@click.option("--units", type=click.Choice(["us", "metric"]), help="Show these units, whatever the rig says.")
def command(
    folder: Path,
    page: Path | None,
    as_json: bool,
    jobs: int | None,
    scheduler: str | None,
    cache: Path | None,
    no_cache: bool,
    units: str | None,
) -> None:
    """Score all run logs in DIR and the folders in it, and tell what changed along the season.

    Trends of rate error, share in tolerance, driver's hold, the nozzles' coefficient and the calibrations;
    one is told only where it is distinguishable from zero. Each log's summary is kept by the log's content,
    so that next time only new logs are read. A log that cannot be read is named, and the rest goes on.
    Shown in ac, gal, gal/ac, gal/min, psi or ha, L, L/ha, L/min, kPa; JSON has m, m2, s, L, L/ha, L/min, kPa,
    m/s, % and days, as its names say.
    """
    if jobs is not None and scheduler is not None:
        raise UsageError("--jobs and --scheduler: give one; a cluster has its own workers")
    if cache is not None and no_cache:
        raise UsageError("--cache and --no-cache: give one of them")
    if page is not None:
        _check_page(page)
    from rigmon.analysis.season.gather import season
    from rigmon.analysis.season.text import season_text

    with bar("logs") as tell:
        found = season(folder, jobs=jobs, scheduler=scheduler, keep=not no_cache, cache=cache, progress=tell)
    if page is not None:
        from rigmon.analysis.season.page import write_page

        write_page(found, units, page)
    if as_json:
        print_json({**found, "html": None if page is None else str(page)})
        return
    click.echo(season_text(found, units), nl=False)
    if page is not None:
        click.echo(f"Wrote {page}")


def _check_page(path: Path) -> None:
    """Before an hour's work, and so that no run log is ever written over."""
    refuse_folder(path, "season.html")
    if path.suffix.lower() not in (".html", ".htm"):
        raise UsageError(f"--output = {str(path)!r}: a page's name ends in .html, such as season.html")
    if not path.absolute().parent.is_dir():
        raise UsageError(f"{path}: there is no folder {path.parent}; make it first")
    from rigmon.analysis.season.page import refuse_other

    refuse_other(path)
