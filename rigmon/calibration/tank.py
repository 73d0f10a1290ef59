"""The tank: ground per tank, loads, and how much of each product goes into a full and into the last load.

area per tank = tank / rate; product per load = dose x load / rate (an Australian chemical-accreditation
course prints "tank volume / rate x dose"; many extension sheets the same), or concentration x load. Worked in
exact fractions, so that the loads add up to the job; what is measured is rounded down, never up.

A dose is per treated area or a concentration by volume. Dry products are taken to need no room in the tank.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Final

from rigmon import units
from rigmon.calibration.cup import Kind, measure, whole, written
from rigmon.calibration.result import Finding, System, amount, check
from rigmon.errors import UsageError
from rigmon.units import HECTARE_M2, Dose

CAUTIONS: Final = (
    "The label is the law: it decides the dose, what may be mixed, and in what order it goes into the tank.",
    "Wear the PPE that the label asks for when you measure and mix, and put water in first.",
)

#: rounding down more than this is said: it underdoses by as much [%]
_WORTH_SAYING_PCT: Final = 2.0
_MOST_LOADS: Final = 1000
_MOST_PRODUCTS: Final = 20
#: amounts that differ by less than this part are the same, typed and converted
_SAME: Final = Fraction(1, 10**9)


@dataclass(frozen=True, slots=True)
class Product:
    """A product and its dose as the label states it. Raises UsageError for what cannot be one.

    `unit` is the label's unit, a name of `rigmon.units` for the dose's kind, used to show it. `max_dose` is
    the most that the label (or the user) allows in one application; it may be of another kind by volume:
    a concentration may be bounded per area.
    """

    name: str
    dose: Dose
    unit: str
    max_dose: Dose | None = None

    def __post_init__(self) -> None:
        if not self.name.strip():
            raise UsageError("a product has no name; name it, such as 'Product A'")
        units.unit_name(self.unit, self.dose.kind)
        for dose, words in ((self.dose, "dose"), (self.max_dose, "stated maximum")):
            if dose is not None:
                carried = {"dose by volume": "L/ha", "dose by mass": "kg/ha"}.get(dose.kind, "% v/v")
                check(dose.value, f"{self.name}: {words}", carried, high=1e6)
                if dose.kind == "concentration" and dose.value > 100:
                    raise UsageError(
                        f"{self.name}: {words} = {dose.value:g} % v/v must be at most 100 %: "
                        "no more than all of the spray can be the product"
                    )
        if self.max_dose is not None and (
            (self.max_dose.kind == "dose by mass") != (self.dose.kind == "dose by mass")
        ):
            raise UsageError(
                f"{self.name}: the dose is a {self.dose.kind}, its stated maximum a {self.max_dose.kind}; "
                "give both by volume or both by mass"
            )
        if (
            self.max_dose is not None
            and self.max_dose.kind == self.dose.kind
            and self.dose.value > self.max_dose.value * (1 + _SAME)
        ):
            limit = self._text(self.max_dose)
            raise UsageError(
                f"{self.name}: {self.dose_text} is more than its stated maximum, {limit}; "
                "the label is the law: lower the dose"
            )

    @property
    def kind(self) -> Kind:
        """How it is measured out."""
        return "mass" if self.dose.kind == "dose by mass" else "volume"

    @property
    def dose_text(self) -> str:
        """The dose in the label's unit."""
        return self._text(self.dose)

    def _text(self, dose: Dose) -> str:
        return f"{units.convert(dose.value, dose.kind, self.unit):.6g} {self.unit}"


def read_product(name: str, dose: str, max_dose: str | None = None) -> Product:
    """A product from what a person types: read_product('Product A', '32 fl oz/ac', '64 fl oz/ac').

    Raises UnitError for a dose that cannot be read, UsageError as for Product.
    """
    read = units.parse_dose(dose)
    typed = dose.strip().lstrip("+-.0123456789eE").strip()
    maximum = None if max_dose is None else units.parse_dose(max_dose)
    return Product(name, read, units.unit_name(typed, read.kind), maximum)


def dose_of_product(
    active_kg_ha: float, *, active_kg_l: float | None = None, active_pct: float | None = None
) -> Dose:
    """The dose of a product that brings a dose of its active ingredient.

    `active_kg_l` is what a litre of a liquid product holds, `active_pct` the share by weight of a dry one;
    one of the two is given. Raises UsageError for both, neither, or numbers that cannot be.
    """
    check(active_kg_ha, "dose of the active ingredient", "kg/ha", high=1e4)
    if active_kg_l is not None and active_pct is None:
        check(active_kg_l, "active ingredient in the product", "kg/L", high=5)
        return Dose("dose by volume", active_kg_ha / active_kg_l)
    if active_pct is not None and active_kg_l is None:
        check(active_pct, "active ingredient in the product", "% by weight", high=100)
        return Dose("dose by mass", active_kg_ha * 100 / active_pct)
    raise UsageError("give what the product holds of the active ingredient once: in kg/L or in % by weight")


@dataclass(frozen=True, slots=True)
class Amount:
    """How much of a product goes into a load. Carried units: L for 'volume', kg for 'mass'."""

    product: str
    kind: Kind
    exact: Fraction  #: what the dose asks for
    measured_exact: Fraction  #: what the cup or scale shows, rounded down
    text: str  #: the latter as it is measured: '2 gal 45 fl oz', '950 mL'; 'under 0.5 mL' for nothing

    @property
    def needed(self) -> float:
        return float(self.exact)

    @property
    def measured(self) -> float:
        return float(self.measured_exact)

    @property
    def shortfall_pct(self) -> float:
        """What rounding down leaves out, % of what the dose asks for."""
        return max(0.0, float(100 * (1 - self.measured_exact / self.exact)))

    @property
    def under_text(self) -> str:
        """'0.7 % under'; '' where it is not worth a word, and where nothing can be measured at all."""
        worth = self.measured_exact and self.shortfall_pct >= 0.05
        return f"{self.shortfall_pct:.1f} % under" if worth else ""

    def to_json(self) -> dict[str, Any]:
        unit = "l" if self.kind == "volume" else "kg"
        return {
            "product": self.product,
            f"needed_{unit}": self.needed,
            f"measured_{unit}": self.measured,
            "measured_text": self.text,
            "shortfall_pct": self.shortfall_pct,
        }


@dataclass(frozen=True, slots=True)
class Load:
    """What goes into the tank once."""

    exact_l: Fraction
    amounts: tuple[Amount, ...]
    area_m2: float | None  #: that it treats; None for spot treatment

    @property
    def volume_l(self) -> float:
        return float(self.exact_l)

    @property
    def water_l(self) -> float:
        """Tank volume less the liquid products, as measured."""
        liquid = sum((item.measured_exact for item in self.amounts if item.kind == "volume"), Fraction())
        return float(max(Fraction(), self.exact_l - liquid))

    def to_json(self) -> dict[str, Any]:
        return {
            "volume_l": self.volume_l,
            "area_m2": self.area_m2,
            "water_l": self.water_l,
            "products": [item.to_json() for item in self.amounts],
        }


@dataclass(frozen=True, slots=True)
class Total:
    """All of a product that the job takes. Carried units: L for 'volume', kg for 'mass'."""

    product: str
    kind: Kind
    exact: Fraction
    measured_exact: Fraction  #: all loads as measured

    @property
    def needed(self) -> float:
        return float(self.exact)

    def to_json(self) -> dict[str, Any]:
        unit = "l" if self.kind == "volume" else "kg"
        return {
            "product": self.product,
            f"needed_{unit}": self.needed,
            f"measured_{unit}": float(self.measured_exact),
        }


@dataclass(frozen=True, slots=True)
class TankPlan:
    """Loads and mixes. Carried units; None where the job's area is not known."""

    tank_l: float
    rate_l_ha: float
    area_m2: float | None
    products: tuple[Product, ...]
    area_per_tank_m2: float
    spray_l: float | None  #: of the whole job
    full_loads: int | None
    loads: int | None  #: the last partial one among them
    full: Load  #: a full tank, whether the job fills one or not
    last: Load | None  #: the partial one, where there is one
    totals: tuple[Total, ...] | None
    findings: tuple[Finding, ...]
    system: System

    @property
    def last_load_l(self) -> float | None:
        return None if self.last is None else self.last.volume_l

    @property
    def cautions(self) -> tuple[str, ...]:
        return CAUTIONS

    def to_json(self) -> dict[str, Any]:
        return {
            "inputs": {
                "tank_l": self.tank_l,
                "rate_l_ha": self.rate_l_ha,
                "area_m2": self.area_m2,
                "products": [_product_json(product) for product in self.products],
            },
            "result": {
                "area_per_tank_m2": self.area_per_tank_m2,
                "spray_l": self.spray_l,
                "loads": self.loads,
                "full_loads": self.full_loads,
                "last_load_l": self.last_load_l,
                "full_load": self.full.to_json(),
                "last_load": None if self.last is None else self.last.to_json(),
                "totals": None if self.totals is None else [total.to_json() for total in self.totals],
            },
            "uncertainty": {},
            "findings": [finding.to_json() for finding in self.findings],
            "cautions": list(self.cautions),
        }


@dataclass(frozen=True, slots=True)
class SpotMix:
    """A percent solution for spot treatment."""

    load: Load
    products: tuple[Product, ...]
    findings: tuple[Finding, ...]
    system: System

    @property
    def cautions(self) -> tuple[str, ...]:
        return CAUTIONS

    def to_json(self) -> dict[str, Any]:
        return {
            "inputs": {
                "mix_l": self.load.volume_l,
                "products": [_product_json(product) for product in self.products],
            },
            "result": self.load.to_json(),
            "uncertainty": {},
            "findings": [finding.to_json() for finding in self.findings],
            "cautions": list(self.cautions),
        }


def tank_plan(
    *,
    tank_l: float,
    rate_l_ha: float,
    area_m2: float | None = None,
    products: Sequence[Product] = (),
    volume_mark_l: float | None = None,
    mass_mark_kg: float | None = None,
    system: System = "us",
) -> TankPlan:
    """Loads for a job of `area_m2` (None: not known) at a spray rate, and the mix of each.

    `tank_l` is what the tank is filled to. `volume_mark_l` and `mass_mark_kg` are the steps of the cup and
    the scale at hand; None: those that fit the amount. Raises UsageError for numbers that cannot be, a dose
    above its stated maximum, and products that do not fit into the tank.
    """
    check(tank_l, "tank", "L", high=100_000)
    check(rate_l_ha, "spray rate", "L/ha", high=100_000)
    if area_m2 is not None:
        check(area_m2, "area of the job", "m2", high=1e9)
    marks = _marks(volume_mark_l, mass_mark_kg)
    check_names(products)
    tank, rate = Fraction(tank_l), Fraction(rate_l_ha)
    for product in products:
        _check_maximum(product, rate, system)
    _check_room(products, rate, tank, system)

    spray, full_loads, rest = None, None, Fraction()
    full_l = tank
    if area_m2 is not None:
        spray = rate * Fraction(area_m2) / HECTARE_M2
        full_loads = whole(spray / tank)
        if full_loads > _MOST_LOADS:
            raise UsageError(
                f"the job of {amount(area_m2, 'area', system)} takes {full_loads} tanks of "
                f"{volume_text(tank_l, system)}; it must take at most {_MOST_LOADS}: check the numbers and "
                "their units"
            )
        rest = spray - full_loads * tank
        if full_loads and abs(rest) <= _SAME * spray:  # typed as a whole number of tanks
            full_l, rest = spray / full_loads, Fraction()

    full = _load(full_l, products, rate, marks, system)
    last = _load(rest, products, rate, marks, system) if rest else None
    totals = None
    if spray is not None and full_loads is not None:
        totals = _totals(products, spray, rate, full_loads, full, last)
    findings = [] if full_loads == 0 else _rounded(full, "a full tank", marks, system)
    if last is not None:
        findings += _rounded(last, "the last load" if full_loads else "the load", marks, system)
    return TankPlan(
        tank_l=tank_l,
        rate_l_ha=rate_l_ha,
        area_m2=area_m2,
        products=tuple(products),
        area_per_tank_m2=float(tank / rate * HECTARE_M2),
        spray_l=None if spray is None else float(spray),
        full_loads=full_loads,
        loads=None if full_loads is None else full_loads + (last is not None),
        full=full,
        last=last,
        totals=totals,
        findings=tuple(findings),
        system=system,
    )


def spot_mix(
    *,
    mix_l: float,
    products: Sequence[Product],
    volume_mark_l: float | None = None,
    system: System = "us",
) -> SpotMix:
    """A percent solution of `mix_l` for spot treatment; every product's dose is a concentration by volume.

    Raises UsageError for a dose or a maximum per area, which a spot's unknown area cannot be held to, and as
    `tank_plan` does.
    """
    check(mix_l, "spot mix", "L", high=100_000)
    marks = _marks(volume_mark_l, None)
    if not products:
        raise UsageError("no product is given for the spot mix; give one with its concentration, such as 2 %")
    check_names(products)
    for product in products:
        for dose in (product.dose, product.max_dose):
            if dose is not None and dose.kind != "concentration":
                raise UsageError(
                    f"{product.name}: a spot mix goes by concentration, and a dose per area is given; give "
                    "what the label says for spot treatment, such as 2 %, or plan a tank at a calibrated rate"
                )
        _check_maximum(product, Fraction(1), system)
    mix = Fraction(mix_l)
    _check_room(products, Fraction(1), mix, system)
    load = _load(mix, products, None, marks, system)
    return SpotMix(load, tuple(products), tuple(_rounded(load, "the mix", marks, system)), system)


# -- what cannot be mixed ------------------------------------------------------------------------------------


def check_names(products: Sequence[Product]) -> None:
    """Raise UsageError for too many products, and for one that is given twice."""
    if len(products) > _MOST_PRODUCTS:
        raise UsageError(f"{len(products)} products are given; at most {_MOST_PRODUCTS} can be planned")
    seen: set[str] = set()
    for product in products:
        key = product.name.strip().casefold()
        if key in seen:
            raise UsageError(f"{product.name}: given twice; give each product once, with its whole dose")
        seen.add(key)


def _check_maximum(product: Product, rate: Fraction, system: System) -> None:
    """The dose against a maximum of another kind: one per area, the other a concentration at this rate."""
    if product.max_dose is None or product.max_dose.kind == product.dose.kind:
        return
    dose, most = (_per_area(item, rate) for item in (product.dose, product.max_dose))
    if dose > most * (1 + _SAME):
        limit = amount(product.max_dose.value, product.max_dose.kind, system, 4)
        raise UsageError(
            f"{product.name}: {product.dose_text} is more than its stated maximum, {limit}, allows at this "
            "spray rate; the label is the law: lower the dose"
        )


def _check_room(products: Sequence[Product], rate: Fraction, tank: Fraction, system: System) -> None:
    """The liquids of a full tank must fit into it."""
    liquids = [(product, _in_load(product, tank, rate)) for product in products if product.kind == "volume"]
    holds = volume_text(float(tank), system)
    for product, volume in liquids:
        if volume > tank * (1 + _SAME):
            wanted = volume_text(float(volume), system)
            raise UsageError(
                f"{product.name}: {product.dose_text} asks for {wanted} in a load of {holds}, "
                "more than it holds; check the dose and the spray rate"
            )
    together = sum((volume for _, volume in liquids), Fraction())
    if together > tank * (1 + _SAME):
        names = ", ".join(product.name for product, _ in liquids)
        wanted = volume_text(float(together), system)
        raise UsageError(
            f"{names} together take {wanted} of a load of {holds}, more than it holds; "
            "check the doses and the spray rate"
        )


# -- amounts -------------------------------------------------------------------------------------------------


def _per_area(dose: Dose, rate: Fraction) -> Fraction:
    """A dose [L/ha or kg/ha]; a concentration at a spray rate."""
    value = Fraction(dose.value)
    return value * rate / 100 if dose.kind == "concentration" else value


def _in_load(product: Product, load: Fraction, rate: Fraction) -> Fraction:
    return _per_area(product.dose, rate) * load / rate


def _load(
    volume: Fraction,
    products: Sequence[Product],
    rate: Fraction | None,
    marks: dict[Kind, Fraction | None],
    system: System,
) -> Load:
    amounts = []
    for product in products:
        exact = _in_load(product, volume, rate or Fraction(1))
        measured = measure(exact, product.kind, system, marks[product.kind])
        amounts.append(Amount(product.name, product.kind, exact, measured.amount, measured.text))
    return Load(volume, tuple(amounts), None if rate is None else float(volume / rate * HECTARE_M2))


def _totals(
    products: Sequence[Product],
    spray: Fraction,
    rate: Fraction,
    full_loads: int,
    full: Load,
    last: Load | None,
) -> tuple[Total, ...]:
    totals = []
    for n, product in enumerate(products):
        measured = full_loads * full.amounts[n].measured_exact
        if last is not None:
            measured += last.amounts[n].measured_exact
        totals.append(Total(product.name, product.kind, _in_load(product, spray, rate), measured))
    return tuple(totals)


def _marks(volume_mark_l: float | None, mass_mark_kg: float | None) -> dict[Kind, Fraction | None]:
    if volume_mark_l is not None:
        check(volume_mark_l, "marks of the measuring cup", "L", high=100)
    if mass_mark_kg is not None:
        check(mass_mark_kg, "marks of the scale", "kg", high=100)
    return {
        "volume": None if volume_mark_l is None else Fraction(volume_mark_l),
        "mass": None if mass_mark_kg is None else Fraction(mass_mark_kg),
    }


def _rounded(load: Load, where: str, marks: dict[Kind, Fraction | None], system: System) -> list[Finding]:
    """What is lost by rounding down, where it is worth saying."""
    findings = []
    for item in load.amounts:
        if item.shortfall_pct <= _WORTH_SAYING_PCT:
            continue
        mark = measure(item.exact, item.kind, system, marks[item.kind]).mark
        finer = measure(item.exact, item.kind, system, mark / 10)
        tool = "cup or syringe" if item.kind == "volume" else "scale"
        step, finer_step = (written(value, item.kind, system) for value in (mark, mark / 10))
        if not item.measured_exact:
            findings.append(
                Finding(
                    "too_small_to_measure",
                    "do",
                    f"{item.product}: what {where} needs is less than the {tool}'s mark of {step}. Use a "
                    f"{tool} with marks of {finer_step} or less, or mix a larger load.",
                )
            )
        else:
            findings.append(
                Finding(
                    "rounded_down",
                    "mind",
                    f"{item.product}: {item.text} in {where} is {item.shortfall_pct:.1f} % less than the "
                    f"dose asks for, because the {tool} has marks of {step}; with marks of {finer_step} it "
                    f"is {finer.text}.",
                )
            )
    return findings


# -- words ---------------------------------------------------------------------------------------------------


def volume_text(volume_l: float, system: System) -> str:
    """In gal or L, or in fl oz or mL below one of them; rounded to nearest."""
    return amount_text(volume_l, "volume", system)


def amount_text(value: float, kind: Kind, system: System) -> str:
    """In gal or L, lb or kg, or in the small unit below one of them; rounded to nearest."""
    shown = units.convert(value, kind, units.shown_unit(kind, system))
    return amount(value, kind, system, 4 if shown >= 100 else 3, small=shown < 1)


def _product_json(product: Product) -> dict[str, Any]:
    most = product.max_dose
    return {
        "name": product.name,
        **_dose_json("dose", product.dose),
        "unit": product.unit,
        **({} if most is None else _dose_json("max", most)),
    }


def _dose_json(what: str, dose: Dose) -> dict[str, float]:
    key = {"dose by volume": "l_ha", "dose by mass": "kg_ha"}.get(dose.kind, "pct")
    return {f"{what}_{key}": dose.value}
