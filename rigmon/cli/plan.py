"""rigmon plan"""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from rigmon.cli.calibrate.common import Setup, day, rig_file_option, setup, units_option
from rigmon.cli.common import json_option, print_json, refuse_folder
from rigmon.cli.dialogue import width
from rigmon.cli.products import products_from
from rigmon.cli.typed import Typed, option
from rigmon.errors import UsageError

if TYPE_CHECKING:
    from rigmon.calibration.plan import JobPlan


@click.command("plan")
@rig_file_option
@click.option("--job", default="", metavar="TEXT", help="What you call the job.")
@click.option("--area", metavar="QUANTITY", help="Area of the job, such as '7.5 ac' or '3 ha'.")
@click.option("--rate", metavar="QUANTITY", help="Rate, such as '20 gal/ac'.  [default: the rig's target]")
@click.option(
    "--tank", metavar="QUANTITY", help="What the tank is filled to, such as '25 gal'.  [default: the rig's]"
)
@click.option(
    "--product", "products", multiple=True, metavar="TEXT",
    help="'NAME = DOSE' or 'NAME = DOSE max DOSE', such as 'Product A = 32 fl oz/ac'; give it several times.",
)  # fmt: skip
@click.option("--products", "file", type=click.Path(path_type=Path), help="TOML or CSV file of products.")
@click.option(
    "--field-efficiency", "efficiency_pct", type=float, default=None,
    help="Share of the field time with the boom on, %.  [default: 65, common practice]",
)  # fmt: skip
@click.option(
    "-o", "--output", type=click.Path(path_type=Path), metavar="FILE", help="Write a printable HTML page."
)
@click.option("--book", type=click.Path(path_type=Path), help="Calibration book.  [default: the rig file's]")
@click.option(
    "--date", "made_on", metavar="YYYY-MM-DD", help="Day of the job.  [default: today, by this clock]"
)
@click.option("--strict", is_flag=True, help="Exit code 1 when something is to be done before the job.")
@units_option
@json_option
def command(
    rig_file: Path | None,
    job: str,
    area: str | None,
    rate: str | None,
    tank: str | None,
    products: tuple[str, ...],
    file: Path | None,
    efficiency_pct: float | None,
    output: Path | None,
    book: Path | None,
    made_on: str | None,
    strict: bool,
    units_shown: str | None,
    as_json: bool,
) -> int:
    """One page for the job: target, speed to hold and its band, mix, loads, time, nozzles, calibration ages.

    As text, or with -o as one self-contained HTML page that prints on one sheet (A4 or Letter). Shown in
    mph, gal/ac, gal/min, psi, ac, gal or km/h, L/ha, L/min, kPa, ha, L; JSON has m/s, L/ha, L/min, kPa, m2,
    L, kg, s, %, days.
    """
    if not job.isprintable() or len(job) > 80:
        raise UsageError("--job must be one line of at most 80 letters")
    if output is not None:
        refuse_folder(output, "plan.html")
    where = setup(rig_file, units_shown, book)
    plan = _plan(where, job, area, rate, tank, products, file, efficiency_pct, made_on)
    if output is not None:
        from rigmon.calibration.plan_html import plan_html

        _write(output, plan_html(plan))
    if as_json:
        print_json({**plan.to_json(), "html": None if output is None else str(output)})
    elif output is not None:
        click.echo(f"Wrote {output}")
    else:
        from rigmon.calibration.plan_text import plan_text

        click.echo(plan_text(plan, width()), nl=False)
    return 1 if strict and not plan.ready else 0


def _plan(
    where: Setup,
    job: str,
    area: str | None,
    rate: str | None,
    tank: str | None,
    products: tuple[str, ...],
    file: Path | None,
    efficiency_pct: float | None,
    made_on: str | None,
) -> "JobPlan":
    from rigmon.calibration.book import Book
    from rigmon.calibration.plan import FIELD_EFFICIENCY_PCT, job_plan
    from rigmon.calibration.tank import tank_plan

    typed = Typed(where.system)
    area_m2 = None if area is None else option(typed, "--area", area, "area")
    rate_l_ha = None if rate is None else option(typed, "--rate", rate, "rate")
    tank_l = where.rig.tank_l if tank is None else option(typed, "--tank", tank, "volume")
    found = products_from(products, file)
    if tank_l is None and found:
        raise UsageError(
            "products are given, but no tank: give --tank, such as '25 gal', or tank.volume in "
            f"{where.rig_file}"
        )
    mixed = None
    if tank_l is not None:
        mixed = tank_plan(
            tank_l=tank_l,
            rate_l_ha=where.rig.target.rate_l_ha if rate_l_ha is None else rate_l_ha,
            area_m2=area_m2,
            products=found,
            system=where.system,
        )
    with Book(where.book) as opened:
        records = opened.history(rig=where.rig.name)
    return job_plan(
        where.rig,
        records,
        today=day(made_on),
        tank=mixed,
        area_m2=area_m2,
        efficiency_pct=FIELD_EFFICIENCY_PCT if efficiency_pct is None else efficiency_pct,
        rate_l_ha=rate_l_ha,
        job=job,
        system=where.system,
    )


def _write(path: Path, text: str) -> None:
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise UsageError(f"{path}: cannot be written: {error.strerror}") from error
