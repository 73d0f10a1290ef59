"""The rig file: what it gives, and that a mistake is refused with file, key, value and what would be right."""

# ruff: noqa: E501  (the tables read best one case a line)

import dataclasses
import re
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from rigmon import config, units
from rigmon.core import rate
from rigmon.errors import ConfigError, UsageError
from rigmon.rig import Nozzles, Rig

NAME = "creek.toml"
EXAMPLE = Path(__file__).parents[1] / "config" / "rig.example.toml"

#: every required key, and what _check asks of this much
MINIMAL = {
    "rig": {"name": '"Creek rig"', "nozzle_count": "12", "nozzle_spacing": '"20 in"'},
    "target": {"rate": '"17 gal/ac"', "speed": '"3.5 mph"'},
    "calibration": {"flow": '"2.4 gal/min"', "pressure": '"40 psi"'},
}
KEYS = [(section, key) for section, keys in config.SCHEMA.items() for key in keys]
QUANTITIES = [
    (s, k) for s, k in KEYS if config.SCHEMA[s][k].kind in units.UNITS or config.SCHEMA[s][k].kind == "delay"
]
_ids = [f"{section}.{key}" for section, key in KEYS]


def toml(**changes: str | None) -> str:
    """MINIMAL with `section__key="value as in the file"` put in; None takes a key out. An alert's dot is '-'."""
    sections = {section: dict(keys) for section, keys in MINIMAL.items()}
    for path, value in changes.items():
        section, _, key = path.partition("__")
        keys = sections.setdefault(section.replace("-", "."), {})
        if value is None:
            keys.pop(key)
        else:
            keys[key] = value
    return "\n".join(
        f"[{section}]\n" + "".join(f"{key} = {value}\n" for key, value in keys.items())
        for section, keys in sections.items()
    )


def rig_with(section: str, key: str, value: str) -> Rig:
    return config.parse(toml(**{f"{section.replace('.', '-')}__{key}": value}), NAME)


def refusal(text: str) -> str:
    """The message, which must be fit for a terminal and short enough to be read."""
    with pytest.raises(ConfigError) as error:
        config.parse(text, NAME)
    message = str(error.value)
    assert message.startswith(f"{NAME}: ")
    assert message.isprintable()
    assert "None" not in message
    return message


def refusal_of(section: str, key: str, value: str) -> str:
    return refusal(toml(**{f"{section.replace('.', '-')}__{key}": value}))


# --- what it gives ---------------------------------------------------------------------------------------


# hand-worked: 20 in = 0.508 m; x 12 = 6.096 m; 3.5 mph = 1.56464 m/s; 17 gal/ac x 9.353956229 = 159.017 L/ha;
# 2.4 gal/min x 3.785411784 = 9.084988 L/min; 40 psi x 6.894757 = 275.790 kPa
def test_the_example_file_gives_the_rig_it_describes() -> None:
    rig, text = config.load(EXAMPLE)
    assert text == EXAMPLE.read_text(encoding="utf-8")
    assert rig.swath_m == pytest.approx(6.096, rel=1e-15)
    assert rig.target.speed_m_s == 1.56464
    assert rig.target.rate_l_ha == pytest.approx(159.017, abs=5e-4)
    assert rig.target.tolerance_pct == 10
    assert rig.calibration is not None
    assert rig.calibration.flow_l_min == pytest.approx(9.084988, abs=5e-7)
    assert rig.calibration.pressure_kpa == pytest.approx(275.790, abs=5e-4)
    assert str(rig.calibration.taken_on) == "2026-05-30"
    assert (rig.flow.source, rig.pressure.source, rig.boom_switch.source) == ("xdr", "xdr", "xdr")
    assert rig.required_area_pct == 90


# Mesa County (Colorado): GPA = 495 x GPM / (mph x ft); 17 x 3.5 x 20 / 495 = 2.404 gal/min, 2.4 as rounded
def test_the_example_file_is_consistent_with_the_printed_rate_formula() -> None:
    rig, _ = config.load(EXAMPLE)
    flow_l_min = rate.flow_for_rate_l_min(rig.target.rate_l_ha, rig.target.speed_m_s, rig.swath_m)
    assert units.convert(flow_l_min, "flow", "gal/min") == pytest.approx(17 * 3.5 * 20 / 495, rel=1e-12)
    assert units.convert(flow_l_min, "flow", "gal/min") == pytest.approx(2.4, abs=0.05)


def _carried(value: object, path: str = "") -> dict[str, object]:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        fields = {field.name: getattr(value, field.name) for field in dataclasses.fields(value)}
    elif isinstance(value, dict):
        fields = value
    else:
        return {path: value}
    return {leaf: v for name, part in fields.items() for leaf, v in _carried(part, f"{path}.{name}").items()}


# hand-worked with the exact factors: 20 in = 50.8 cm, 3.5 mph = 5.632704 km/h, 2.4 gal/min = 9.0849882816 L/min,
# 17 gal/ac = 17 x 9.353956228956... L/ha, 40 psi = 40 x 6.894757293168... kPa, 10 ft = 3.048 m
def test_us_and_metric_spellings_of_one_rig_are_one_rig() -> None:
    us = toml(**{"alerts.speed_fast__on_delay": '"10 ft"', "pressure__span": '"150 psi"'})
    metric = toml(
        rig__nozzle_spacing='"50.8 cm"',
        target__rate='"159.0172558922558922 L/ha"',
        target__speed='"5.632704 km/h"',
        calibration__flow='"9.0849882816 L/min"',
        calibration__pressure='"2.757902917267 bar"',
        pressure__span='"1034.2135939752 kPa"',
        **{"alerts.speed_fast__on_delay": '"3.048 m"'},
    )
    one, other = (_carried(config.parse(text, NAME)) for text in (us, metric))
    assert one.keys() == other.keys()
    for leaf, value in one.items():
        assert other[leaf] == (pytest.approx(value, rel=1e-11) if isinstance(value, float) else value), leaf


def test_a_given_swath_goes_before_the_nozzles() -> None:
    assert rig_with("rig", "swath", '"18 ft"').swath_m == pytest.approx(5.4864)


def test_a_speed_left_out_is_the_one_at_which_the_calibrated_flow_gives_the_rate() -> None:
    rig = config.parse(toml(target__speed=None), NAME)
    assert rig.calibration is not None
    expected = rate.speed_for_rate_m_s(rig.target.rate_l_ha, rig.calibration.flow_l_min, rig.swath_m)
    assert rig.target.speed_m_s == pytest.approx(expected, rel=1e-15)


def test_a_delay_is_a_time_or_a_distance() -> None:
    by_time = rig_with("alerts.rate_high", "on_delay", '"1500 ms"').alerts["rate_high"]
    assert (by_time.on_delay_s, by_time.on_delay_m) == (1.5, None)
    by_distance = rig_with("alerts.rate_high", "on_delay", '"10 ft"').alerts["rate_high"]
    assert (by_distance.on_delay_s, by_distance.on_delay_m) == (None, pytest.approx(3.048))


def test_every_alert_has_a_rule_and_says_nothing_of_a_deadband_it_does_not_have() -> None:
    rig = config.parse(toml(), NAME)
    assert tuple(rig.alerts) == config.ALERT_CODES
    assert rig.alerts["speed_fast"].deadband_pct == 2
    assert rig.alerts["gps_lost"].deadband_pct == 0
    assert "deadband_pct" in refusal_of("alerts.gps_lost", "deadband_pct", "3")


def test_an_int_will_do_for_a_number() -> None:
    assert rig_with("calibration", "uncertainty_pct", "3").calibration == dataclasses.replace(
        config.parse(toml(), NAME).calibration, uncertainty_pct=3.0
    )


# --- the template ----------------------------------------------------------------------------------------

TEMPLATE = config.template().splitlines()
_COMMENTED = [n for n, line in enumerate(TEMPLATE) if re.match(r"# \w+ = ", line)]
#: keys that stand for nothing without one another
_PAIRED = ("# rated_flow = ", "# rated_pressure = ", "# username = ", "# password_file = ")
_PAIR = {n for n in _COMMENTED if TEMPLATE[n].startswith(_PAIRED)}


#: a limit of the weather is refused without the sensor that it is held against
_WATCHED = {
    n
    for n in _COMMENTED
    if TEMPLATE[n].startswith(("# wind_m", "# gust_m", "# temperature_m", "# humidity_m"))
}
_SENSORS = {'wind = "none"': 'wind = "true"', 'air = "none"': 'air = "mda"'}


def _uncommented(*numbers: int) -> Rig:
    lines = [line[2:] if n in numbers else line for n, line in enumerate(TEMPLATE)]
    if _WATCHED.intersection(numbers):
        lines = [_SENSORS.get(line.partition("  #")[0], line) for line in lines]
    return config.parse("\n".join(lines), NAME)


def test_the_template_parses_and_is_the_example_rig_without_sensors() -> None:
    rig = _uncommented()
    known, _ = config.load(EXAMPLE)
    assert (rig.target, rig.calibration, rig.swath_m) == (known.target, known.calibration, known.swath_m)
    assert (rig.flow.source, rig.pressure.source, rig.boom_switch.source) == ("none", "none", "none")


def test_the_template_shows_every_key_of_every_section() -> None:
    section, shown = "", []
    for line in TEMPLATE:
        if heading := re.match(r"\[([\w.]+)\]", line):
            section = heading[1]
        elif assignment := re.match(r"(?:# )?(\w+) = ", line):
            shown.append((section, assignment[1]))
    assert shown == KEYS


@pytest.mark.parametrize("number", _COMMENTED, ids=lambda number: f"{number}: {TEMPLATE[number]}")
def test_a_line_of_the_template_can_be_uncommented_on_its_own(number: int) -> None:
    rig = _uncommented(*(_PAIR if number in _PAIR else {number}))
    if "# not set" not in TEMPLATE[number]:  # then it shows the default, and changes nothing
        assert rig == _uncommented()


def test_all_lines_of_the_template_can_be_uncommented_together() -> None:
    rig = _uncommented(*_COMMENTED)
    assert (rig.pressure.supply_channel, rig.weather.humidity_min_pct) == (1, 40)


# --- one key at a time, over the whole table -------------------------------------------------------------


@pytest.mark.parametrize(("section", "key"), KEYS, ids=_ids)
def test_a_misspelt_key_is_refused_with_the_nearest_one(section: str, key: str) -> None:
    message = refusal_of(section, f"{key}x", '"17"')
    assert f'{section}.{key}x = "17"; did you mean \'' in message


_WRONG_TYPE = {
    "text": (["12", "true", '""', '"  "', '"a\\nb"', "[]"], "text in quotes"),
    "int": (["1.5", '"12"', "true", "2026-05-30", "{}"], "a whole number without quotes"),
    "number": (['"12"', "true", "nan", "inf", "-inf", "[1]"], "a number without quotes"),
    "pct": (['"10 %"', "true", "nan", "inf"], "a number without quotes"),
    "flag": (['"true"', "1", "0.0", "[]"], "true or false, without quotes"),
    "date": (['"2026-05-30"', "20260530", "2026-05-30T10:00:00", "10:00:00"], "a date without quotes"),
    "choice": (['"other"', '"US"', "1", "[]", "{}", '""'], "one of: "),
    "size": (["3", '""', '"0"', '"00"', '"3"', '"110-03"', '"1,0"', '"100"', '"01234"', '"\u0660\u0661"', "[]"], "an ISO 10625 size: its digits alone, in quotes"),
    "pins": (["5", '"5"', "[]", "[5, 6]", "[5, 6, 13, 19, 26, 16, 20, 21, 12]", "[5, 6, 1.5]", "[5, 6, true]"], "three to eight BCM pin numbers in brackets"),
    "names": (['"rig.lan"', "[]", "[1]", '["rig.lan:80"]', '["-rig"]', '["rig..lan"]', '["ri g"]', '["rig", 5]'], "a list of 1 to 16 host names, without port"),
    "delay": (["2", "true", '"2"', '"2 psi"', '"-1 s"', '"2 h"', '"4 km"', "[]"], "a time up to 1 h or a distance"),
}  # fmt: skip


@pytest.mark.parametrize(("section", "key"), KEYS, ids=_ids)
def test_a_value_of_the_wrong_kind_is_refused_with_the_right_one(section: str, key: str) -> None:
    kind = config.SCHEMA[section][key].kind
    values, right = _WRONG_TYPE.get(
        kind, (["20", "20.5", "true", "[]", "2026-05-30"], f"needs a unit of {kind}, in quotes")
    )
    for value in values:
        message = refusal_of(section, key, value)
        assert f"{section}.{key} = " in message
        assert right in message
        if "[" not in value and "{" not in value:
            assert value.partition("T")[0] in message


@pytest.mark.parametrize(("section", "key"), QUANTITIES)
def test_a_number_without_its_unit_is_refused_with_an_example(section: str, key: str) -> None:
    kind = config.SCHEMA[section][key].kind
    message = refusal_of(section, key, '"20"')
    assert re.search(rf"{section}\.{key} = ['\"]20['\"]", message)
    if kind == "delay":
        assert '"2 s", "3 m" or "10 ft"' in message
    else:
        us, metric = units.SHOWN[kind]
        assert "has no unit" in message
        assert f"'20 {us}'" in message
        assert f"'20 {metric}'" in message


@pytest.mark.parametrize(("section", "key"), QUANTITIES)
def test_a_unit_of_another_kind_is_refused_with_the_right_ones(section: str, key: str) -> None:
    kind = config.SCHEMA[section][key].kind
    other = "kPa" if kind != "pressure" else "ft"
    message = refusal_of(section, key, f'"20 {other}"')
    assert re.search(rf"{section}\.{key} = ['\"]20 {other}['\"]", message)
    if kind != "delay":
        assert f"'{other}' is not a unit of {kind}; use one of: " in message


def _metric(carried: float, kind: str) -> float:
    return units.convert(carried, kind, units.SHOWN[kind][1]) if kind in units.SHOWN else carried


def _outside() -> list[tuple[str, str, str, str, float]]:
    cases = []
    for section, key in KEYS:
        spec = config.SCHEMA[section][key]
        unit = f" {next(iter(units.UNITS[spec.kind]))}" if spec.kind in units.UNITS else ""
        bounds = [("at least", spec.low, -1), ("at most", spec.high, 1), ("above", spec.above, 0)]
        for word, bound, side in bounds:
            if bound is not None:
                number = (
                    f"{int(bound) + side}"
                    if spec.kind == "int"
                    else f"{bound + side * max(1.0, abs(bound)) / 2:.6f}"
                )
                cases.append(
                    (
                        section,
                        key,
                        f'"{number}{unit}"' if unit else number,
                        word,
                        _metric(bound, spec.kind),
                    )
                )
    return cases


@pytest.mark.parametrize(("section", "key", "value", "word", "bound"), _outside())
def test_a_value_out_of_bounds_is_refused_with_the_bound(
    section: str, key: str, value: str, word: str, bound: float
) -> None:
    message = refusal_of(section, key, value)
    assert f"{section}.{key} = {value.rstrip('0') if '.' in value else value}" in message
    assert "is out of bounds; it must be " in message
    told = re.search(rf"{word} ([-\d.]+)", message)
    assert told is not None
    assert float(told[1]) == pytest.approx(bound, rel=1e-3)


def test_every_number_of_the_table_has_bounds() -> None:
    for section, key in KEYS:
        spec = config.SCHEMA[section][key]
        if spec.kind in ("int", "number", "pct") or spec.kind in units.UNITS:
            assert spec.high is not None, (section, key)
            assert spec.low is not None or spec.above is not None, (section, key)


@pytest.mark.parametrize(
    ("section", "key"),
    [("rig", "name"), ("rig", "nozzle_count"), ("rig", "nozzle_spacing"), ("target", "rate")],
)
def test_a_required_key_that_is_missing_is_named_with_an_example(section: str, key: str) -> None:
    message = refusal(toml(**{f"{section}__{key}": None}))
    assert (
        message
        == f"{NAME}: {section}.{key} is missing; add it, such as: {key} = {config.SCHEMA[section][key].example}"
    )


def test_a_bound_is_told_in_both_systems() -> None:
    assert refusal_of("rig", "nozzle_spacing", '"70 ft"') == (
        'creek.toml: rig.nozzle_spacing = "70 ft" is out of bounds; '
        "it must be at least 0.01 m (0.0328 ft) and at most 20 m (65.6 ft)"
    )


# --- sections --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[field]\nname = 12", "unknown section [field]; known are: rig, nozzles, target, calibration"),
        ("[targets]\nrate = 1", "unknown section [targets]; did you mean 'target'?"),
        ("[alerts.speed_fst]\nenabled = true", "unknown section [alerts.speed_fst]; did you mean 'alerts.speed_fast'?"),
        ('["alerts.speed_fast"]\nenabled = true', "unknown section [\"alerts.speed_fast\"]; did you mean 'alerts.speed_fast'?"),
        ("[alerts.jjjj]\nenabled = true", "unknown section [alerts.jjjj]; known are: alerts.speed_fast, alerts.speed_slow"),
        ("[[rig]]\nname = 'x'", "rig = a list [...] must be a section: [rig] and keys below it"),
        ("rig = 5", "rig = 5 must be a section: [rig] and keys below it"),
        ("alerts = true", "alerts = true must be sections, such as [alerts.speed_fast]"),
        ("[alerts]\nspeed_fast = false", "alerts.speed_fast = false must be a section: [alerts.speed_fast]"),
        ("nozzle_count = 12", "nozzle_count = 12 stands outside any section; it belongs below [rig]"),
        ('pin = 17', "pin = 17 stands outside any section; it belongs below [flow] or [boom_switch]"),
        ("colour = 1", "colour = 1 stands outside any section; sections are: rig, nozzles, target"),
        ('"\\u001b[31m" = 1', 'stands outside any section'),
        ('"" = 1', '"" = 1 stands outside any section'),
        ('[""]\na = 1', 'unknown section [""]'),
        ("[" + "a" * 500 + "]", "a..."),
    ],
)  # fmt: skip
def test_a_wrong_section_is_refused_with_the_right_one(text: str, words: str) -> None:
    assert words in refusal(text)


# --- nozzles, tank, book and records ---------------------------------------------------------------------


def test_nothing_of_the_calibration_book_is_needed() -> None:
    rig = config.parse(toml(), NAME)
    assert rig.nozzles == Nozzles()
    assert rig.tank_l is None
    assert rig.max_age_days == 30  # common practice: before a job, at the latest each season
    assert rig.book_file == "calibration.sqlite"
    assert rig.records == ()


# hand-worked: 40 psi = 275.790 kPa, 0.2 gal/min = 0.757082 L/min, 25 gal = 94.635295 L, 20 psi = 137.895 kPa
def test_the_nozzles_and_the_tank_are_carried_in_carried_units() -> None:
    rig = config.parse(
        toml(
            nozzles__set='"flat fan 02"',
            nozzles__size='"02"',
            nozzles__rated_flow='"0.2 gal/min"',
            nozzles__rated_pressure='"40 psi"',
            nozzles__spray_angle_deg="110",
            nozzles__pressure_low='"20 psi"',
            nozzles__pressure_high='"4 bar"',
            tank__volume='"25 gal"',
        ),
        NAME,
    )
    assert (rig.nozzles.set_name, rig.nozzles.size, rig.nozzles.spray_angle_deg) == ("flat fan 02", "02", 110)
    assert rig.nozzles.rated_flow_l_min == pytest.approx(0.757082, abs=5e-7)
    assert rig.nozzles.rated_pressure_kpa == pytest.approx(275.790, abs=5e-4)
    assert rig.nozzles.pressure_low_kpa == pytest.approx(137.895, abs=5e-4)
    assert rig.nozzles.pressure_high_kpa == 400
    assert rig.tank_l == pytest.approx(94.635295, abs=5e-7)


@pytest.mark.parametrize("size", ["0050", "0067", "01", "015", "02", "03", "08", "10", "15", "20"])
def test_every_way_to_write_a_size_is_taken(size: str) -> None:
    assert rig_with("nozzles", "size", f'"{size}"').nozzles.size == size


# HGCA card: 110-03 is 1.2 L/min at 3.0 bar; University of Arizona: size 03 is 0.30 gal/min at 40 psi
@pytest.mark.parametrize(
    ("flow", "pressure"),
    [('"1.2 L/min"', '"3 bar"'), ('"0.3 gal/min"', '"40 psi"'), ('"0.6 gal/min"', '"160 psi"')],
)
def test_us_and_metric_ratings_of_one_size_agree_with_it(flow: str, pressure: str) -> None:
    text = toml(nozzles__size='"03"', nozzles__rated_flow=flow, nozzles__rated_pressure=pressure)
    assert config.parse(text, NAME).nozzles.size == "03"


def test_the_records_in_use_are_those_of_the_sensors_in_use() -> None:
    named = {
        "target__record": '"2026-05-30 target 1"',
        "calibration__record": '"2026-05-30 catch 1"',
        "flow__record": '"2026-05-29 flowmeter 1"',
        "pressure__record": '"2026-05-29 transducer 1"',
    }
    rig = config.parse(toml(**named), NAME)
    assert rig.records == ("2026-05-30 target 1", "2026-05-30 catch 1")
    rig = config.parse(toml(**named, flow__source='"xdr"', pressure__source='"xdr"'), NAME)
    assert rig.records == (
        "2026-05-30 target 1",
        "2026-05-30 catch 1",
        "2026-05-29 flowmeter 1",
        "2026-05-29 transducer 1",
    )
    assert rig.calibration is not None
    assert rig.calibration.record == "2026-05-30 catch 1"
    assert (rig.target.record, rig.flow.record, rig.pressure.record)[1:] == rig.records[2:]


# --- keys that need, exclude or bound one another --------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"calibration__flow": None, "calibration__pressure": None},
         "calibration.flow is missing; without a flowmeter the rate rests on it"),
        ({"calibration__flow": None, "flow__source": '"xdr"'},
         "calibration.pressure = 275.8 kPa (40 psi) needs calibration.flow beside it"),
        ({"calibration__flow": None, "calibration__pressure": None, "calibration__taken_on": "2026-05-30", "flow__source": '"xdr"'},
         "calibration.taken_on = 2026-05-30 needs calibration.flow beside it"),
        ({"calibration__flow": None, "calibration__pressure": None, "calibration__record": '"2026-05-30 catch 1"', "flow__source": '"xdr"'},
         'calibration.record = "2026-05-30 catch 1" needs calibration.flow beside it'),
        ({"nozzles__rated_flow": '"0.2 gal/min"'},
         'nozzles.rated_flow = 0.7571 L/min (0.2 gal/min) needs nozzles.rated_pressure beside it, such as: rated_pressure = "40 psi"'),
        ({"nozzles__rated_pressure": '"3 bar"'},
         'nozzles.rated_pressure = 300 kPa (43.5 psi) needs nozzles.rated_flow beside it, such as: rated_flow = "0.2 gal/min"'),
        # the common slip: the whole boom's output for one nozzle's
        ({"nozzles__size": '"02"', "nozzles__rated_flow": '"2.4 gal/min"', "nozzles__rated_pressure": '"40 psi"'},
         'nozzles.rated_flow = 9.085 L/min (2.4 gal/min) is not of nozzles.size = "02": that is 0.7571 L/min (0.2 gal/min) at 40 psi'),
        # hand-worked: 0.2 gal/min at 160 psi is 0.2 x sqrt(40 / 160) = 0.1 gal/min at 40 psi
        ({"nozzles__size": '"02"', "nozzles__rated_flow": '"0.2 gal/min"', "nozzles__rated_pressure": '"160 psi"'},
         "rated_flow comes to 0.3785 L/min (0.1 gal/min) there"),
        ({"nozzles__pressure_low": '"3 bar"', "nozzles__pressure_high": '"300 kPa"'},
         "nozzles.pressure_low = 300 kPa (43.5 psi) must be below nozzles.pressure_high = 300 kPa (43.5 psi)"),
        ({"nozzles__pressure_high": '"25 bar"', "pressure__source": '"xdr"'},
         "pressure.maximum = 2000 kPa (290 psi) must be at least nozzles.pressure_high, 2500 kPa (363 psi)"),
        ({"calibration__flow": None, "calibration__pressure": None, "flow__source": '"xdr"', "target__speed": None},
         "target.speed is missing; without calibration.flow it cannot be worked out; add it, such as: speed ="),
        ({"calibration__pressure": None, "pressure__source": '"xdr"'},
         "calibration.pressure is missing; the fitted transducer is compared with it; add the pressure"),
        ({"diagnosis__start_flow": '"2.3 gal/min"', "calibration__pressure": None},
         "diagnosis.start_flow = 8.706 L/min (2.3 gal/min) needs calibration.pressure beside it"),
        ({"flow__source": '"gpio"', "flow__pulses_per_l": "450"}, "flow.pin is missing"),
        ({"flow__source": '"gpio"', "flow__pin": "17"}, "flow.pulses_per_l is missing"),
        ({"boom_switch__source": '"gpio"'}, "boom_switch.pin is missing"),
        ({"boom_switch__source": '"gpio"', "boom_switch__pin": "17", "flow__source": '"gpio"', "flow__pin": "17", "flow__pulses_per_l": "450"},
         "boom_switch.pin = 17 is also flow.pin; each needs a pin of its own"),
        ({"lights__pins": "[5, 6, 5]"}, "lights.pins = 5 is also lights.pins"),
        ({"lights__pins": "[5, 6, 54]"}, "lights.pins = [5, 6, 54] has 54; BCM pin numbers are 0 to 53"),
        ({"buzzer__pin": "26", "lights__trouble_pin": "26"}, "buzzer.pin = 26 is also lights.trouble_pin"),
        ({"runs__stop_pin": "15"}, "runs.stop_pin = 15 is also RXD of gps.port"),
        ({"power__fail_pin": "8", "pressure__source": '"adc"'}, "power.fail_pin = 8 is also CE0 of the SPI bus"),
        ({"pressure__source": '"adc"', "pressure__chip": '"MCP3004"', "pressure__channel": "4"},
         "pressure.channel = 4 is not on the MCP3004; it must be 0 to 3"),
        ({"pressure__source": '"adc"', "pressure__chip": '"MCP3204"', "pressure__supply_channel": "7"},
         "pressure.supply_channel = 7 is not on the MCP3204; it must be 0 to 3"),
        ({"pressure__source": '"adc"', "pressure__channel": "2", "pressure__supply_channel": "2"},
         "pressure.supply_channel = 2 is also pressure.channel"),
        ({"pressure__zero_fraction": "0.5", "pressure__span_fraction": "0.5"},
         "pressure.span_fraction = 0.5 must be above pressure.zero_fraction = 0.5"),
        ({"pressure__source": '"xdr"', "pressure__maximum": '"30 psi"'},
         "pressure.maximum = 206.8 kPa (30 psi) must be at least calibration.pressure, 275.8 kPa (40 psi)"),
        ({"flow__source": '"xdr"', "flow__maximum": '"2 gal/min"'},
         "flow.maximum = 7.571 L/min (2 gal/min) must be at least calibration.flow, 9.085 L/min (2.4 gal/min)"),
        ({"speed__stationary": '"0.5 m/s"'},
         "speed.stationary = 1.8 km/h (1.12 mph) must be below speed.minimum = 1.8 km/h (1.12 mph)"),
        ({"target__speed": '"1 mph"'}, "target.speed is 1.609 km/h (1 mph); it must be above speed.minimum, 1.8 km/h"),
        ({"target__speed": '"40 mph"'}, "target.speed is 64.37 km/h (40 mph); it must be above speed.minimum"),
        ({"target__speed": '"40 km/h"', "speed__maximum": '"10 m/s"'}, "and at most speed.maximum, 36 km/h (22.4 mph)"),
        # the common slip: one nozzle's output for the whole boom's; 495 x 0.2 / (17 x 20) = 0.291 mph
        ({"target__speed": None, "calibration__flow": '"0.2 gal/min"'},
         "target.speed is left out, and calibration.flow gives the rate at 0.4686 km/h (0.291 mph)"),
        ({"rig__nozzle_count": "300"},
         "rig.nozzle_count = 300 times rig.nozzle_spacing = 0.508 m (1.67 ft) makes a swath of 152.4 m (500 ft); it must be at most 100 m (328 ft)"),
        ({"node__port": '"/dev/serial0"'}, 'node.port = "/dev/serial0" is also gps.port'),
        ({"target__tolerance_pct": "2"},
         "alerts.speed_fast.deadband_pct = 2 must be below target.tolerance_pct = 2, or the alert could never clear"),
        ({"alerts.rate_low__deadband_pct": "12"},
         "alerts.rate_low.deadband_pct = 12 must be below target.tolerance_pct = 10"),
        ({"alerts.pressure_loss__deadband_pct": "25"},
         "alerts.pressure_loss.deadband_pct = 25 must be below alerts.pressure_loss.limit_pct = 20"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, dict) else "",
)  # fmt: skip
def test_keys_that_do_not_go_together_are_refused(changes: dict[str, str | None], words: str) -> None:
    assert words in refusal(toml(**changes))


@pytest.mark.parametrize(
    "changes",
    [
        {"calibration__flow": None, "calibration__pressure": None, "flow__source": '"xdr"'},
        {"flow__source": '"gpio"', "flow__pin": "17", "flow__pulses_per_l": "450", "boom_switch__source": '"gpio"', "boom_switch__pin": "27"},
        {"pressure__source": '"adc"', "pressure__chip": '"MCP3004"', "pressure__channel": "3", "pressure__supply_channel": "0"},
        {"boom_switch__pin": "17", "flow__source": '"gpio"', "flow__pin": "17", "flow__pulses_per_l": "450"},  # not in use
        {"target__tolerance_pct": "1.5", **{f"alerts.{code}__deadband_pct": "0.5" for code in ("speed_fast", "speed_slow", "rate_high", "rate_low")}},
        {"node__port": '"/dev/ttyACM1"'},
        {"lights__pins": "[5, 6, 13]", "lights__trouble_pin": "19", "buzzer__pin": "26", "runs__stop_pin": "22", "power__fail_pin": "8"},
        {"gps__port": '"/dev/ttyACM0"', "runs__stop_pin": "15"},
        {"flow__maximum": '"1 L/min"'},  # no flowmeter: not in use
        {"nozzles__pressure_high": '"25 bar"'},  # no transducer
        {"nozzles__pressure_low": '"20 psi"'},
    ],
)  # fmt: skip
def test_keys_that_do_go_together_are_taken(changes: dict[str, str | None]) -> None:
    assert config.parse(toml(**changes), NAME).name == "Creek rig"


# --- files -----------------------------------------------------------------------------------------------


def _file_refusal(path: Path) -> str:
    with pytest.raises(ConfigError) as error:
        config.load(path)
    assert str(path) in str(error.value)
    return str(error.value)


def test_a_file_that_is_not_there_points_to_init(tmp_path: Path) -> None:
    assert "No such file or directory; 'rigmon init' writes a rig file" in _file_refusal(
        tmp_path / "none.toml"
    )


def test_a_folder_is_refused(tmp_path: Path) -> None:
    assert "cannot be read: Is a directory" in _file_refusal(tmp_path)


def test_bytes_that_are_not_text_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_bytes(b'[rig]\nname = "\xff"\n')
    assert "not UTF-8 text (byte 14); save the file as UTF-8" in _file_refusal(path)


def test_an_endless_file_is_refused_not_read() -> None:
    assert "larger than 1 MB" in _file_refusal(Path("/dev/zero"))


def test_a_byte_order_mark_and_windows_line_ends_are_taken(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_bytes(b"\xef\xbb\xbf" + toml().replace("\n", "\r\n").encode())
    rig, text = config.load(path)
    assert rig == config.parse(text, NAME) == config.parse(toml(), NAME)


# --- hostile text ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[rig\nname = 1", "not valid TOML"),
        ("[rig]\nname = Creek rig", "text and quantities in quotes"),
        ("[rig]\nnozzle_spacing = 20 in", "at line 2"),
        ("[rig]\nname = 'a'\nname = 'b'", "not valid TOML"),
        ("[rig]\nnozzle_count = " + "1" * 5000, "a number has too many digits"),
        ("[rig]\nname = 'x'\nnozzle_count = 0x" + "f" * 5000, "rig.nozzle_count = a very large number is out of bounds"),
        ("[rig]\nname = 0x" + "f" * 5000, "rig.name = a very large number must be text"),
        ("[target]\nrate = 0x" + "f" * 5000 + "\n" + toml().replace("[target]\n", "[node]\n").replace('rate = "17 gal/ac"\nspeed = "3.5 mph"\n', ""), "target.rate = a very large number needs a unit"),
        ("[rig]\nname = " + "[" * 100_000, "nested too deeply"),
        ("[rig]\nname" + ".a" * 3000 + " = 1", "rig.name = a table {...} must be text"),
        ("[rig]\nname = '" + "a" * 5000 + "\\u001b'\nnozzle_count = 'x'", "rig.nozzle_count"),
    ],
    ids=lambda value: value[:40],
)  # fmt: skip
def test_hostile_text_is_refused_with_a_short_message(text: str, words: str) -> None:
    message = refusal(text)
    assert words in message
    assert len(message) < 400


def test_nothing_unprintable_comes_back_from_a_value() -> None:
    for value in ('"\\u001b[31m20 in"', '"20 \\u202e in"', '"\\u0000"'):
        assert "\\" in refusal_of("rig", "nozzle_spacing", value)
        assert "\\" in refusal_of("rig", "name", value)


_value = st.sampled_from(
    ["1", "-1", "0", "12", "1e400", "1e-400", "nan", "-inf", "true", "[]", "[[1], {a = 2}]", "{}", '""', '"20 in"', '"17 gal/ac"',
     '"3.5 mph"', '"40 psi"', '"2 s"', '"1e99 m"', '"none"', '"xdr"', '"gpio"', '"adc"', "2026-05-30", "10:11:12",
     "2026-05-30T10:11:12Z", "0xffffffffffffffffffffffff", "'''\na\n'''", '"\\u202e"', "0.1", "99999999999999999999"]
) | st.integers().map(str) | st.floats().map(repr) | st.text(max_size=12).map(lambda text: f'"{text}"')  # fmt: skip
_key = st.sampled_from(sorted({key for _, key in KEYS})) | st.text("ab.\"' ", min_size=1, max_size=4)
_section = st.sampled_from([*config.SCHEMA, "alerts", "alerts.speed_fst", "rig.name", "other"])
_toml = st.lists(
    st.tuples(_section, st.lists(st.tuples(_key, _value), max_size=6)), max_size=6
).map(lambda tables: "\n".join(f"[{s}]\n" + "".join(f"{k} = {v}\n" for k, v in pairs) for s, pairs in tables))  # fmt: skip


@settings(max_examples=200)
@given(text=st.text(max_size=200) | _toml)
@example(text="\ufeff")
def test_no_text_raises_anything_but_a_config_error(text: str) -> None:
    _parse_or_refuse(text)


@settings(max_examples=200)
@given(changes=st.lists(st.tuples(st.sampled_from(KEYS), _value), min_size=1, max_size=5))
def test_no_change_to_a_good_file_raises_anything_but_a_config_error(
    changes: list[tuple[tuple[str, str], str]],
) -> None:
    _parse_or_refuse(toml(**{f"{section}__{key}": value for (section, key), value in changes}))


def _parse_or_refuse(text: str) -> None:
    words = ""
    try:
        rig = config.parse(text, NAME)
    except ConfigError as error:
        words = str(error)
    if words:
        assert words.startswith(NAME)
        assert words.isprintable()
    else:
        numbers = [value for value in _carried(rig).values() if isinstance(value, float)]
        assert all(abs(number) < 1e9 for number in numbers)
        assert rate.flow_for_rate_l_min(rig.target.rate_l_ha, rig.target.speed_m_s, rig.swath_m) > 0


def test_a_config_error_is_a_usage_error() -> None:
    assert issubclass(ConfigError, UsageError)


# --- the weather -----------------------------------------------------------------------------------------


def _weather(lines: str) -> Rig:
    return config.parse(f"{toml()}\n[weather]\n{lines}\n", NAME)


def test_no_limit_of_the_weather_has_a_default() -> None:
    weather = _weather('wind = "relative"\nair = "mda"').weather
    assert weather.fitted
    limits = [name for name in config.SCHEMA["weather"] if "_max" in name or "_min" in name]
    assert len(limits) == 7
    assert all(config.SCHEMA["weather"][name].default is None for name in limits)


# hand-worked: 10 mph x 0.44704 = 4.4704 m/s; (85 °F - 32) / 1.8 = 29.444 °C
def test_limits_of_the_weather_in_both_systems() -> None:
    us = _weather('wind = "true"\nair = "mda"\nwind_max = "10 mph"\ntemperature_max = "85 °F"').weather
    assert us.wind_max_m_s == 4.4704
    assert us.temperature_max_c == pytest.approx(29.4444, abs=1e-4)
    metric = _weather('wind = "true"\nair = "mda"\nwind_max = "4 m/s"\ntemperature_min = "-2 °C"').weather
    assert (metric.wind_max_m_s, metric.temperature_min_c) == (4.0, -2.0)


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ('wind_max = "10 mph"', "weather.wind_max = 16.09 km/h (10 mph) cannot be watched: weather.wind is 'none'"),
        ('temperature_min = "0 °C"', "weather.temperature_min = 0 °C (32 °F) cannot be watched: weather.air"),
        ('wind = "true"\nwind_max = "10"', "weather.wind_max = '10' has no unit of speed"),
        ('wind = "true"\nwind_max = "-3 mph"', "must be above 0 km/h"),
        ('wind = "true"\nwind_max = "3 mph"\nwind_min = "5 mph"', "weather.wind_min = 8.047 km/h (5 mph) must be below"),
        ('air = "mda"\ntemperature_max = "85 mph"', "'mph' is not a unit of temperature"),
        ('air = "mda"\nhumidity_min_pct = 80\nhumidity_max_pct = 60', "weather.humidity_min_pct = 80 % must be below"),
        ('wind = "apparent"', 'must be one of: "none", "relative", "true", "mda"'),
        ('wind = "true"\nzero_deg = 90\nground_heading_deg = 10', "leave one of the two out"),
    ],
)  # fmt: skip
def test_a_limit_that_cannot_be_watched_is_refused(lines: str, words: str) -> None:
    with pytest.raises(ConfigError) as refusal:
        _weather(lines)
    assert words in str(refusal.value)
