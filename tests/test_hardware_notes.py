"""The hardware notes: diagrams as drawn, sums worked out again, commands and keys that exist, no brands."""

import re
import subprocess
import sys
from collections.abc import Iterator
from importlib import util
from pathlib import Path
from types import ModuleType
from typing import Any, NamedTuple
from xml.etree import ElementTree

import pytest
from click.testing import CliRunner

from rigmon import config, units
from rigmon.cli import COMMANDS, group
from rigmon.core.flow import FlowMeter
from rigmon.core.nmea import MAX_LINE_BYTES, Decoder, LineFramer, Transducers
from rigmon.core.pressure import Transducer
from rigmon.edge import pulses_gpiod, signals
from rigmon.log import store
from rigmon.model import AdcCount, PulseCount

ROOT = Path(__file__).parents[1]
FOLDER = ROOT / "hardware_notes"
NOTES = sorted(FOLDER.glob("*.md"))
DIAGRAMS = sorted((FOLDER / "diagrams").glob("*.svg"))
SVG = "{http://www.w3.org/2000/svg}"


def load(name: str) -> ModuleType:
    spec = util.spec_from_file_location(f"hardware_notes_{name}", FOLDER / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


v: Any = load("values")
node: Any = load("sensor_node")
EXAMPLE = config.parse(config.template(), "template")


def words(name: str) -> str:
    """A note as one line."""
    return " ".join((FOLDER / f"{name}.md").read_text(encoding="utf-8").split())


# -- diagrams -----------------------------------------------------------------------------------------------


def test_the_diagrams_are_what_the_script_draws(tmp_path: Path) -> None:
    subprocess.run([sys.executable, FOLDER / "draw.py", tmp_path], check=True, timeout=60)
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == {
        path.name: path.read_bytes() for path in (FOLDER / "diagrams").iterdir()
    }


class Words(NamedTuple):
    text: str
    left: float
    top: float
    right: float
    bottom: float

    def meets(self, other: "Words") -> bool:
        return (
            self.left < other.right and other.left < self.right
            and self.top < other.bottom and other.top < self.bottom
        )  # fmt: skip


def placed(root: ElementTree.Element) -> Iterator[Words]:
    """Where each text lies, with letters half as wide as they are high on average (seen: 0.45 to 0.55)."""
    for text in root.iter(f"{SVG}text"):
        size, said = int(text.attrib["font-size"]), text.text or ""
        width = 0.5 * size * len(said)
        x, y = int(text.attrib["x"]), int(text.attrib["y"])
        left = x - {"start": 0, "middle": width / 2, "end": width}[text.attrib["text-anchor"]]
        yield Words(said, left, y - 0.72 * size, left + width, y + 0.2 * size)


@pytest.mark.parametrize("path", DIAGRAMS, ids=[path.stem for path in DIAGRAMS])
def test_a_diagram_is_legible_in_grey_on_a_phone_and_to_a_reader_of_text(path: Path) -> None:
    root = ElementTree.parse(path).getroot()
    assert root.tag == f"{SVG}svg"
    assert [child.tag for child in root][:2] == [f"{SVG}title", f"{SVG}desc"]
    title, desc = root[0].text or "", root[1].text or ""
    assert len(title) > 5
    assert len(desc) > 100
    assert root.attrib["aria-labelledby"].split() == [root[0].attrib["id"], root[1].attrib["id"]]

    left, top, width, height = map(int, root.attrib["viewBox"].split())
    assert (left, top) == (0, 0)
    # on a phone of 360 pixels letters of 14 units come out 10 pixels high or more
    sizes = {int(text.attrib["font-size"]) for text in root.iter(f"{SVG}text")}
    assert min(sizes) * 360 / width >= 10
    assert set(re.findall(r"#\w+\b(?!\))", path.read_text(encoding="utf-8"))) == {"#000", "#fff", "#ddd"}

    texts = list(placed(root))
    for text in texts:
        assert text.left >= 0, text
        assert text.right <= width, text
        assert text.bottom <= height, text
    for i, text in enumerate(texts):
        for other in texts[i + 1 :]:
            assert not text.meets(other), (text.text, other.text)


def test_every_diagram_is_shown_with_words_for_who_cannot_see_it() -> None:
    shown = re.findall(r"!\[([^\]]*)\]\(([^)]+)\)", "".join(path.read_text("utf-8") for path in NOTES))
    assert sorted(target for _, target in shown if target.startswith("diagrams/")) == [
        f"diagrams/{path.name}" for path in DIAGRAMS
    ]
    assert all(len(alt) > 20 for alt, _ in shown)


def said_in(name: str) -> str:
    root = ElementTree.parse(FOLDER / "diagrams" / f"{name}.svg").getroot()
    return " | ".join(text.text or "" for text in root.iter(f"{SVG}text"))


@pytest.mark.parametrize(
    ("diagram", "ohms"),
    [
        ("power", ("SENSE_TOP_OHM", "SENSE_BOTTOM_OHM", "CHARGE_OHM")),
        ("flowmeter", ("FLOW_PULL_OHM", "FLOW_SERIES_OHM", "DIVIDER_TOP_OHM", "DIVIDER_BOTTOM_OHM")),
        ("pressure", ("DIVIDER_TOP_OHM", "DIVIDER_BOTTOM_OHM")),
        ("boom_switch", ("CONTACT_PULL_OHM", "CONTACT_SERIES_OHM", "OPTO_LED_OHM", "OPTO_PULL_OHM")),
        (
            "lights_and_buzzer",
            ("LED_DRIVEN_OHM", "WHITE_LED_DRIVEN_OHM", "BASE_OHM", "BASE_DOWN_OHM", "BUZZER_BASE_OHM",
             "BUTTON_SERIES_OHM"),
        ),
        ("receiver", ("UART_SERIES_OHM",)),
    ],
)  # fmt: skip
def test_a_diagram_and_the_sums_have_the_same_resistors(diagram: str, ohms: tuple[str, ...]) -> None:
    drawn = set(re.findall(r"\d[\d.]* k?Ω", said_in(diagram)))
    assert drawn == {v.ohms(getattr(v, name)) for name in ohms}
    assert all(value in words("wiring") for value in drawn)


#: E24 series of IEC 60063
E24 = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)


def test_every_resistor_can_be_bought() -> None:
    resistors = {name: value for name, value in vars(v).items() if re.fullmatch(r"[A-Z_]+_OHM", name)}
    assert len(resistors) > 15
    for name, value in resistors.items():
        if name not in ("PULL_OHM", "PULL_LEAST_OHM"):  # inside the board
            assert int(f"{value:.1e}".replace(".", "")[:2]) in E24, name


# -- pins ---------------------------------------------------------------------------------------------------


def test_the_pins_are_those_that_the_rig_file_suggests() -> None:
    for key, numbers in v.PINS.items():
        section, _, name = key.partition(".")
        hint = config.SCHEMA[section][name].hint
        assert [int(number) for number in re.findall(r"\d+", hint)] == list(numbers), key
    hinted = [
        f"{section}.{name}"
        for section, keys in config.SCHEMA.items()
        for name, key in keys.items()
        if name in ("pin", "pins") or name.endswith("_pin")
        if key.hint
    ]
    assert sorted(hinted) == sorted(v.PINS)


def test_the_rig_file_with_all_of_it_wired_is_a_good_one() -> None:
    """The note's lines in a rig file: no pin clashes with another, or with the buses in use."""
    text = (FOLDER / "wiring.md").read_text(encoding="utf-8")
    lines = re.search(r"^    \[flow\]\n(?:    .*\n)+", text, re.MULTILINE)
    assert lines is not None
    # invented for the demo: the rest of the rig
    toml = (
        '[rig]\nname = "Creek rig"\nnozzle_count = 12\nnozzle_spacing = "20 in"\n'
        '[target]\nrate = "17 gal/ac"\nspeed = "3.5 mph"\n'
        '[calibration]\nflow = "2.4 gal/min"\npressure = "40 psi"\n'
        f"{lines[0]}"
    )
    rig = config.parse(toml, "all wired")
    sections = {"flow": rig.flow, "boom_switch": rig.boom_switch, "lights": rig.lights, "buzzer": rig.buzzer,
                "runs": rig.runs, "power": rig.power}  # fmt: skip
    for key, numbers in v.PINS.items():
        section, _, name = key.partition(".")
        given = getattr(sections[section], name)
        assert (given if isinstance(given, tuple) else (given,)) == numbers, key
    assert rig.gps.port == "/dev/serial0"
    assert (rig.pressure.spi_device, rig.pressure.channel, rig.pressure.supply_channel) == (0, 0, 1)
    assert (rig.pressure.zero_fraction, rig.pressure.span_fraction) == (0.1, 0.9)
    assert rig.pressure.span_kpa == v.SENSOR_SPAN_KPA
    assert (rig.boom_switch.on_level, rig.power.fail_level, rig.runs.stop_level) == ("low", "low", "low")
    assert (rig.lights.on_level, rig.buzzer.on_level) == ("high", "high")  # a pin drives its transistor
    for pin, what in ((8, "SPI"), (15, "gps.port"), (22, "stop_pin")):
        with pytest.raises(config.ConfigError, match=what):
            config.parse(toml.replace("pin = 26", f"pin = {pin}"), "clash")


def test_the_table_of_pins_is_the_header() -> None:
    rows = re.findall(r"\| `([\w.]+)`[^|]* \| ([\d, ]+) \| ([\d, ]+) \|", words("wiring"))
    buses = {
        "pressure.spi_device": (v.SPI["MISO"], v.SPI["MOSI"], v.SPI["SCLK"], v.SPI["CE0"]),
        "gps.port": (v.UART["TXD"], v.UART["RXD"]),
    }
    assert {key for key, _, _ in rows} == {*v.PINS, *buses}
    drawn = said_in("pins")
    for key, numbers, places in rows:
        bcm = [int(number) for number in numbers.split(", ")]
        assert bcm == list((v.PINS | buses)[key])
        assert [int(place) for place in places.split(", ")] == [v.HEADER[number] for number in bcm]
        assert all(f"GPIO{number} " in drawn for number in bcm)
    # the header's places are all different, and none is a supply or ground (the board's public pin-out)
    assert len(set(v.HEADER.values())) == len(v.HEADER) == 26
    assert not set(v.HEADER.values()) & {1, 2, 4, 6, 9, 14, 17, 20, 25, 30, 34, 39}
    assert {name: pin for pin, name in config._SPI_PINS.items() if name != "CE1"} == v.SPI
    assert {name: pin for pin, name in config._UART_PINS.items()} == v.UART


# -- limits -------------------------------------------------------------------------------------------------

TOP, BOTTOM = v.DIVIDER_TOP_OHM, v.DIVIDER_BOTTOM_OHM
SHORTEST_S = v.DUTY_LEAST / v.PULSES_MOST_HZ
SIDE_BY_SIDE = v.parallel_ohm(TOP, BOTTOM)
FALLBACK_OHM = v.FLOW_PULL_OHM + v.FLOW_SERIES_OHM


def sensed_v(supply_v: float, pull_ohm: float) -> float:
    """The power-fail pin with its own pull-up: currents into the node over the conductances at it."""
    into = supply_v / v.SENSE_TOP_OHM + v.LOGIC_V / pull_ohm
    return into / (1 / v.SENSE_TOP_OHM + 1 / v.SENSE_BOTTOM_OHM + 1 / pull_ohm)


def test_nothing_above_3_3_v_reaches_a_pin() -> None:
    assert v.divided_most(v.RAIL_MOST_V, TOP, BOTTOM) < v.LOGIC_V
    assert v.divided_most(v.BATTERY_MOST_V, v.SENSE_TOP_OHM, v.SENSE_BOTTOM_OHM) < v.LOGIC_V
    assert sensed_v(v.BATTERY_MOST_V, v.PULL_LEAST_OHM) < v.LOGIC_V
    # the reason why it is not the pair that is often quoted
    assert v.divided(v.RAIL_V, TOP, v.COMMON_BOTTOM_OHM) > v.LOGIC_V


def test_every_level_is_surely_high_or_surely_low() -> None:
    low, high = v.LOW_BELOW_V, v.HIGH_ABOVE_V
    assert v.divided_least(v.RAIL_LEAST_V, TOP, BOTTOM) > high
    assert v.divided_least(v.BATTERY_LEAST_V, v.SENSE_TOP_OHM, v.SENSE_BOTTOM_OHM) > high
    assert sensed_v(0, v.PULL_LEAST_OHM) < low
    assert v.divided(v.LOGIC_V, v.PULL_LEAST_OHM, v.BUTTON_SERIES_OHM) < low
    # the fastest pulses, the shorter part of an uneven one: 20 % more capacitance than printed as well
    for farad in (v.FLOW_C_F, 1.2 * v.FLOW_C_F):
        full = v.divided_least(v.RAIL_LEAST_V, TOP, BOTTOM)
        assert v.reached_v(FALLBACK_OHM, farad, v.LOGIC_V, SHORTEST_S) > high
        assert v.reached_v(SIDE_BY_SIDE, farad, full, SHORTEST_S) > high
        assert v.fall_s(SIDE_BY_SIDE, farad, v.divided_most(v.RAIL_MOST_V, TOP, BOTTOM), low) < SHORTEST_S
        assert v.fall_s(v.FLOW_SERIES_OHM, farad, v.LOGIC_V, low) < SHORTEST_S


def test_currents_are_within_what_the_pins_and_parts_bear() -> None:
    base_ma = v.milliamps(v.LOGIC_V - v.BASE_EMITTER_V, v.BASE_OHM)
    buzzer_ma = v.milliamps(v.LOGIC_V - v.BASE_EMITTER_V, v.BUZZER_BASE_OHM)
    lights = len(v.PINS["lights.pins"]) + len(v.PINS["lights.trouble_pin"])
    assert max(base_ma, buzzer_ma, v.milliamps(v.LOGIC_V - v.LED_V, v.LED_DIRECT_OHM)) < v.PIN_MOST_MA
    assert lights * base_ma + buzzer_ma < v.PINS_TOGETHER_MA
    # switched hard: common practice is a current gain of 10
    down_ma = v.milliamps(v.BASE_EMITTER_V, v.BASE_DOWN_OHM)
    led_ma = v.milliamps(v.RAIL_MOST_V - v.LED_V - v.SATURATED_V, v.LED_DRIVEN_OHM)
    assert led_ma / (base_ma - down_ma) < 10
    assert v.BUZZER_MA / (buzzer_ma - down_ma) < 10
    assert led_ma < 25
    # off while the board starts: a base needs 0.6 V
    start_v = v.LOGIC_V * v.BASE_DOWN_OHM / (v.PULL_LEAST_OHM + v.BASE_OHM + v.BASE_DOWN_OHM)
    assert start_v < 0.6
    # the optocoupler: twice what is needed is left when it has aged to half
    led_least_ma = v.milliamps(v.BATTERY_LEAST_V - v.OPTO_LED_V, v.OPTO_LED_OHM)
    assert v.OPTO_CTR_LEAST * led_least_ma / 2 > 2 * v.milliamps(v.LOGIC_V, v.OPTO_PULL_OHM)
    assert (v.BATTERY_MOST_V - v.OPTO_LED_V) ** 2 / v.OPTO_LED_OHM < 0.25 / 2


def test_fuse_suppressor_and_hold_up_fit_one_another() -> None:
    most_a = v.BOARD_MOST_W / v.CONVERTER_EFFICIENCY / v.BATTERY_LEAST_V
    charge_a = v.HOLD_CHARGING_V / v.CHARGE_OHM
    assert most_a + charge_a < v.FUSE_A < 10  # what 0.75 mm2 bears in a loom: common practice
    assert v.BATTERY_MOST_V < v.TVS_STANDOFF_V < v.TVS_CLAMP_V < 45
    assert v.bank_f() >= v.hold_up_f()
    assert v.CELLS * v.CELL_V > v.HOLD_CHARGING_V
    assert v.BATTERY_MOST_V < v.CELLS * v.CELL_V < v.jumped_v(), "so the note warns of a jump start"
    assert v.HOLD_CHARGING_V**2 / v.CHARGE_OHM < 10


# -- the sums in the text -----------------------------------------------------------------------------------


def wiring_sums() -> Iterator[str]:
    most_w, least_v = v.BOARD_MOST_W, v.BATTERY_LEAST_V
    most_a = most_w / v.CONVERTER_EFFICIENCY / least_v
    charge_a = v.HOLD_CHARGING_V / v.CHARGE_OHM
    wire_ohm = v.COPPER_OHM_MM2_M * v.WIRE_M / v.WIRE_MM2
    yield f"{most_w:g} W / {v.CONVERTER_EFFICIENCY:g} / {least_v:g} V = {most_a:.2f} A"
    yield f"charging {charge_a:.2f} A more: {most_a + charge_a:.2f} A. {v.FUSE_A:g} A it is"
    yield (
        f"{v.COPPER_OHM_MM2_M:g} x {v.WIRE_M:g} m / {v.WIRE_MM2:g} = {wire_ohm:.2f} Ω, "
        f"at {most_a:.2f} A {wire_ohm * most_a:.2f} V"
    )
    rest, empty = v.HOLD_REST_V, v.HOLD_EMPTY_V
    yield (
        f"C = 2 x {v.HOLD_W:g} x {v.HOLD_S:g} / ({rest:g}² - {empty:.1f}²) = {v.hold_up_f():.2f} F. "
        f"Six cells of {v.CELL_F:g} F in a row are {v.CELL_F:g} / {v.CELLS} = {v.CELL_F / v.CELLS:.2f} F, "
        f"{v.bank_f():.2f} F at {100 * v.CELL_TOLERANCE:.0f} % under: {v.held_s(rest):.1f} s, "
        f"or {v.held_s(v.HOLD_CHARGING_V):.1f} s from {v.HOLD_CHARGING_V:g} V"
    )
    yield f"bear {v.CELLS} x {v.CELL_V:g} = {v.CELLS * v.CELL_V:.1f} V"
    yield f"{v.HOLD_CHARGING_V:g} / {v.CHARGE_OHM:g} = {charge_a:.2f} A, {v.HOLD_CHARGING_V * charge_a:.1f} W"
    yield f"(3 x {v.CHARGE_OHM * v.CELL_F / v.CELLS:.0f} s)"
    yield f"{v.JUMP_S:.0f} s at {v.JUMP_V:g} V would take them to {v.jumped_v():.1f} V"

    def sense(supply_v: float) -> float:
        return float(v.divided(supply_v, v.SENSE_TOP_OHM, v.SENSE_BOTTOM_OHM))

    worst = v.divided_most(16, v.SENSE_TOP_OHM, v.SENSE_BOTTOM_OHM)
    yield f"{least_v:g} V as {sense(least_v):.2f} V, 14.4 V as {sense(14.4):.2f} V"
    yield f"16 V as {sense(16):.2f} V ({worst:.2f} V at the worst)"
    pull = v.PULL_OHM
    yield f"{sensed_v(0, pull):.2f} V at no supply ({sensed_v(0, v.PULL_LEAST_OHM):.2f} V with 33 kΩ)"
    yield f"{sensed_v(least_v, pull):.2f} V at {least_v:g} V; {sensed_v(16, pull):.2f} V at 16 V"
    clamp_ma = v.milliamps(v.TVS_CLAMP_V - v.CLAMPED_V, v.SENSE_TOP_OHM) - v.milliamps(
        v.CLAMPED_V, v.SENSE_BOTTOM_OHM
    )
    yield f"({v.TVS_CLAMP_V:g} - {v.CLAMPED_V:g}) / 43 kΩ - {v.CLAMPED_V:g} / 10 kΩ = {clamp_ma:.2f} mA"
    assert sensed_v(9.5, pull) == pytest.approx(v.HIGH_ABOVE_V, abs=0.005)
    yield "battery below 9.5 V"

    # flowmeter
    half_us = 1e6 * SHORTEST_S
    yield f"a period of {1e6 / v.PULSES_MOST_HZ:.0f} µs"
    yield f"as short as {100 * v.DUTY_LEAST:.0f} %, {half_us:.0f} µs"
    yield f"3.3 / 4.7 kΩ = {v.milliamps(v.LOGIC_V, v.FLOW_PULL_OHM):.2f} mA"
    at_most, worst = v.divided(v.RAIL_MOST_V, TOP, BOTTOM), v.divided_most(v.RAIL_MOST_V, TOP, BOTTOM)
    least = v.divided_least(v.RAIL_LEAST_V, TOP, BOTTOM)
    yield f"{v.RAIL_MOST_V:g} x 15 / 25 = {at_most:.2f} V, {worst:.2f} V at the worst"
    yield f"at the worst; at 4.75 V {least:.2f} V"
    c = v.FLOW_C_F
    yield (
        f"up (4.7 + 1) kΩ x 10 nF = {1e6 * FALLBACK_OHM * c:.0f} µs, "
        f"down 1 kΩ x 10 nF = {1e6 * v.FLOW_SERIES_OHM * c:.0f} µs"
    )
    yield f"{SIDE_BY_SIDE / 1000:g} kΩ x 10 nF = {1e6 * SIDE_BY_SIDE * c:.0f} µs"
    yield (
        f"| corner | {v.corner_hz(FALLBACK_OHM, c) / 1000:.2f} kHz | "
        f"{v.corner_hz(SIDE_BY_SIDE, c) / 1000:.2f} kHz |"
    )
    high, low = v.HIGH_ABOVE_V, v.LOW_BELOW_V
    yield (
        f"| to 2.0 V | {1e6 * v.rise_s(FALLBACK_OHM, c, v.LOGIC_V, high):.0f} µs | "
        f"{1e6 * v.rise_s(SIDE_BY_SIDE, c, least, high):.0f} µs |"
    )
    five = v.divided(5, TOP, BOTTOM)
    yield (
        f"| to 0.8 V | {1e6 * v.fall_s(v.FLOW_SERIES_OHM, c, v.LOGIC_V, low):.0f} µs | "
        f"{1e6 * v.fall_s(SIDE_BY_SIDE, c, five, low):.0f} µs |"
    )
    down = five - v.reached_v(SIDE_BY_SIDE, c, five, SHORTEST_S)
    reached = [
        f"{v.reached_v(ohm, c, full, SHORTEST_S):.2f} V: above 2.0 V"
        for ohm, full in ((FALLBACK_OHM, v.LOGIC_V), (SIDE_BY_SIDE, least))
    ]
    yield f"| after {half_us:.0f} µs | {reached[0]} | {reached[1]}; down {down:.2f} V"
    common = v.COMMON_BOTTOM_OHM
    yield f"{v.divided(v.RAIL_V, TOP, common):.2f} V of 5.1 V"
    yield (
        f"{v.divided(5.25, TOP, common):.2f} V of 5.25 V "
        f"({v.divided_most(5.25, TOP, common):.2f} V at the worst)"
    )

    # pressure
    for signal_v in (4.5, 0.5):
        yield f"{signal_v:g} V becomes {v.divided(signal_v, TOP, BOTTOM):.2f} V"
    yield (f"a rail of 5.25 V becomes {at_most:.2f} V ({worst:.2f} V at the worst)")
    yield (
        f"{SIDE_BY_SIDE / 1000:g} kΩ x 10 µF = {1000 * SIDE_BY_SIDE * v.FILTER_C_F:.0f} ms, "
        f"corner {v.corner_hz(SIDE_BY_SIDE, v.FILTER_C_F):.2f} Hz"
    )
    for bits, shape in (
        (12, "{mv:.2f} mV, at the transducer {at:.2f} mV, of 4 V {pct:.3f} %: {kpa:.2f} kPa ({psi:.2f} psi)"),
        (10, "{mv:.2f} mV, {at:.2f} mV, {pct:.3f} %: {kpa:.2f} kPa ({psi:.2f} psi)"),
    ):
        assert bits in v.ADC_BITS
        mv = 1000 * v.LOGIC_V / 2**bits
        at = mv * (TOP + BOTTOM) / BOTTOM
        share = at / 1000 / (v.SENSOR_SPAN_V - v.SENSOR_ZERO_V)
        kpa = share * v.SENSOR_SPAN_KPA
        yield shape.format(mv=mv, at=at, pct=100 * share, kpa=kpa, psi=units.convert(kpa, "pressure", "psi"))
    yield f"1000 kPa ({units.convert(1000, 'pressure', 'psi'):.0f} psi)"
    yield f"0.5 V x 0.6 / 3.3 = {v.divided(0.5, TOP, BOTTOM) / v.LOGIC_V:.4f}"
    yield f"4.5 V x 0.6 / 3.3 = {v.divided(4.5, TOP, BOTTOM) / v.LOGIC_V:.4f}"
    short_ma = v.milliamps(v.CHARGING_V - v.CLAMPED_V, TOP) - v.milliamps(v.CLAMPED_V, BOTTOM)
    yield f"(14.4 - 3.6) / 10 kΩ - 3.6 / 15 kΩ = {short_ma:.2f} mA"

    # boom switch
    c = v.CONTACT_C_F
    fall_s = v.fall_s(v.CONTACT_SERIES_OHM, c, v.LOGIC_V, low)
    rise_s = v.rise_s(v.CONTACT_PULL_OHM + v.CONTACT_SERIES_OHM, c, v.LOGIC_V, high)
    driven_mm = 1000 * fall_s * units.parse("4 mph", "speed")
    yield f"3.3 / 1 kΩ = {v.milliamps(v.LOGIC_V, v.CONTACT_PULL_OHM):.1f} mA"
    yield f"10 kΩ x 1 µF = {1000 * v.CONTACT_SERIES_OHM * c:.0f} ms"
    yield f"{1000 * fall_s:.0f} ms down to 0.8 V, {1000 * rise_s:.0f} ms up to 2.0 V"
    yield f"{1000 * fall_s:.0f} ms at 4 mph are {driven_mm:.0f} mm ({driven_mm / 25.4:.0f} in)"

    def valve_ma(supply_v: float) -> float:
        return float(v.milliamps(supply_v - v.OPTO_LED_V, v.OPTO_LED_OHM))

    heat_w = (16 - v.OPTO_LED_V) ** 2 / v.OPTO_LED_OHM
    yield f"(14.4 - 1.2) / 2.2 kΩ = {valve_ma(14.4):.1f} mA; {valve_ma(10.8):.1f} mA at 10.8 V"
    yield f"{valve_ma(16):.1f} mA at 16 V, where the resistor turns {heat_w:.2f} W"
    left_ma, want_ma = v.OPTO_CTR_LEAST * valve_ma(10.8), v.milliamps(v.LOGIC_V, v.OPTO_PULL_OHM)
    yield f"leaves {left_ma:.1f} mA at 10.8 V; the pin's 10 kΩ want {want_ma:.2f} mA"
    assert 6 <= left_ma / want_ma < 7
    yield "six times over"

    # lights and buzzer
    red = v.LED_V + v.SATURATED_V
    white = v.WHITE_LED_V + v.SATURATED_V
    led, white_led = v.LED_DRIVEN_OHM, v.WHITE_LED_DRIVEN_OHM
    led_ma = v.milliamps(5 - red, led)
    yield f"(5 - 2.0 - 0.1) / 150 Ω = {led_ma:.1f} mA, red or amber"
    yield f"(5 - 3.0 - 0.1) / 100 Ω = {v.milliamps(5 - white, white_led):.1f} mA, white or blue"
    yield (f"At 5.25 V {v.milliamps(5.25 - red, led):.1f} and {v.milliamps(5.25 - white, white_led):.1f} mA")
    base_ma = v.milliamps(v.LOGIC_V - v.BASE_EMITTER_V, v.BASE_OHM)
    down_ma = v.milliamps(v.BASE_EMITTER_V, v.BASE_DOWN_OHM)
    yield (
        f"(3.3 - 0.7) / 1 kΩ = {base_ma:.1f} mA from the pin, of which {down_ma:.2f} mA go through 4.7 kΩ: "
        f"{led_ma:.1f} / {base_ma - down_ma:.2f} = {led_ma / (base_ma - down_ma):.1f}"
    )
    start_v = v.LOGIC_V * 4.7 / (33 + 1 + 4.7)
    yield f"3.3 x 4.7 / (33 + 1 + 4.7) = {start_v:.2f} V"
    buzzer_ma = v.milliamps(v.LOGIC_V - v.BASE_EMITTER_V, v.BUZZER_BASE_OHM)
    yield f"(3.3 - 0.7) / 470 Ω = {buzzer_ma:.1f} mA, for {v.BUZZER_MA:g} mA"
    yield f"40 / {buzzer_ma - down_ma:.2f} = {v.BUZZER_MA / (buzzer_ma - down_ma):.1f}"
    yield f"4 x {base_ma:.1f} + {buzzer_ma:.1f} = {4 * base_ma + buzzer_ma:.1f} mA of the pins' 50 mA"
    yield f"(3.3 - 2.0) / 330 Ω = {v.milliamps(v.LOGIC_V - v.LED_V, v.LED_DIRECT_OHM):.1f} mA"
    yield f"3.3 x 1 / 51 = {v.divided(v.LOGIC_V, v.PULL_OHM, v.BUTTON_SERIES_OHM):.2f} V"
    yield f"100 nF make {1000 * v.PULL_OHM * v.BUTTON_C_F:.0f} ms"


def test_the_sums_of_the_wiring_come_out() -> None:
    text = words("wiring")
    for said in wiring_sums():
        assert said in text


def test_the_table_of_baud_rates_comes_out() -> None:
    """Ten bits to a character: start, eight, stop (common practice for NMEA 0183)."""
    text = (FOLDER / "receiver.md").read_text(encoding="utf-8")
    sizes = v.SENTENCE_BYTES
    sets = {
        "RMC + GGA": sizes["RMC"] + sizes["GGA"],
        "RMC + GGA + VTG": sizes["RMC"] + sizes["GGA"] + sizes["VTG"],
        "out of the box": v.USUAL_BURST_BYTES,
    }
    for name, size in sets.items():
        for hz in (1, 5, 10):
            loads = " | ".join(f"{100 * 10 * size * hz / baud:.0f}" for baud in v.BAUDS)
            assert f"| {name} | {hz} Hz | {size * hz} | {loads} |" in text
    flat = words("receiver")
    times = [f"{1000 * 10 * sets['RMC + GGA'] / baud:.0f} ms" for baud in (9600, 38_400, 115_200)]
    assert f"{times[0]} at 9600 baud, {times[1]} at 38 400, {times[2]} at 115 200" in flat
    # NMEA 0183: a sentence has at most 82 characters (from memory)
    assert max(sizes.values()) <= 82
    # sizes of real shape: two decimals of speed, five of minutes, the mode and status fields of NMEA 4.1
    rmc = "$GNRMC,120000.00,A,4807.03812,N,01131.00015,E,3.41,084.42,300526,3.05,W,A,V*00\r\n"
    gga = "$GNGGA,120000.00,4807.03812,N,01131.00015,E,2,12,0.78,1545.4,M,-47.9,M,1.0,0120*00\r\n"
    vtg = "$GNVTG,084.42,T,087.47,M,3.41,N,6.32,K,A*00\r\n"
    for sentence, size in ((rmc, sizes["RMC"]), (gga, sizes["GGA"]), (vtg, sizes["VTG"])):
        assert abs(len(sentence) - size) <= 6


def test_lateness_and_resolution_come_out() -> None:
    flat = words("receiver")
    at_4_mph = units.parse("4 mph", "speed")
    assert f"At 4 mph ({at_4_mph:.2f} m/s)" in flat
    for late_s in (0.2, 0.4, 1, 2.16):
        metres = late_s * at_4_mph
        assert f"| {late_s:g} s | {metres:.2f} m ({metres / 0.3048:.1f} ft) |" in flat
    knot = 1852 / 3600
    assert f"0.01 kn = {0.01 * knot:.4f} m/s" in flat
    assert f"steps of {0.1 * knot:.4f} m/s, {100 * 0.1 * knot / at_4_mph:.1f} % at 4 mph" in flat
    minute_m = 1852.0  # a minute of latitude is a nautical mile, by its old definition
    assert f"{1e-5 * minute_m:.4f} m north; four are {1e-4 * minute_m:.3f} m" in flat
    assert f"5 m/s ({5 * 3.6:.0f} km/h, {5 / 0.44704:.0f} mph)" in flat


def test_the_sums_of_mounting_and_card_come_out() -> None:
    flat = words("mounting")
    for bore_mm, inches in ((12.7, 0.5), (19, 0.75)):
        assert (
            f"{10 * bore_mm:.0f} mm ({10 * inches:.1f} in) and {5 * bore_mm:.0f} mm ({5 * inches:g} in)"
            in flat
        )
    behind_m = 0.5 * units.parse("4 mph", "speed")
    assert f"at 4 mph up to {behind_m:.2f} m ({behind_m / 0.3048:.1f} ft) behind" in flat
    litres = units.parse("2.4 gal/min", "flow")
    assert (
        f"({litres:.2f} L/min); at 450 pulses/L that is {litres:.2f} x 450 / 60 = {litres * 450 / 60:.0f}"
        in flat
    )
    flat = words("sd_card")
    assert f"8 h at 10 Hz are 8 x 5.7 = {8 * 5.7:.0f} MiB" in flat
    assert f"8192 / 5.7 = {8192 / 5.7:.0f} h" in flat
    assert f"32 MiB/h x 8 h x 100 days = {32 * 8 * 100 / 1024:.0f} GiB a year" in flat
    assert f"16 GB card of 300 cycles, at the low end, bears {16 * 300} GB" in flat
    defaults = EXAMPLE.log_space
    assert f"`log.keep_free_mb` ({defaults.keep_free_mb})" in flat
    assert not defaults.delete_unscored


# -- what rigmon makes of it --------------------------------------------------------------------------------


def wired_pressure(divider_bottom_ohm: int, rail_v: float, transducer_v: float | None) -> Transducer:
    """The core's pressure from what the converter would read; transducer_v None: the wire is off."""
    text = config.template().replace('source = "none"', 'source = "adc"\nsupply_channel = 1', 2)
    text = text.replace('source = "adc"\nsupply_channel = 1', 'source = "none"', 1)
    transducer = Transducer(config.parse(text, "adc").pressure)

    def counts(volts: float) -> int:
        share = v.divided(volts, TOP, divider_bottom_ohm) / v.LOGIC_V
        return min(4095, int(4096 * share))

    transducer.set_counts(0, AdcCount(counts(transducer_v or 0.0), 12, counts(rail_v)))
    return transducer


def test_the_drawn_divider_gives_the_pressure_on_any_rail_and_tells_broken_wires() -> None:
    for rail_v in (v.RAIL_LEAST_V, 5.0, v.RAIL_MOST_V):
        half = wired_pressure(BOTTOM, rail_v, 0.5 * rail_v)  # half of the line: half of 1000 kPa
        assert half.pressure_kpa == pytest.approx(500, abs=1.5)
        assert wired_pressure(BOTTOM, rail_v, None).fault == "open"
        assert wired_pressure(BOTTOM, rail_v, rail_v).fault == "short"
    # with the pair that is often quoted the rail's own reading is cut off: a pressure would be wrong
    cut_off = wired_pressure(v.COMMON_BOTTOM_OHM, v.RAIL_V, 0.5 * v.RAIL_V)
    assert cut_off.pressure_kpa is None


# -- the sensor node ----------------------------------------------------------------------------------------

XDR_RIG = config.parse(config.template().replace('source = "none"', 'source = "xdr"'), "template")


def decoded(line: str) -> dict[str, float]:
    (framed,) = LineFramer().feed(line.encode("ascii"))
    item = Decoder(XDR_RIG).decode(framed)
    assert isinstance(item, Transducers)
    assert item.rejected == 0
    return dict(item.values)


def test_the_notes_sentence_is_the_sketchs_and_decodes_to_what_the_text_says() -> None:
    """Hand-worked: 2.7446 x 14.5038 = 39.8 psi; 0.15132 x 60 / 3.785412 = 2.40 gal/min."""
    line = node.sentence(2.7446, 0.15132, True)
    assert f"    {line.rstrip()}\n" in (FOLDER / "sensor_node.md").read_text(encoding="utf-8")
    assert decoded(line) == pytest.approx({"pressure": 274.46, "flow": 9.0792, "boom": 1.0})
    flat = words("sensor_node")
    assert "2.7446 bar (39.8 psi), 0.15132 L/s (2.40 gal/min), boom on" in flat
    assert f"{units.convert(274.46, 'pressure', 'psi'):.1f} psi" == "39.8 psi"
    assert f"{units.convert(9.0792, 'flow', 'gal/min'):.2f} gal/min" == "2.40 gal/min"
    # room on the line
    assert (
        f"That one has {len(line)} characters with its line end: 5 x {len(line)} = {5 * len(line)} bytes/s"
        in flat
    )
    assert (
        f"{100 * 5 * len(line) / 960:.0f} % of 9600 baud (960 bytes/s), and {len(line) / 0.96:.0f} ms" in flat
    )
    assert len(line) <= 82 < MAX_LINE_BYTES


def test_a_broken_sensor_leaves_its_field_empty_and_the_rest_readable() -> None:
    assert decoded(node.sentence(None, 0.1, False)) == pytest.approx({"flow": 6.0, "boom": 0.0})
    assert decoded(node.sentence(None, None, None)) == {}
    assert decoded(node.sentence(-0.0123, 0.0, True)) == pytest.approx(
        {"pressure": -1.23, "flow": 0.0, "boom": 1.0}
    )


def test_the_sketchs_pressure_is_the_text_s() -> None:
    """Hand-worked in the note: (0.3196 - 0.1) x 10 / 0.8 = 2.745 bar."""
    assert node.pressure_bar(0.3196 * 60_000, 60_000) == pytest.approx(2.745)
    assert "(0.3196 - 0.1) x 10 / 0.8 = 2.745 bar (39.8 psi)" in words("sensor_node")
    for signal, supply in ((0, 60_000), (60_000, 60_000), (100, 0)):
        assert node.pressure_bar(signal, supply) is None


def test_the_sketchs_flow_is_the_text_s_and_agrees_with_the_core() -> None:
    """Hand-worked in the note: 30 pulses in 0.22 s at 450 pulses/L are 0.303 L/s, 4.80 gal/min."""
    meter = node.PulseMeter(0)
    assert meter.flow_l_s(0) is None
    core = FlowMeter(
        config.parse(
            config.template().replace('source = "none"', 'source = "gpio"\npin = 17\npulses_per_l = 450', 1),
            "gpio",
        ).flow
    )
    now_us = total = 0
    for _ in range(10):  # 220 ms each, 30 pulses evenly in it
        for _ in range(30):
            now_us += 220_000 // 30
            total += 1
            meter.pulse(now_us)
        flow = meter.flow_l_s(now_us)
        core.set_pulses(now_us * 1000, PulseCount(total, now_us * 1000, 0))
    assert flow == pytest.approx(30 / 450 / 0.22, rel=1e-3)
    assert core.flow_l_min == pytest.approx(60 * flow, rel=1e-3)
    said = f"{30 / 450 / 0.22:.3f} L/s ({30 / 450 / 0.22 * 60 / 3.785411784:.2f} gal/min)"
    assert f"30 / 450 / 0.22 = {said}" in words("sensor_node")
    # held until it is sure, then at rest; the first pulse after it says nothing of the rate
    assert meter.flow_l_s(now_us + 2_000_000) == flow
    assert meter.flow_l_s(now_us + 2_600_000) == 0.0
    meter.pulse(now_us + 9_000_000)
    assert meter.flow_l_s(now_us + 9_000_000) == 0.0
    meter.pulse(now_us + 9_100_000)
    assert meter.flow_l_s(now_us + 9_100_000) == pytest.approx(1 / 450 / 0.1)


def test_the_sketch_runs_on_pins_of_its_own(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its main loop over stand-ins for the microcontroller's modules, for a second."""
    sent: list[str] = []
    pins: dict[int, Any] = {}

    class EndError(Exception):
        pass

    class Clock:
        us = 0

        def ticks_us(self) -> int:
            return self.us

        def ticks_ms(self) -> int:
            return self.us // 1000

        def ticks_add(self, ms: int, more: int) -> int:
            return ms + more

        def sleep_ms(self, ms: int) -> None:
            if len(sent) == 5:
                raise EndError
            for _ in range(20):  # a pulse each 10 ms: 100 Hz
                self.us += ms * 50
                pins[15].edge(None)

    class Pin:
        IN, PULL_UP, IRQ_RISING = 0, 1, 2

        def __init__(self, number: int, *_how: int) -> None:
            pins[number] = self

        def irq(self, handler: Any, _edge: int) -> None:
            self.edge = handler

        def value(self) -> int:
            return 0

    machine: Any = ModuleType("machine")
    machine.Pin = Pin
    machine.ADC = lambda number: type("Adc", (), {"read_u16": lambda _: {26: 19_176, 27: 60_000}[number]})()
    machine.UART = lambda *_: type("Uart", (), {"write": lambda _, text: sent.append(text)})()
    monkeypatch.setitem(sys.modules, "machine", machine)
    monkeypatch.setitem(sys.modules, "time", Clock())  # type: ignore[arg-type]
    with pytest.raises(EndError):
        node.main()
    monkeypatch.undo()
    assert decoded(sent[0]) == pytest.approx({"pressure": 274.5, "boom": 1.0}, rel=1e-4)
    # hand-worked: 100 pulses/s / 450 x 60 = 13.33 L/min
    assert decoded(sent[-1])["flow"] == pytest.approx(13.333, rel=1e-3)


# -- commands, keys, files ----------------------------------------------------------------------------------


def asked(text: str) -> Iterator[str]:
    """Every rigmon command in a note: in code marks, and in indented code."""
    for code in re.findall(r"`([^`\n]+)`", text) + re.findall(r"^ {4,}(.+)$", text, re.MULTILINE):
        if code.startswith("rigmon "):
            yield code


@pytest.mark.parametrize("path", NOTES, ids=[path.stem for path in NOTES])
def test_every_command_and_option_exists(path: Path) -> None:
    for code in asked(path.read_text(encoding="utf-8")):
        match = re.match(r"rigmon (calibrate [a-z]+|[a-z]+)", code)
        assert match is not None, code
        name = match[1].split()
        assert name[0] in COMMANDS, code
        result = CliRunner().invoke(group, [*name, "--help"])
        assert result.exit_code == 0, code
        for option in re.findall(r"(?<![\w-])(--[a-z-]+|-o\b)", code):
            assert re.search(rf"(?<![\w-]){option}(?![\w-])", result.output), f"{code}: no {option}"


def test_the_commissioning_walks_the_real_commands() -> None:
    text = (FOLDER / "commissioning.md").read_text(encoding="utf-8")
    used = {code.split()[1] for code in asked(text)}
    assert {"init", "doctor", "calibrate", "run", "replay", "check", "score", "plan"} <= used
    for caution in (
        "Clean water",
        "PPE",
        "label",
        "wind and drift",
        "loaded ATV rolls",
        "Eyes on the ground",
    ):
        assert caution in " ".join(text.split())


@pytest.mark.parametrize("path", NOTES, ids=[path.stem for path in NOTES])
def test_every_key_of_the_rig_file_exists(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    for section, key in re.findall(r"`([a-z_]+)\.([a-z_]+)(?: = [^`]*)?`", text):
        if section in config.SCHEMA and key not in ("md", "py", "sqlite", "toml"):
            assert key in config.SCHEMA[section], f"{section}.{key}"


def test_every_benchmark_named_exists() -> None:
    named = re.findall(r"tests\.benchmarks (\w+)", "".join(path.read_text("utf-8") for path in NOTES))
    assert named
    assert all((ROOT / "tests" / "benchmarks" / f"{name}.py").is_file() for name in named)


def test_every_note_is_in_the_index() -> None:
    listed = re.findall(
        r"^\| \[\w+\.md\]\((\w+)\.md\)", (FOLDER / "README.md").read_text("utf-8"), re.MULTILINE
    )
    assert sorted(listed) == sorted(path.stem for path in NOTES if path.stem != "README")


def test_the_traps_name_modules_and_say_what_is_open() -> None:
    text = (FOLDER / "platform_traps.md").read_text(encoding="utf-8")
    rows = [line for line in text.splitlines() if line.startswith("| ") and not line.startswith("| trap")]
    assert len(rows) > 40
    for row in rows:
        _, trap, done, where, _ = row.split("|")
        assert len(trap.split()) > 2, row
        assert len(done.split()) > 2, row
        assert where.strip() or "nothing" in done, row
        for name in re.findall(r"`([a-z_]+/[a-z_/]+(?:\.py|/))`", where):
            assert (ROOT / "rigmon" / name).exists() or (ROOT / name).exists(), name
    # hand-worked: 4 mph = 1.78816 m/s; x 15 s = 26.8 m = 88 ft; x 1.8 s = 3.2 m = 10.6 ft
    at_4_mph = units.parse("4 mph", "speed")
    assert f"{15 * at_4_mph:.0f} m ({15 * at_4_mph / 0.3048:.0f} ft) at 4 mph" in text
    late_s = EXAMPLE.alerts["speed_fast"].on_delay_s
    assert late_s is not None
    assert (
        f"{late_s:g} s as it is delivered, {late_s * at_4_mph:.1f} m ({late_s * at_4_mph / 0.3048:.1f} ft)"
        in text
    )


def test_what_the_traps_say_of_the_log_and_the_lights_is_so() -> None:
    text = words("platform_traps")
    source = (ROOT / "rigmon" / "log" / "store.py").read_text(encoding="utf-8")
    assert store._CHECKPOINT_BYTES == 4 << 20
    assert "checkpoints are seldom (each 4 MiB)" in text
    assert 'execute("PRAGMA synchronous = FULL")' in source
    assert 'execute(f"PRAGMA journal_size_limit = {2 * _CHECKPOINT_BYTES}")' in source
    assert "cut back to 8 MiB" in text
    rates = {1 / sum(signals.RHYTHM[light]) for light in (signals.Light.FAST, signals.Light.SLOW)}
    assert sorted(rates) == pytest.approx([1.25, 4.0])
    assert "two rates, 4 Hz and 1.25 Hz" in text
    assert f"with libgpiod {pulses_gpiod.BUFFER_EVENTS} edges" in text
    live = [ROOT / "rigmon" / "daemon.py"]
    live += [path for layer in ("core", "edge", "log") for path in (ROOT / "rigmon" / layer).glob("*.py")]
    for path in live:
        assert not re.search(r"os\.fork|multiprocessing", path.read_text(encoding="utf-8")), path


# -- names --------------------------------------------------------------------------------------------------

#: What is no product made for this job: open standards, the platform, trade terms, places in a circuit. Every
#: other word with a capital inside a sentence, and every other part number, is refused.
KNOWN = """
ATV ATVs PPE US GPS NMEA XDR RMC GGA VTG GSV GSA GLL ZDA SBAS UTC USB SSD SPI I2C UART TVS ISO LED LEDs NPN
IP65 AWG TX RX TXD RXD MISO MOSI SCLK CE0 CE1 CH0 CH1 GPIO BCM MCP3208 MCP3008 X7R SQLite WAL FULL STRICT
Debian Bookworm Trixie OS Lite Python MicroPython Raspberry Pi Supej Cuk Sensors Doppler Schmitt Schottky dB
NHTSA MIL STD EEMUA ISA WCAG CSS B kB NetworkManager HTTP VPN WPA2 MWV MDA WMO H R T
CLOCK_MONOTONIC ext4 gpiochip0 gpiochip4 Hz kHz MiB GiB GB RS NAME A V W F C L mA kPa kΩ mV µF nF
"""


def strangers(text: str) -> set[str]:
    """Words that could be a brand or a part number: capitals inside a sentence, two digits after letters."""
    text = re.sub(
        r"`[^`]*`|\]\([^)]*\)|^ *(rigmon |sudo |\$).*$|^ {4}\w+ ?=.*$", " ", text, flags=re.MULTILINE
    )
    begins = re.compile(r"(^|[.:;?!|#\]]|\n *\n|\n *-|\n>)[\s*_>(\"'\[]*$")
    found = set()
    for word in re.finditer(r"\b[A-Za-z]\w*", text):
        inside = word[0][0].isupper() and not begins.search(text, max(0, word.start() - 20), word.start())
        numbered = re.fullmatch(r"[A-Za-z]+\d{2,}\w*", word[0])
        mixed = word[0][1:].lower() != word[0][1:]
        if inside or numbered or mixed:
            found.add(word[0])
    return {word for word in found - set(KNOWN.split()) if not re.fullmatch(r"GPIO\d+", word)}


@pytest.mark.parametrize("path", NOTES, ids=[path.stem for path in NOTES])
def test_no_product_is_named(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert strangers(text) == set()
    assert not re.search(r"[®™]|https?://|www\.", text)


def test_the_check_of_names_sees_them() -> None:
    assert strangers("Take the SprayWiz from Acme, or its ABC1234. It works.") == {
        "SprayWiz",
        "Acme",
        "ABC1234",
    }
    assert strangers("A fuse. The GPS receiver, by USB: Any will do.") == set()
