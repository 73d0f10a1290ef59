"""The systemd service: is it there, does it start with the board, does it run, has it fallen over?"""

import os
import re
from pathlib import Path
from typing import Final, NamedTuple

from rigmon.doctor.findings import Finding, Values, look, ok, unknown, wrong
from rigmon.doctor.machine import Machine

UNIT: Final = "rigmon.service"
_PROPERTIES: Final = (
    *("LoadState", "UnitFileState", "ActiveState", "SubState", "Result", "NRestarts"),
    *("ExecStart", "WorkingDirectory", "PrivateNetwork"),
)


class Unit(NamedTuple):
    """The unit's properties by systemctl; empty where it does not answer, and why."""

    told: dict[str, str]
    why_not: str = ""

    @property
    def installed(self) -> bool:
        return self.told.get("LoadState", "not-found") != "not-found"

    @property
    def folder(self) -> Path | None:
        """Where it runs: relative names in the rig file are from here."""
        name = self.told.get("WorkingDirectory", "")
        return Path(name) if self.installed and name.startswith("/") else None

    @property
    def rig_file(self) -> Path | None:
        """The one that it runs with. ExecStart is shown as '{ path=... ; argv[]=WORDS ; ... }'."""
        found = re.search(r"argv\[\]=(.*?) ;", self.told.get("ExecStart", ""))
        words = found[1].split() if found else []
        if not self.installed or "--rig" not in words[:-1]:
            return None
        return (self.folder or Path("/")) / words[words.index("--rig") + 1]


def unit(machine: Machine) -> Unit:
    ran = machine.run("systemctl", "show", UNIT, f"--property={','.join(_PROPERTIES)}", timeout_s=5.0)
    if ran is None:
        return Unit({}, "there is no systemctl here")
    told = dict(line.split("=", 1) for line in ran.out.splitlines() if "=" in line)
    if ran.code != 0 or "LoadState" not in told:
        return Unit({}, ran.err.splitlines()[0] if ran.err else "systemctl does not answer")
    return Unit(told)


def check(found: Unit, rig_file: Path) -> list[Finding]:
    """`rig_file`: the one that was looked at."""
    title, told = "Service", found.told
    if not told:
        return [unknown("service", title, found.why_not)]
    restarts = int(told["NRestarts"]) if told.get("NRestarts", "").isdecimal() else None
    enabled, active = told.get("UnitFileState", ""), told.get("ActiveState", "")
    values: Values = {
        "load_state": told["LoadState"],
        "unit_file_state": enabled,
        "active_state": active,
        "restarts": restarts,
        "rig_file": None if found.rig_file is None else str(found.rig_file),
    }
    if not found.installed:
        return [
            look(
                "service", title, f"{UNIT} is not installed: rigmon runs only when somebody starts it",
                "hardware_notes/install.md says how it starts with the board.", **values,
            )
        ]  # fmt: skip
    state = f"{enabled or 'not enabled'}, {active} ({told.get('SubState', '')})"
    logs = f"See why: journalctl -u {UNIT} -e"
    if told["LoadState"] != "loaded" or active == "failed":
        return [
            wrong("service", title, f"{told['LoadState']}, {state}: {told.get('Result', '')}", logs, **values)
        ]
    if restarts:
        times = "once" if restarts == 1 else f"{restarts} times"
        return [
            look("service", title, f"{state}; started anew {times} since the board's start", logs, **values)
        ]
    if enabled not in ("enabled", "enabled-runtime", "static", "alias", "generated"):
        return [
            look(
                "service", title, f"{state}: it does not start with the board",
                f"sudo systemctl enable --now {UNIT}", **values,
            )
        ]  # fmt: skip
    used = found.rig_file
    if used is not None and os.path.realpath(used) != os.path.realpath(rig_file):
        return [
            look(
                "service", title, f"{state}, with another rig file than this one: {used}",
                f"Ask with --rig {used}, or copy this one there.", **values,
            )
        ]  # fmt: skip
    return [ok("service", title, state, **values)]
