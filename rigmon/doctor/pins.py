"""Pins and SPI: the chip on the header, who may use it, the pin library, whether the rig's pins are free."""

import json
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import rigmon
from rigmon.doctor.board import family
from rigmon.doctor.findings import Finding, Values, look, ok, unknown, wrong
from rigmon.doctor.groups import denied_advice
from rigmon.doctor.machine import Chip, Machine
from rigmon.rig import Rig

#: labels of the chips whose lines are the header's pins, line number = BCM number
_HEADER_LABELS: Final = ("pinctrl-rp1", "pinctrl-bcm2711", "pinctrl-bcm2835", "pinctrl-bcm2837")
_INSTALL: Final = "sudo apt install python3-lgpio, and make the environment with --system-site-packages"

#: Run in a Python and a folder of its own, the way the daemon does it: a factory may hang, and the pins must
#: be let go at the end. The argument is where rigmon is.
_PROBE: Final = """
import json, os, sys
from importlib.metadata import PackageNotFoundError, version
sys.path.insert(0, sys.argv[1])
found = {"gpiozero": None, "lgpio": None, "lgpio_bytes": None, "lgpio_works": False, "factory": None,
         "chip": None, "libgpiod": None, "trouble": ""}
def told(name):
    try:
        return version(name)
    except PackageNotFoundError:
        return "?"
try:
    import gpiozero
    found["gpiozero"] = told("gpiozero")
    from rigmon.edge.board import pin_factory
    factory = pin_factory("pins", "in use")
    found["factory"] = type(factory).__name__
    found["chip"] = getattr(factory, "chip", None)
    factory.close()
except Exception as error:
    found["trouble"] = str(error)
try:
    import lgpio
    found["lgpio"] = told("lgpio")
    found["lgpio_bytes"] = os.path.getsize(lgpio.__file__)
    found["lgpio_works"] = hasattr(lgpio, "gpiochip_open")
except Exception as error:
    found["trouble"] = found["trouble"] or str(error)
try:
    import gpiod
    found["libgpiod"] = told("gpiod") if hasattr(gpiod, "request_lines") else None
except Exception:
    pass
print(json.dumps(found))
"""
#: what it prints has these; a module that prints at exit may have had the last line instead
_PROBED: Final = frozenset(
    ("gpiozero", "lgpio", "lgpio_bytes", "lgpio_works", "factory", "chip", "libgpiod", "trouble")
)


def wired(rig: Rig) -> dict[int, str]:
    """BCM number -> the key of the rig file that uses it."""
    found: dict[int, str] = {}
    keys: list[tuple[int | None, str]] = []
    if rig.flow.source == "gpio":
        keys.append((rig.flow.pin, "flow.pin"))
    if rig.boom_switch.source == "gpio":
        keys.append((rig.boom_switch.pin, "boom_switch.pin"))
    keys += [(pin, "lights.pins") for pin in rig.lights.pins]
    keys += [
        (rig.lights.trouble_pin, "lights.trouble_pin"),
        (rig.buzzer.pin, "buzzer.pin"),
        (rig.runs.stop_pin, "runs.stop_pin"),
        (rig.power.fail_pin, "power.fail_pin"),
    ]
    for pin, key in keys:
        if pin is not None:
            found[pin] = key
    return found


def needs_pins(rig: Rig) -> bool:
    return bool(wired(rig)) or rig.pressure.source == "adc"


def check(machine: Machine, rig: Rig | None, serving: bool) -> list[Finding]:
    """`serving`: a rigmon that runs on this board has the pins already."""
    if rig is not None and not needs_pins(rig):
        return [
            unknown("gpio_chips", "GPIO", "the rig file uses no pins"),
            unknown("spi", "SPI", "the rig file uses no converter (pressure.source = adc)"),
        ]
    if rig is None and family(machine) == "not a pi" and not machine.names("/dev/gpiochip*"):
        return [unknown("gpio_chips", "GPIO", "no GPIO on this machine")]
    devices = machine.names("/dev/gpiochip*")
    denied = [name for name in devices if not machine.may(name)]
    chips = [chip for name in devices if (chip := machine.gpio_chip(name)) is not None]
    header = next((chip for chip in chips if chip.label in _HEADER_LABELS), None)
    findings = [
        _chips(machine, devices, denied, chips, header),
        _library(machine, header, rig is not None and rig.flow.source == "gpio"),
    ]
    if rig is not None and wired(rig):
        findings.append(_free(machine, rig, header, serving))
    findings.append(_spi(machine, rig))
    return findings


def _chips(
    machine: Machine,
    devices: Sequence[str],
    denied: Sequence[str],
    chips: Sequence[Chip],
    header: Chip | None,
) -> Finding:
    title = "GPIO"
    if not devices:
        return wrong(
            "gpio_chips",
            title,
            "no /dev/gpiochip*",
            "The rig file uses pins, which this machine does not have: run on a Raspberry Pi, or take the "
            "sensors by XDR sentences.",
        )
    if header is None and denied:
        return wrong(
            "gpio_chips", title, f"{', '.join(denied)}: not permitted", denied_advice(machine, "gpio")
        )
    if header is None:
        labels = ", ".join(f"{chip.device} ({chip.label})" for chip in chips) or "none that answers"
        return look(
            "gpio_chips",
            title,
            f"no chip of a Raspberry Pi's header among: {labels}",
            "Pins may have other numbers here; a Raspberry Pi's chip is pinctrl-bcm... or pinctrl-rp1.",
        )
    return ok("gpio_chips", title, f"{header.device} ({header.label}), permitted", device=header.device,
              label=header.label, lines=header.lines)  # fmt: skip


# -- the pin library ---------------------------------------------------------------------------------------


def _probe(machine: Machine) -> dict[str, Any] | None:
    with tempfile.TemporaryDirectory(prefix="rigmon-doctor-") as folder:
        ran = machine.run(
            machine.executable,
            "-c",
            _PROBE,
            str(Path(rigmon.__file__).parents[1]),
            cwd=Path(folder),
            timeout_s=12.0,
        )
    if ran is None or ran.code != 0:
        return None
    try:
        found = json.loads(ran.out.splitlines()[-1])
    except (ValueError, IndexError):
        return None
    return found if isinstance(found, dict) and found.keys() >= _PROBED else None


def _library(machine: Machine, header: Chip | None, counts_pulses: bool) -> Finding:
    found = _probe(machine)
    title = "Pin library"
    if found is None:
        return unknown("pin_library", title, "the probe of gpiozero did not end well within 12 s")
    values: Values = {key: found[key] for key in ("gpiozero", "lgpio", "factory", "chip", "libgpiod")}
    trouble = str(found["trouble"])[:200]
    if found["gpiozero"] is None:
        return wrong(
            "pin_library",
            title,
            f"gpiozero cannot be imported: {trouble}",
            "sudo apt install python3-gpiozero, or pip install 'rigmon[pi]'",
            **values,
        )
    if found["lgpio"] is not None and not found["lgpio_works"]:
        return wrong(
            "pin_library",
            title,
            f"lgpio {found['lgpio']} is an empty stand-in ({found['lgpio_bytes']} bytes), as pip takes it "
            "where there is no wheel",
            f"pip uninstall lgpio; then {_INSTALL} (or pip install 'lgpio>=0.2.2' with swig, python3-dev and "
            "liblgpio-dev there).",
            **values,
        )
    factory = found["factory"]
    if factory is None:
        return wrong(
            "pin_library", title, f"gpiozero {found['gpiozero']}: {trouble}", f"{_INSTALL}.", **values
        )
    if factory == "MockFactory":
        return look(
            "pin_library",
            title,
            f"gpiozero {found['gpiozero']} with mock pins",
            "Unset GPIOZERO_PIN_FACTORY: mock pins are for tests.",
            **values,
        )
    if factory != "LGPIOFactory":
        return wrong(
            "pin_library",
            title,
            f"gpiozero {found['gpiozero']} is told to use {factory}",
            "Unset GPIOZERO_PIN_FACTORY: lgpio stamps edges in the kernel and works on every board.",
            **values,
        )
    chip, right = found["chip"], header and machine.resolved(header.device)
    if right and chip is not None and machine.resolved(f"/dev/gpiochip{chip}") != right:
        return wrong(
            "pin_library",
            title,
            f"gpiozero {found['gpiozero']} opens gpiochip{chip}, the header is {header and header.device}",
            "Update gpiozero to 2.0.1.post3 or later: the header's chip of a Pi 5 has another number since "
            "kernel 6.6.45.",
            **values,
        )
    seen = f"gpiozero {found['gpiozero']} by lgpio {found['lgpio']}"
    if counts_pulses and found["libgpiod"] is None:
        return look(
            "pin_library",
            title,
            f"{seen}; pulses are counted, but lost ones are not known",
            "pip install 'gpiod>=2' in the environment: with it lost pulses are known.",
            **values,
        )
    return ok(
        "pin_library", title, seen + (f", libgpiod {found['libgpiod']}" if counts_pulses else ""), **values
    )


# -- the rig's pins ----------------------------------------------------------------------------------------


def _free(machine: Machine, rig: Rig, header: Chip | None, serving: bool) -> Finding:
    pins = wired(rig)
    title = "Pins of the rig"
    listed = ", ".join(f"{key} {pin}" for pin, key in sorted(pins.items()))
    if header is None:
        return unknown("pins_free", title, f"no header chip that answers ({listed})")
    taken: list[str] = []
    missing: list[str] = []
    for pin, key in sorted(pins.items()):
        line = machine.gpio_line(header.device, pin) if pin < header.lines else None
        if line is None:
            missing.append(f"{key} = {pin}")
        elif line.used:
            taken.append(f"{key} = {pin} ({line.consumer or 'the kernel'})")
    if missing:
        return wrong(
            "pins_free", title, f"not on this board: {', '.join(missing)}", "Use a BCM number of the header."
        )
    if taken and serving:
        return unknown("pins_free", title, f"a running rigmon has them: {', '.join(taken)}")
    if taken:
        return wrong(
            "pins_free",
            title,
            f"taken: {', '.join(taken)}",
            "Stop what uses them (the brackets name it; a dtoverlay in config.txt may), or use other pins.",
        )
    return ok("pins_free", title, f"free: {listed}", pins=len(pins))


def _spi(machine: Machine, rig: Rig | None) -> Finding:
    if rig is None or rig.pressure.source != "adc":
        return unknown("spi", "SPI", "no converter in a rig file (pressure.source = adc)")
    device = f"/dev/spidev0.{rig.pressure.spi_device}"
    if not machine.exists(device):
        others = ", ".join(machine.names("/dev/spidev*"))
        return wrong(
            "spi",
            "SPI",
            f"{device} is not there" + (f", but {others}" if others else ""),
            f"pressure.spi_device is {rig.pressure.spi_device}: is the converter on CE0 (0) or CE1 (1)?"
            if others
            else "Put dtparam=spi=on into /boot/firmware/config.txt (or: sudo raspi-config nonint do_spi 0), "
            "then reboot.",
            device=device,
        )
    if not machine.may(device):
        return wrong("spi", "SPI", f"{device}: not permitted", denied_advice(machine, "spi"), device=device)
    return ok("spi", "SPI", f"{device}, permitted", device=device)
