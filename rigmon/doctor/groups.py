"""The groups that own devices: what to do where this user may not use one."""

from rigmon.doctor.machine import Machine


def denied_advice(machine: Machine, group: str) -> str:
    """What to do for the right to a device of `group`."""
    if group in machine.groups():
        return f"You are in the group '{group}', but the device is not its: see 'ls -l', and the udev rules."
    members = next(
        (
            line.rpartition(":")[2].split(",")
            for line in (machine.text("/etc/group") or "").splitlines()
            if line.startswith(f"{group}:")
        ),
        None,
    )
    if members is None:
        return f"This system has no group '{group}': run as a user who may use the device."
    return f"sudo usermod -aG {group} $USER, then log out and in again."
