"""A serial port: is it there, whose is it, who holds it, and is it the one that is meant?"""

from typing import Final, NamedTuple

from rigmon.doctor.board import family
from rigmon.doctor.findings import Finding, Values, look, ok, unknown, wrong
from rigmon.doctor.groups import denied_advice
from rigmon.doctor.machine import Holder, Machine

#: the board's own ports; a USB device's baud may be nominal, these are real
_BOARD_PORTS: Final = ("/dev/ttyAMA", "/dev/ttyS", "/dev/serial0", "/dev/serial1")
_NO_CONSOLE: Final = "sudo raspi-config nonint do_serial_cons 1, then reboot."
_CONFIG: Final = "/boot/firmware/config.txt"


class Looked(NamedTuple):
    """What was found out about a port."""

    findings: list[Finding]
    may_listen: bool  #: it is there, permitted, and nobody else has it
    why_not: str  #: in words; '' when it may be listened to


def is_url(port: str) -> bool:
    """A pyserial URL such as socket://host:port, no device of this machine."""
    return "://" in port


def has_baud(machine: Machine, port: str) -> bool:
    """Whether the port's baud is a real one that can be wrong: not of a network port, a USB receiver of its
    own (ACM) or a pseudo-terminal."""
    device = "" if is_url(port) else machine.resolved(port)
    return bool(device) and not device.startswith(("/dev/ttyACM", "/dev/pts/"))


def check(machine: Machine, section: str, port: str) -> Looked:
    """`section` is the rig file's: gps or node."""
    check, title = f"{section}_port", f"{'GPS' if section == 'gps' else 'Node'} port"
    if is_url(port):
        return Looked([ok(check, title, f"{port} (a URL, no device)", port=port)], True, "")
    trap = _trap(machine, check, title, section, port)
    if trap is not None and trap.state == "wrong":
        return Looked([trap], False, f"{section}.port is wrong")
    if not machine.exists(port):
        return Looked([_missing(machine, check, title, section, port)], False, f"{port} is not there")
    values: Values = {"port": port, "device": machine.resolved(port)}
    if not machine.may(port):
        finding = wrong(check, title, f"{port}: not permitted", denied_advice(machine, "dialout"), **values)
        return Looked([finding], False, f"{port} is not permitted")
    console = _console(machine, section, port)
    holders = machine.holders(port)
    if console is not None and (not holders or all(_is_getty(each) for each in holders)):
        return Looked([*([trap] if trap else []), console], False, "the console is on the port")
    if holders:
        finding = _held(check, title, port, holders, values)
        whose = "a running rigmon" if finding.state == "unknown" else "another program"
        return Looked([finding], False, f"{port} is held by {whose}")
    found = (
        trap
        or _named(machine, check, title, section, port)
        or ok(check, title, f"{_way(port, machine.resolved(port))}, permitted, free", **values)
    )
    return Looked([found, *([console] if console else [])], True, "")


def _way(port: str, device: str) -> str:
    return port if device == port else f"{port} -> {device}"


def _is_getty(holder: Holder) -> bool:
    return "getty" in holder.command


def _held(check: str, title: str, port: str, holders: list[Holder], values: Values) -> Finding:
    who = ", ".join(f"{holder.command} (process {holder.pid})" for holder in holders)
    seen = f"{port} is held by {who}"
    numbers = ", ".join(str(holder.pid) for holder in holders)
    if any("rigmon" in holder.command for holder in holders):
        return unknown(
            check,
            title,
            f"{seen}; it is left alone",
            "To look at the stream, stop it (a service: sudo systemctl stop rigmon), then ask again.",
            **values,
            held_by=numbers,
        )
    return wrong(
        check,
        title,
        seen,
        "Two readers of a port steal each other's bytes: stop the other one, or take the stream from it by a "
        "socket:// URL.",
        **values,
        held_by=numbers,
    )


def _missing(machine: Machine, check: str, title: str, section: str, port: str) -> Finding:
    there = [
        *machine.names("/dev/serial/by-id/*"),
        *machine.names("/dev/ttyACM*"),
        *machine.names("/dev/ttyUSB*"),
        *machine.names("/dev/serial[0-9]"),
        *machine.names("/dev/ttyAMA*"),
    ]
    seen = f"{port} is not there" + (f"; there are: {', '.join(there[:6])}" if there else "; no other either")
    kind = family(machine)
    if port.startswith("/dev/ttyAMA0") and kind == "pi 5":
        do = f"Put dtparam=uart0=on into {_CONFIG} and reboot: then the header's port is there."
    elif port.startswith(_BOARD_PORTS) and kind != "not a pi":
        do = f"sudo raspi-config nonint do_serial_hw 0 (or enable_uart=1 in {_CONFIG}), then reboot."
    elif there:
        do = f"Is it plugged in? If it is one of those, put that into {section}.port."
    else:
        do = "Is it plugged in and powered? 'dmesg' shows what the kernel saw when it was."
    return wrong(check, title, seen, do, port=port)


def _trap(machine: Machine, check: str, title: str, section: str, port: str) -> Finding | None:
    """Ports of the board that are not what their name says."""
    kind, device = family(machine), machine.resolved(port)
    values: Values = {"port": port, "device": device}
    if kind == "pi 5" and device == "/dev/ttyAMA10":
        return wrong(
            check,
            title,
            f"{_way(port, device)}: on a Pi 5 that is the debug connector, not the header",
            f'Put dtparam=uart0=on into {_CONFIG}, reboot, and set {section}.port = "/dev/ttyAMA0" (pins 14 '
            "and 15).",
            **values,
        )
    if kind != "pi 3-4":
        return None
    if machine.exists("/dev/serial1") and device == machine.resolved("/dev/serial1"):
        return wrong(
            check,
            title,
            f"{_way(port, device)}: that is the Bluetooth's port (serial1)",
            f'Set {section}.port = "/dev/serial0"; dtoverlay=disable-bt in {_CONFIG} gives the header the '
            "better port.",
            **values,
        )
    if device == "/dev/ttyS0":
        return look(
            check,
            title,
            f"{_way(port, device)}: the small UART, whose baud follows the processor's clock",
            f"enable_uart=1 in {_CONFIG} holds the clock; dtoverlay=disable-bt puts the full UART there.",
            **values,
        )
    return None


def _named(machine: Machine, check: str, title: str, section: str, port: str) -> Finding | None:
    """A USB device is numbered in the order it comes: a name that stays is better."""
    device = machine.resolved(port)
    if not port.startswith(("/dev/ttyACM", "/dev/ttyUSB")):
        return None
    names = [
        name
        for folder in ("by-id", "by-path")
        for name in machine.names(f"/dev/serial/{folder}/*")
        if machine.resolved(name) == device
    ]
    if not names:
        return None
    return look(
        check,
        title,
        f"{port}, permitted, free; after a replug it may have another number",
        f'Set {section}.port = "{names[0]}": it stays the same.',
        port=port,
        device=device,
        better=names[0],
    )


def _console(machine: Machine, section: str, port: str) -> Finding | None:
    """The kernel's console or a login on the port would talk into the stream."""
    device = machine.resolved(port).removeprefix("/dev/")
    by_kernel = [
        machine.resolved(f"/dev/{word.removeprefix('console=').partition(',')[0]}").removeprefix("/dev/")
        for word in (machine.text("/proc/cmdline") or "").split()
        if word.startswith("console=")
    ]
    active = (machine.text("/sys/class/tty/console/active") or "").split()
    logins = [each for each in machine.holders(port) if _is_getty(each)]
    if device not in by_kernel and device not in active and not logins:
        return None
    what = "a login waits" if logins and device not in by_kernel else "the system's console is"
    return wrong(
        f"{section}_console",
        f"Console on {port}",
        f"{what} on {port}",
        _NO_CONSOLE,
        port=port,
    )
