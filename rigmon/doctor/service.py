"""The systemd service: is it there, does it start with the board, does it run, has it fallen over?"""

from typing import Final

from rigmon.doctor.findings import Finding, Values, look, ok, unknown, wrong
from rigmon.doctor.machine import Machine

UNIT: Final = "rigmon.service"
_PROPERTIES: Final = ("LoadState", "UnitFileState", "ActiveState", "SubState", "Result", "NRestarts")


def check(machine: Machine) -> list[Finding]:
    title = "Service"
    ran = machine.run("systemctl", "show", UNIT, f"--property={','.join(_PROPERTIES)}", timeout_s=5.0)
    if ran is None:
        return [unknown("service", title, "there is no systemctl here")]
    told = dict(line.split("=", 1) for line in ran.out.splitlines() if "=" in line)
    if ran.code != 0 or "LoadState" not in told:
        why = ran.err.splitlines()[0] if ran.err else "systemctl does not answer"
        return [unknown("service", title, why)]
    restarts = int(told["NRestarts"]) if told.get("NRestarts", "").isdecimal() else None
    enabled, active = told.get("UnitFileState", ""), told.get("ActiveState", "")
    values: Values = {
        "load_state": told["LoadState"],
        "unit_file_state": enabled,
        "active_state": active,
        "restarts": restarts,
    }
    if told["LoadState"] == "not-found":
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
    return [ok("service", title, state, **values)]
