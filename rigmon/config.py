"""TOML <-> Rig. One table of keys makes the parser, its messages and the file that `rigmon init` writes.

Every error names the file, the key, the value, and what would be right; unknown keys are errors.
"""

import difflib
import json
import math
import re
import tomllib
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

from rigmon import units
from rigmon.errors import ConfigError
from rigmon.rig import (
    AlertRule,
    BoomSwitch,
    Buzzer,
    Calibration,
    Diagnosis,
    FlowSensor,
    Gps,
    Lights,
    LogSpace,
    Mqtt,
    Node,
    Nozzles,
    PowerFail,
    PressureSensor,
    Rig,
    RunRules,
    Speed,
    Target,
    WeatherSensor,
    Web,
)

_REQUIRED = object()

#: A rig file is a page or two; more is a wrong file.
_LARGEST_FILE_BYTES = 1_000_000

_LARGEST_SWATH_M = 100.0
#: letters, digits and hyphens in labels (RFC 1123, 2.1)
_HOST_NAME = re.compile(r"(?!-)[A-Za-z0-9-]{1,63}(?<!-)(\.(?!-)[A-Za-z0-9-]{1,63}(?<!-)){0,8}")
_HIGHEST_PIN = 53


@dataclass(frozen=True, slots=True)
class Key:
    """One key of the rig file: how to read it, its default, its bounds, and what `rigmon init` says of it."""

    kind: str  #: a dimension of `units`, or one of: text, int, number, pct, flag, date, choice, delay, size, pins, names
    default: Any
    about: str
    example: str = ""  #: what `rigmon init` writes; empty: the hint or default, commented out
    choices: tuple[str, ...] = ()
    low: float | None = None  #: inclusive, carried units
    high: float | None = None
    above: float | None = None  #: exclusive lower bound
    hint: str = ""  #: for keys without a default: what a value looks like

    def sample(self) -> str:
        """A value of this key as the file would have it."""
        return self.example or self.hint or _toml(self.default)


def _alert(
    about: str, on: str, off: str = "2 s", deadband: float | None = None, limit: float | None = None
) -> dict[str, Key]:
    keys = {
        "enabled": Key("flag", True, about),
        "on_delay": Key(
            "delay", on, 'raised when it lasts so long: a time, or a distance travelled such as "10 ft"'
        ),
        "off_delay": Key("time", off, "cleared when it is over for so long", low=0, high=3600),
    }
    if limit is not None:
        keys["limit_pct"] = Key(
            "pct", limit, "how far below calibration.pressure it may fall, %", above=0, high=100
        )
    if deadband is not None:
        about = "how far back inside the limit it must come to clear, %"
        keys["deadband_pct"] = Key("pct", deadband, about, low=0, high=50)
    return keys


_LEVELS = ("low", "high")

#: section -> key -> Key. Order is the order in the file that `rigmon init` writes.
SCHEMA: dict[str, dict[str, Key]] = {
    "rig": {
        "name": Key("text", _REQUIRED, "what you call this rig (this one is invented)", '"Creek rig"'),
        "nozzle_count": Key("int", _REQUIRED, "nozzles on the boom", "12", low=1, high=500),
        "nozzle_spacing": Key("length", _REQUIRED, "between neighbouring nozzles", '"20 in"', low=0.01, high=20),
        "swath": Key("length", None, "effective swath, when it is not nozzle_count x nozzle_spacing", low=0.1, high=100, hint='"20 ft"'),
        "swath_uncertainty_pct": Key("number", 1.0, "standard uncertainty of the swath, %", low=0, high=20),
        "units": Key("choice", "us", "us | metric: what screens and reports show", '"us"', ("us", "metric")),
    },
    "nozzles": {
        "set": Key("text", None, "what you call the nozzle set that is fitted", hint='"flat fan 02"'),
        "size": Key("size", None, "its ISO 10625 size, as stamped on it", hint='"02"'),
        "rated_flow": Key("flow", None, "rated output of one nozzle, when not from its size; needs rated_pressure", low=0.01, high=200, hint='"0.2 gal/min"'),
        "rated_pressure": Key("pressure", None, "pressure of rated_flow, which it needs", low=5, high=10000, hint='"40 psi"'),
        "spray_angle_deg": Key("number", None, "spray angle at rated_pressure, degrees", low=5, high=180, hint="110"),
        "pressure_low": Key("pressure", None, "lowest pressure at which the set keeps its spray pattern", low=5, high=10000, hint='"20 psi"'),
        "pressure_high": Key("pressure", None, "highest pressure for it", low=5, high=10000, hint='"60 psi"'),
    },
    "target": {
        "rate": Key("rate", _REQUIRED, "application rate the label and the job call for", '"17 gal/ac"', low=0.1, high=20000),
        "speed": Key("speed", None, "speed you mean to hold; left out: the one at which the calibrated flow gives the rate", '"3.5 mph"', low=0.1, high=20),
        "tolerance_pct": Key("pct", 10.0, "rate may be off by this much, %", "10", above=0, high=50),
        "record": Key("text", None, "the calibration book's record that rate and speed were taken from", hint='"2026-05-30 target 1"'),
    },
    "calibration": {
        "flow": Key("flow", None, "whole-boom output from the catch test, with clean water", '"2.4 gal/min"', low=0.01, high=2000),
        "pressure": Key("pressure", None, "pressure during the catch test", '"40 psi"', low=5, high=10000),
        "taken_on": Key("date", None, "day of the catch test", "2026-05-30"),
        "uncertainty_pct": Key("number", 2.5, "standard uncertainty of the calibrated flow, %", low=0, high=50),
        "record": Key("text", None, "the calibration book's record of the catch test", hint='"2026-05-30 catch 1"'),
        "max_age_days": Key("int", 30, "a calibration older than this is due again, days; at the latest each season", low=1, high=1000),
    },
    "tank": {
        "volume": Key("volume", None, "what the tank holds when it is full", low=0.5, high=50000, hint='"25 gal"'),
    },
    "gps": {
        "port": Key("text", "/dev/serial0", "serial port or pyserial URL of the receiver", '"/dev/serial0"'),
        "baud": Key("int", 9600, "its speed", "9600", low=300, high=4000000),
        "stale": Key("time", "2 s", "silence after which speed is unknown", low=0.2, high=60),
        "speed_noise": Key("speed", "0.05 m/s", "standard deviation of one Doppler speed", low=0.001, high=2),
        "speed_bias_pct": Key("number", 0.5, "standard uncertainty of speed that does not average out, %", low=0, high=20),
        "accept_missing_checksum": Key("flag", False, "take sentences without checksum from an old receiver"),
        "position_uncertainty": Key("length", None, "how far positions may be off from one pass to the next, for coverage; left out: 1 m", low=0.001, high=50, hint='"10 in"'),
    },
    "node": {
        "port": Key("text", None, "second port, where a sensor node sends its XDR sentences; left out: the GPS port", hint='"/dev/ttyACM1"'),
        "baud": Key("int", 9600, "its speed", low=300, high=4000000),
    },
    "speed": {
        "minimum": Key("speed", "0.5 m/s", "below it no rate is stated; a boom without switch is assumed off", low=0.05, high=5),
        "stationary": Key("speed", "0.15 m/s", "below it the rig counts as standing still", low=0, high=2),
        "maximum": Key("speed", "15 m/s", "a faster reading is implausible", low=1, high=100),
        "jerk": Key("number", 0.35, "how briskly speed changes, m/s3: larger follows faster and smooths less", low=0.001, high=50),
    },
    "flow": {
        "source": Key("choice", "none", "none | gpio | xdr", '"none"', ("none", "gpio", "xdr")),
        "xdr_name": Key("text", "FLOW", "xdr: the transducer's name: type R (flow, L/s) or V (volume, m3)", '"FLOW"'),
        "pin": Key("int", None, "gpio: BCM number of the pulse pin", low=0, high=53, hint='17'),
        "pull": Key("choice", "up", "gpio: up | down | none: resistor of the pulse pin; up suits an open collector", "", ("up", "down", "none")),
        "pulses_per_l": Key("number", None, "gpio: pulses per litre from the flowmeter calibration", low=0.01, high=1e6, hint='450'),
        "maximum": Key("flow", "200 L/min", "a larger reading is implausible", low=0.1, high=5000),
        "uncertainty_pct": Key("number", 2.0, "standard uncertainty of the flowmeter, %", low=0, high=50),
        "stale": Key("time", "2 s", "silence after which flow is unknown", low=0.2, high=60),
        "record": Key("text", None, "the calibration book's record of the meter", hint='"2026-05-30 flowmeter 1"'),
    },
    "pressure": {
        "source": Key("choice", "none", "none | adc | xdr", '"none"', ("none", "adc", "xdr")),
        "xdr_name": Key("text", "BOOM", "xdr: the transducer's name: type P (bar or pascal)", '"BOOM"'),
        "chip": Key("choice", "MCP3008", "adc: the converter", "", ("MCP3004", "MCP3008", "MCP3204", "MCP3208")),
        "channel": Key("int", 0, "adc: channel of the transducer", low=0, high=7),
        "spi_device": Key("int", 0, "adc: chip select, 0 (CE0) or 1 (CE1)", low=0, high=1),
        "supply_channel": Key("int", None, "adc: channel that measures the supply rail through the same divider", low=0, high=7, hint='1'),
        "zero_fraction": Key("number", 0.1, "adc: reading at zero pressure, as a fraction of full scale (of the rail, where it is measured)", low=0, high=1),
        "span_fraction": Key("number", 0.9, "adc: reading at the span pressure, same fraction", low=0, high=1),
        "span": Key("pressure", "1000 kPa", "adc: pressure at span_fraction", low=10, high=100000),
        "maximum": Key("pressure", "2000 kPa", "a larger reading is implausible", low=10, high=100000),
        "uncertainty_pct": Key("number", 2.0, "standard uncertainty of the pressure, %", low=0, high=50),
        "stale": Key("time", "2 s", "silence after which pressure is unknown", low=0.2, high=60),
        "record": Key("text", None, "the calibration book's record of the transducer", hint='"2026-05-30 transducer 1"'),
    },
    "boom_switch": {
        "source": Key("choice", "none", "none | gpio | xdr", '"none"', ("none", "gpio", "xdr")),
        "xdr_name": Key("text", "BOOM", "xdr: the transducer's name: type S (0 off, 1 on)", '"BOOM"'),
        "pin": Key("int", None, "gpio: BCM number of the switch pin", low=0, high=53, hint='27'),
        "pull": Key("choice", "up", "gpio: up | down | none: resistor of the switch pin", "", ("up", "down", "none")),
        "on_level": Key("choice", "low", "gpio: level of the pin while the boom is on; low: the switch connects it to ground", "", _LEVELS),
        "stale": Key("time", "5 s", "silence after which the switch is unknown", low=0.2, high=600),
    },
    "weather": {
        "wind": Key("choice", "none", "none | relative | true | mda: the sentence that the wind is taken from: MWV,R of a sensor on the rig, MWV,T, or MDA", '"none"', ("none", "relative", "true", "mda")),
        "air": Key("choice", "none", "none | mda | xdr: the sentence that temperature and humidity are taken from", '"none"', ("none", "mda", "xdr")),
        "temperature_name": Key("text", "AIR", "xdr: the transducer's name: type C (°C)"),
        "humidity_name": Key("text", "AIR", "xdr: the transducer's name: type H (%)"),
        "true_angle_from": Key("choice", "bow", "bow | north: what MWV,T counts its angle from; NMEA 0183 says bow, stations with a compass say north", "", ("bow", "north")),
        "zero_deg": Key("number", 0.0, "where the sensor's zero points, degrees clockwise from the bow", low=-180, high=360),
        "ground_heading_deg": Key("number", None, "the sensor stands still beside the field: where its zero points, degrees clockwise from true north", low=0, high=360, hint="0"),
        "magnetic_variation_deg": Key("number", None, "mda: for stations that give the magnetic direction alone, degrees, east positive", low=-180, high=180, hint="8.5"),
        "height": Key("length", None, "of the wind sensor above the ground", low=0.1, high=50, hint='"6 ft"'),
        "stale": Key("time", "10 s", "silence after which wind or air is unknown", low=0.5, high=600),
        "wind_max": Key("speed", None, "alert above this wind, 2 min mean; no default is a permission: the label and local rules say it", above=0, high=45, hint='"10 mph"'),
        "gust_max": Key("speed", None, "alert above this gust, highest 3 s mean in 10 min", above=0, high=60, hint='"15 mph"'),
        "wind_min": Key("speed", None, "alert below this wind, 2 min mean: calm air may hold an inversion", above=0, high=20, hint='"3 mph"'),
        "temperature_max": Key("temperature", None, "alert above this air temperature", low=-40, high=60, hint='"85 °F"'),
        "temperature_min": Key("temperature", None, "alert below it", low=-40, high=60, hint='"40 °F"'),
        "humidity_max_pct": Key("pct", None, "alert above this relative humidity, %", low=0, high=100, hint="95"),
        "humidity_min_pct": Key("pct", None, "alert below it, %", low=0, high=100, hint="40"),
    },
    "lights": {
        "pins": Key("pins", None, "BCM numbers of three to eight lights in a row, from too slow to too fast", hint="[5, 6, 13]"),
        "trouble_pin": Key("int", None, "BCM number of the light that says that something is wrong", low=0, high=53, hint="19"),
        "on_level": Key("choice", "high", "level that lights them", "", _LEVELS),
    },
    "buzzer": {
        "pin": Key("int", None, "BCM number of the buzzer's pin", low=0, high=53, hint="26"),
        "on_level": Key("choice", "high", "level that sounds it", "", _LEVELS),
    },
    "runs": {
        "begin": Key("choice", "start", "start | work: a run begins when rigmon starts, or when the boom is on and the rig moves", "", ("start", "work")),
        "end_after": Key("time", None, "a run ends when the rig stood still with the boom off for so long; the next begins with the next work", low=10, high=86400, hint='"10 min"'),
        "stop_pin": Key("int", None, "BCM number of a button that ends the run", low=0, high=53, hint="22"),
        "stop_level": Key("choice", "low", "level of its pin while it is pressed", "", _LEVELS),
    },
    "power": {
        "fail_pin": Key("int", None, "BCM number of the pin that says that the supply is going: the log is closed", low=0, high=53, hint="23"),
        "fail_level": Key("choice", "low", "its level then", "", _LEVELS),
        "fail_delay": Key("time", "0.5 s", "shorter dips are ridden through", low=0, high=60),
    },
    "sample": {"step": Key("time", "0.2 s", "one sample per step", low=0.05, high=1)},
    "score": {
        "required_area_pct": Key("pct", 90.0, "share of the treated area that must be inside the tolerance, %", "90", above=0, high=100),
    },
    "log": {
        "folder": Key("text", "runs", "where run logs are kept; relative to where rigmon is started"),
        "keep_free_mb": Key("int", 500, "the oldest scored logs are deleted so that this much stays free, MB; 0: never", low=0, high=10_000_000),
        "delete_unscored": Key("flag", False, "also logs that were never scored"),
    },
    "web": {
        "enabled": Key("flag", False, "serve the driver's and the crew's pages; 'rigmon run --pages' does it for one run"),
        "address": Key("text", "127.0.0.1", "address to listen at: 127.0.0.1 for this board alone, 0.0.0.0 for the rig's network"),
        "port": Key("int", 8088, "port to listen at", low=1024, high=65535),
        "hosts": Key("names", None, "further names that this board is called by, as typed into a browser", hint='["rig.lan"]'),
        "max_clients": Key("int", 20, "phones, tablets and programs that may follow the live feed at a time", low=1, high=200),
    },
    "mqtt": {
        "host": Key("text", None, "an MQTT broker to publish to while pages are served; left out: none", hint='"192.168.4.2"'),
        "port": Key("int", 1883, "its port", low=1, high=65535),
        "topic": Key("text", "rigmon", "topics begin with this"),
        "username": Key("text", None, "name to sign in with", hint='"rig"'),
        "password_file": Key("text", None, "file that holds the password alone: this file's text goes into every run log", hint='"/var/lib/rigmon/mqtt-password"'),
    },
    "diagnosis": {
        "enabled": Key("flag", True, "compare the sensors with one another: nozzles, leaks, supply, meters that err"),
        "false_alarms_per_h": Key("number", 0.1, "false alarms that you bear with in an hour with the boom on, of all diagnoses together; fewer: changes are found later (see 'rigmon doctor')", low=0.001, high=10),
        "smallest_change_pct": Key("pct", 4.0, "smallest change of the boom's output that matters, %: at most 100 / nozzle_count finds one plugged nozzle (of 18: 5.6); smaller: found later", low=0.5, high=30),
        "learning": Key("time", "30 s", "a run's own level is learned from so much time with the boom on", low=10, high=600),
        "settling": Key("time", None, "waited after the boom is switched on; left out: measured", low=0.2, high=8, hint='"2 s"'),
        "start_flow": Key("flow", None, "boom flow at calibration.pressure that an earlier run ended with, by the fitted meter; needs calibration.pressure", low=0.01, high=2000, hint='"2.4 gal/min"'),
        "creep_pct": Key("pct", 5.0, "lasting deviation of the speed that matters, %", low=1, high=30),
    },
    "book": {"file": Key("text", "calibration.sqlite", "the calibration book; relative to this file's folder")},
    "alerts.speed_fast": _alert("too fast: rate low by 1.25 x the tolerance, and speed is what is off", "1.8 s", deadband=2.0),
    "alerts.speed_slow": _alert("too slow: rate high by 1.25 x the tolerance, and speed is what is off", "1.8 s", deadband=2.0),
    "alerts.rate_high": _alert("rate above tolerance, and flow is what is off", "4 s", deadband=2.0),
    "alerts.rate_low": _alert("rate below tolerance, and flow is what is off", "4 s", deadband=2.0),
    "alerts.pressure_loss": _alert("pressure far below the calibration's", "1.5 s", deadband=4.0, limit=20.0),
    "alerts.gps_lost": _alert("no usable fix", "1 s", off="1 s"),
    "alerts.gps_implausible": _alert("speed from the receiver cannot be true", "1 s"),
    "alerts.flow_silent": _alert("the flowmeter says nothing", "1 s"),
    "alerts.flow_implausible": _alert("the flowmeter's reading cannot be true", "2 s"),
    "alerts.pressure_silent": _alert("the pressure transducer says nothing", "1 s"),
    "alerts.pressure_implausible": _alert("the transducer's reading cannot be true", "2 s"),
    "alerts.boom_switch_silent": _alert("the boom switch says nothing", "1 s"),
    "alerts.wind_high": _alert("wind above weather.wind_max", "10 s", off="30 s", deadband=5.0),
    "alerts.gust_high": _alert("gusts above weather.gust_max", "0 s", off="30 s", deadband=5.0),
    "alerts.wind_low": _alert("wind below weather.wind_min", "30 s", off="30 s", deadband=5.0),
    "alerts.temperature_high": _alert("air warmer than weather.temperature_max", "30 s", off="30 s"),
    "alerts.temperature_low": _alert("air colder than weather.temperature_min", "30 s", off="30 s"),
    "alerts.humidity_high": _alert("air damper than weather.humidity_max_pct", "30 s", off="30 s"),
    "alerts.humidity_low": _alert("air drier than weather.humidity_min_pct", "30 s", off="30 s"),
    "alerts.wind_silent": _alert("the wind sensor says nothing, or nothing valid", "1 s"),
    "alerts.air_silent": _alert("nothing of temperature and humidity", "1 s"),
    "alerts.nozzles_plugged": _alert("less flow through the nozzles, at a steady pressure", "0 s", off="0 s"),
    "alerts.boom_leak": _alert("flow that the nozzles do not take", "0 s", off="0 s"),
    "alerts.supply_weak": _alert("flow and pressure fall together", "0 s", off="0 s"),
    "alerts.start_mismatch": _alert("the boom's output is not that of the catch test, or of the earlier run", "0 s", off="0 s"),
    "alerts.nozzles_worn": _alert("the boom's output has risen from run to run, as worn nozzles do", "0 s", off="0 s"),
    "alerts.output_changed": _alert("the one sensor there is shows another output; it cannot tell why", "0 s", off="0 s"),
    "alerts.flowmeter_unsteady": _alert("the flowmeter's reading jumps, the pressure does not", "0 s", off="0 s"),
    "alerts.flowmeter_drift": _alert("the flowmeter drifts away from the pressure", "0 s", off="0 s"),
    "alerts.pressure_drift": _alert("the pressure transducer drifts away from the flow", "0 s", off="0 s"),
    "alerts.gps_frozen": _alert("the receiver repeats its speed, the positions move otherwise", "0 s", off="0 s"),
    "alerts.gps_late": _alert("the receiver's speed comes late", "0 s", off="0 s"),
    "alerts.speed_creep": _alert("the speed is off for minutes, inside the tolerance", "0 s", off="0 s"),
    "alerts.input_lost": _alert("readings were lost on the way in", "0 s", off="10 s"),
    "alerts.run_log_trouble": _alert("the run log is late or cannot be written", "0 s", off="5 s"),
}  # fmt: skip

ALERT_CODES: tuple[str, ...] = tuple(s.removeprefix("alerts.") for s in SCHEMA if s.startswith("alerts."))


def load(path: Path, *, calibrated: bool = True) -> tuple[Rig, str]:
    """Read a rig file. Returns the rig and the file's text (kept in run logs). Raises ConfigError.

    `calibrated` False takes a rig whose first catch test is still to be done: no flow is known yet.
    """
    try:
        with path.open("rb") as file:
            data = file.read(_LARGEST_FILE_BYTES + 1)
        if len(data) > _LARGEST_FILE_BYTES:
            raise ConfigError(f"{path}: larger than 1 MB, so not a rig file; 'rigmon init' writes one")
        text = data.decode("utf-8-sig")
    except OSError as error:
        raise ConfigError(
            f"{path}: cannot be read: {error.strerror}; 'rigmon init' writes a rig file"
        ) from error
    except UnicodeDecodeError as error:
        raise ConfigError(f"{path}: not UTF-8 text (byte {error.start}); save the file as UTF-8") from error
    return parse(text, str(path), calibrated=calibrated), text


def parse(text: str, name: str, *, calibrated: bool = True) -> Rig:
    """A rig from TOML text; `name` is what errors call the file. `calibrated`: see `load`.

    Raises ConfigError.
    """
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(
            f"{name}: not valid TOML: {error}; write one 'key = value' a line, text and quantities in quotes"
        ) from error
    except ValueError as error:
        raise ConfigError(f"{name}: not valid TOML: a number has too many digits") from error
    except RecursionError as error:
        raise ConfigError(f"{name}: not a rig file: brackets nested too deeply") from error
    values = _read(data, name)
    return _build(values, name, calibrated)


def _read(data: dict[str, Any], name: str) -> dict[str, dict[str, Any]]:
    sections = _sections(data, name)
    values: dict[str, dict[str, Any]] = {}
    for section, keys in SCHEMA.items():
        given = sections.get(section, {})
        for key in given:
            if key not in keys:
                raise ConfigError(
                    f"{name}: unknown key {section}.{_name(key)} = {_shown(given[key])}; {_closest(key, keys)}"
                )
        values[section] = {}
        for key, spec in keys.items():
            where = f"{name}: {section}.{key}"
            if key in given:
                values[section][key] = _value(spec, given[key], where)
            elif spec.default is _REQUIRED:
                raise ConfigError(f"{where} is missing; add it, such as: {key} = {spec.sample()}")
            else:
                values[section][key] = None if spec.default is None else _value(spec, spec.default, where)
    return values


def _sections(data: dict[str, Any], name: str) -> dict[str, dict[str, Any]]:
    """The file's tables by their name in SCHEMA; every one is known and a table."""
    found: list[tuple[str, str, Any]] = []
    for top, table in data.items():
        if top == "alerts" and isinstance(table, dict):
            found += [(f"alerts.{code}", f"alerts.{_name(code)}", rule) for code, rule in table.items()]
        elif top == "alerts":
            raise ConfigError(
                f"{name}: alerts = {_shown(table)} must be sections, such as [alerts.speed_fast], and keys below"
            )
        else:
            # a quoted "alerts.speed_fast" at the top is not the section of that name
            found.append(("" if "." in top else top, _name(top), table))
    sections: dict[str, dict[str, Any]] = {}
    for section, shown, table in found:
        if section in SCHEMA and isinstance(table, dict):
            sections[section] = table
        elif section in SCHEMA:
            raise ConfigError(
                f"{name}: {shown} = {_shown(table)} must be a section: [{shown}] and keys below it"
            )
        elif isinstance(table, dict):
            raise ConfigError(f"{name}: unknown section [{shown}]; {_closest(section or shown, SCHEMA)}")
        else:
            homes = [known for known, keys in SCHEMA.items() if shown in keys and "." not in known]
            right = (
                f"it belongs below [{'] or ['.join(homes)}]"
                if homes
                else f"sections are: {', '.join(known for known in SCHEMA if '.' not in known)}"
            )
            raise ConfigError(f"{name}: {shown} = {_shown(table)} stands outside any section; {right}")
    return sections


def _closest(word: str, known: Iterable[str]) -> str:
    names = list(known)
    near = difflib.get_close_matches(word[:_LONGEST_SHOWN], names, n=1)
    if near:
        return f"did you mean '{near[0]}'?"
    alert = word.startswith("alerts.")
    return f"known are: {', '.join(name for name in names if name.startswith('alerts.') == alert)}"


_LONGEST_SHOWN = 60
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")


def _cut(text: str) -> str:
    return text if len(text) <= _LONGEST_SHOWN else text[:_LONGEST_SHOWN] + "..."


def _name(key: str) -> str:
    """A key as the file has it, safe to print."""
    return _cut(key) if _BARE_KEY.fullmatch(key) else json.dumps(_cut(key))


def _shown(value: Any) -> str:
    """A value much as the file has it: on one line, of bounded length, without control characters."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(_cut(value), ensure_ascii=not value.isprintable())
    if isinstance(value, int) and abs(value) >= 10**_LONGEST_SHOWN:
        return "a very large number"
    if isinstance(value, int | float):
        return str(value)
    if isinstance(value, date | datetime | time):
        return value.isoformat()
    return "a list [...]" if isinstance(value, list) else "a table {...}"


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
            raise ConfigError(f"{where} = {_shown(value)} is out of bounds; it must be {_bounds(spec)}")
    return result


def _bounds(spec: Key) -> str:
    """The bounds in words, in both systems of units."""
    parts = []
    if spec.above is not None:
        parts.append(f"above {_both(spec.above, spec.kind)}")
    if spec.low is not None:
        parts.append(f"at least {_both(spec.low, spec.kind)}")
    if spec.high is not None:
        parts.append(f"at most {_both(spec.high, spec.kind)}")
    return " and ".join(parts)


def _both(carried: float, kind: str) -> str:
    """A carried value as both kinds of readers write it: '20 m (65.6 ft)'."""
    if kind not in units.UNITS:
        return f"{_digits(carried, 4)} %" if kind == "pct" else _digits(carried, 4)
    us, metric = (units.shown_unit(kind, system) for system in ("us", "metric"))
    first = f"{_digits(units.convert(carried, kind, metric), 4)} {metric}"
    return (
        first
        if (carried == 0 and kind not in units.ZEROS) or us == metric
        else f"{first} ({_digits(units.convert(carried, kind, us), 3)} {us})"
    )


def _digits(number: float, digits: int) -> str:
    """So many significant digits, never with an exponent."""
    short = f"{number:.{digits}g}"
    return f"{number:.0f}" if "e+" in short else short


def _read_text(spec: Key, value: Any, where: str) -> str:
    if not isinstance(value, str) or not value.strip() or not value.isprintable():
        raise ConfigError(
            f"{where} = {_shown(value)} must be text in quotes, on one line, such as {spec.sample()}"
        )
    return value


def _read_int(spec: Key, value: Any, where: str) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise ConfigError(
            f"{where} = {_shown(value)} must be a whole number without quotes, such as {spec.sample()}"
        )
    return value


def _read_number(spec: Key, value: Any, where: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) <= 1e300:
        raise ConfigError(
            f"{where} = {_shown(value)} must be a number without quotes, such as {spec.sample()}"
        )
    return float(value)


def _read_flag(_spec: Key, value: Any, where: str) -> bool:
    if not isinstance(value, bool):
        raise ConfigError(f"{where} = {_shown(value)} must be true or false, without quotes")
    return value


def _read_date(_spec: Key, value: Any, where: str) -> date:
    if type(value) is not date:
        raise ConfigError(f"{where} = {_shown(value)} must be a date without quotes, such as 2026-05-30")
    return value


def _read_choice(spec: Key, value: Any, where: str) -> str:
    if value not in spec.choices:
        choices = ", ".join(f'"{choice}"' for choice in spec.choices)
        raise ConfigError(f"{where} = {_shown(value)} must be one of: {choices}")
    return str(value)


#: digits that mean US gallons per minute at 40 psi, the point after the first: "015" is 0.15, "10" is 1.0
_SIZE = re.compile(r"0\d{1,3}|[1-9]\d")


def _read_size(_spec: Key, value: Any, where: str) -> str:
    if not isinstance(value, str) or not _SIZE.fullmatch(value) or not value.isascii() or not int(value):
        raise ConfigError(
            f"{where} = {_shown(value)} must be an ISO 10625 size: its digits alone, in quotes, such as "
            f'"015", "03" or "10" (a nozzle stamped 110-03 has size "03" and spray_angle_deg = 110)'
        )
    return value


def _read_pins(spec: Key, value: Any, where: str) -> tuple[int, ...]:
    if not isinstance(value, list) or not 3 <= len(value) <= 8 or not all(type(pin) is int for pin in value):
        shown = (
            f"[{', '.join(_shown(pin) for pin in value[:9])}]" if isinstance(value, list) else _shown(value)
        )
        raise ConfigError(
            f"{where} = {_cut(shown)} must be three to eight BCM pin numbers in brackets, such as {spec.sample()}"
        )
    for pin in value:
        if not 0 <= pin <= _HIGHEST_PIN:
            raise ConfigError(f"{where} = {value} has {pin}; BCM pin numbers are 0 to {_HIGHEST_PIN}")
    return tuple(value)


def _read_names(spec: Key, value: Any, where: str) -> tuple[str, ...]:
    names = value if isinstance(value, list) else []
    known = [name.lower() for name in names if isinstance(name, str) and _HOST_NAME.fullmatch(name)]
    if not 1 <= len(known) == len(names) <= 16:
        raise ConfigError(
            f"{where} = {_shown(value)} must be a list of 1 to 16 host names, without port, such as {spec.hint}"
        )
    return tuple(known)


def _read_delay(_spec: Key, value: Any, where: str) -> tuple[float | None, float | None]:
    """(seconds, None) or (None, metres)."""
    wrong = ConfigError(
        f"{where} = {_shown(value)} must be a time up to 1 h or a distance up to 3600 m, with its unit and "
        'in quotes, such as "2 s", "3 m" or "10 ft"'
    )
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
    if isinstance(value, str):
        try:
            return units.parse(value, spec.kind)
        except units.UnitError as error:
            raise ConfigError(f"{where} = {error}") from error  # it begins with the value
    plain = isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e6
    number = str(value) if plain else "20"
    such = " or ".join(f'"{number} {unit}"' for unit in dict.fromkeys(units.SHOWN[spec.kind]))
    raise ConfigError(f"{where} = {_shown(value)} needs a unit of {spec.kind}, in quotes, such as {such}")


_READERS: dict[str, Callable[[Key, Any, str], Any]] = {
    "text": _read_text,
    "int": _read_int,
    "number": _read_number,
    "pct": _read_number,
    "flag": _read_flag,
    "date": _read_date,
    "choice": _read_choice,
    "delay": _read_delay,
    "size": _read_size,
    "pins": _read_pins,
    "names": _read_names,
}


def _build(values: dict[str, dict[str, Any]], name: str, calibrated: bool) -> Rig:
    rig, target, cal = values["rig"], values["target"], values["calibration"]
    flow, pressure, boom = values["flow"], values["pressure"], values["boom_switch"]
    gps, speed, node, nozzles = values["gps"], values["speed"], values["node"], values["nozzles"]
    diagnosis, weather = values["diagnosis"], values["weather"]
    lights, buzzer, runs, power = values["lights"], values["buzzer"], values["runs"], values["power"]
    swath_m = rig["swath"] if rig["swath"] is not None else rig["nozzle_count"] * rig["nozzle_spacing"]
    _check(values, swath_m, name, calibrated)

    target_speed = target["speed"]
    if target_speed is None:
        # rate = flow / (speed x swath); L/min over m/s and m is 1e4/60 L/ha
        target_speed = cal["flow"] * 1e4 / (60 * target["rate"] * swath_m)
    if not speed["minimum"] < target_speed <= speed["maximum"]:
        given = _both(target_speed, "speed")
        why = "is" if target["speed"] is not None else "is left out, and calibration.flow gives the rate at"
        raise ConfigError(
            f"{name}: target.speed {why} {given}; it must be above speed.minimum, "
            f"{_both(speed['minimum'], 'speed')}, and at most speed.maximum, {_both(speed['maximum'], 'speed')}"
            + (
                ""
                if target["speed"] is not None
                else ": check calibration.flow (the whole boom) and target.rate"
            )
        )
    calibration = None
    if cal["flow"] is not None:
        calibration = Calibration(
            cal["flow"], cal["pressure"], cal["taken_on"], cal["uncertainty_pct"], cal["record"]
        )
    return Rig(
        name=rig["name"],
        nozzle_count=rig["nozzle_count"],
        nozzle_spacing_m=rig["nozzle_spacing"],
        swath_m=swath_m,
        swath_uncertainty_pct=rig["swath_uncertainty_pct"],
        units=rig["units"],
        target=Target(target["rate"], target_speed, target["tolerance_pct"], target["record"]),
        calibration=calibration,
        gps=Gps(
            port=gps["port"],
            baud=gps["baud"],
            stale_s=gps["stale"],
            speed_noise_m_s=gps["speed_noise"],
            speed_bias_pct=gps["speed_bias_pct"],
            accept_missing_checksum=gps["accept_missing_checksum"],
            position_uncertainty_m=gps["position_uncertainty"],
        ),
        node=Node(node["port"], node["baud"]),
        speed=Speed(speed["minimum"], speed["stationary"], speed["maximum"], speed["jerk"]),
        flow=FlowSensor(
            source=flow["source"],
            xdr_name=flow["xdr_name"],
            pin=flow["pin"],
            pulses_per_l=flow["pulses_per_l"],
            maximum_l_min=flow["maximum"],
            uncertainty_pct=flow["uncertainty_pct"],
            stale_s=flow["stale"],
            record=flow["record"],
            pull=flow["pull"],
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
            record=pressure["record"],
            spi_device=pressure["spi_device"],
        ),
        boom_switch=BoomSwitch(
            source=boom["source"],
            xdr_name=boom["xdr_name"],
            pin=boom["pin"],
            stale_s=boom["stale"],
            pull=boom["pull"],
            on_level=boom["on_level"],
        ),
        sample_step_s=values["sample"]["step"],
        required_area_pct=values["score"]["required_area_pct"],
        runs_folder=values["log"]["folder"],
        weather=WeatherSensor(
            wind=weather["wind"],
            air=weather["air"],
            temperature_name=weather["temperature_name"],
            humidity_name=weather["humidity_name"],
            true_angle_from=weather["true_angle_from"],
            zero_deg=weather["zero_deg"],
            ground_heading_deg=weather["ground_heading_deg"],
            magnetic_variation_deg=weather["magnetic_variation_deg"],
            height_m=weather["height"],
            stale_s=weather["stale"],
            wind_max_m_s=weather["wind_max"],
            gust_max_m_s=weather["gust_max"],
            wind_min_m_s=weather["wind_min"],
            temperature_max_c=weather["temperature_max"],
            temperature_min_c=weather["temperature_min"],
            humidity_max_pct=weather["humidity_max_pct"],
            humidity_min_pct=weather["humidity_min_pct"],
        ),
        alerts={code: _rule(values[f"alerts.{code}"]) for code in ALERT_CODES},
        nozzles=Nozzles(
            set_name=nozzles["set"],
            size=nozzles["size"],
            rated_flow_l_min=nozzles["rated_flow"],
            rated_pressure_kpa=nozzles["rated_pressure"],
            spray_angle_deg=nozzles["spray_angle_deg"],
            pressure_low_kpa=nozzles["pressure_low"],
            pressure_high_kpa=nozzles["pressure_high"],
        ),
        tank_l=values["tank"]["volume"],
        max_age_days=cal["max_age_days"],
        book_file=values["book"]["file"],
        lights=Lights(lights["pins"] or (), lights["trouble_pin"], lights["on_level"]),
        buzzer=Buzzer(buzzer["pin"], buzzer["on_level"]),
        runs=RunRules(runs["begin"], runs["end_after"], runs["stop_pin"], runs["stop_level"]),
        power=PowerFail(power["fail_pin"], power["fail_level"], power["fail_delay"]),
        web=Web(
            enabled=values["web"]["enabled"],
            address=values["web"]["address"],
            port=values["web"]["port"],
            hosts=values["web"]["hosts"] or (),
            max_clients=values["web"]["max_clients"],
        ),
        mqtt=Mqtt(**values["mqtt"]),
        diagnosis=Diagnosis(
            enabled=diagnosis["enabled"],
            false_alarms_per_h=diagnosis["false_alarms_per_h"],
            smallest_change_pct=diagnosis["smallest_change_pct"],
            learning_s=diagnosis["learning"],
            settling_s=diagnosis["settling"],
            start_flow_l_min=diagnosis["start_flow"],
            creep_pct=diagnosis["creep_pct"],
        ),
        log_space=LogSpace(values["log"]["keep_free_mb"], values["log"]["delete_unscored"]),
    )


#: alerts whose limit is the target's tolerance
_ON_TOLERANCE = ("speed_fast", "speed_slow", "rate_high", "rate_low")
_CHIP_CHANNELS = {"MCP3004": 4, "MCP3204": 4, "MCP3008": 8, "MCP3208": 8}


def _check(values: dict[str, dict[str, Any]], swath_m: float, name: str, calibrated: bool) -> None:
    """What no key can say alone: keys that need, exclude or bound one another. Raises ConfigError."""
    rig, target, cal = values["rig"], values["target"], values["calibration"]
    flow, pressure, boom = values["flow"], values["pressure"], values["boom_switch"]
    gps, speed, node = values["gps"], values["speed"], values["node"]

    def wrong(why: str) -> ConfigError:
        return ConfigError(f"{name}: {why}")

    if swath_m > _LARGEST_SWATH_M:
        raise wrong(
            f"rig.nozzle_count = {rig['nozzle_count']} times rig.nozzle_spacing = "
            f"{_both(rig['nozzle_spacing'], 'length')} makes a swath of {_both(swath_m, 'length')}; "
            f"it must be at most {_both(_LARGEST_SWATH_M, 'length')}"
        )
    if cal["flow"] is None:
        for key in ("pressure", "taken_on", "record"):
            if cal[key] is not None:
                shown = _both(cal[key], "pressure") if key == "pressure" else _shown(cal[key])
                raise wrong(
                    f"calibration.{key} = {shown} needs calibration.flow beside it: "
                    "the whole-boom output of the same catch test"
                )
        if flow["source"] == "none" and calibrated:
            raise wrong(
                "calibration.flow is missing; without a flowmeter the rate rests on it: do a catch test "
                'and add the whole-boom output, such as: flow = "2.4 gal/min"'
            )
        if target["speed"] is None:
            raise wrong(
                "target.speed is missing; without calibration.flow it cannot be worked out; "
                'add it, such as: speed = "3.5 mph"'
            )
    if pressure["source"] != "none":
        if cal["flow"] is not None and cal["pressure"] is None:
            raise wrong(
                "calibration.pressure is missing; the fitted transducer is compared with it; "
                'add the pressure during the catch test, such as: pressure = "40 psi"'
            )
        if cal["pressure"] is not None and cal["pressure"] > pressure["maximum"]:
            raise wrong(
                f"pressure.maximum = {_both(pressure['maximum'], 'pressure')} must be at least "
                f"calibration.pressure, {_both(cal['pressure'], 'pressure')}"
            )
    _check_network(values, wrong)
    start_flow = values["diagnosis"]["start_flow"]
    if start_flow is not None and cal["pressure"] is None:
        raise wrong(
            f"diagnosis.start_flow = {_both(start_flow, 'flow')} needs calibration.pressure beside it: "
            "the pressure that it belongs to"
        )
    if flow["source"] != "none" and cal["flow"] is not None and cal["flow"] > flow["maximum"]:
        raise wrong(
            f"flow.maximum = {_both(flow['maximum'], 'flow')} must be at least calibration.flow, "
            f"{_both(cal['flow'], 'flow')}"
        )
    if flow["source"] == "gpio":
        for key, sample in (("pin", "17"), ("pulses_per_l", "450")):
            if flow[key] is None:
                raise wrong(
                    f'flow.{key} is missing; flow.source = "gpio" needs it; add it, such as: {key} = {sample}'
                )
    if boom["source"] == "gpio" and boom["pin"] is None:
        raise wrong(
            'boom_switch.pin is missing; boom_switch.source = "gpio" needs it; add it, such as: pin = 27'
        )
    _check_pins(values, wrong)
    if pressure["source"] == "adc":
        channels = _CHIP_CHANNELS[pressure["chip"]]
        for key in ("channel", "supply_channel"):
            if pressure[key] is not None and pressure[key] >= channels:
                raise wrong(
                    f"pressure.{key} = {pressure[key]} is not on the {pressure['chip']}; "
                    f"it must be 0 to {channels - 1}"
                )
        if pressure["channel"] == pressure["supply_channel"]:
            raise wrong(
                f"pressure.supply_channel = {pressure['channel']} is also pressure.channel; "
                "each needs a channel of its own"
            )
    if pressure["span_fraction"] <= pressure["zero_fraction"]:
        raise wrong(
            f"pressure.span_fraction = {pressure['span_fraction']:g} must be above "
            f"pressure.zero_fraction = {pressure['zero_fraction']:g}"
        )
    _check_nozzles(values, wrong)
    if speed["stationary"] >= speed["minimum"]:
        raise wrong(
            f"speed.stationary = {_both(speed['stationary'], 'speed')} must be below "
            f"speed.minimum = {_both(speed['minimum'], 'speed')}"
        )
    if node["port"] is not None and node["port"] == gps["port"]:
        raise wrong(
            f"node.port = {_shown(node['port'])} is also gps.port; "
            "leave node.port out when the sensors speak on the GPS port"
        )
    _check_weather(values["weather"], wrong)
    for code in _ON_TOLERANCE:
        deadband = values[f"alerts.{code}"]["deadband_pct"]
        if deadband >= target["tolerance_pct"]:
            raise wrong(
                f"alerts.{code}.deadband_pct = {deadband:g} must be below target.tolerance_pct = "
                f"{target['tolerance_pct']:g}, or the alert could never clear"
            )
    loss = values["alerts.pressure_loss"]
    if loss["deadband_pct"] >= loss["limit_pct"]:
        raise wrong(
            f"alerts.pressure_loss.deadband_pct = {loss['deadband_pct']:g} must be below "
            f"alerts.pressure_loss.limit_pct = {loss['limit_pct']:g}, or the alert could never clear"
        )


#: limit -> (key of its sensor, the limit that it must lie below)
_WEATHER_LIMITS = {
    "wind_max": ("wind", "gust_max"),
    "gust_max": ("wind", None),
    "wind_min": ("wind", "wind_max"),
    "temperature_max": ("air", None),
    "temperature_min": ("air", "temperature_max"),
    "humidity_max_pct": ("air", None),
    "humidity_min_pct": ("air", "humidity_max_pct"),
}


def _check_weather(weather: dict[str, Any], wrong: Callable[[str], ConfigError]) -> None:
    """A limit that nothing can be held against would look like a watch that is kept."""
    for key, (sensor, above) in _WEATHER_LIMITS.items():
        kind, limit = SCHEMA["weather"][key].kind, weather[key]
        if limit is None:
            continue
        if weather[sensor] == "none":
            others = ", ".join(f'"{choice}"' for choice in SCHEMA["weather"][sensor].choices[1:])
            raise wrong(
                f"weather.{key} = {_both(limit, kind)} cannot be watched: weather.{sensor} is 'none'; "
                f"set it to one of: {others}, or leave the limit out"
            )
        if above is not None and weather[above] is not None and limit >= weather[above]:
            raise wrong(
                f"weather.{key} = {_both(limit, kind)} must be below weather.{above} = "
                f"{_both(weather[above], kind)}"
            )
    if weather["ground_heading_deg"] is not None and weather["zero_deg"]:
        raise wrong(
            f"weather.zero_deg = {weather['zero_deg']:g} is of a sensor on the rig, weather.ground_heading_deg = "
            f"{weather['ground_heading_deg']:g} of one on the ground; leave one of the two out"
        )


#: what the first SPI bus takes for itself on the board's header (BCM numbers): MISO, MOSI, SCLK, CE0, CE1
_SPI_PINS = {9: "MISO", 10: "MOSI", 11: "SCLK", 8: "CE0", 7: "CE1"}
#: and the serial port on the header
_UART_PINS = {14: "TXD", 15: "RXD"}
_UARTS = ("/dev/serial0", "/dev/serial1", "/dev/ttyAMA0", "/dev/ttyS0")


def _check_pins(values: dict[str, dict[str, Any]], wrong: Callable[[str], ConfigError]) -> None:
    """Each pin in use is used once, and not by a bus that is in use."""
    used: dict[int, str] = {}
    if values["pressure"]["source"] == "adc":
        used |= {pin: f"{name} of the SPI bus (pressure.source)" for pin, name in _SPI_PINS.items()}
    for section in ("gps", "node"):
        if values[section]["port"] in _UARTS:
            used |= {pin: f"{name} of {section}.port" for pin, name in _UART_PINS.items()}
    pins: list[tuple[str, int | None]] = [
        (f"{section}.pin", values[section]["pin"])
        for section in ("flow", "boom_switch")
        if values[section]["source"] == "gpio"
    ]
    pins += [("lights.pins", pin) for pin in values["lights"]["pins"] or ()]
    pins += [
        (f"{section}.{key}", values[section][key])
        for section, key in (
            ("lights", "trouble_pin"),
            ("buzzer", "pin"),
            ("runs", "stop_pin"),
            ("power", "fail_pin"),
        )
    ]
    for key, pin in pins:
        if pin is None:
            continue
        if pin in used:
            raise wrong(f"{key} = {pin} is also {used[pin]}; each needs a pin of its own")
        used[pin] = key


#: a rated output this far from what the size means belongs to another size; neighbouring sizes are 12 % or
#: more apart, and makers' US and metric figures of one size 1.3 %
_SIZE_TOLERANCE = 0.1


def _check_network(values: dict[str, dict[str, Any]], wrong: Callable[[str], ConfigError]) -> None:
    """What the pages listen at, and the broker's keys."""
    web, mqtt = values["web"], values["mqtt"]
    if not _is_address(web["address"]):
        raise wrong(
            f"web.address = {_shown(web['address'])} must be an IP address of this board, such as "
            '"127.0.0.1" (this board alone) or "0.0.0.0" (every network it is on)'
        )
    if mqtt["host"] is not None and not (_HOST_NAME.fullmatch(mqtt["host"]) or _is_address(mqtt["host"])):
        raise wrong(f"mqtt.host = {_shown(mqtt['host'])} must be a host name or an IP address")
    topic = mqtt["topic"]
    if not topic or len(topic) > 200 or set(topic) & set("+#\0") or topic.startswith("$"):
        raise wrong(
            f"mqtt.topic = {_shown(topic)} must be 1 to 200 characters without + and #, not beginning with $, "
            'such as "rigmon"'
        )
    if mqtt["password_file"] is not None and mqtt["username"] is None:
        raise wrong(
            f"mqtt.password_file = {_shown(mqtt['password_file'])} needs mqtt.username beside it: "
            "the name that the password belongs to"
        )


def _is_address(text: str) -> bool:
    import ipaddress

    try:
        ipaddress.ip_address(text)
    except ValueError:
        return False
    return True


def _check_nozzles(values: dict[str, dict[str, Any]], wrong: Callable[[str], ConfigError]) -> None:
    nozzles, pressure = values["nozzles"], values["pressure"]
    size, flow, at = nozzles["size"], nozzles["rated_flow"], nozzles["rated_pressure"]
    if (flow is None) is not (at is None):
        given, missing = ("rated_flow", "rated_pressure") if at is None else ("rated_pressure", "rated_flow")
        kind = SCHEMA["nozzles"][given].kind
        raise wrong(
            f"nozzles.{given} = {_both(nozzles[given], kind)} needs nozzles.{missing} beside it, such as: "
            f"{missing} = {SCHEMA['nozzles'][missing].sample()}"
        )
    if size is not None and flow is not None:
        meant = int(size) / 10 ** (len(size) - 1) * float(units.US_GALLON_L)
        at_40_psi = flow * math.sqrt(40 * float(units.PSI_KPA) / at)
        if abs(at_40_psi / meant - 1) > _SIZE_TOLERANCE:
            raise wrong(
                f"nozzles.rated_flow = {_both(flow, 'flow')} is not of nozzles.size = {_shown(size)}: that is "
                f"{_both(meant, 'flow')} at 40 psi, rated_flow comes to {_both(at_40_psi, 'flow')} there; "
                "give one nozzle's output, or leave one of the two out"
            )
    low, high = nozzles["pressure_low"], nozzles["pressure_high"]
    if low is not None and high is not None and low >= high:
        raise wrong(
            f"nozzles.pressure_low = {_both(low, 'pressure')} must be below "
            f"nozzles.pressure_high = {_both(high, 'pressure')}"
        )
    if pressure["source"] != "none" and high is not None and high > pressure["maximum"]:
        raise wrong(
            f"pressure.maximum = {_both(pressure['maximum'], 'pressure')} must be at least "
            f"nozzles.pressure_high, {_both(high, 'pressure')}"
        )


def _rule(keys: dict[str, Any]) -> AlertRule:
    on_s, on_m = keys["on_delay"]
    return AlertRule(
        enabled=keys["enabled"],
        limit_pct=keys.get("limit_pct"),
        deadband_pct=keys.get("deadband_pct", 0.0),
        on_delay_s=on_s,
        on_delay_m=on_m,
        off_delay_s=keys["off_delay"],
    )


_HEADER = """\
# rigmon rig file. Every quantity is written with its unit, US customary or metric: "20 in" or "50 cm".
# Lines that start with '#' show the default; take the '#' away to change one. Lines marked "not set" show
# what a value looks like.
# The scenario in it (the Creek rig) is invented: put your own rig in its place.
#
# Flow, pressure and boom switch come as NMEA 0183 XDR sentences (source = "xdr"), or are wired to the board
# (source = "gpio", for pressure "adc"). Pins are BCM numbers and bear 3.3 V at most: see hardware_notes/.
#
# Calibrate with clean water. The product label is the law: this file never overrides it.
"""


def template() -> str:
    """The commented rig file that `rigmon init` writes."""
    lines = [_HEADER]
    for section, keys in SCHEMA.items():
        rule = keys.get("enabled")
        lines.append(f"[{section}]  # {rule.about}" if rule else f"[{section}]")
        for key, spec in keys.items():
            mark = "" if spec.example else "# "
            note = f"not set; {spec.about}" if spec.hint else spec.about
            lines.append(f"{mark}{key} = {spec.sample()}" + ("" if spec is rule else f"  # {note}"))
        lines.append("")
    return "\n".join(lines)


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return f'"{value}"' if isinstance(value, str) else f"{value:g}"
