"""Whatever the machine's files and programs say, the doctor says something, and breaks nothing."""

import json
import tempfile
from pathlib import Path

import pytest
from boards import FakeMachine, rig_toml
from hypothesis import given, settings
from hypothesis import strategies as st

from rigmon.doctor.examine import examine
from rigmon.doctor.machine import Ran
from rigmon.doctor.report import text, to_json

FILES = (
    "/proc/device-tree/model", "/proc/cmdline", "/proc/mounts", "/proc/locks", "/etc/os-release",
    "/etc/group", "/sys/class/thermal/thermal_zone0/temp", "/sys/class/hwmon/hwmon0/name",
    "/sys/class/tty/console/active", "/sys/class/rtc/rtc0/battery_voltage", "/proc/77/cmdline",
)  # fmt: skip
SAID = st.text(max_size=60) | st.sampled_from(
    ["throttled=0x", "NTPSynchronized", "LoadState=loaded", "LoadState=\nNRestarts=-1", "{}", "[]", "null"]
)


@settings(max_examples=40)
@given(
    files=st.dictionaries(st.sampled_from(FILES), st.binary(max_size=80), max_size=6),
    said=st.dictionaries(
        st.sampled_from(["vcgencmd", "timedatectl", "systemctl", "python3"]),
        st.builds(Ran, st.sampled_from([0, 1]), SAID, SAID),
        max_size=4,
    ),
    wired=st.booleans(),
)
def test_odd_machines(files: dict[str, bytes], said: dict[str, Ran], wired: bool) -> None:
    with tempfile.TemporaryDirectory() as place:
        machine = FakeMachine.pi(Path(place) / "pi", "Raspberry Pi 4 Model B Rev 1.4")
        for name, data in files.items():
            machine.put(name).write_bytes(data)
        machine.commands |= said
        rig = Path(place) / "rig.toml"
        rig.write_text(rig_toml(gps='port = "/dev/none"', buzzer="pin = 26" if wired else ""))
        findings = examine(machine, rig, must_be=True).findings
    assert len(findings) > 15
    lines = text(findings, 60).split("\n")
    assert max(map(len, lines)) <= 60
    assert all(line.isprintable() for line in lines)
    json.dumps(to_json(findings, "Creek rig", "rig.toml"), allow_nan=False)


@pytest.mark.parametrize(
    ("model", "label"),
    [
        ("Raspberry Pi 3 Model B Plus Rev 1.3", "pinctrl-bcm2835"),
        ("Raspberry Pi 4 Model B Rev 1.4", "pinctrl-bcm2711"),
        ("Raspberry Pi 5 Model B Rev 1.0", "pinctrl-rp1"),
    ],
)
def test_a_wired_rig_on_each_board_has_nothing_wrong(model: str, label: str, tmp_path: Path) -> None:
    machine = FakeMachine.pi(tmp_path / "pi", model)
    machine.chips["/dev/gpiochip0"] = machine.chips["/dev/gpiochip0"]._replace(label=label)
    rig = tmp_path / "rig.toml"
    rig.write_text(
        rig_toml(
            gps='port = "socket://127.0.0.1:9"',
            flow='source = "gpio"\npin = 17\npulses_per_l = 450',
            pressure='source = "adc"',
            boom_switch='source = "gpio"\npin = 27',
            log=f'folder = "{tmp_path}"',
        )
    )
    findings = examine(machine, rig, must_be=True).findings
    # nobody speaks at that address
    assert [finding.check for finding in findings if finding.state == "wrong"] == ["gps_baud"]
