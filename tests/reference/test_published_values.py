"""What others have printed, each value worked out by the calibration's own functions; and how many there are.

A row is a printed value: its source, what it is, the value as it is printed, and how it is worked out here.
Agreement is to half of the last digit that is printed, nothing more, unless the row says why. The sources
were read in public copies. Figures that cannot be right by their own source's rule are not here: see
`test_printed_figures.py`.
"""

from collections import Counter
from collections.abc import Callable, Iterator
from typing import NamedTuple

import pytest

from rigmon import units
from rigmon.calibration import crosscheck, nozzles
from rigmon.calibration.catch import Catch, catch_test
from rigmon.calibration.course import Pass, measured_course
from rigmon.calibration.pace import hand_boom_pace
from rigmon.calibration.tank import read_product, spot_mix, tank_plan
from rigmon.calibration.target import density_factor, solve_target

ALBANY = "Albany County Weed & Pest (Wyoming), calibration sheet"
ALBERTA = "Alberta Agdex 606-1, p. 11"
ARIZONA = "University of Arizona, June 2012"
CANADA = "Canadian provincial factsheet"
CLEMSON = "Clemson University Coastal REC, vegetable weed lab page"
FLORIDA_BAND = "University of Florida digital collection, UF00067548, p. 6"
FLORIDA_EXAM = "State of Florida pesticide exam study book, p. 213, method II"
GEORGIA = "University of Georgia Special Bulletin 16 (2002)"
GEORGIA_DENSITY = "University of Georgia, density table"
HGCA = "HGCA nozzle card"
IOWA = "Iowa State University, integrated crop news, article 844"
IRRI = "IRRI rice knowledge pages"
KANSAS = "Kansas State University, Application Technology Series, hand sprayer worksheet"
LSU = "LSU AgCenter, Ounces equal gallons"
MESA = "Mesa County (Colorado) Pest, calibration sheet"
MONTANA = "Montana State University Extension, slides"
MONTROSE = "Montrose County (Colorado), calibration instructions"
NC_STATE = "NC State Extension, Christmas-tree worksheet"
NEBRASKA = "University of Nebraska-Lincoln CropWatch, 2016"
OHIO = "Ohio State University Extension, Bulletin 817"
OKLAHOMA = "Oklahoma State University, density table"
OKLAHOMA_CITY = "Oklahoma State University-Oklahoma City, 2013"
UTAH = "Utah State University Extension, Horticulture/Vegetables/2014-03"
# of lesser authority: trade journals, courses, sheets whose publisher cannot be seen
FRUIT = "Good Fruit Grower (trade journal)"
IRISH = "Irish farm newspaper supplement citing the national advisory paper"
AUSTRALIAN = "Australian (Qld/NSW) chemical-accreditation course"
HANDBOOK = "Agrochemical safety handbook (publisher not clear)"
HANDOUT = "University herbicide-course handout (institution not visible)"
MIXING_SHEET = "County weed-programme mixing sheet (publisher not visible)"
ONTARIO = "Ontario factsheet, as reproduced by a farm co-op"
OHIO_COLUMN = "Ohio newspaper column relaying OSU Extension, 2012"
EXTENSION_SLIDES = "Extension slides (institution not visible)"
SLIDES = "Applicator-training slides (author not visible)"
SPORTSTURF = "SportsTurf, April 2014, p. 38"
LESSER = {
    FRUIT, IRISH, AUSTRALIAN, HANDBOOK, HANDOUT, MIXING_SHEET, SLIDES, SPORTSTURF, ONTARIO, OHIO_COLUMN,
    EXTENSION_SLIDES,
}  # fmt: skip


class Published(NamedTuple):
    """One printed value. `within` None: half of the last digit of `printed`."""

    area: str  #: of the calibration: which of its functions works it out
    source: str
    what: str
    printed: str
    value: Callable[[], float]
    within: float | None = None


# -- ways to the value ---------------------------------------------------------------------------------------


def rate(unit: str, flow: str, speed: str, swath: str) -> Callable[[], float]:
    """By `solve_target`, from flow and speed."""
    return lambda: units.convert(
        solve_target(
            flow_l_min=units.parse(flow, "flow"), speed_m_s=units.parse(speed, "speed"),
            swath_m=units.parse(swath, "length"),
        ).rate_l_ha,
        "rate",
        unit,
    )  # fmt: skip


def refill(unit: str, volume: str, distance: str, swath: str) -> Callable[[], float]:
    """By the refill method; the catch test beside it is beside the point."""
    return lambda: units.convert(
        crosscheck.refill_check(
            refills_l=[units.parse(volume, "volume")], distance_m=units.parse(distance, "length"),
            swath_m=units.parse(swath, "length"), catch_flow_l_min=10, speed_m_s=1.5,
        ).rate_l_ha,
        "rate",
        unit,
    )  # fmt: skip


def ounces(
    volumes: str, seconds: float, distance: str | None, width: str, unit: str = "gal/ac"
) -> Callable[[], float]:
    """By the 1/128-acre method; `distance` None: the course that makes it 1/128 acre."""
    small = "fl oz" if unit == "gal/ac" else "mL"
    caught = [units.parse(f"{volume} {small}", "volume") for volume in volumes.split()]
    distance_m = None if distance is None else units.parse(distance, "length")
    return lambda: units.convert(
        crosscheck.ounce_check(
            catches_l=caught, drive_time_s=seconds, distance_m=distance_m,
            spacing_m=units.parse(width, "length"), nozzle_count=len(caught), catch_flow_l_min=10,
            speed_m_s=1.5,
        ).rate_l_ha,
        "rate",
        unit,
    )  # fmt: skip


def course_ft(width: str, parts_of_128: int = 1) -> Callable[[], float]:
    """The course on which fl oz are gal/ac."""
    ground = crosscheck.OUNCE_GROUND_M2 * parts_of_128
    return lambda: units.convert(crosscheck.course_m(ground, units.parse(width, "length")), "length", "ft")


def tenth_of_an_acre_ft(swath: str) -> Callable[[], float]:
    return lambda: units.convert(
        crosscheck.refill_course_m(units.parse(swath, "length"), 10, "us"), "length", "ft"
    )


def product(unit: str, tank: str, spray_rate: str, dose: str) -> Callable[[], float]:
    """What a full tank needs of a product."""

    def needed() -> float:
        (item,) = tank_plan(
            tank_l=units.parse(tank, "volume"), rate_l_ha=units.parse(spray_rate, "rate"),
            products=[read_product("Product A", dose)],
        ).full.amounts  # fmt: skip
        return units.convert(item.needed, item.kind, unit)

    return needed


def job(unit: str, area: str, dose: str, kind: str) -> Callable[[], float]:
    """What a whole job needs: of spray where `kind` is 'spray', else of a product."""

    def needed() -> float:
        plan = tank_plan(
            tank_l=1000.0, rate_l_ha=units.parse(dose if kind == "spray" else "40 gal/ac", "rate"),
            area_m2=units.parse(area, "area"),
            products=[] if kind == "spray" else [read_product("Product A", dose)],
        )  # fmt: skip
        if kind == "spray":
            assert plan.spray_l is not None
            return units.convert(plan.spray_l, "volume", unit)
        assert plan.totals is not None
        return units.convert(plan.totals[0].needed, plan.totals[0].kind, unit)

    return needed


def per_tank(unit: str, tank: str, spray_rate: str) -> Callable[[], float]:
    """Ground that a tank treats."""
    return lambda: units.convert(
        tank_plan(
            tank_l=units.parse(tank, "volume"), rate_l_ha=units.parse(spray_rate, "rate")
        ).area_per_tank_m2,
        "area",
        unit,
    )


def loads(tank: str, spray_rate: str, area: str) -> Callable[[], float]:
    return lambda: float(
        tank_plan(
            tank_l=units.parse(tank, "volume"), rate_l_ha=units.parse(spray_rate, "rate"),
            area_m2=units.parse(area, "area"),
        ).loads or 0
    )  # fmt: skip


def spot(unit: str, mix: str, dose: str) -> Callable[[], float]:
    return lambda: units.convert(
        spot_mix(mix_l=units.parse(mix, "volume"), products=[read_product("A", dose)]).load.amounts[0].needed,
        "volume",
        unit,
    )


def density(lb_gal: float) -> Callable[[], float]:
    return lambda: density_factor(units.parse(f"{lb_gal} lb/gal", "density"))


def water_rate(spray_rate: str, lb_gal: float) -> Callable[[], float]:
    """The rate in water that is `spray_rate` of the solution."""
    return lambda: units.convert(
        solve_target(
            rate_l_ha=units.parse(spray_rate, "rate"), speed_m_s=1.5, swath_m=6.0,
            solution_density_kg_l=units.parse(f"{lb_gal} lb/gal", "density"),
        ).water_rate_l_ha,
        "rate",
        "gal/ac",
    )  # fmt: skip


def pressure_psi(before: str, flow_ratio: float) -> Callable[[], float]:
    """The pressure at which the boom gives so many times as much."""

    def solved() -> float:
        kpa = solve_target(
            flow_l_min=10 * flow_ratio, speed_m_s=1.5, swath_m=6.0, calibration_flow_l_min=10.0,
            calibration_pressure_kpa=units.parse(before, "pressure"),
        ).pressure_kpa  # fmt: skip
        assert kpa is not None
        return units.convert(kpa, "pressure", "psi")

    return solved


def timed(unit: str, distance: str, seconds: float) -> Callable[[], float]:
    """The speed of one timed pass."""
    length_m = units.parse(distance, "length")
    return lambda: units.convert(measured_course([Pass(seconds)], length_m=length_m).speed_m_s, "speed", unit)


def rated(unit: str, size: str, pressure: str, system: nozzles.System) -> Callable[[], float]:
    return lambda: units.convert(
        nozzles.by_size(size).rated_l_min(units.parse(pressure, "pressure"), system), "flow", unit
    )


def mean_catch(unit: str, volumes: str, seconds: float) -> Callable[[], float]:
    """The mean output of nozzles, back to what one container holds."""
    caught = [
        Catch(n, units.parse(f"{volume} {unit}", "volume"), seconds)
        for n, volume in enumerate(volumes.split(), 1)
    ]
    return lambda: units.convert(
        catch_test(caught, nozzle_count=len(caught)).mean_l_min * seconds / 60, "volume", unit
    )


def walked_s(course: str, rate_gal_ac: float, flow_oz_min: float, swath: str) -> Callable[[], float]:
    """Seconds over a course at the pace of a hand boom; the step of 30 in is beside the point."""
    return lambda: (
        units.parse(course, "length")
        / hand_boom_pace(
            steps=40, distance_m=units.parse("100 ft", "length"), swath_m=units.parse(swath, "length"),
            flow_l_min=units.parse(f"{flow_oz_min} fl oz/min", "flow"),
            rate_l_ha=units.parse(f"{rate_gal_ac} gal/ac", "rate"),
        ).speed_m_s
    )  # fmt: skip


def change_pct(part: Callable[[], float], whole: float) -> Callable[[], float]:
    return lambda: 100 * part() / whole - 100


# -- the values ----------------------------------------------------------------------------------------------


def _single() -> Iterator[Published]:
    yield Published("target", ALBANY, "rate", "20", rate("gal/ac", "480 oz/min", "5 mph", "222 in"))
    # exactly 65.175: the source rounds the half down
    yield Published(
        "target", MONTROSE, "rate", "65.17", rate("gal/ac", "1.58 gpm", "88 ft/min", "12 ft"), 0.005 + 1e-9
    )
    yield Published("target", IRISH, "rate", "200", rate("L/ha", "1.3 L/min", "7.8 km/h", "0.50 m"))
    yield Published("target", AUSTRALIAN, "rate", "100", rate("L/ha", "24 L/min", "12 km/h", "12 m"))
    yield Published("target", IRRI, "rate from flow", "100", rate("L/ha", "2 L/min", "3 km/h", "4 m"))
    # 40.5 on 0.50 m and 39.8 on 0.508 m: the source does not say which
    yield Published("target", ALBERTA, "rate", "40", rate("L/ac", "0.75 L/min", "9 km/h", "0.50 m"), 0.51)
    yield Published("target", IOWA, "pressure for 15 instead of 12 mph", "63", pressure_psi("40 psi", 1.25))
    yield Published("target", IOWA, "rise of pressure", "56", change_pct(pressure_psi("40 psi", 1.25), 40.0))
    yield Published("target", NEBRASKA, "water for 28 % N", "22.6", water_rate("20 gal/ac", 10.65))
    yield Published("crosscheck", FLORIDA_EXAM, "rate", "79.2", refill("gal/ac", "12 gal", "660 ft", "10 ft"))
    yield Published("crosscheck", MESA, "rate by refill", "40", refill("gal/ac", "4 gal", "218 ft", "20 ft"))
    yield Published("crosscheck", FRUIT, "rate by refill", "40", refill("gal/ac", "4 gal", "436 ft", "10 ft"))
    yield Published("crosscheck", IRRI, "rate from area", "100", refill("L/ha", "2 L", "50 m", "4 m"))
    yield Published("crosscheck", LSU, "two nozzles a row", "14", ounces("14", 17, "102 ft", "40 in"))
    yield Published("crosscheck", OHIO, "rate", "80", ounces("80", 60, "204 ft", "20 in"))
    yield Published("crosscheck", KANSAS, "hand gun", "31", ounces("31", 20, "18.5 ft", "18.5 ft"))
    yield Published("crosscheck", NC_STATE, "rate", "7.5", ounces("7.5", 17, "57 ft", "6 ft"))
    yield Published("crosscheck", MESA, "hand gun", "150", ounces("150", 75, None, "18.5 ft"))
    yield Published("crosscheck", OHIO_COLUMN, "rate", "15", ounces("15", 30, None, "20 in"))
    yield Published("crosscheck", EXTENSION_SLIDES, "hand gun", "40", ounces("40", 51, None, "18.5 ft"))
    yield Published("crosscheck", SPORTSTURF, "rate", "44", ounces("44 45 44", 46, None, "20 in"))
    # mL over 50 m / spacing in m x 0.2: 500 / 0.5 x 0.2
    yield Published("crosscheck", ONTARIO, "rate", "200", ounces("500", 30, "50 m", "0.5 m", "L/ha"), 1e-9)
    # 0.1 gal on 225 sq ft; the source divides by 0.00516 ac, rounded: 19.38 for 19.36
    yield Published(
        "crosscheck", MONTANA, "plot", "19.38", refill("gal/ac", "0.1 gal", "15 ft", "15 ft"), 0.03
    )
    yield Published("crosscheck", MESA, "tenth of an acre, 20 ft", "218", tenth_of_an_acre_ft("20 ft"))
    yield Published("crosscheck", FRUIT, "tenth of an acre, 10 ft", "436", tenth_of_an_acre_ft("10 ft"))
    yield Published("crosscheck", NC_STATE, "course, 6 ft", "57", course_ft("6 ft"))
    yield Published("crosscheck", GEORGIA, "course, 13 in", "314.1", course_ft("13 in"))
    yield Published("crosscheck", GEORGIA, "course, 13 ft, tenfold", "261.8", course_ft("13 ft", 10))
    yield Published(
        "tank",
        ALBANY,
        "product for 20 gal",
        "32",
        product("fl oz", "20 gal", "20 gal/ac", "32 fl oz/ac"),
    )
    yield Published(
        "tank", MIXING_SHEET, "product", "3.5", product("fl oz", "50 gal", "100 gal/ac", "7 fl oz/ac")
    )
    # 8 / 7.5 = 1.0667: cut, not rounded
    yield Published(
        "tank",
        NC_STATE,
        "product per gallon",
        "1.06",
        product("fl oz", "1 gal", "7.5 gal/ac", "8 fl oz/ac"),
        0.0075,
    )
    yield Published(
        "tank", NC_STATE, "product for 3 gal", "3.2", product("fl oz", "3 gal", "7.5 gal/ac", "8 fl oz/ac")
    )
    # printed as 1/6
    yield Published("tank", MESA, "ground per tank", "0.1667", per_tank("ac", "25 gal", "150 gal/ac"))
    yield Published("tank", CANADA, "spray", "4000", job("L", "20 ha", "200 L/ha", "spray"))
    yield Published("tank", CANADA, "loads", "4", loads("1000 L", "200 L/ha", "20 ha"), 0.0)
    yield Published("tank", ALBERTA, "spray", "1200", job("L", "30 ac", "40 L/ac", "spray"))
    yield Published(
        "tank", OKLAHOMA_CITY, "product for 25 ac", "11.25", job("gal", "25 ac", "3.6 pt/ac", "product")
    )
    yield Published(
        "tank", OKLAHOMA_CITY, "spray on 1000 sq ft", "0.92", job("gal", "1000 ft2", "40 gal/ac", "spray")
    )
    yield Published(
        "tank",
        OKLAHOMA_CITY,
        "product on 1000 sq ft",
        "1.3",
        job("fl oz", "1000 ft2", "3.6 pt/ac", "product"),
    )
    yield Published("tank", HANDBOOK, "spray", "52.5", job("gal", "3.5 ac", "15 gal/ac", "spray"))
    yield Published("tank", HANDBOOK, "product", "10.5", job("lb", "3.5 ac", "3 lb/ac", "product"))
    yield Published("course", SLIDES, "200 ft in 27 s", "5", timed("mph", "200 ft", 27))
    yield Published("catch", SPORTSTURF, "mean of 44, 45, 44", "44", mean_catch("fl oz", "44 45 44", 46))
    yield Published("nozzles", HGCA, "110-03 at 3 bar", "1.2", rated("L/min", "03", "3 bar", "metric"))
    # 7.5 fl oz in those 17 s
    yield Published(
        "pace", NC_STATE, "seconds over 57 ft", "17", walked_s("57 ft", 7.5, 7.5 * 60 / 17, "6 ft")
    )


def _tables() -> Iterator[Published]:
    # whole feet, of which LSU cuts two (22 in: 185.6, 14 in: 291.7) and Ohio one; hence 1 ft
    for source, lengths in (
        (LSU, {30: 136, 28: 146, 26: 157, 24: 170, 22: 185, 20: 204, 18: 227, 16: 255, 14: 291, 12: 340,
               10: 408}),
        (OHIO, {18: 227, 20: 204, 22: 185, 24: 170, 26: 157, 28: 146, 30: 136, 32: 127, 34: 120, 36: 113,
                38: 107, 40: 102}),
    ):  # fmt: skip
        for inches, feet in lengths.items():
            yield Published(
                "crosscheck", source, f"course, {inches} in", str(feet), course_ft(f"{inches} in"), 1.0
            )
    for feet, printed in ((9, "37.8"), (12, "28.4"), (15, "22.7")):
        yield Published("crosscheck", UTAH, f"course, {feet} ft", printed, course_ft(f"{feet} ft"))
    # 1/8 acre, rounded up to the whole foot
    for feet, printed in {30: 182, 32: 171, 34: 161, 36: 152, 38: 144, 40: 137, 42: 130, 44: 124}.items():
        yield Published(
            "crosscheck",
            CLEMSON,
            f"boomless course, {feet} ft",
            str(printed),
            course_ft(f"{feet} ft", 16),
            1.0,
        )
    for inches, volume, printed in ((12, 26, "29.5"), (15, 16, "14.5"), (9, 8, "12.1")):
        yield Published(
            "crosscheck",
            FLORIDA_BAND,
            f"{inches} in band",
            printed,
            ounces(str(volume), 60, "300 ft", f"{inches} in"),
        )
    # the factor is printed of a specific gravity with two digits, so it may be one off in its last
    for source, factors in (
        (NEBRASKA, {6.6: "0.89", 7: "0.92", 8: "0.98", 9: "1.04", 10: "1.10", 10.65: "1.13", 11: "1.15",
                    11.06: "1.15", 11.4: "1.17", 11.5: "1.17", 11.6: "1.18", 12: "1.20"}),
        (GEORGIA_DENSITY, {14: "1.30", 16: "1.39"}),
        (OKLAHOMA, {8.5: "1.01", 9.91: "1.09", 10.8: "1.14", 11.2: "1.16"}),
    ):  # fmt: skip
        for lb_gal, printed in factors.items():
            yield Published("target", source, f"factor, {lb_gal} lb/gal", printed, density(lb_gal), 0.01)
    # the seconds are whole: the printed speed is one of those that round to them
    for seconds, mph in {45: 3.0, 39: 3.5, 34: 4.0, 30: 4.5, 27: 5.0, 23: 6.0, 19: 7.0, 18: 7.5, 17: 8.0,
                         15: 9.0, 14: 10.0}.items():  # fmt: skip
        yield Published(
            "course", HANDOUT, f"200 ft in {seconds} s", f"{mph}", timed("mph", "200 ft", seconds),
            mph * 0.5 / seconds,
        )  # fmt: skip
    for km_h, time_s in {8: 360, 9: 320, 10: 288, 11: 262, 12: 240}.items():
        yield Published(
            "course", ALBERTA, f"800 m in {time_s} s", str(km_h), timed("km/h", "800 m", time_s),
            km_h * 0.5 / time_s,
        )  # fmt: skip
    for size, printed in {"01": "0.10", "015": "0.15", "02": "0.20", "025": "0.25", "03": "0.30",
                          "04": "0.40", "05": "0.50", "06": "0.60", "08": "0.80"}.items():  # fmt: skip
        yield Published("nozzles", ARIZONA, f"size {size}", printed, rated("gal/min", size, "40 psi", "us"))


VALUES = [*_single(), *_tables()]


def half_digit(printed: str) -> float:
    """Half of the last digit: 0.05 of '7.5', 0.5 of '218'."""
    return 0.5 / 10 ** len(printed.partition(".")[2])


@pytest.mark.parametrize("row", VALUES, ids=lambda row: f"{row.source}: {row.what}")
def test_a_published_value(row: Published) -> None:
    within = half_digit(row.printed) if row.within is None else row.within
    assert row.value() == pytest.approx(float(row.printed), abs=within + 1e-9 * float(row.printed))


def test_how_many_there_are() -> None:
    """At least 40 in publications of governments and universities alone, and no row is there twice."""
    rows = [(row.source, row.what) for row in VALUES]
    assert not [row for row, times in Counter(rows).items() if times > 1]
    # the same number on two sheets of the same subject counts once
    figures = {(row.area, row.what, row.printed) for row in VALUES if row.source not in LESSER}
    assert len(figures) >= 40
    assert {row.area for row in VALUES} == {
        "target", "crosscheck", "tank", "course", "catch", "nozzles", "pace",
    }  # fmt: skip
