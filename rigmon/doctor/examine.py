"""All checks in their order. Ports are listened to while the rest is looked at."""

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Final, NamedTuple

from rigmon.calibration.result import System
from rigmon.doctor import (
    board,
    card,
    clock,
    diagnosing,
    pages,
    pins,
    power,
    rig_file,
    serial_port,
    service,
    stream,
)
from rigmon.doctor.findings import Finding, unknown
from rigmon.doctor.listening import LISTEN_S, Listened, find
from rigmon.doctor.machine import Holder, Machine
from rigmon.doctor.stream import Survey
from rigmon.rig import Rig

_TITLES: Final = {"gps": "GPS", "node": "Node"}


@dataclass(frozen=True, slots=True)
class Examination:
    """What was found, and whether the sources are free for a proof by live readings."""

    rig: Rig | None
    findings: list[Finding]
    busy: str  #: why the sources cannot be opened: who has them; '' when they can


class _Port(NamedTuple):
    section: str  #: of the rig file: gps or node
    port: str
    baud: int
    looked: serial_port.Looked


def examine(
    machine: Machine,
    path: Path,
    *,
    must_be: bool,
    system: System | None = None,
    tell: Callable[[str], None] = lambda _: None,
    listen_s: float = LISTEN_S,
) -> Examination:
    """Look at everything but the live proofs. `path` is the rig file, `must_be` whether it has to be there;
    `system` the units to show, None: the rig's. `tell` hears what is being done, from more than one thread.

    Nothing is changed but for a small log that is written to the log folder and removed again.
    """
    loaded = rig_file.load(path, must_be=must_be)
    rig = loaded.rig
    if rig is not None and system is not None:
        rig = replace(rig, units=system)
    unit = service.unit(machine)
    folder = _log_folder(rig, path, unit)
    running = machine.rigmon_runs()
    ports = [] if rig is None else _ports(machine, rig)
    with ThreadPoolExecutor(max_workers=max(1, len(ports))) as pool:
        waiting = {
            each.section: pool.submit(
                find,
                machine,
                rig,
                each.port,
                each.baud,
                serial_port.has_baud(machine, each.port),
                tell,
                listen_s,
            )
            for each in ports
            if rig is not None and each.looked.may_listen
        }
        tell("looking at the board")
        of_board = [*board.check(machine), *power.check(machine)]
        of_pins = pins.check(machine, rig, bool(running))
        of_card: list[Finding] = []
        if rig is not None:
            of_card += card.check(machine, folder, loaded.toml, tell)
        heard = {section: future.result() for section, future in waiting.items()}
    surveys: dict[str, Survey] = {}
    of_ports: list[Finding] = []
    for each in ports:
        of_ports += each.looked.findings
        if rig is not None and each.section in heard:
            surveys[each.section] = stream.survey(heard[each.section], rig)
            of_ports += _of_stream(machine, rig, each, heard[each.section], surveys[each.section])
    if rig is None:
        of_ports.append(unknown("gps_port", "GPS port", "the rig file names it"))
    else:
        why_not = "" if surveys else "; ".join(each.looked.why_not for each in ports)
        of_ports += stream.of_sensors(rig, list(surveys.values()), why_not)
        of_ports += stream.of_weather(rig, list(surveys.values()), why_not)
    raw_per_s = sum(found.bytes / found.seconds for found in surveys.values() if found.seconds) or None
    gps = next((each for each in ports if each.section == "gps"), None)
    of_clock = clock.check(
        machine,
        surveys.get("gps"),
        heard["gps"].heard.wall_minus_monotonic_ns if "gps" in heard else 0,
        "no rig file" if gps is None else gps.looked.why_not,
    )
    of_calibrations = []
    of_pages: list[Finding] = []
    if rig is None:
        of_card.append(unknown("log_folder", "Log folder", "the rig file says where it is"))
    else:
        of_card.append(card.room(machine, rig, folder, raw_per_s))
        good = all(finding.state != "wrong" for finding in of_clock if finding.check == "clock")
        today = datetime.fromtimestamp(machine.wall_ns() / 1e9, UTC).astimezone().date()
        shown: System = system or ("us" if rig.units == "us" else "metric")
        of_calibrations = rig_file.calibrations(rig, path, today, good, shown)
        of_calibrations += diagnosing.check(rig)
        of_pages = pages.check(machine, rig, unit, running)
    return Examination(
        rig,
        [
            *(loaded.finding, *of_calibrations, *of_board, *of_pins, *of_ports, *of_clock, *of_card),
            *service.check(unit, path),
            *of_pages,
        ],
        _busy(machine, ports, running if rig is not None and pins.needs_pins(rig) else []),
    )


def usual_rig_file(machine: Machine, here: Path) -> Path:
    """The rig file where none was named: the one that is here, else the service's."""
    if not here.exists():
        used = service.unit(machine).rig_file
        if used is not None and used.exists():
            return used
    return here


def _log_folder(rig: Rig | None, path: Path, unit: service.Unit) -> Path:
    """Where the run logs go: seen from where the service runs, if it is its rig file, else from here."""
    folder = Path("." if rig is None else rig.runs_folder)
    theirs = unit.rig_file
    if unit.folder is None or theirs is None or os.path.realpath(theirs) != os.path.realpath(path):
        return folder
    return unit.folder / folder


def _ports(machine: Machine, rig: Rig) -> list[_Port]:
    """The ports that the rig file names, each once."""
    found = [_Port("gps", rig.gps.port, rig.gps.baud, serial_port.check(machine, "gps", rig.gps.port))]
    node = rig.node.port
    if node is not None and (
        serial_port.is_url(node) or machine.resolved(node) != machine.resolved(rig.gps.port)
    ):
        found.append(_Port("node", node, rig.node.baud, serial_port.check(machine, "node", node)))
    return found


def _of_stream(machine: Machine, rig: Rig, each: _Port, listened: Listened, found: Survey) -> list[Finding]:
    title = _TITLES[each.section]
    real_baud = serial_port.has_baud(machine, each.port)
    findings = [
        stream.of_baud(
            each.section,
            f"{title} baud",
            each.port,
            each.baud,
            listened,
            real_baud,
            rig.gps.accept_missing_checksum,
        )
    ]
    if found.bytes:
        baud = listened.baud if real_baud else None
        findings += stream.of_stream(each.section, title, found, baud, rig)
    return findings


def _busy(machine: Machine, ports: list[_Port], running: list[Holder]) -> str:
    """`running`: daemons that may have the pins that this rig uses."""
    held = [
        f"{each.port} is held by {holder.command} (process {holder.pid})"
        for each in ports
        if not serial_port.is_url(each.port) and machine.exists(each.port)
        for holder in machine.holders(each.port)
    ]
    return "; ".join(held) or ("a rigmon that runs on this board has the pins" if running else "")
