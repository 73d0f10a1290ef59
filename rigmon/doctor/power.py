"""Power: has the supply sagged since the board was switched on, and is the processor slowed down?"""

from typing import Final

from rigmon.doctor.findings import Finding, Values, look, ok, unknown, wrong
from rigmon.doctor.groups import denied_advice
from rigmon.doctor.machine import Machine

#: bit -> what it says now; the same 16 bits higher says that it was so since the start
#: (Raspberry Pi documentation, vcgencmd get_throttled)
_BITS: Final = {
    0: "under-voltage",
    1: "processor frequency capped",
    2: "processor throttled",
    3: "soft temperature limit",
}
_SINCE_START: Final = 16
#: the firmware slows the processor from 80 degrees C on (Raspberry Pi documentation, frequency management)
_HOT_C: Final = 80.0
_SUPPLY: Final = (
    "Supply 5 V at the current that the board asks for, over short thick leads from a converter made for "
    "vehicles; under-voltage harms cards and logs."
)


def decode(flags: int) -> tuple[list[str], list[str]]:
    """What is so now, and what was so since the start, in words."""
    now = [words for bit, words in _BITS.items() if flags >> bit & 1]
    since = [words for bit, words in _BITS.items() if flags >> (bit + _SINCE_START) & 1]
    return now, since


def check(machine: Machine) -> list[Finding]:
    return [_supply(machine), _temperature(machine)]


def _flags(machine: Machine) -> tuple[int, str] | None:
    """The firmware's flags and where they are from; None: this board has none."""
    ran = machine.run("vcgencmd", "get_throttled", timeout_s=3.0)
    if ran is not None and ran.code == 0 and ran.out.startswith("throttled="):
        flags = _number(ran.out.partition("=")[2])
        if flags is not None:
            return flags, "vcgencmd"
    for name in machine.names("/sys/devices/platform/soc*/soc*:firmware/get_throttled"):
        flags = _number(machine.text(name) or "")
        if flags is not None:
            return flags, name
    return None


def _number(text: str) -> int | None:
    try:
        return int(text.strip(), 16)
    except ValueError:
        return None


def _supply(machine: Machine) -> Finding:
    found = _flags(machine)
    alarm = _voltage_alarm(machine)
    if found is None and alarm is None:
        if machine.exists("/dev/vcio") and not machine.may("/dev/vcio"):
            return unknown(
                "power",
                "Power",
                "the firmware's flags are not permitted (/dev/vcio)",
                denied_advice(machine, "video"),
            )
        return unknown("power", "Power", "this board has no under-voltage flags that can be read")
    if found is None:
        if alarm:
            return wrong("power", "Power", "under-voltage now (rpi_volt)", _SUPPLY, under_voltage_now=True)
        return ok("power", "Power", "no under-voltage alarm (rpi_volt)", under_voltage_now=False)
    flags, source = found
    now, since = decode(flags)
    if alarm and "under-voltage" not in now:
        now.insert(0, "under-voltage")
    values: Values = {
        "flags": f"0x{flags:x}",
        "source": source,
        "under_voltage_now": "under-voltage" in now,
        "under_voltage_since_start": "under-voltage" in since,
    }
    if not now and not since:
        return ok("power", "Power", "no under-voltage since the start", **values)
    parts = [f"now: {', '.join(now)}"] if now else []
    parts += [f"since the start: {', '.join(since)}"] if since else []
    seen = f"{'; '.join(parts)} (flags 0x{flags:x})"
    if "under-voltage" in now or "under-voltage" in since:
        state = wrong if "under-voltage" in now else look
        return state("power", "Power", seen, _SUPPLY, **values)
    return look("power", "Power", seen, "Give the board air and shade.", **values)


def _voltage_alarm(machine: Machine) -> bool | None:
    """The kernel's own alarm of the supply; None: there is none."""
    for name in machine.names("/sys/class/hwmon/hwmon*/name"):
        if machine.text(name) == "rpi_volt":
            text = machine.text(name.removesuffix("name") + "in0_lcrit_alarm")
            if text is not None:
                return text == "1"
    return None


def _temperature(machine: Machine) -> Finding:
    text = machine.text("/sys/class/thermal/thermal_zone0/temp")
    if text is None or not text.lstrip("-").isdecimal():
        return unknown("temperature", "Temperature", "this board does not tell its temperature")
    degrees = int(text) / 1000
    seen = f"{degrees:.0f} °C ({degrees * 9 / 5 + 32:.0f} °F)"
    if degrees >= _HOT_C:
        return look(
            "temperature",
            "Temperature",
            seen,
            f"It slows down from {_HOT_C:.0f} °C on: give the board air and shade.",
            temperature_c=degrees,
        )
    return ok("temperature", "Temperature", seen, temperature_c=degrees)
