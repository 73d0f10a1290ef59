"""rigmon mix"""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rigmon.cli.calibrate.common import (
    Setup,
    finding_lines,
    rig_file_option,
    setup_if_any,
    system_of,
    units_option,
)
from rigmon.cli.common import json_option, print_json
from rigmon.cli.dialogue import Dialogue, width, wrapped
from rigmon.cli.products import product_from, products_from
from rigmon.cli.typed import option
from rigmon.errors import UsageError

if TYPE_CHECKING:
    from rigmon.calibration.tank import Product, SpotMix, TankPlan

#: what ends the list of products, and what says that the area is not known
_NONE = ("done", "none", "s", "skip", "-")


@click.command("mix")
@rig_file_option
@click.option("--tank", metavar="QUANTITY", help="What the tank is filled to, such as '25 gal' or '100 L'.")
@click.option("--rate", metavar="QUANTITY", help="Spray rate, such as '20 gal/ac' or '150 L/ha'.")
@click.option("--area", metavar="QUANTITY", help="Area of the job, such as '7.5 ac' or '3 ha'.")
@click.option(
    "--product", "products", multiple=True, metavar="TEXT",
    help="'NAME = DOSE' or 'NAME = DOSE max DOSE', such as 'Product A = 32 fl oz/ac'; give it several times.",
)  # fmt: skip
@click.option("--products", "file", type=click.Path(path_type=Path), help="TOML or CSV file of products.")
@click.option("--spot", metavar="QUANTITY", help="Spot treatment: so much percent solution, such as '3 gal'.")
@click.option("--cup", metavar="QUANTITY", help="Marks of your measuring cup, such as '1 fl oz' or '10 mL'.")
@click.option("--scale", metavar="QUANTITY", help="Marks of your scale, such as '0.1 oz wt' or '1 g'.")
@units_option
@json_option
def command(
    rig_file: Path | None,
    tank: str | None,
    rate: str | None,
    area: str | None,
    products: tuple[str, ...],
    file: Path | None,
    spot: str | None,
    cup: str | None,
    scale: str | None,
    units_shown: str | None,
    as_json: bool,
) -> None:
    """What goes into a tank: ground per tank, loads, the last partial load, and each product.

    Tank and rate come from the rig file unless given; what is missing is asked. Doses in the label's own
    units: 'fl oz/ac', 'pt/ac', 'qt/ac', 'gal/ac', 'lb/ac', 'oz wt/ac', 'L/ha', 'mL/ha', 'kg/ha', 'g/ha',
    '%' (volume in volume). Amounts are rounded down, so that they never exceed the label. JSON has L, kg,
    L/ha, kg/ha, m2, %.
    """
    if spot is not None:
        for words, given in (("--tank", tank), ("--rate", rate), ("--area", area)):
            if given is not None:
                raise UsageError(
                    f"--spot mixes a percent solution, and {words} belongs to a boom; leave one out"
                )
    where = setup_if_any(rig_file, units_shown)
    system = where.system if where is not None else system_of(units_shown or "us")
    dialogue = Dialogue(system, "mix")
    asked = _Asked(tank, rate, area, products, file, spot, cup, scale)
    result = dialogue.run(lambda d: d.check(lambda: asked.mix(d, where)))
    if as_json:
        print_json(result.to_json())
        return
    for line in _lines(result):
        click.echo(line)
    for line in finding_lines(result.findings):
        click.echo(line)
    click.echo()
    for caution in result.cautions if result.products else ():
        click.echo(wrapped(caution, "  "))


def _lines(result: "TankPlan | SpotMix") -> list[str]:
    from rigmon.calibration.plan_text import load_lines, tank_lines
    from rigmon.calibration.tank import TankPlan

    if isinstance(result, TankPlan):
        return tank_lines(result, width())
    return load_lines(result.load, "Spot mix", result.system, width())


def _one_more(text: str, found: "list[Product]") -> "Product":
    """A product beside those that were typed before it."""
    from rigmon.calibration.tank import check_names

    product = product_from(text, "product")
    check_names([*found, product])
    return product


class _Asked:
    """The command line, and what makes a mix of it."""

    def __init__(
        self,
        tank: str | None,
        rate: str | None,
        area: str | None,
        products: Sequence[str],
        file: Path | None,
        spot: str | None,
        cup: str | None,
        scale: str | None,
    ) -> None:
        self.tank, self.rate, self.area, self.spot = tank, rate, area, spot
        self.products, self.file, self.cup, self.scale = products, file, cup, scale

    def mix(self, d: Dialogue, where: Setup | None) -> "TankPlan | SpotMix":
        from rigmon.calibration.tank import spot_mix, tank_plan

        us = d.typed.system == "us"
        cup_l = None if self.cup is None else option(d.typed, "--cup", self.cup, "volume")
        scale_kg = None if self.scale is None else option(d.typed, "--scale", self.scale, "mass")
        if self.spot is not None:
            mix_l = option(d.typed, "--spot", self.spot, "volume")
            products = self._products(d, "2 %")
            return spot_mix(mix_l=mix_l, products=products, volume_mark_l=cup_l, system=d.typed.system)
        tank_l = None if where is None or self.tank is not None else where.rig.tank_l
        if tank_l is None:
            tank_l = d.quantity(
                "tank", "Tank, filled to", "volume", example="25 gal" if us else "100 L", given=self.tank,
                option="--tank",
            )  # fmt: skip
        rate_l_ha = None if where is None or self.rate is not None else where.rig.target.rate_l_ha
        if rate_l_ha is None:
            rate_l_ha = d.quantity(
                "rate", "Spray rate", "rate", example="20 gal/ac" if us else "150 L/ha", given=self.rate,
                option="--rate",
            )  # fmt: skip
        area_m2 = self._area(d, us)
        return tank_plan(
            tank_l=tank_l,
            rate_l_ha=rate_l_ha,
            area_m2=area_m2,
            products=self._products(d, "32 fl oz/ac" if us else "2 L/ha"),
            volume_mark_l=cup_l,
            mass_mark_kg=scale_kg,
            system=d.typed.system,
        )

    def _area(self, d: Dialogue, us: bool) -> float | None:
        """Asked only of somebody who answers questions anyway: a tank can be planned without."""
        if self.area is None and (self.products or self.file is not None):
            return None
        return d.ask(
            "area",
            f"Area, e.g. {'7.5 ac' if us else '3 ha'} (Enter: unknown)",
            lambda text: None if text.lower() in _NONE else d.typed.read(text, "area", zero=False),
            given=self.area,
            option="--area",
            default="none",
        )

    def _products(self, d: Dialogue, dose: str) -> "list[Product]":
        if self.products or self.file is not None:
            return products_from(self.products, self.file)
        found: list[Product] = []
        while len(found) < 20:
            product = d.ask(
                f"product {len(found) + 1}",
                "Next product (Enter: done)" if found else f"Product, e.g. A = {dose}",
                lambda text: None if text.lower() in _NONE else _one_more(text, found),
                option="--product",
                about="Name = dose, and 'max' with the most that the label allows. Enter: no more.",
                default="done",
            )
            if product is None:
                break
            found.append(product)
        return found
