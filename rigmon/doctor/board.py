"""The board and its system: which one it is, how old, whether it is 64-bit, whether Python fits."""

import re
from typing import Final, Literal

from rigmon.doctor.findings import Finding, Values, look, ok, unknown, wrong
from rigmon.doctor.machine import Machine

#: what the package asks for, and the last one that it is tested with
_OLDEST: Final = (3, 11)
_NEWEST: Final = (3, 13)

Family = Literal["pi 5", "pi 3-4", "other pi", "not a pi"]


def model(machine: Machine) -> str | None:
    """Such as 'Raspberry Pi 4 Model B Rev 1.4'; None: no board that says so, as on a PC."""
    return machine.text("/proc/device-tree/model") or None


def family(machine: Machine) -> Family:
    """The traps differ: which UART is where, which pin library works."""
    found = re.match(r"Raspberry Pi (?:Compute Module )?(Zero 2|[0-9]*)", model(machine) or "")
    if found is None:
        return "not a pi"
    if found[1] in ("5", "500"):
        return "pi 5"
    return "pi 3-4" if found[1] in ("3", "4", "400", "Zero 2") else "other pi"


def check(machine: Machine) -> list[Finding]:
    return [_board(machine), _system(machine), _bits(machine), _python(machine)]


def _board(machine: Machine) -> Finding:
    found = model(machine)
    if found is None:
        return look(
            "board",
            "Board",
            f"no board model (/proc/device-tree/model); the processor is {machine.kernel}",
            "Fine for scoring and for tries with a USB receiver. Pins, SPI and lights need a Raspberry Pi.",
            model=None,
        )
    kind = family(machine)
    if kind == "not a pi":
        return look(
            "board", "Board", found, "Not a Raspberry Pi: pins and ports have other names.", model=found
        )
    if kind == "other pi":
        return look(
            "board",
            "Board",
            found,
            "Older than those it is made for (Pi 3 and later): watch that no readings are lost.",
            model=found,
        )
    return ok("board", "Board", found, model=found)


def _release(machine: Machine) -> dict[str, str]:
    pairs = [line.partition("=") for line in (machine.text("/etc/os-release") or "").splitlines()]
    return {key: value.strip("\"'") for key, _, value in pairs}


def _system(machine: Machine) -> Finding:
    release = _release(machine)
    name = release.get("PRETTY_NAME", "")
    if not name:
        return unknown("system", "System", "/etc/os-release is not there")
    number = release.get("VERSION_ID", "")
    version = int(number) if number.isdecimal() else None
    values: Values = {"system": name, "version": version}
    if release.get("ID") not in ("debian", "raspbian") or version is None:
        return look("system", "System", name, "Made and tried for Debian 12 and 13; others may do.", **values)
    if version < 12:
        return wrong(
            "system",
            "System",
            name,
            "Its Python is too old: install a Raspberry Pi OS of Debian 12 or later, 64-bit.",
            **values,
        )
    return ok("system", "System", name, **values)


def _bits(machine: Machine) -> Finding:
    values: Values = {"python_bits": machine.bits, "processor": machine.kernel}
    if machine.bits == 64:
        return ok("bits", "64-bit", f"yes, {machine.kernel}", **values)
    under = " under a 64-bit kernel" if machine.kernel in ("aarch64", "x86_64") else f", {machine.kernel}"
    return wrong(
        "bits",
        "64-bit",
        f"no: this Python has {machine.bits} bits{under}",
        "Install the 64-bit Raspberry Pi OS: the number packages have no 32-bit wheels.",
        **values,
    )


def _python(machine: Machine) -> Finding:
    number = ".".join(map(str, machine.python))
    version = machine.python[:2]
    if version < _OLDEST:
        return wrong("python", "Python", number, "Python 3.11 to 3.13 is needed.", version=number)
    if version > _NEWEST:
        return look(
            "python", "Python", number, "Newer than what it is tried with, 3.11 to 3.13.", version=number
        )
    return ok("python", "Python", number, version=number)
