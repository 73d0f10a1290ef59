"""The live pages: can they be served, where are they reached, and from where all?"""

import ipaddress
import os
import stat
from typing import Final

from rigmon.doctor.findings import Finding, look, ok, unknown, wrong
from rigmon.doctor.machine import Holder, Machine
from rigmon.doctor.service import Unit
from rigmon.rig import Rig

#: what the extra installs, as it is imported
PACKAGES: Final = ("starlette", "uvicorn", "prometheus_client", "paho")
_NOTE: Final = "hardware_notes/network.md"


def check(machine: Machine, rig: Rig, unit: Unit, running: list[Holder]) -> list[Finding]:
    """Nothing where the rig file asks for no pages. `running`: the daemons of this board."""
    if not rig.web.enabled:
        return []
    findings = [_extra(machine), _port(machine, rig, running), *_reached(machine, rig)]
    if unit.installed and unit.told.get("PrivateNetwork") == "yes":
        findings.append(
            wrong(
                "pages_service",
                "Pages and service",
                "the service has no network, so nobody reaches its pages",
                f"sudo config/install.sh --pages ({_NOTE})",
            )
        )
    if rig.mqtt.password_file is not None:
        findings.append(_password(machine, rig.mqtt.password_file))
    return findings


def _extra(machine: Machine) -> Finding:
    missing = machine.missing(PACKAGES)
    if missing:
        return wrong(
            "pages_extra",
            "Pages",
            f"not installed: {', '.join(missing)}",
            "pip install 'rigmon[web]'; for the service: sudo config/install.sh --pages",
            missing=", ".join(missing),
        )
    return ok("pages_extra", "Pages", "what they need is installed")


def _port(machine: Machine, rig: Rig, running: list[Holder]) -> Finding:
    web = rig.web
    where = f"{web.address} port {web.port}"
    trouble = machine.port_trouble(web.address, web.port)
    if trouble == "taken" and running:
        return ok(
            "pages_port",
            "Pages' port",
            f"{where}: a rigmon that runs has it",
            address=web.address,
            port=web.port,
        )
    if trouble == "taken":
        return wrong(
            "pages_port",
            "Pages' port",
            f"{where}: another program has it",
            "Give another web.port, or see who has it: ss -ltnp",
            address=web.address,
            port=web.port,
        )
    if trouble == "no address":
        return wrong(
            "pages_port",
            "Pages' port",
            f"{where}: this board has no such address now",
            'Set web.address = "0.0.0.0", for whichever it has.',
            address=web.address,
            port=web.port,
        )
    if trouble:
        return unknown("pages_port", "Pages' port", f"{where}: {trouble}", address=web.address, port=web.port)
    return ok("pages_port", "Pages' port", f"{where} is free", address=web.address, port=web.port)


def _reached(machine: Machine, rig: Rig) -> list[Finding]:
    web, title = rig.web, "Pages' address"
    own = ipaddress.ip_address(web.address)
    if own.is_loopback:
        seen = f"http://{_bracketed(own)}:{web.port}/, on this board alone"
        return [ok("pages_address", title, seen, addresses=str(own))]
    known = machine.addresses()
    if known is None:
        return [unknown("pages_address", title, "hostname -I does not say which addresses this board has")]
    found = [address for address in map(ipaddress.ip_address, known) if not address.is_loopback]
    if not own.is_unspecified:
        found = [own]
    elif own.version == 4:
        found = [address for address in found if address.version == 4]
    if not found:
        return [
            look(
                "pages_address",
                title,
                "this board is on no network now: only it sees its pages",
                f"Join a network, or make one: {_NOTE}",
            )
        ]
    seen = ", ".join(f"http://{_bracketed(address)}:{web.port}/" for address in found)
    addresses = ", ".join(map(str, found))
    public = [str(address) for address in found if address.is_global]
    if public:
        return [
            look(
                "pages_address",
                title,
                f"{seen}; {', '.join(public)} can be reached from the internet: no place for plain HTTP",
                'Set web.address to the address of the rig\'s own network, or to "127.0.0.1".',
                addresses=addresses,
            )
        ]
    return [ok("pages_address", title, seen, addresses=addresses)]


def _bracketed(address: ipaddress.IPv4Address | ipaddress.IPv6Address) -> str:
    return f"[{address}]" if address.version == 6 else str(address)


def _password(machine: Machine, name: str) -> Finding:
    """That nobody else reads the broker's password; whether rigmon itself may is seen when it does."""
    check_name, title = "mqtt_password", "Broker's password"
    try:
        mode = os.stat(machine.path(name)).st_mode
    except OSError as error:
        return wrong(
            check_name,
            title,
            f"{name}: {error.strerror}",
            "Put the password alone there, or set another file.",
        )
    if mode & (stat.S_IROTH | stat.S_IWOTH):
        return look(check_name, title, f"{name} can be read by everybody on this board", f"chmod o= {name}")
    return ok(check_name, title, f"{name} is there, and not everybody's")
