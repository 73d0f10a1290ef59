"""Printed figures that are not taken as a check, and why: each fails by a rule that its own source states.

They were read in public copies, so a fault of the copy cannot be excluded; nothing here says who made it. The
point is only that rigmon must not agree with them.
"""

import pytest

from rigmon import units
from rigmon.calibration.tank import read_product, tank_plan
from rigmon.calibration.target import density_factor, solve_target


# A printed figure, State of Florida pesticide exam study book, p. 213, method I: 0.15 gal/min on 48 in,
# 5 mph: 327 gal/ac. By the rule on many sheets (Mesa County, Clemson, Missouri: 5940 x gal/min / (mph x in))
# it is 3.7. 327 comes out when mph are not turned into the 88 ft/min that each of them is.
def test_a_rate_88_times_too_large() -> None:
    result = solve_target(
        flow_l_min=units.parse("0.15 gal/min", "flow"),
        speed_m_s=units.parse("5 mph", "speed"),
        swath_m=units.parse("48 in", "length"),
    )
    gal_ac = units.convert(result.rate_l_ha, "rate", "gal/ac")
    assert gal_ac == pytest.approx(5940 * 0.15 / (5 * 48), rel=1e-12)
    assert gal_ac == pytest.approx(3.7, abs=0.05)
    assert abs(gal_ac / 327 - 1) > 0.9
    # what was left out, exactly: 327 is rounded to the whole gallon
    assert gal_ac * 88 == pytest.approx(327, abs=0.5)


# A printed figure, University of Florida/IFAS WG217: 40 gal/ac, 10-gal tank, 1 qt/ac: "40.75 (41) tsp, about
# 7 fl oz". Its own step before is 4.75 tsp a gallon, and 10 x 4.75 is 47.5; exactly it is 10/40 of 32 fl oz,
# 8 fl oz or 48 tsp (6 to the fl oz).
def test_a_product_for_a_tank_that_is_not_ten_times_that_for_a_gallon() -> None:
    product = read_product("Product A", "1 qt/ac")
    tank, gallon = (
        tank_plan(
            tank_l=units.parse(volume, "volume"),
            rate_l_ha=units.parse("40 gal/ac", "rate"),
            products=[product],
        )
        for volume in ("10 gal", "1 gal")
    )
    fl_oz = units.convert(tank.full.amounts[0].needed, "volume", "fl oz")
    teaspoons = 6 * fl_oz
    assert fl_oz == pytest.approx(8, rel=1e-12)
    assert abs(teaspoons - 40.75) > 7
    assert abs(fl_oz - 7) > 0.9
    # the step before is right as printed, to a quarter of a teaspoon, and the tank is ten times it
    per_gallon = 6 * units.convert(gallon.full.amounts[0].needed, "volume", "fl oz")
    assert per_gallon == pytest.approx(4.75, abs=0.125)
    assert teaspoons == pytest.approx(10 * per_gallon, rel=1e-12)
    assert teaspoons == pytest.approx(10 * 4.75, abs=10 * 0.125)


# A printed row, Oklahoma State University density table: 12 lb/gal, 1.68, 1.30. The factor is the root of the
# specific gravity, and that of 12 lb/gal is 12 / 8.34 = 1.44: 1.20, as the University of Nebraska-Lincoln
# (CropWatch, 2016) prints. 1.68 and 1.30 are 14 lb/gal (University of Georgia).
def test_a_row_of_another_density() -> None:
    twelve, fourteen = (
        density_factor(units.parse(density, "density")) for density in ("12 lb/gal", "14 lb/gal")
    )
    assert twelve == pytest.approx(1.20, abs=0.005)
    assert abs(twelve - 1.30) > 0.09
    assert fourteen == pytest.approx(1.30, abs=0.005)
    assert pytest.approx(1.68, abs=0.005) == 14 / 8.34


# A printed rule, Cornell University boom worksheet: mph = ft/s x 60/80. A mile an hour is 88 ft/min (Montana
# State: mph = ft x 60 / (s x 88)), so it reads 10 % high.
def test_a_speed_ten_percent_high() -> None:
    mph = units.convert(units.parse("1 ft/s", "speed"), "speed", "mph")
    assert mph == pytest.approx(60 / 88, rel=1e-12)
    assert 60 / 80 / mph == pytest.approx(1.10, rel=1e-12)
