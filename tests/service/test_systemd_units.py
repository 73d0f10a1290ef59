"""The systemd units: sound, little exposed, and saying what the notes and the program say."""

import configparser
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from rigmon.edge.notify import POWER_OFF_FILE

ROOT = Path(__file__).parents[2]
UNITS = ROOT / "config" / "systemd"
INSTALL = (ROOT / "config" / "install.sh").read_text(encoding="utf-8")
NOTES = (ROOT / "hardware_notes" / "install.md").read_text(encoding="utf-8")

needs_systemd = pytest.mark.skipif(
    shutil.which("systemd-analyze") is None, reason="no systemd-analyze on this machine"
)


def values(unit: str, section: str, key: str) -> list[str]:
    """All values of a key, in order."""
    lines = (UNITS / unit).read_text(encoding="utf-8").partition(f"[{section}]\n")[2].partition("\n[")[0]
    return re.findall(rf"^{key}=(.*)$", lines, re.MULTILINE)


def analyze(*args: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["systemd-analyze", *map(str, args)], capture_output=True, text=True, check=False, timeout=60
    )


@pytest.fixture
def units(tmp_path: Path) -> Path:
    """The units with a program that is there: the real one is where it is installed."""
    for unit in UNITS.iterdir():
        text = unit.read_text(encoding="utf-8")
        (tmp_path / unit.name).write_text(text.replace("/opt/rigmon/bin/rigmon", sys.executable))
    return tmp_path


@needs_systemd
def test_systemd_finds_nothing_to_say_about_them(units: Path) -> None:
    result = analyze("verify", *sorted(units.iterdir()))
    assert (result.returncode, result.stdout, result.stderr) == (0, "", "")


@needs_systemd
def test_systemd_would_complain(units: Path) -> None:
    """The check above can fail."""
    service = units / "rigmon.service"
    service.write_text(service.read_text().replace("Type=notify", "Type=notifies"))
    assert "notifies" in analyze("verify", service).stderr


@needs_systemd
def test_the_service_is_little_exposed() -> None:
    """Exposure 2.0 or lower (threshold is in tenths); measured at 0.6 with systemd 252."""
    result = analyze("security", "--offline=true", "--threshold=20", "--no-pager", UNITS / "rigmon.service")
    assert result.returncode == 0, result.stdout
    assert re.search(r"Overall exposure level for rigmon\.service: [01]\.\d", result.stdout)


@needs_systemd
def test_a_service_without_its_walls_is_exposed(tmp_path: Path) -> None:
    """The check above can fail."""
    text = re.sub(r"(?m)^(Protect|Private|Restrict|SystemCall|Capability|NoNew).*\n", "",
                  (UNITS / "rigmon.service").read_text())  # fmt: skip
    (tmp_path / "rigmon.service").write_text(text)
    result = analyze(
        "security", "--offline=true", "--threshold=20", "--no-pager", tmp_path / "rigmon.service"
    )
    assert result.returncode != 0


def test_the_units_are_well_formed() -> None:
    """Also where there is no systemd: sections and keys, no key left empty by mistake."""
    for unit in UNITS.iterdir():
        parser = configparser.ConfigParser(strict=False, interpolation=None)
        parser.read_string(unit.read_text(encoding="utf-8"))
        assert {"Unit", "Install"} <= set(parser.sections())
    assert sorted(unit.name for unit in UNITS.iterdir()) == ["rigmon-poweroff.path", "rigmon.service"]


def test_what_the_platform_asks_for() -> None:
    """Each of these is a trap that closes when the line is lost."""

    def service(key: str) -> list[str]:
        return values("rigmon.service", "Service", key)

    assert service("Type") == ["notify"]
    assert service("NotifyAccess") == ["main"]
    assert service("WatchdogSec") == ["20"]
    assert service("Restart") == ["always"]
    assert values("rigmon.service", "Unit", "StartLimitIntervalSec") == ["0"]
    assert service("SupplementaryGroups") == ["dialout gpio spi"]
    # PrivateDevices hides serial ports, pins and SPI; ProcSubset=pid the board's model and the boot's id
    assert service("PrivateDevices") == service("ProcSubset") == service("DynamicUser") == []
    assert service("DevicePolicy") == ["closed"]
    kinds = {line.removesuffix(" rw") for line in service("DeviceAllow")}
    assert kinds == {f"char-{kind}" for kind in ("ttyAMA", "ttyS", "ttyACM", "ttyUSB", "gpiochip", "spi")}
    # a kind whose driver is not loaded yet is not known: the sticks' drivers are loaded first
    for key in ("Wants", "After"):
        (line,) = values("rigmon.service", "Unit", key)
        assert {"modprobe@cdc_acm.service", "modprobe@usbserial.service"} <= set(line.split())
    # runs = "runs" of the rig file must not lie in memory
    assert service("WorkingDirectory") == ["/var/lib/rigmon"]
    assert service("StateDirectory") == service("RuntimeDirectory") == ["rigmon"]
    # a hanging card takes 12 s to be given up, and a power-off 10 s to come
    assert int(service("TimeoutStopSec")[0]) >= 30


def test_the_file_that_is_watched_is_the_one_that_is_made() -> None:
    assert values("rigmon-poweroff.path", "Path", "PathExists") == [f"/run/rigmon/{POWER_OFF_FILE}"]
    assert values("rigmon-poweroff.path", "Path", "Unit") == ["poweroff.target"]


def test_the_way_out_for_a_network_receiver_names_walls_that_are_there() -> None:
    keys = re.findall(r"^    (\w+)=(?!\s*\")", NOTES.partition("let the service out")[2], re.MULTILINE)
    assert keys == ["PrivateNetwork", "IPAddressAllow", "RestrictAddressFamilies"]
    assert values("rigmon.service", "Service", "PrivateNetwork") == ["yes"]
    assert values("rigmon.service", "Service", "IPAddressDeny") == ["any"]
    assert values("rigmon.service", "Service", "RestrictAddressFamilies") == ["AF_UNIX"]


def test_units_script_and_notes_name_the_same_places() -> None:
    (start,) = values("rigmon.service", "Service", "ExecStart")
    assert start == "/opt/rigmon/bin/rigmon run --rig /var/lib/rigmon/rig.toml --quiet"
    for place in ("/opt/rigmon", "/var/lib/rigmon"):
        assert place in INSTALL
        assert place in NOTES
    for unit in UNITS.iterdir():
        assert unit.name in INSTALL
        assert unit.name in NOTES


def test_the_pages_drop_in_opens_private_networks_and_no_more() -> None:
    text = (ROOT / "config" / "pages.conf").read_text(encoding="utf-8")
    keys = re.findall(r"^(\w+)=(.+)$", text, re.MULTILINE)
    assert dict(keys)["PrivateNetwork"] == "no"
    assert dict(keys)["RestrictAddressFamilies"] == "AF_UNIX AF_INET AF_INET6"
    # IPAddressDeny=any of the unit stays: what is named here alone is let through
    assert {key for key, _ in keys if not key.startswith(("Memory", "OOM"))} == {
        *("PrivateNetwork", "RestrictAddressFamilies", "IPAddressAllow"),
    }
    # a report that is ended for want of memory must not take the daemon with it
    assert dict(keys)["OOMPolicy"] == "continue"
    size = {key: int(value.removesuffix("M")) for key, value in keys if key.startswith("Memory")}
    assert int(values("rigmon.service", "Service", "MemoryMax")[0].removesuffix("M")) < size["MemoryHigh"]
    assert size["MemoryHigh"] < size["MemoryMax"] <= 384  # of a board with 512 MB
    allowed = {word for key, value in keys if key == "IPAddressAllow" for word in value.split()}
    # private and local ones alone: RFC 1918, RFC 4193
    assert allowed == {
        *("localhost", "link-local", "multicast"),
        *("10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "fc00::/7"),
    }
    assert "config/pages.conf" in INSTALL
    network = (ROOT / "hardware_notes" / "network.md").read_text(encoding="utf-8")
    assert "config/install.sh --pages" in network


@needs_systemd
def test_with_pages_the_service_is_still_little_exposed(units: Path) -> None:
    """Measured at 1.5 with systemd 252: the network is what is added."""
    service = units / "rigmon.service"
    drop_in = re.findall(r"^\w+=.+$", (ROOT / "config" / "pages.conf").read_text(), re.MULTILINE)
    text = (
        service.read_text()
        .replace("PrivateNetwork=yes\n", "")
        .replace("RestrictAddressFamilies=AF_UNIX\n", "")
    )
    service.write_text(text.replace("[Install]", "\n".join([*drop_in, "", "[Install]"])))
    assert analyze("verify", service).stderr == ""
    result = analyze("security", "--offline=true", "--threshold=20", "--no-pager", service)
    assert result.returncode == 0, result.stdout
