"""TOML <-> Rig. One table of keys makes the parser, its messages and the file that `rigmon init` writes.

Every error names the file, the key, the value, and what would be right; unknown keys are errors.
"""

import difflib
import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from rigmon import units
from rigmon.errors import ConfigError
from rigmon.rig import (
    AlertRule,
    BoomSwitch,
    Calibration,
    FlowSensor,
    Gps,
    Node,
    PressureSensor,
    Rig,
    Speed,
    Target,
)

_REQUIRED = object()


@dataclass(frozen=True, slots=True)
class Key:
    """One key of the rig file: how to read it, its default, its bounds, and what `rigmon init` says of it."""

    kind: str  #: a dimension of `units`, or one of: text, int, number, pct, flag, date, choice, delay
    default: Any
    about: str
    example: str = ""  #: what `rigmon init` writes; empty: the hint or default, commented out
    choices: tuple[str, ...] = ()
    low: float | None = None  #: inclusive, carried units
    high: float | None = None
    above: float | None = None  #: exclusive lower bound
    hint: str = ""  #: for keys without a default: what a value looks like


def _alert(
    about: str, on: str, off: str = "2 s", deadband: float = 2.0, limit: float | None = None
) -> dict[str, Key]:
    keys = {
        "enabled": Key("flag", True, about),
        "on_delay": Key(
            "delay", on, "how long it must last to be raised: a time, or metres or feet travelled"
        ),
        "off_delay": Key("delay", off, "how long it must be over to be cleared: a time"),
        "deadband_pct": Key(
            "pct", deadband, "how far back inside the limit it must come to clear", low=0, high=50
        ),
    }
    if limit is not None:
        keys["limit_pct"] = Key("pct", limit, "how far below the calibration's pressure", above=0, high=100)
    return keys


#: section -> key -> Key. Order is the order in the file that `rigmon init` writes.
SCHEMA: dict[str, dict[str, Key]] = {
    "rig": {
        "name": Key("text", _REQUIRED, "what you call this rig", '"Creek rig"  # invented'),
        "nozzle_count": Key("int", _REQUIRED, "nozzles on the boom", "12", low=1, high=500),
        "nozzle_spacing": Key("length", _REQUIRED, "between neighbouring nozzles", '"20 in"', above=0, high=20),
        "swath": Key("length", None, "effective swath, when it is not nozzle_count x nozzle_spacing", above=0, high=100, hint='"20 ft"'),
        "swath_uncertainty_pct": Key("number", 1.0, "standard uncertainty of the swath, %", low=0, high=20),
        "units": Key("choice", "us", "what screens and reports show", '"us"', ("us", "metric")),
    },
    "target": {
        "rate": Key("rate", _REQUIRED, "application rate the label and the job call for", '"17 gal/ac"', above=0),
        "speed": Key("speed", None, "speed you mean to hold; left out: the one at which the calibrated flow gives the rate", '"3.5 mph"', above=0, high=20),
        "tolerance_pct": Key("pct", 10.0, "rate may be off by this much, %", "10", above=0, high=50),
    },
    "calibration": {
        "flow": Key("flow", None, "whole-boom output from the catch test, with clean water", '"2.4 gal/min"', above=0),
        "pressure": Key("pressure", None, "pressure during the catch test", '"40 psi"', above=0),
        "taken_on": Key("date", None, "day of the catch test", "2026-05-30"),
        "uncertainty_pct": Key("number", 2.5, "standard uncertainty of the calibrated flow, %", low=0, high=50),
    },
    "gps": {
        "port": Key("text", "/dev/serial0", "serial port or pyserial URL of the receiver", '"/dev/serial0"'),
        "baud": Key("int", 9600, "its speed", "9600", low=300, high=4000000),
        "stale": Key("time", "2 s", "silence after which speed is unknown", low=0.2, high=60),
        "speed_noise": Key("speed", "0.05 m/s", "standard deviation of one Doppler speed", above=0, high=2),
        "speed_bias_pct": Key("number", 0.5, "standard uncertainty of speed that does not average out, %", low=0, high=20),
        "accept_missing_checksum": Key("flag", False, "take sentences without checksum from an old receiver"),
    },
    "node": {
        "port": Key("text", None, "second port, where a sensor node sends its XDR sentences; left out: the GPS port", hint='"/dev/ttyACM1"'),
        "baud": Key("int", 9600, "its speed", low=300, high=4000000),
    },
    "speed": {
        "minimum": Key("speed", "0.5 m/s", "below it no rate is stated; a boom without switch is assumed off", above=0, high=5),
        "stationary": Key("speed", "0.15 m/s", "below it the rig counts as standing still", low=0, high=2),
        "maximum": Key("speed", "15 m/s", "a faster reading is implausible", above=0, high=100),
        "jerk": Key("number", 0.35, "how briskly speed changes, m/s3: larger follows faster and smooths less", above=0, high=50),
    },
    "flow": {
        "source": Key("choice", "none", "none | gpio | xdr", '"none"', ("none", "gpio", "xdr")),
        "xdr_name": Key("text", "FLOW", "xdr: the transducer's name: type R (flow, L/s) or V (volume, m3)", '"FLOW"'),
        "pin": Key("int", None, "gpio: BCM number of the pulse pin", low=0, high=53, hint='17'),
        "pulses_per_l": Key("number", None, "gpio: pulses per litre from the flowmeter calibration", above=0, hint='450'),
        "maximum": Key("flow", "200 L/min", "a larger reading is implausible", above=0),
        "uncertainty_pct": Key("number", 2.0, "standard uncertainty of the flowmeter, %", low=0, high=50),
        "stale": Key("time", "2 s", "silence after which flow is unknown", low=0.2, high=60),
    },
    "pressure": {
        "source": Key("choice", "none", "none | adc | xdr", '"none"', ("none", "adc", "xdr")),
        "xdr_name": Key("text", "BOOM", "xdr: the transducer's name: type P (bar or pascal)", '"BOOM"'),
        "chip": Key("choice", "MCP3008", "adc: the converter", "", ("MCP3004", "MCP3008", "MCP3204", "MCP3208")),
        "channel": Key("int", 0, "adc: channel of the transducer", low=0, high=7),
        "supply_channel": Key("int", None, "adc: channel that measures the supply rail through the same divider", low=0, high=7, hint='1'),
        "zero_fraction": Key("number", 0.1, "adc: reading at zero pressure, as a fraction of full scale (of the rail, where it is measured)", low=0, high=1),
        "span_fraction": Key("number", 0.9, "adc: reading at the span pressure, same fraction", low=0, high=1),
        "span": Key("pressure", "1000 kPa", "adc: pressure at span_fraction", above=0),
        "maximum": Key("pressure", "2000 kPa", "a larger reading is implausible", above=0),
        "uncertainty_pct": Key("number", 2.0, "standard uncertainty of the pressure, %", low=0, high=50),
        "stale": Key("time", "2 s", "silence after which pressure is unknown", low=0.2, high=60),
    },
    "boom_switch": {
        "source": Key("choice", "none", "none | gpio | xdr", '"none"', ("none", "gpio", "xdr")),
        "xdr_name": Key("text", "BOOM", "xdr: the transducer's name: type S (0 off, 1 on)", '"BOOM"'),
        "pin": Key("int", None, "gpio: BCM number of the switch pin", low=0, high=53, hint='27'),
        "stale": Key("time", "5 s", "xdr: silence after which the switch is unknown", low=0.2, high=600),
    },
    "sample": {"step": Key("time", "0.2 s", "one sample per step", low=0.05, high=1)},
    "score": {
        "required_area_pct": Key("pct", 90.0, "share of the treated area that must be inside the tolerance, %", "90", above=0, high=100),
    },
    "log": {"folder": Key("text", "runs", "where run logs are kept; relative to where rigmon is started")},
    "alerts.speed_fast": _alert("faster than the band allows, and speed is what is off", "1.8 s"),
    "alerts.speed_slow": _alert("slower than the band allows, and speed is what is off", "1.8 s"),
    "alerts.rate_high": _alert("rate above tolerance, and flow is what is off", "4 s"),
    "alerts.rate_low": _alert("rate below tolerance, and flow is what is off", "4 s"),
    "alerts.pressure_loss": _alert("pressure far below the calibration's", "1.5 s", deadband=4.0, limit=20.0),
    "alerts.gps_lost": _alert("no usable fix", "1 s", off="1 s"),
    "alerts.gps_implausible": _alert("speed from the receiver cannot be true", "1 s"),
    "alerts.flow_silent": _alert("the flowmeter says nothing", "1 s"),
    "alerts.flow_implausible": _alert("the flowmeter's reading cannot be true", "2 s"),
    "alerts.pressure_silent": _alert("the pressure transducer says nothing", "1 s"),
    "alerts.pressure_implausible": _alert("the transducer's reading cannot be true", "2 s"),
    "alerts.boom_switch_silent": _alert("the boom switch says nothing", "1 s"),
    "alerts.input_lost": _alert("readings were lost on the way in", "0 s", off="10 s"),
    "alerts.run_log_trouble": _alert("the run log is late or cannot be written", "0 s", off="5 s"),
}  # fmt: skip

ALERT_CODES: tuple[str, ...] = tuple(s.removeprefix("alerts.") for s in SCHEMA if s.startswith("alerts."))


def load(path: Path) -> tuple[Rig, str]:
    """Read a rig file. Returns the rig and the file's text (kept in run logs). Raises ConfigError."""
    try:
        text = path.read_bytes().decode("utf-8")
    except OSError as error:
        raise ConfigError(
            f"{path}: cannot be read: {error.strerror}; 'rigmon init' writes a rig file"
        ) from error
    except UnicodeDecodeError as error:
        raise ConfigError(f"{path}: not UTF-8 text (byte {error.start}); save the file as UTF-8") from error
    return parse(text, str(path)), text


def parse(text: str, name: str) -> Rig:
    """A rig from TOML text; `name` is what errors call the file. Raises ConfigError."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(f"{name}: not valid TOML: {error}") from error
    values = _read(data, name)
    return _build(values, name)


def _read(data: dict[str, Any], name: str) -> dict[str, dict[str, Any]]:
    sections: dict[str, Any] = {}
    for section, table in data.items():
        if section == "alerts" and isinstance(table, dict):
            sections.update({f"alerts.{code}": rule for code, rule in table.items()})
        else:
            sections[section] = table
    for section, table in sections.items():
        if section not in SCHEMA:
            raise ConfigError(f"{name}: unknown section [{section}]; {_closest(section, SCHEMA)}")
        if not isinstance(table, dict):
            raise ConfigError(
                f"{name}: {section} = {table!r} must be a section: [{section}] and keys below it"
            )
    values: dict[str, dict[str, Any]] = {}
    for section, keys in SCHEMA.items():
        given = sections.get(section, {})
        for key in given:
            if key not in keys:
                raise ConfigError(f"{name}: unknown key {section}.{key}; {_closest(key, keys)}")
        values[section] = {}
        for key, spec in keys.items():
            where = f"{name}: {section}.{key}"
            if key in given:
                values[section][key] = _value(spec, given[key], where)
            elif spec.default is _REQUIRED:
                raise ConfigError(
                    f"{where} is missing; add it, such as: {key} = {spec.example.split('  #')[0]}"
                )
            else:
                values[section][key] = None if spec.default is None else _value(spec, spec.default, where)
    return values


def _closest(word: str, known: dict[str, Any]) -> str:
    near = difflib.get_close_matches(word, known, n=1)
    return f"did you mean '{near[0]}'?" if near else f"known are: {', '.join(known)}"


def _value(spec: Key, value: Any, where: str) -> Any:
    read: Callable[[Key, Any, str], Any] = _READERS.get(spec.kind, _read_quantity)
    result = read(spec, value, where)
    if isinstance(result, int | float) and not isinstance(result, bool):
        outside = (
            (spec.low is not None and result < spec.low)
            or (spec.high is not None and result > spec.high)
            or (spec.above is not None and result <= spec.above)
        )
        if outside:
            unit = next(iter(units.UNITS[spec.kind])) if spec.kind in units.UNITS else ""
            floor = f"above {spec.above:g}" if spec.above is not None else f"at least {spec.low or 0:g}"
            ceiling = f" and at most {spec.high:g}" if spec.high is not None else ""
            raise ConfigError(
                f"{where} = {value!r} is out of bounds; it must be {floor}{ceiling} {unit}".rstrip()
            )
    return result


def _read_text(_spec: Key, value: Any, where: str) -> str:
    if not isinstance(value, str) or not value.strip():
        raise ConfigError(f'{where} = {value!r} must be text in quotes, such as "..."')
    return value


def _read_int(_spec: Key, value: Any, where: str) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise ConfigError(f"{where} = {value!r} must be a whole number without quotes")
    return value


def _read_number(_spec: Key, value: Any, where: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) <= 1e300:
        raise ConfigError(f"{where} = {value!r} must be a number without quotes")
    return float(value)


def _read_flag(_spec: Key, value: Any, where: str) -> bool:
    if not isinstance(value, bool):
        raise ConfigError(f"{where} = {value!r} must be true or false, without quotes")
    return value


def _read_date(_spec: Key, value: Any, where: str) -> date:
    if type(value) is not date:
        raise ConfigError(f"{where} = {value!r} must be a date without quotes, such as 2026-05-30")
    return value


def _read_choice(spec: Key, value: Any, where: str) -> str:
    if value not in spec.choices:
        raise ConfigError(f"{where} = {value!r} must be one of: {', '.join(spec.choices)}")
    return str(value)


def _read_delay(_spec: Key, value: Any, where: str) -> tuple[float | None, float | None]:
    """(seconds, None) or (None, metres)."""
    wrong = ConfigError(f"{where} = {value!r} must be a time or a distance from 0 up, such as '2 s' or '3 m'")
    if not isinstance(value, str):
        raise wrong
    for dimension in ("time", "length"):
        try:
            amount = units.parse(value, dimension)
        except units.UnitError:
            continue
        if not 0 <= amount <= 3600:
            raise wrong
        return (amount, None) if dimension == "time" else (None, amount)
    raise wrong


def _read_quantity(spec: Key, value: Any, where: str) -> float:
    if not isinstance(value, str):
        raise ConfigError(
            f"{where} = {value!r} needs a unit of {spec.kind}, in quotes, "
            f'such as "{value} {next(iter(units.UNITS[spec.kind]))}"'
        )
    try:
        return units.parse(value, spec.kind)
    except units.UnitError as error:
        raise ConfigError(f"{where}: {error}") from error


_READERS: dict[str, Callable[[Key, Any, str], Any]] = {
    "text": _read_text,
    "int": _read_int,
    "number": _read_number,
    "pct": _read_number,
    "flag": _read_flag,
    "date": _read_date,
    "choice": _read_choice,
    "delay": _read_delay,
}


def _build(values: dict[str, dict[str, Any]], name: str) -> Rig:
    rig, target, cal = values["rig"], values["target"], values["calibration"]
    flow, pressure, boom = values["flow"], values["pressure"], values["boom_switch"]
    gps, speed = values["gps"], values["speed"]
    swath_m = rig["swath"] if rig["swath"] is not None else rig["nozzle_count"] * rig["nozzle_spacing"]

    def wrong(key: str, why: str) -> ConfigError:
        return ConfigError(f"{name}: {key} {why}")

    if cal["flow"] is None and flow["source"] == "none":
        raise wrong(
            "calibration.flow", "is missing; without a flowmeter the rate rests on it: do a catch test"
        )
    if pressure["source"] != "none" and cal["flow"] is not None and cal["pressure"] is None:
        raise wrong("calibration.pressure", "is missing; a fitted transducer is compared with it")
    if target["speed"] is None and cal["flow"] is None:
        raise wrong("target.speed", "is missing; without calibration.flow it cannot be worked out")
    if flow["source"] == "gpio" and (flow["pin"] is None or flow["pulses_per_l"] is None):
        raise wrong("flow.pin and flow.pulses_per_l", "are needed when flow.source is 'gpio'")
    if boom["source"] == "gpio" and boom["pin"] is None:
        raise wrong("boom_switch.pin", "is needed when boom_switch.source is 'gpio'")
    if pressure["span_fraction"] <= pressure["zero_fraction"]:
        raise wrong(
            "pressure.span_fraction", f"= {pressure['span_fraction']!r} must be above pressure.zero_fraction"
        )
    if speed["stationary"] >= speed["minimum"]:
        raise wrong("speed.stationary", "must be below speed.minimum")

    target_speed = target["speed"]
    if target_speed is None:
        # rate = flow / (speed x swath); L/min over m/s and m is 1e4/60 L/ha
        target_speed = cal["flow"] * 1e4 / (60 * target["rate"] * swath_m)
    calibration = None
    if cal["flow"] is not None:
        calibration = Calibration(cal["flow"], cal["pressure"], cal["taken_on"], cal["uncertainty_pct"])
    return Rig(
        name=rig["name"],
        nozzle_count=rig["nozzle_count"],
        nozzle_spacing_m=rig["nozzle_spacing"],
        swath_m=swath_m,
        swath_uncertainty_pct=rig["swath_uncertainty_pct"],
        units=rig["units"],
        target=Target(target["rate"], target_speed, target["tolerance_pct"]),
        calibration=calibration,
        gps=Gps(
            port=gps["port"],
            baud=gps["baud"],
            stale_s=gps["stale"],
            speed_noise_m_s=gps["speed_noise"],
            speed_bias_pct=gps["speed_bias_pct"],
            accept_missing_checksum=gps["accept_missing_checksum"],
        ),
        node=Node(values["node"]["port"], values["node"]["baud"]),
        speed=Speed(speed["minimum"], speed["stationary"], speed["maximum"], speed["jerk"]),
        flow=FlowSensor(
            source=flow["source"],
            xdr_name=flow["xdr_name"],
            pin=flow["pin"],
            pulses_per_l=flow["pulses_per_l"],
            maximum_l_min=flow["maximum"],
            uncertainty_pct=flow["uncertainty_pct"],
            stale_s=flow["stale"],
        ),
        pressure=PressureSensor(
            source=pressure["source"],
            xdr_name=pressure["xdr_name"],
            chip=pressure["chip"],
            channel=pressure["channel"],
            supply_channel=pressure["supply_channel"],
            zero_fraction=pressure["zero_fraction"],
            span_fraction=pressure["span_fraction"],
            span_kpa=pressure["span"],
            maximum_kpa=pressure["maximum"],
            uncertainty_pct=pressure["uncertainty_pct"],
            stale_s=pressure["stale"],
        ),
        boom_switch=BoomSwitch(boom["source"], boom["xdr_name"], boom["pin"], boom["stale"]),
        sample_step_s=values["sample"]["step"],
        required_area_pct=values["score"]["required_area_pct"],
        runs_folder=values["log"]["folder"],
        alerts={code: _rule(values[f"alerts.{code}"], f"{name}: alerts.{code}") for code in ALERT_CODES},
    )


def _rule(keys: dict[str, Any], where: str) -> AlertRule:
    on_s, on_m = keys["on_delay"]
    off_s, off_m = keys["off_delay"]
    if off_m is not None:
        raise ConfigError(f"{where}.off_delay = {off_m:g} m must be a time, such as '2 s'")
    return AlertRule(keys["enabled"], keys.get("limit_pct"), keys["deadband_pct"], on_s, on_m, off_s)


_HEADER = """\
# rigmon rig file. Every quantity is written with its unit, US customary or metric: "20 in" or "50 cm".
# Lines that start with '#' show the default; take the '#' away to change one.
# The scenario in it (the Creek rig) is invented: put your own rig in its place.
#
# Calibrate with clean water. The product label is the law: this file never overrides it.
"""


def template() -> str:
    """The commented rig file that `rigmon init` writes."""
    lines = [_HEADER]
    for section, keys in SCHEMA.items():
        if section.startswith("alerts."):
            lines.append(f"# [{section}]  # {keys['enabled'].about}")
        else:
            lines.append(f"[{section}]")
        for key, spec in keys.items():
            if section.startswith("alerts.") and key == "enabled":
                lines.append("# enabled = true")
                continue
            shown = spec.example or spec.hint or _toml(spec.default)
            about = spec.about if not section.startswith("alerts.") else ""
            mark = "" if spec.example else "# "
            note = f"  # {about}" if about and "#" not in shown else ""
            lines.append(f"{mark}{key} = {shown}{note}")
        lines.append("")
    return "\n".join(lines)


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return f'"{value}"' if isinstance(value, str) else f"{value:g}"
