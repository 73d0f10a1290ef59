"""Every value in the wiring diagrams, and the sums that the notes show beside them.

Resistors are of the E24 series, 1 %; capacitors ceramic (X7R). Units are in the names.
"""

from math import exp, log, pi
from typing import Final

# -- the board's header (BCM number -> pin of the 40-pin header), from the board's public documentation ------
HEADER: Final = {
    2: 3, 3: 5, 4: 7, 5: 29, 6: 31, 7: 26, 8: 24, 9: 21, 10: 19, 11: 23, 12: 32, 13: 33, 14: 8, 15: 10,
    16: 36, 17: 11, 18: 12, 19: 35, 20: 38, 21: 40, 22: 15, 23: 16, 24: 18, 25: 22, 26: 37, 27: 13,
}  # fmt: skip

#: key of the rig file -> BCM numbers: the hints that `rigmon init` writes
PINS: Final = {
    "flow.pin": (17,),
    "boom_switch.pin": (27,),
    "lights.pins": (5, 6, 13),
    "lights.trouble_pin": (19,),
    "buzzer.pin": (26,),
    "runs.stop_pin": (22,),
    "power.fail_pin": (23,),
}
SPI: Final = {"MISO": 9, "MOSI": 10, "SCLK": 11, "CE0": 8}
UART: Final = {"TXD": 14, "RXD": 15}

TOLERANCE: Final = 0.01  #: of every resistor

# -- a pin: 3.3 V at most; thresholds from memory of the chips' data sheets, the stricter of the models ---
LOGIC_V: Final = 3.3
LOW_BELOW_V: Final = 0.8
HIGH_ABOVE_V: Final = 2.0
PULL_OHM: Final = 50_000  #: the pin's own pull resistor, nominal
PULL_LEAST_OHM: Final = 33_000
PIN_MOST_MA: Final = 8.0  #: at the drive strength that the pins have after a start
PINS_TOGETHER_MA: Final = 50.0

# -- 5 V signals ----------------------------------------------------------------------------------------
RAIL_V: Final = 5.1  #: what the converter is set to
RAIL_MOST_V: Final = 5.25
RAIL_LEAST_V: Final = 4.75
DIVIDER_TOP_OHM: Final = 10_000
DIVIDER_BOTTOM_OHM: Final = 15_000
#: the pair that is often quoted for 5 V; it is too high for a rail of 5.25 V
COMMON_BOTTOM_OHM: Final = 20_000

# -- flowmeter ------------------------------------------------------------------------------------------
PULSES_MOST_HZ: Final = 2000
DUTY_LEAST: Final = 0.3  #: of a period, high or low: the shorter part of an uneven pulse
FLOW_PULL_OHM: Final = 4_700
FLOW_SERIES_OHM: Final = 1_000
FLOW_C_F: Final = 10e-9

# -- pressure -------------------------------------------------------------------------------------------
FILTER_C_F: Final = 10e-6
ADC_BITS: Final = (10, 12)
SENSOR_ZERO_V: Final = 0.5
SENSOR_SPAN_V: Final = 4.5
SENSOR_SPAN_KPA: Final = 1000.0

# -- boom switch and stop button --------------------------------------------------------------------------
CONTACT_PULL_OHM: Final = 1_000
CONTACT_SERIES_OHM: Final = 10_000
CONTACT_C_F: Final = 1e-6
OPTO_LED_OHM: Final = 2_200
OPTO_LED_V: Final = 1.2
OPTO_PULL_OHM: Final = 10_000
OPTO_CTR_LEAST: Final = 0.5
BUTTON_SERIES_OHM: Final = 1_000
BUTTON_C_F: Final = 100e-9

# -- lights and buzzer ------------------------------------------------------------------------------------
LED_V: Final = 2.0  #: red or amber
WHITE_LED_V: Final = 3.0  #: white, blue, or green of the same kind
SATURATED_V: Final = 0.1
BASE_EMITTER_V: Final = 0.7
LED_DIRECT_OHM: Final = 330
LED_DRIVEN_OHM: Final = 150
WHITE_LED_DRIVEN_OHM: Final = 100
BASE_OHM: Final = 1_000
BASE_DOWN_OHM: Final = 4_700
BUZZER_BASE_OHM: Final = 470
BUZZER_MA: Final = 40.0

# -- power ------------------------------------------------------------------------------------------------
BATTERY_LEAST_V: Final = 10.8
BATTERY_MOST_V: Final = 16.0
CHARGING_V: Final = 14.4
TVS_STANDOFF_V: Final = 24.0
TVS_CLAMP_V: Final = 39.0
BOARD_MOST_W: Final = 15.0  #: 5 V at 3 A: board, receiver, sensors, lights
CONVERTER_EFFICIENCY: Final = 0.85
FUSE_A: Final = 3.0
WIRE_MM2: Final = 0.75
WIRE_M: Final = 6.0  #: out and back
COPPER_OHM_MM2_M: Final = 0.0175
SENSE_TOP_OHM: Final = 43_000
SENSE_BOTTOM_OHM: Final = 10_000
SENSE_C_F: Final = 100e-9
CLAMPED_V: Final = 3.6  #: the pin, with a Schottky diode to 3.3 V
HOLD_W: Final = 7.0  #: 6 W that the board draws on a usual day, through the converter
HOLD_S: Final = 15.0
HOLD_CHARGING_V: Final = 13.9  #: engine running: the charging voltage less a diode
HOLD_REST_V: Final = 11.7  #: engine off: the battery at 12.2 V less a diode
HOLD_EMPTY_V: Final = 8.0  #: what the converter still runs on
CELLS: Final = 6
CELL_F: Final = 22.0
CELL_V: Final = 2.7
CELL_TOLERANCE: Final = 0.2
CHARGE_OHM: Final = 22
JUMP_V: Final = 23.5  #: a jump start from 24 V, less a diode
JUMP_S: Final = 60.0  #: as long as ISO 16750-2 has it last

# -- receiver ---------------------------------------------------------------------------------------------
UART_SERIES_OHM: Final = 100
#: bytes of a sentence with its '$' and line end, at two decimals of speed and five of minutes
SENTENCE_BYTES: Final = {"RMC": 76, "GGA": 82, "VTG": 46, "XDR": 56}
USUAL_BURST_BYTES: Final = 460  #: what many receivers send out of the box, an epoch
BAUDS: Final = (9600, 19_200, 38_400, 115_200)


def divided(v: float, top_ohm: float, bottom_ohm: float) -> float:
    """Volts at the middle of a divider."""
    return v * bottom_ohm / (top_ohm + bottom_ohm)


def divided_most(v: float, top_ohm: float, bottom_ohm: float) -> float:
    """The same with both resistors at the unlucky end of their tolerance."""
    return divided(v, top_ohm * (1 - TOLERANCE), bottom_ohm * (1 + TOLERANCE))


def divided_least(v: float, top_ohm: float, bottom_ohm: float) -> float:
    return divided(v, top_ohm * (1 + TOLERANCE), bottom_ohm * (1 - TOLERANCE))


def parallel_ohm(a: float, b: float) -> float:
    return a * b / (a + b)


def corner_hz(ohm: float, farad: float) -> float:
    """Corner frequency of a first-order low-pass."""
    return 1 / (2 * pi * ohm * farad)


def rise_s(ohm: float, farad: float, full_v: float, to_v: float) -> float:
    """Time from 0 to `to_v` on the way to `full_v`."""
    return ohm * farad * log(full_v / (full_v - to_v))


def fall_s(ohm: float, farad: float, full_v: float, to_v: float) -> float:
    """Time from `full_v` to `to_v` on the way to 0."""
    return ohm * farad * log(full_v / to_v)


def reached_v(ohm: float, farad: float, full_v: float, after_s: float) -> float:
    """Volts after charging from 0 for so long."""
    return full_v * (1 - exp(-after_s / (ohm * farad)))


def milliamps(v: float, ohm: float) -> float:
    return 1000 * v / ohm


def ohms(value: float) -> str:
    """'4.7 kΩ' from 4700."""
    return f"{value / 1000:g} kΩ" if value >= 1000 else f"{value:g} Ω"


def farads(value: float) -> str:
    """'10 nF' from 1e-8."""
    for unit, size in (("F", 1.0), ("µF", 1e-6), ("nF", 1e-9)):
        if value >= size * 0.9999:
            return f"{value / size:.3g} {unit}"
    raise ValueError(value)


def hold_up_f() -> float:
    """Capacitance that gives HOLD_W for HOLD_S from a battery at rest: E = C (V1^2 - V2^2) / 2."""
    return 2 * HOLD_W * HOLD_S / (HOLD_REST_V**2 - HOLD_EMPTY_V**2)


def bank_f() -> float:
    """Capacitance of CELLS in a row, at the low end of their tolerance."""
    return CELL_F * (1 - CELL_TOLERANCE) / CELLS


def jumped_v() -> float:
    """The bank from a battery at rest after a jump start: V = V1 + (V2 - V1) (1 - exp(-t / R C))."""
    rise = 1 - exp(-JUMP_S / (CHARGE_OHM * CELL_F / CELLS))
    return HOLD_REST_V + (JUMP_V - HOLD_REST_V) * rise


def held_s(full_v: float) -> float:
    """How long the bank gives HOLD_W, from `full_v` down."""
    return bank_f() * (full_v**2 - HOLD_EMPTY_V**2) / 2 / HOLD_W
