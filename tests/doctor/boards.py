"""Machines of the tests' own: trees of files that look like boards, and a rig on them. All invented, but for
the names that the kernel and Raspberry Pi OS give to things.
"""

import json
import os
import re
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

from rigmon import config
from rigmon.doctor.findings import Finding
from rigmon.doctor.machine import Chip, Line, Machine, Ran, Space
from rigmon.rig import Rig

OS_13 = 'PRETTY_NAME="Debian GNU/Linux 13 (trixie)"\nID=debian\nVERSION_ID="13"\n'
#: 2026-05-30 12:00:00 UTC
NOON_NS = 1_780_142_400_000_000_000
GOOD_PROBE = {
    "gpiozero": "2.0.1.post3", "lgpio": "0.2.2.0", "lgpio_bytes": 40_000, "lgpio_works": True,
    "factory": "LGPIOFactory", "chip": 0, "libgpiod": "2.5.0", "trouble": "",
}  # fmt: skip


class FakeMachine(Machine):
    """A tree as the machine. `commands` are what programs print; `denied` devices may not be used."""

    def __init__(self, root: Path) -> None:
        root.mkdir(parents=True, exist_ok=True)
        super().__init__(root.resolve())
        self.python, self.bits, self.kernel = (3, 13, 5), 64, "aarch64"
        self.executable = "python3"
        self.commands: dict[str, Ran | Callable[..., Ran]] = {}
        self.denied: set[str] = set()
        self.in_groups: set[str] = set()
        self.not_installed: set[str] = set()
        self.port_troubles: dict[tuple[str, int], str] = {}
        self.chips: dict[str, Chip] = {}
        self.lines: dict[int, Line] = {}
        self.now_ns = NOON_NS
        self.room: Space | None = None

    @classmethod
    def pi(cls, root: Path, model: str) -> "FakeMachine":
        """A board with nothing amiss: a chip on the header, SPI on, good power, a USB receiver."""
        machine = cls(root)
        machine.put("/proc/device-tree/model", f"{model}\0")
        machine.put("/proc/cmdline", "console=tty1 root=PARTUUID=1 rootwait")
        machine.put("/proc/mounts", "/dev/mmcblk0p2 / ext4 rw,noatime 0 0\n")
        machine.put("/etc/os-release", OS_13)
        machine.put("/etc/group", "dialout:x:20:\ngpio:x:997:pi\nspi:x:999:\n")
        machine.put("/sys/class/thermal/thermal_zone0/temp", "48312\n")
        label = "pinctrl-rp1" if " 5 " in model else "pinctrl-bcm2711"
        for name in ("gpiochip0", "spidev0.0", "spidev0.1", "ttyACM0"):
            machine.put(f"/dev/{name}")
        machine.chips["/dev/gpiochip0"] = Chip("/dev/gpiochip0", "gpiochip0", label, 58)
        machine.commands["vcgencmd"] = Ran(0, "throttled=0x0", "")
        machine.says_of_pins()
        return machine

    def put(self, name: str, text: str = "") -> Path:
        path = self.path(name)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
        return path

    def link(self, name: str, target: str) -> None:
        path = self.path(name)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.symlink_to(self.path(target) if target.startswith("/dev/") else Path(target))

    def process(self, pid: int, command: str, holds: str | None = None) -> None:
        """A process of that command line, with a device open."""
        self.put(f"/proc/{pid}/cmdline", command.replace(" ", "\0") + "\0")
        if holds is not None:
            self.path(f"/proc/{pid}/fd").mkdir(parents=True)
            self.path(f"/proc/{pid}/fd/5").symlink_to(os.path.realpath(self.path(holds)))

    def says_of_pins(self, **changed: Any) -> None:
        """What the probe of the pin library prints."""
        self.commands["python3"] = Ran(0, json.dumps({**GOOD_PROBE, **changed}), "")

    # -- what the tree cannot show

    def may(self, name: str) -> bool:
        return self.exists(name) and name not in self.denied

    def groups(self) -> set[str]:
        return self.in_groups

    def run(self, *command: str, cwd: Path | None = None, timeout_s: float = 10.0) -> Ran | None:  # noqa: ARG002
        found = self.commands.get(command[0])
        return found(*command) if callable(found) and not isinstance(found, Ran) else found

    def missing(self, packages: Iterable[str]) -> list[str]:
        return [name for name in packages if name in self.not_installed]

    def port_trouble(self, address: str, port: int) -> str:
        return self.port_troubles.get((address, port), "")

    def wall_ns(self) -> int:
        return self.now_ns

    def space(self, folder: Path) -> Space:
        return self.room or super().space(folder)

    def gpio_chip(self, device: str) -> Chip | None:
        return self.chips.get(device) if self.may(device) else None

    def gpio_line(self, device: str, number: int) -> Line | None:
        return self.lines.get(number, Line(f"GPIO{number}", "", False)) if device in self.chips else None


def rig_toml(**sections: str) -> str:
    """The template with keys of sections replaced: flow='source = "gpio"\\npin = 17'."""
    text = config.template().replace("2026-05-30", "2026-05-20")
    for section, keys in sections.items():
        for line in keys.splitlines():
            key = line.partition(" =")[0]
            text = re.sub(
                rf"(?ms)(^\[{section}\].*?)^(?:# )?{key} = [^\n]*",
                lambda m, line=line: m[1] + line,
                text,
                count=1,
            )
    return text


def rig_with(**sections: str) -> Rig:
    return config.parse(rig_toml(**sections), "rig.toml")


def only(findings: list[Finding], check: str) -> Finding:
    """The one finding of that check."""
    found = [finding for finding in findings if finding.check == check]
    assert len(found) == 1, [finding.check for finding in findings]
    return found[0]


def sentence(body: str) -> bytes:
    """With its checksum and line end."""
    check = 0
    for byte in body.encode():
        check ^= byte
    return f"${body}*{check:02X}\r\n".encode()
