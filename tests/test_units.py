"""Units: the definitions, what people type, what is refused and with which words, and what readers see."""

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from rigmon import units
from rigmon.errors import UsageError

EVERY_UNIT = [(dimension, unit) for dimension, table in units.UNITS.items() for unit in table]


# Definitions, exact: NIST SP 811 (2008) Appendix B and NIST HB 44 Appendix C; the decimals are from memory.
@pytest.mark.parametrize(
    ("dimension", "unit", "exact"),
    [
        ("length", "in", "0.0254"),
        ("length", "ft", "0.3048"),
        ("length", "yd", "0.9144"),
        ("length", "mi", "1609.344"),
        ("area", "ac", "4046.8564224"),  # the international acre; the US survey acre is 4046.872609...
        ("area", "ha", "10000"),
        ("area", "ft2", "0.09290304"),
        ("volume", "gal", "3.785411784"),
        ("volume", "imp gal", "4.54609"),
        ("volume", "qt", "0.946352946"),
        ("volume", "pt", "0.473176473"),
        ("volume", "fl oz", "0.0295735295625"),
        ("speed", "mph", "0.44704"),
        ("speed", "ft/min", "0.00508"),
        ("flow", "gal/min", "3.785411784"),
        ("flow", "L/s", "60"),
        ("pressure", "bar", "100"),
        ("time", "h", "3600"),
        ("mass", "lb", "0.45359237"),
        ("mass", "oz wt", "0.028349523125"),
        # the concentrations are their own definitions: 1 gal = 4 qt = 8 pt = 128 fl oz
        ("concentration", "mL/L", "0.1"),
        ("concentration", "mL/100 L", "0.001"),
        ("concentration", "L/100 L", "1"),
        ("concentration", "fl oz/gal", "0.78125"),
        ("concentration", "fl oz/100 gal", "0.0078125"),
        ("concentration", "pt/100 gal", "0.125"),
        ("concentration", "qt/100 gal", "0.25"),
    ],
)
def test_a_definition_is_exact(dimension: str, unit: str, exact: str) -> None:
    assert units.factor(unit, dimension) == Fraction(Decimal(exact))


# The same source; these have no finite decimal.
def test_knot_kmh_and_psi_are_exact_too() -> None:
    assert units.factor("kn", "speed") == Fraction(1852, 3600)
    assert units.factor("km/h", "speed") == Fraction(10, 36)
    inch, pound, gravity = Fraction("0.0254"), Fraction("0.45359237"), Fraction("9.80665")
    assert units.factor("psi", "pressure") == pound * gravity / inch**2 / 1000
    assert float(units.factor("psi", "pressure")) == pytest.approx(6.894757, abs=5e-7)  # printed in SP 811


# hand-worked from the same definitions; no finite decimal either
@pytest.mark.parametrize(
    ("dimension", "unit", "exact"),
    [
        ("rate", "gal/ac", Fraction("3.785411784") * 10000 / Fraction("4046.8564224")),
        ("dose by volume", "pt/ac", Fraction("0.473176473") * 10000 / Fraction("4046.8564224")),
        ("dose by volume", "fl oz/ac", Fraction("0.0295735295625") * 10000 / Fraction("4046.8564224")),
        ("dose by mass", "lb/ac", Fraction("0.45359237") * 10000 / Fraction("4046.8564224")),
        ("dose by mass", "oz wt/ac", Fraction("0.028349523125") * 10000 / Fraction("4046.8564224")),
        ("density", "lb/gal", Fraction("0.45359237") / Fraction("3.785411784")),
    ],
)
def test_a_quotient_of_definitions_is_exact(dimension: str, unit: str, exact: Fraction) -> None:
    assert units.factor(unit, dimension) == exact


# Oklahoma State University-Oklahoma City, 2013: 40 gal/ac is 0.92 gal a 1000 sq ft, 3.6 pt/ac is 1.3 oz.
# Mail-list note citing Virginia Cooperative Extension 456-502: 1.5 gal a 1000 sq ft is 65 gal/ac.
# University of Nebraska-Lincoln CropWatch, 2016: 10.65 lb/gal is of specific gravity 1.28.
@pytest.mark.parametrize(
    ("text", "dimension", "unit", "printed", "half_digit"),
    [
        ("40 gal/ac", "rate", "gal/1000 ft2", 0.92, 0.005),
        ("3.6 pt/ac", "dose by volume", "fl oz/1000 ft2", 1.3, 0.05),
        ("1.5 gal/1000 sq ft", "rate", "gal/ac", 65, 0.5),
        ("10.65 lb/gal", "density", "kg/L", 1.28, 0.005),
    ],
)
def test_a_published_conversion(
    text: str, dimension: str, unit: str, printed: float, half_digit: float
) -> None:
    assert units.convert(units.parse(text, dimension), dimension, unit) == pytest.approx(
        printed, abs=half_digit
    )


_amount = st.floats(1e-80, 1e80) | st.floats(-1e80, -1e-80) | st.floats(0.01, 1000.0) | st.just(0.0)


@pytest.mark.parametrize(("dimension", "unit"), EVERY_UNIT)
@settings(max_examples=20)  # of each of some ninety units
@given(amount=_amount)
@example(amount=1.0)
def test_what_is_written_is_read_back(dimension: str, unit: str, amount: float) -> None:
    carried = units.parse(f"{amount!r} {unit}", dimension)
    zero = units.ZEROS.get(dimension, {}).get(unit, Fraction(0))
    assert carried == float(Fraction(repr(amount)) * units.factor(unit, dimension) + zero)  # one rounding
    # near its own zero a temperature is a difference of larger numbers
    lost = 1e-13 if zero else 0.0
    assert units.convert(carried, dimension, unit) == pytest.approx(amount, rel=4e-16, abs=lost)


# Fixed points of the scales: ice, boiling water by the old definition, -40 where both agree (from memory);
# 0 K is -273.15 °C by definition; 85 °F: hand-worked, (85 - 32) / 1.8 = 29.4444...
@pytest.mark.parametrize(
    ("typed", "celsius"),
    [
        ("32 °F", 0.0),
        ("212 F", 100.0),
        ("-40 deg F", -40.0),
        ("-40 °C", -40.0),
        ("0 K", -273.15),
        ("85 degF", float(Fraction(265, 9))),
        ("10 Celsius", 10.0),
        ("50 Fahrenheit", 10.0),
    ],
)
def test_a_temperature_has_a_zero_of_its_own(typed: str, celsius: float) -> None:
    assert units.parse(typed, "temperature") == celsius
    for unit in units.UNITS["temperature"]:
        back = units.convert(celsius, "temperature", unit)
        assert units.parse(f"{back!r} {unit}", "temperature") == pytest.approx(celsius, abs=1e-12)


# hand-worked: 18 °F / 1.8 = 10 °C, whatever the temperature is that it is warmer than
def test_a_difference_of_temperatures_has_none() -> None:
    assert units.parse("18 °F", "temperature difference") == 10.0
    assert units.show(10.0, "temperature difference", "us", 0) == "18 °F"
    assert units.show(10.0, "temperature", "us", 0) == "50 °F"


# NIST SP 811 (2008), B.8: conventional inch of mercury 3.386389 E+03 Pa (from memory)
def test_air_pressure_in_inches_of_mercury() -> None:
    assert units.parse("30 inHg", "air pressure") == pytest.approx(101.59167, abs=1e-9)
    assert units.parse("1013.25 hPa", "air pressure") == pytest.approx(101.325, abs=1e-12)


@pytest.mark.parametrize(("dimension", "shown"), units.SHOWN.items())
def test_what_a_screen_shows_can_be_typed_back(dimension: str, shown: tuple[str, str]) -> None:
    for system, unit in zip(("us", "metric"), shown, strict=True):
        assert units.parse(units.show(12.5, dimension, system, digits=12), dimension) == pytest.approx(12.5)
        assert units.factor(unit, dimension) > 0


# common practice: 16 points, 22.5 degrees each, N from 348.75 to 11.25
@pytest.mark.parametrize(
    ("bearing_deg", "point"),
    [(0, "N"), (11.2, "N"), (11.3, "NNE"), (90, "E"), (225, "SW"), (247, "WSW"), (348.8, "N"), (360, "N")],
)
def test_points_of_the_compass(bearing_deg: float, point: str) -> None:
    assert units.compass_point(bearing_deg) == point


def test_every_dimension_is_shown_in_both_systems() -> None:
    assert units.SHOWN.keys() == units.UNITS.keys()


# hand-worked: 1.56464 m/s / 0.44704 = 3.5 mph; x 3.6 = 5.632704 km/h
def test_both_systems_see_the_same_value_each_in_its_unit() -> None:
    assert units.show(1.56464, "speed", "us") == "3.5 mph"
    assert units.show(1.56464, "speed", "metric", digits=2) == "5.63 km/h"
    assert units.show(275.79, "pressure", "us", digits=0) == "40 psi"
    assert units.show(275.79, "pressure", "metric", digits=0) == "276 kPa"


def test_unknown_reads_as_unknown_and_nothing_as_minus_zero() -> None:
    assert units.show(None, "rate", "us") == "-- gal/ac"
    assert units.show(None, "rate", "metric", unknown="unknown") == "unknown L/ha"
    assert units.show(-0.001, "length", "metric") == "0.0 m"


def test_there_are_two_systems_and_no_third() -> None:
    with pytest.raises(ValueError, match="imperial"):
        units.shown_unit("speed", "imperial")


@pytest.mark.parametrize(
    ("text", "dimension", "same_as"),
    [
        ("17 GPA", "rate", "17 gal/ac"),
        ("17 gallons per acre", "rate", "17 gal/ac"),
        ("17 Gallons/Acre", "rate", "17 gal/ac"),
        ("150 litres / hectare", "rate", "150 L/ha"),
        ("16 fluid ounces per acre", "rate", "16 fl oz/ac"),
        ("2.4gpm", "flow", "2.4 gal/min"),
        ("80 oz/min", "flow", "80 fl oz/min"),
        ("80 ounces per minute", "flow", "80 fl oz/min"),
        ("9 lpm", "flow", "9 L/min"),
        ("80 oz", "volume", "80 fl oz"),
        ("80 fl. oz", "volume", "80 fl oz"),
        ("500 cc", "volume", "500 mL"),
        ("3.5 MPH", "speed", "3.5 mph"),
        ("3.5 miles per hour", "speed", "3.5 mph"),
        ("5.6 kph", "speed", "5.6 km/h"),
        ("1.5 m/sec", "speed", "1.5 m/s"),
        ("300 feet per minute", "speed", "300 ft/min"),
        ('20"', "length", "20 in"),
        ("20″", "length", "20 in"),
        ("20 in.", "length", "20 in"),
        ("5'", "length", "5 ft"),
        ("2 Acres", "area", "2 ac"),
        ("9 sq ft", "area", "9 ft2"),
        ("40 PSI", "pressure", "40 psi"),
        ("1 MPA", "pressure", "1000 kPa"),
        ("2 lbs", "mass", "2 lb"),
        ("500 grams", "mass", "0.5 kg"),
        ("4 oz. wt.", "mass", "4 oz wt"),
        ("4 dry ounces", "mass", "4 oz wt"),
        ("10.65 pounds per gallon", "density", "10.65 lb/gal"),
        ("3 pints per acre", "dose by volume", "3 pt/ac"),
        ("1 quart/acre", "dose by volume", "1 qt/ac"),
        ("0.5 L / ha", "dose by volume", "500 mL/ha"),
        ("2 fl oz per 1000 sq ft", "dose by volume", "2 fl oz/1000 ft2"),
        ("1.5 pounds per acre", "dose by mass", "1.5 lb/ac"),
        ("1.5 ounces by weight per acre", "dose by mass", "1.5 oz wt/ac"),
        ("0.5%", "concentration", "0.5 % v/v"),
        ("0.5 %V/V", "concentration", "0.5 % v/v"),
        ("0.5 percent by volume", "concentration", "0.5 % v/v"),
        ("1 qt per 100 gallons", "concentration", "0.25 % v/v"),
        ("5 ml per litre", "concentration", "0.5 % v/v"),
        ("450 pulses per liter", "pulses per volume", "450 1/L"),
        ("1700 pulses/gal", "pulses per volume", "1700 1/gal"),
        ("  20   gal/ac \n", "rate", "20 gal/ac"),
        ("2e1 m", "length", "20 m"),
        ("+.5 m", "length", "0.5 m"),
        ("20. m", "length", "20 m"),
    ],
)
def test_a_common_spelling(text: str, dimension: str, same_as: str) -> None:
    assert units.parse(text, dimension) == units.parse(same_as, dimension)


# A bare gallon is the US one, whoever types it; the imperial one must be named.
@pytest.mark.parametrize("name", ["imp gal", "imperial gallon", "Imperial Gallons", "uk gal"])
def test_an_imperial_gallon_only_when_named(name: str) -> None:
    assert units.parse("1 gallon", "volume") == units.parse("1 US gal", "volume") == 3.785411784
    assert units.parse(f"1 {name}", "volume") == 4.54609
    assert units.parse(f"1 {name}/ac", "rate") == pytest.approx(11.2336, abs=5e-5)
    assert units.parse(f"1 {name} per minute", "flow") == 4.54609


def test_an_ounce_is_fluid_only_where_nothing_else_can_be_meant() -> None:
    assert units.parse("128 oz", "volume") == units.parse("1 gal", "volume")
    with pytest.raises(units.UnitError, match="fl oz/ac"):
        units.parse("16 oz/ac", "rate")  # a dry ounce an acre is a dose too


@pytest.mark.parametrize(
    ("text", "dimension", "right"),
    [
        ("4 oz", "mass", "write 'oz wt'"),
        ("16 oz/ac", "rate", "write 'fl oz/ac'"),
        ("16 oz/ac", "dose by volume", "write 'fl oz/ac' or 'oz wt/ac', whichever the label means"),
        ("16 ounces per acre", "dose by mass", "write 'fl oz/ac' or 'oz wt/ac', whichever the label means"),
        ("2 oz/1000 sq ft", "dose by mass", "write 'fl oz/1000 ft2' or 'oz wt/1000 ft2'"),
        ("2 oz./gal", "concentration", "write 'fl oz/gal'"),
    ],
)
def test_an_ounce_that_may_be_either_is_refused_with_what_would_be_right(
    text: str, dimension: str, right: str
) -> None:
    with pytest.raises(units.UnitError) as refusal:
        units.parse(text, dimension)
    assert right in str(refusal.value)
    assert text in str(refusal.value)
    if dimension not in {"mass", "rate"}:
        with pytest.raises(units.UnitError, match="an ounce is one of volume or of weight"):
            units.parse_dose(text)


@pytest.mark.parametrize(
    ("text", "kind", "unit"),
    [
        ("2 pt/ac", "dose by volume", "pt/ac"),
        ("1 qt/ac", "dose by volume", "qt/ac"),
        ("16 fl oz/ac", "dose by volume", "fl oz/ac"),
        ("1 gal per acre", "dose by volume", "gal/ac"),
        ("1.5 L/ha", "dose by volume", "L/ha"),
        ("750 mL/ha", "dose by volume", "mL/ha"),
        ("1 imp gal/ac", "dose by volume", "imp gal/ac"),
        ("2 lb/ac", "dose by mass", "lb/ac"),
        ("1.5 oz wt/acre", "dose by mass", "oz wt/ac"),
        ("1.2 kg/ha", "dose by mass", "kg/ha"),
        ("30 g/ha", "dose by mass", "g/ha"),
        ("0.25 %", "concentration", "% v/v"),
        ("1 qt/100 gal", "concentration", "qt/100 gal"),
        ("5 mL/L", "concentration", "mL/L"),
    ],
)
def test_a_label_dose_says_of_which_kind_it_is(text: str, kind: str, unit: str) -> None:
    read_kind, value = units.parse_dose(text)
    assert read_kind == kind
    assert value == units.parse(text, kind)
    assert value == float(Fraction(text.partition(" ")[0]) * units.factor(unit, kind))


# whichever kind finds a unit first, no other would read it
def test_the_kinds_of_dose_have_no_unit_in_common() -> None:
    kinds = ("dose by volume", "dose by mass", "concentration")
    every = [unit for kind in kinds for unit in units.UNITS[kind]]
    assert len(every) == len(set(every))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("2", "'2' has no unit of label dose; write it with one, such as '2 pt/ac'"),
        ("pt/ac", "'pt/ac' is not a number with a unit of label dose"),
        ("2 lb", "'lb' is neither a dose per area nor a concentration by volume; write it like '2 pt/ac'"),
        ("5 % w/w", "'% w/w' is neither a dose per area nor a concentration by volume"),
        ("5 ML/ha", "'ML/ha' is neither a dose per area"),
        ("1 1/2 pt/ac", "without commas, spaces or fractions"),
        ("1e999 pt/ac", "has too many digits to be a label dose"),
    ],
)
def test_a_label_dose_that_cannot_be_read(text: str, words: str) -> None:
    with pytest.raises(units.UnitError) as refusal:
        units.parse_dose(text)
    assert words in str(refusal.value)


# hand-worked: 1 x 60 + 23 = 83; (1 x 60 + 2) x 60 + 3 = 3723
@pytest.mark.parametrize(
    ("text", "seconds"),
    [("1:23", 83), ("0:45.5", 45.5), (" 1:23.4 ", 83.4), ("90:00", 5400), ("1:02:03", 3723), ("2 min", 120)],
)
def test_a_time_as_a_watch_shows_it(text: str, seconds: float) -> None:
    assert units.parse(text, "time") == seconds


@given(
    hours=st.none() | st.integers(0, 999),
    minutes=st.integers(0, 59),
    hundredths=st.integers(0, 5999),
)
def test_a_time_that_is_written_is_read_back(hours: int | None, minutes: int, hundredths: int) -> None:
    text = f"{minutes}:{hundredths // 100:02d}.{hundredths % 100:02d}"
    if hours is not None:
        text = f"{hours}:{text}" if minutes > 9 else f"{hours}:0{text}"
    assert units.parse(text, "time") == float(Fraction(hundredths, 100) + 60 * minutes + 3600 * (hours or 0))


@pytest.mark.parametrize(
    "text",
    ["1:2", "1:75", "1:60", ":30", "1:", "1:23 s", "1:23 min", "-1:23", "1:-3", "1:2:03", "1:99:03",
     "1:02:03:04", "99999:00", "1: 23", "٣:00", "1:23.", "1:23:"],
)  # fmt: skip
def test_a_time_that_no_watch_shows(text: str) -> None:
    with pytest.raises(units.UnitError, match="write minutes and seconds such as '1:23'"):
        units.parse(text, "time")


# Folding capitals must not turn milli into mega or mega into milli.
@pytest.mark.parametrize(
    ("text", "dimension"),
    [("5 mPa", "pressure"), ("5 ML", "volume"), ("5 ML/min", "flow"), ("5 Mm", "length")],
)
def test_another_prefix_is_refused_not_folded(text: str, dimension: str) -> None:
    with pytest.raises(units.UnitError, match="is not a unit of"):
        units.parse(text, dimension)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("20", "'20' has no unit of length; write it with one, such as '20 ft' or '20 m'"),
        ("", "'' is not a number with a unit of length, such as '20 ft' or '20 m'"),
        ("ft", "'ft' is not a number with a unit of length"),
        ("20 gal", "'20 gal': 'gal' is not a unit of length; use one of: m, cm, mm, km, in, ft, yd, mi"),
        ("20 furlongs", "'furlongs' is not a unit of length; use one of: m, cm"),
        ("20 ft 6 in", "'ft 6 in' is not a unit of length"),
        ("nan m", "'nan m' is not a number"),
        ("inf m", "'inf m' is not a number"),
        ("-inf m", "'-inf m' is not a number"),
        ("1_0 m", "write the number with a decimal point, without commas, spaces or fractions"),
        ("1,000 ft", "write the number with a decimal point, without commas, spaces or fractions"),
        ("2,5 m", "such as '1000 m' or '2.5 m'"),
        ("1 000 m", "without commas, spaces or fractions"),
        ("1/2 in", "without commas, spaces or fractions"),
        ("1 1/2 in", "without commas, spaces or fractions"),
        ("20½ in", "without commas, spaces or fractions"),
        ("½ in", "'½ in' is not a number"),
        ("0x10 m", "'x10 m' is not a unit"),
        ("٣ m", "is not a number"),  # a digit to Python, not to a reader of this file
        ("２０ m", "is not a number"),
        ("2² m", "is not a unit"),
        ("−2 m", "is not a number"),  # a typographic minus
        ("--2 m", "is not a number"),
        ("2e m", "is not a unit"),
        ("1e999999999 m", "has too many digits"),
        ("1e-999999999 m", "has too many digits"),
        ("1e100 m", "has too many digits"),
        ("1" * 5000 + " m", "has too many digits"),
        ("1e" + "9" * 5000 + " m", "has too many digits"),
        ("0." + "0" * 5000 + "1 m", "has too many digits"),
    ],
)  # fmt: skip
def test_a_refusal_names_what_was_typed_and_what_would_be_right(text: str, words: str) -> None:
    with pytest.raises(units.UnitError) as refusal:
        units.parse(text, "length")
    assert words in str(refusal.value)
    assert len(str(refusal.value)) < 250


def test_control_characters_do_not_reach_the_terminal() -> None:
    with pytest.raises(UsageError) as refusal:
        units.parse("2 \x1b[31mm\n\u202eft", "length")
    assert str(refusal.value).isprintable()


@pytest.mark.parametrize("dimension", units.UNITS)
def test_a_unit_of_another_dimension_is_refused(dimension: str) -> None:
    for other, table in units.UNITS.items():
        for unit in set(table) - set(units.UNITS[dimension]):
            with pytest.raises(units.UnitError, match=f"is not a unit of {dimension}"):
                units.factor(unit, dimension)
            assert other != dimension


# Signs are the caller's business: a temperature or an offset may be negative, a flow may not.
def test_a_negative_amount_is_read_as_such() -> None:
    assert units.parse("-2 m", "length") == -2.0


@given(
    text=st.text(max_size=60)
    | st.from_regex(r"[-+0-9.,eE_ ]{0,12}[a-zA-Z/² .]{0,10}")
    | st.from_regex(r"[0-9: .]{0,12}"),
    dimension=st.sampled_from(sorted(units.UNITS)),
)
def test_anything_typed_is_a_finite_number_or_a_clear_refusal(text: str, dimension: str) -> None:
    words = ""
    try:
        carried = units.parse(text, dimension)
    except units.UnitError as refusal:
        words = str(refusal)
    if words:
        assert words.isprintable()
    else:
        assert abs(carried) < 1e200


@given(
    text=st.text(max_size=60) | st.from_regex(r"[-+0-9.]{0,8} ?(fl |dry )?[a-z%]{1,5}( wt)?/[a-z0-9 ]{1,8}")
)
def test_any_label_dose_is_a_finite_number_or_a_clear_refusal(text: str) -> None:
    words, dose = "", None
    try:
        dose = units.parse_dose(text)
    except units.UnitError as refusal:
        words = str(refusal)
    if dose is None:
        assert words.isprintable()
    else:
        assert units.parse(text, dose.kind) == dose.value
        assert abs(dose.value) < 1e200
