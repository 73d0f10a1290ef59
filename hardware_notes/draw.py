"""Draw the diagrams of these notes: python hardware_notes/draw.py [FOLDER]

Writes hardware_notes/diagrams/*.svg, or into FOLDER. The same bytes each time; only the standard library.
"""

import sys
from pathlib import Path
from typing import Final

import values as v
from symbols import Sheet

_HERE: Final = Path(__file__).parent
_TOP: Final = v.ohms(v.DIVIDER_TOP_OHM)
_BOTTOM: Final = v.ohms(v.DIVIDER_BOTTOM_OHM)


def _pin(number: int) -> tuple[str, str]:
    return f"GPIO{number}", f"pin {v.HEADER[number]}"


def _key_pin(key: str) -> tuple[str, str]:
    (number,) = v.PINS[key]
    return _pin(number)


def power() -> Sheet:
    s = Sheet(
        920,
        "Power from the key switch",
        "The battery's plus goes through a fuse beside it and the key switch. A suppressor diode to ground "
        "and a series diode follow, then, as an option, a capacitor bank that is charged through a resistor "
        "and discharged through a diode, and the step-down converter that feeds the board's 5 volt pins. "
        "Below: a divider from the switched 12 volts, ahead of the series diode, with a capacitor and a "
        "diode to 3.3 volts, leads to the power-fail pin.",
    )
    s.heading(28, "Power")
    s.wire((60, 110), (60, 60), (250, 60), (250, 400)).wire((60, 110), (60, 160)).cell(60, 110)
    s.ground(60, 160).text(88, 106, "battery", "12 V", bold=True)
    s.fuse(250, 100).text(266, 92, f"fuse {v.FUSE_A:g} A, at most", "20 cm (8 in) from +")
    s.switch(250, 165).text(266, 170, "key switch")
    s.dot(250, 215).wire((250, 215), (150, 215), (150, 300)).diode(150, 255, "u", "tvs").ground(150, 300)
    s.text(
        16, 236, "suppressor", f"{v.TVS_STANDOFF_V:g} V stand-off,", f"{v.TVS_CLAMP_V:g} V clamped,", "1500 W"
    )
    s.wire((250, 215), (400, 215)).text(406, 220, "to A", bold=True)
    s.diode(250, 275, "d", "schottky").text(272, 270, "Schottky diode", "5 A, 60 V")
    # hold-up
    s.rect(16, 335, 196, 200, "d").text(24, 354, "option: hold-up", bold=True)
    s.dot(250, 370).wire((250, 370), (130, 370), (130, 510)).dot(130, 370)
    s.wire((130, 370), (70, 370), (70, 440), (130, 440)).dot(130, 440)
    s.resistor(130, 405, "v").text(144, 410, v.ohms(v.CHARGE_OHM)).diode(70, 405, "u")
    s.capacitor(130, 478).ground(130, 510).text(153, 474, f"{v.CELLS} x", f"{v.CELL_F:g} F")
    s.text(24, 476, "balanced,", f"{v.CELLS * v.CELL_V:.1f} V")
    s.box(
        190 + 36,
        400,
        238,
        76,
        "step-down converter",
        f"12 V to {v.RAIL_V:g} V, 3 A",
        "input rated 45 V or more",
    )
    s.wire((440, 476), (440, 500)).ground(440, 500)
    s.wire((250, 476), (250, 552), (300, 552)).flag(300, 552, "5 V", "pins 2, 4", w=80)
    s.wire((300, 606), (270, 606), (270, 620)).flag(300, 606, "ground", "pins 6, 9", w=80).ground(270, 620)
    # sense
    s.heading(678, "A: power-fail sense")
    s.supply(70, 726, "switched 12 V", at="start").wire((70, 726), (70, 876)).ground(70, 876)
    s.resistor(70, 762, "v").text(84, 767, v.ohms(v.SENSE_TOP_OHM))
    s.resistor(70, 842, "v").text(84, 847, v.ohms(v.SENSE_BOTTOM_OHM))
    s.dot(70, 802).wire((70, 802), (380, 802))
    s.dot(185, 802).wire((185, 802), (185, 876)).capacitor(185, 842).ground(185, 876)
    s.text(206, 847, v.farads(v.SENSE_C_F))
    s.dot(300, 802).wire((300, 802), (300, 726)).diode(300, 764, "u", "schottky").supply(300, 726, "3.3 V")
    s.text(318, 769, "Schottky diode")
    return s.flag(380, 802, *_key_pin("power.fail_pin"))


def flowmeter() -> Sheet:
    s = Sheet(
        560,
        "Pulse flowmeter",
        "Two ways. Open collector: the meter is fed with 5 volts; its output is pulled up to 3.3 volts by a "
        "resistor, goes through a series resistor and a capacitor to ground into a Schmitt-trigger buffer "
        "fed with 3.3 volts, and on to the pulse pin. Push-pull 5 volts: the output goes through a divider "
        "of two resistors with a capacitor to ground into the same buffer and pin.",
    )
    pull, series, c = v.ohms(v.FLOW_PULL_OHM), v.ohms(v.FLOW_SERIES_OHM), v.farads(v.FLOW_C_F)
    pin = _key_pin("flow.pin")

    def meter(y: int, *kind: str) -> None:
        s.wire((96, y - 45), (124, y - 45), (124, y - 64)).supply(124, y - 64, "5 V")
        s.wire((96, y + 45), (124, y + 45), (124, y + 62)).ground(124, y + 62)
        s.box(12, y - 62, 96, 124, "flowmeter", *kind)

    s.heading(28, "Open collector (NPN)")
    y = 142
    s.wire((96, y), (388, y))
    meter(y, "open", "collector")
    s.dot(172, y).wire((172, y), (172, 72)).supply(172, 72, "3.3 V").resistor(172, 106, "v")
    s.text(186, 111, pull)
    s.resistor(226, y, "h").text(226, y + 26, series, at="middle")
    s.dot(280, y).wire((280, y), (280, 212)).capacitor(280, 178).ground(280, 212).text(300, 183, c)
    s.gate(318, y).text(306, y - 58, "Schmitt buffer", "on 3.3 V", at="start").flag(388, y, *pin)

    s.heading(288, "Push-pull, 5 V")
    y = 406
    s.wire((96, y), (388, y))
    meter(y, "push-pull,", "5 V")
    s.resistor(180, y, "h").text(180, y - 16, _TOP, at="middle")
    s.dot(228, y).wire((228, y), (228, 486)).resistor(228, 448, "v").ground(228, 486).text(
        214, 453, _BOTTOM, at="end"
    )
    s.dot(280, y).wire((280, y), (280, 486)).capacitor(280, 448).ground(280, 486).text(300, 453, c)
    s.gate(318, y).text(306, y - 58, "Schmitt buffer", "on 3.3 V").flag(388, y, *pin)
    return s.text(16, 534, "100 nF beside the buffer, from its supply to its ground.")


def pressure() -> Sheet:
    s = Sheet(
        660,
        "Pressure transducer and converter",
        "The transducer is fed with 5 volts. Its signal goes through a divider of two resistors with a "
        "capacitor to ground into channel 0 of the converter; the 5 volt rail that feeds it goes through an "
        "equal divider and capacitor into channel 1. The converter runs on 3.3 volts and is on the board's "
        "SPI pins.",
    )
    c = v.farads(v.FILTER_C_F)

    def filtered(y: int, channel: str) -> None:
        s.resistor(200, y, "h").text(200, y - 16, _TOP, at="middle")
        s.dot(252, y).wire((252, y), (252, y + 80)).resistor(252, y + 42, "v").ground(252, y + 80)
        s.text(238, y + 47, _BOTTOM, at="end")
        s.dot(316, y).wire((316, y), (316, y + 80)).capacitor(316, y + 42).ground(316, y + 80)
        s.text(336, y + 47, c).flag(376, y, channel, w=40)

    s.heading(28, "Signal, and the rail that feeds it")
    y = 120
    s.wire((96, y - 40), (144, y - 40), (144, 64)).supply(144, 64, "5 V")
    s.wire((96, y + 40), (144, y + 40), (144, y + 80)).ground(144, y + 80)
    s.wire((96, y), (376, y)).box(12, y - 62, 106, 124, "transducer", "0.5-4.5 V", "on 5 V")
    filtered(y, "CH0")
    s.supply(60, 262, "the same 5 V", at="start").wire((60, 262), (60, 280), (376, 280))
    filtered(280, "CH1")

    s.heading(410, "Converter (MCP3208 or MCP3008)")
    s.wire((170, 470), (170, 446)).supply(170, 446, "3.3 V")
    s.text(190, 458, "VDD, VREF; 100 nF to ground")
    s.rect(110, 470, 130, 170)
    for name, dy in (("CH0", 30), ("CH1", 66)):
        s.wire((110, 470 + dy), (80, 470 + dy)).flag(80, 470 + dy, name, w=40, way="l")
        s.text(118, 475 + dy, name)
    s.wire((110, 600), (70, 600), (70, 620)).ground(70, 620).text(118, 597, "AGND", "DGND")
    for name, line, y in (
        ("CLK", "SCLK", 494),
        ("DOUT", "MISO", 534),
        ("DIN", "MOSI", 574),
        ("CS", "CE0", 614),
    ):
        number = v.SPI[line]
        s.wire((240, y), (280, y)).text(232, y + 5, name, at="end")
        s.flag(280, y, f"GPIO{number}, pin {v.HEADER[number]}, {line}", w=184)
    return s


def boom_switch() -> Sheet:
    s = Sheet(
        560,
        "Boom switch",
        "Two ways. A contact of its own: it connects the line to ground while the boom is on; the line is "
        "pulled up to 3.3 volts, goes through a series resistor and a capacitor to ground into a "
        "Schmitt-trigger buffer and the boom pin. From the 12 volt line of the boom valve: through a "
        "resistor into the LED of an optocoupler with a diode across it; its transistor connects the boom "
        "pin to ground, with a resistor to 3.3 volts.",
    )
    pin = _key_pin("boom_switch.pin")
    s.heading(28, "An isolated contact")
    y = 142
    s.wire((90, 72), (90, 220)).supply(90, 72, "3.3 V").resistor(90, 106, "v").text(
        104, 111, v.ohms(v.CONTACT_PULL_OHM)
    )
    s.switch(90, 185).ground(90, 220).text(104, 184, "closed while", "the boom is on")
    s.dot(90, y).wire((90, y), (388, y)).resistor(200, y, "h")
    s.text(200, y - 16, v.ohms(v.CONTACT_SERIES_OHM), at="middle")
    s.dot(270, y).wire((270, y), (270, 214)).capacitor(270, 178).ground(270, 214)
    s.text(290, 183, v.farads(v.CONTACT_C_F))
    s.gate(318, y).text(306, y - 58, "Schmitt buffer", "on 3.3 V").flag(388, y, *pin)

    s.heading(288, "The boom valve's 12 V line")
    s.wire((40, 350), (190, 350)).wire((40, 350), (40, 338)).supply(40, 338, "live while on", at="start")
    s.resistor(100, 350, "h").text(100, 378, v.ohms(v.OPTO_LED_OHM), at="middle")
    s.wire((190, 398), (150, 398), (150, 480)).ground(150, 480).dot(150, 350).dot(150, 398)
    s.wire((150, 350), (150, 398)).diode(150, 376, "u")
    s.optocoupler(190, 334)
    s.text(16, 440, "the valve's own", "ground wire")
    s.text(242, 432, "optocoupler", at="middle")
    s.wire((294, 350), (388, 350)).dot(340, 350).wire((340, 350), (340, 310)).supply(340, 290, "3.3 V")
    s.wire((340, 290), (340, 320)).resistor(340, 320, "v").text(354, 325, v.ohms(v.OPTO_PULL_OHM))
    s.wire((294, 398), (340, 398), (340, 480)).ground(340, 480)
    s.text(356, 440, "the board's", "ground")
    s.flag(388, 350, *pin)
    return s.text(16, 534, 'Both are low while the boom is on: on_level = "low".')


def lights_and_buzzer() -> Sheet:
    s = Sheet(
        720,
        "Lights, buzzer and stop button",
        "Each light: from 5 volts through a resistor and the LED to the collector of an NPN transistor whose "
        "emitter is grounded; the pin drives its base through a resistor, and a second resistor from base to "
        "ground keeps it off while the board starts. The buzzer is driven the same way, with a diode across "
        "it. The stop button connects its pin to ground through a resistor, with a capacitor across.",
    )

    def driver(y: int, base: str, *pins: str) -> None:
        s.wire((124, y), (282, y)).flag(124, y, *pins, w=94, way="l")
        s.resistor(166, y, "h").text(166, y - 16, base, at="middle")
        s.dot(216, y).wire((216, y), (216, y + 66)).resistor(216, y + 34, "v").ground(216, y + 66)
        s.text(202, y + 39, v.ohms(v.BASE_DOWN_OHM), at="end")
        s.npn(282, y).wire((296, y + 30), (296, y + 66)).ground(296, y + 66)

    lights = (*v.PINS["lights.pins"], *v.PINS["lights.trouble_pin"])
    s.heading(28, "Each light")
    s.wire((296, 146), (296, 64)).supply(296, 64, "5 V")
    s.resistor(296, 90, "v").text(
        312, 86, f"{v.ohms(v.LED_DRIVEN_OHM)}: red, amber", f"{v.ohms(v.WHITE_LED_DRIVEN_OHM)}: white, blue"
    )
    s.diode(296, 130, "d", "led").text(336, 150, "LED, 20 mA")
    driver(176, v.ohms(v.BASE_OHM), "one pin", "a light")
    s.text(330, 196, "pins of the lights:", *(f"GPIO{n}, pin {v.HEADER[n]}" for n in lights))

    s.heading(312, "Buzzer")
    s.wire((296, 432), (296, 350)).supply(296, 350, "5 V")
    s.dot(296, 366).dot(296, 422).wire((296, 366), (392, 366), (392, 422), (296, 422))
    s.diode(392, 394, "u").rect(262, 378, 68, 32).text(296, 399, "buzzer", at="middle").text(
        410, 399, "diode"
    )
    driver(462, v.ohms(v.BUZZER_BASE_OHM), *_key_pin("buzzer.pin"))

    s.heading(578, "Stop button")
    s.wire((60, 620), (330, 620)).wire((60, 620), (60, 680)).switch(60, 652).ground(60, 680)
    s.resistor(150, 620, "h").text(150, 604, v.ohms(v.BUTTON_SERIES_OHM), at="middle")
    s.dot(240, 620).wire((240, 620), (240, 680)).capacitor(240, 652).ground(240, 680)
    s.text(262, 657, v.farads(v.BUTTON_C_F)).text(80, 657, "pressed: closed")
    return s.flag(330, 620, *_key_pin("runs.stop_pin"))


def receiver() -> Sheet:
    s = Sheet(
        420,
        "GPS receiver",
        "Two ways. On the board's serial port: the receiver's transmit line through a resistor to RXD, its "
        "receive line through a resistor to TXD, supply and ground; levels of 3.3 volts. Or by USB: one "
        "cable, fixed so that it cannot shake loose.",
    )
    s.heading(28, "On the board's serial port, 3.3 V levels")
    s.rect(16, 56, 130, 180).text(24, 150, "receiver", bold=True)
    rxd, txd = v.UART["RXD"], v.UART["TXD"]
    rows = (
        (80, "TX", f"GPIO{rxd}, pin {v.HEADER[rxd]}, RXD"),
        (124, "RX", f"GPIO{txd}, pin {v.HEADER[txd]}, TXD"),
        (168, "supply", "3.3 V, pin 1, or 5 V, pin 2"),
        (212, "ground", "ground, pin 14"),
    )
    for y, name, pin in rows:
        s.wire((146, y), (250, y)).flag(250, y, pin, w=206)
        if name in ("TX", "RX"):
            s.resistor(198, y, "h").text(198, y + 24, v.ohms(v.UART_SERIES_OHM), at="middle")
        s.text(138, y + 5, name, at="end")
    s.text(
        16,
        262,
        "RS-232 levels (5 V and more, both signs) need a level",
        "converter; a 5 V output needs the divider",
        "of the flowmeter.",
    )
    s.heading(330, "By USB")
    s.wire((146, 376), (290, 376)).box(16, 348, 130, 56, "receiver").box(
        290, 348, 174, 56, "board", "/dev/serial/by-id/..."
    )
    return s.text(218, 366, "USB cable,", at="middle").text(218, 398, "tied down", at="middle")


_GROUNDS: Final = (6, 9, 14, 20, 25, 30, 34, 39)
_RAILS: Final = {1: "3.3 V", 17: "3.3 V", 2: "5 V", 4: "5 V"} | dict.fromkeys(_GROUNDS, "ground")
_WORDS: Final = {
    "flow.pin": ("flow pulses",),
    "boom_switch.pin": ("boom switch",),
    "lights.pins": ("light 1", "light 2", "light 3"),
    "lights.trouble_pin": ("trouble light",),
    "buzzer.pin": ("buzzer",),
    "runs.stop_pin": ("stop button",),
    "power.fail_pin": ("power fail",),
}


def _signals() -> dict[int, str]:
    """Pin of the header -> what is on it, without supplies and grounds."""
    named = [(n, what) for what, n in (*v.SPI.items(), *v.UART.items())]
    for key, numbers in v.PINS.items():
        named += zip(numbers, _WORDS[key], strict=True)
    return {v.HEADER[number]: f"GPIO{number} {what}" for number, what in sorted(named)}


def pins() -> Sheet:
    s = Sheet(
        640,
        "Pins in use on the board's 40-pin header",
        "The header seen from above, odd pins left and even pins right. Used: 1 and 17 for 3.3 volts; 2 and "
        "4 for 5 volts; 6, 9, 14, 20, 25, 30, 34 and 39 for ground; "
        + "; ".join(f"{pin} for {words}" for pin, words in sorted(_signals().items()))
        + ".",
    )
    s.heading(28, "Header from above; pin 1 has the square pad")
    used = _RAILS | _signals()
    for row in range(20):
        y = 46 + 28 * row
        for pin, x, words_x, at in ((2 * row + 1, 207, 199, "end"), (2 * row + 2, 241, 281, "start")):
            s.rect(x, y, 32, 24, "g" if pin in used else "p")
            s.text(x + 16, y + 17, str(pin), at="middle", bold=pin in used)
            if pin in used:
                s.text(words_x, y + 17, used[pin], at=at)
    return s.text(16, 628, "Grey: in use. GPIO numbers (BCM) are those of the rig file.", size=14)


def grounding() -> Sheet:
    s = Sheet(
        560,
        "Grounding and routing",
        "All grounds meet at one point, the star, in the enclosure: the board, the converter chip with the "
        "shields of the sensor cables, lights and buzzer, and the step-down converter, which alone has the "
        "wire to the battery's minus. Sensor cables run on the side away from the ignition, at least 30 "
        "centimetres or 12 inches from coil, spark lead and magneto, and cross them at a right angle.",
    )
    s.heading(28, "One star, in the enclosure")
    s.rect(16, 44, 448, 246, "d").text(24, 280, "enclosure")
    for x, lines in (
        (28, ("board",)),
        (176, ("converter chip,", "cable shields")),
        (324, ("lights,", "buzzer")),
    ):
        s.wire((x + 64, 120), (240, 180)).box(x, 62, 128, 58, *lines)
    s.wire((240, 180), (240, 330)).box(146, 214, 188, 58, "step-down converter", "its ground terminal")
    s.area("b", (232, 172), (248, 172), (248, 188), (232, 188)).text(258, 192, "star", bold=True)
    s.box(146, 330, 188, 44, "battery, minus").text(252, 316, "one wire, as thick as plus", size=14)
    s.heading(410, "Routing")
    s.box(16, 426, 130, 110, "ignition", "coil, spark", "lead, magneto", kind="g")
    s.box(318, 426, 146, 110, "sensor cables", "shielded, twisted,", "shield tied at the", "enclosure only")
    s.wire((156, 481), (308, 481)).area("b", (152, 481), (164, 475), (164, 487))
    s.area("b", (312, 481), (300, 475), (300, 487))
    return s.text(232, 468, "30 cm (12 in)", at="middle").text(
        232, 504, "or more; cross", "at right angles", at="middle"
    )


def plumbing() -> Sheet:
    s = Sheet(
        640,
        "Where the sensors sit",
        "From the tank through the strainer and the pump to the regulator, whose bypass goes back to the "
        "tank; then the flowmeter with straight pipe before and behind it, in the direction of its arrow; "
        "then the boom valve; then the boom. Gauge and transducer sit on the boom, behind a snubber, at the "
        "end farthest from the pump.",
    )
    s.heading(28, "Where the sensors sit")
    s.wire((90, 74), (90, 560)).wire((90, 296), (270, 296), (270, 74), (90, 74))
    s.area("b", (156, 74), (168, 68), (168, 80))
    for y, words in ((52, "tank"), (126, "strainer"), (200, "pump"), (274, "regulator")):
        s.box(24, y, 132, 44, words)
    s.text(282, 150, "bypass and agitation", "leave before", "the flowmeter")
    s.box(24, 384, 132, 52, "flowmeter").wire((170, 392), (170, 428)).area(
        "b", (170, 432), (164, 420), (176, 420)
    )
    s.text(190, 362, "straight, 10 bores", "before it").text(190, 416, "its arrow the way of flow").text(
        190, 446, "5 bores after it"
    )
    s.box(24, 480, 132, 44, "boom valve").text(166, 496, "boom switch,", "if wired to it")
    s.rect(24, 560, 432, 16, "g")
    for x in range(52, 460, 42):
        s.wire((x, 576), (x, 586)).wire((x - 14, 606), (x, 586), (x + 14, 606))
    s.wire((406, 560), (406, 490)).rect(397, 520, 18, 26)
    s.box(340, 442, 124, 62, "transducer", "and gauge")
    s.text(388, 542, "snubber", at="end")
    return s.text(16, 628, "boom: at the end farthest from the pump, where you can")


DIAGRAMS: Final = (
    pins,
    power,
    flowmeter,
    pressure,
    boom_switch,
    lights_and_buzzer,
    receiver,
    grounding,
    plumbing,
)


def main() -> int:
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else _HERE / "diagrams"
    folder.mkdir(parents=True, exist_ok=True)
    for diagram in DIAGRAMS:
        (folder / f"{diagram.__name__}.svg").write_bytes(diagram().svg().encode())
    return 0


if __name__ == "__main__":
    sys.exit(main())
