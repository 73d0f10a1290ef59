"""config/install.sh, without network: what it would do, what it does into a folder, what it refuses.

The packages' installation itself needs the package index: DESTDIR=/some/folder config/install.sh does it, by
hand, with any Python from 3.11 to 3.13.
"""

import os
import shutil
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from rigmon import config

ROOT = Path(__file__).parents[2]
SCRIPT = ROOT / "config" / "install.sh"
NOTES = (ROOT / "hardware_notes" / "install.md").read_text(encoding="utf-8")

pytestmark = pytest.mark.skipif(shutil.which("bash") is None, reason="no bash on this machine")


def install(*args: str, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["bash", SCRIPT, *args], capture_output=True, text=True, check=False, timeout=60,
        env={"PATH": os.environ["PATH"], "PYTHON": sys.executable, "HOME": "/", **environment},
    )  # fmt: skip


def test_a_dry_run_says_all_that_would_be_done_and_does_nothing(tmp_path: Path) -> None:
    result = install("--dry-run", DESTDIR=str(tmp_path))
    assert (result.returncode, result.stderr) == (0, "")
    done = [line.removeprefix("+ ") for line in result.stdout.splitlines() if line.startswith("+ ")]
    assert f"{sys.executable} -m venv --system-site-packages {tmp_path}/opt/rigmon" in done
    assert any(line.startswith(f"{tmp_path}/opt/rigmon/bin/python -m pip install") for line in done)
    assert f"{tmp_path}/opt/rigmon/bin/rigmon init {tmp_path}/var/lib/rigmon/rig.toml" in done
    assert not any(word in line for line in done for word in ("useradd", "systemctl", "groupadd", "usermod"))
    assert list(tmp_path.iterdir()) == []


def test_a_dry_run_for_the_board_names_user_groups_and_services() -> None:
    result = install("--dry-run", SUDO_USER="somebody")
    assert (result.returncode, result.stderr) == (0, "")
    for words in (
        "useradd --system --user-group --home-dir /var/lib/rigmon --shell /usr/sbin/nologin rigmon",
        "usermod --append --groups rigmon,dialout,gpio,spi somebody",
        "install -m 644 "
        + str(ROOT / "config/systemd/rigmon.service")
        + " /etc/systemd/system/rigmon.service",
        "systemctl daemon-reload",
        "systemctl enable rigmon.service rigmon-poweroff.path",
    ):
        assert f"+ {words}\n" in result.stdout


def test_with_pages_their_extra_and_the_drop_in_come_too(tmp_path: Path) -> None:
    plain = install("--dry-run", DESTDIR=str(tmp_path)).stdout
    assert "pages.conf" not in plain
    result = install("--dry-run", "--pages", DESTDIR=str(tmp_path))
    assert (result.returncode, result.stderr) == (0, "")
    assert "[pi,web,analysis]\n" in result.stdout
    drop_in = f"{tmp_path}/etc/systemd/system/rigmon.service.d/pages.conf"
    assert f"+ install -m 644 {ROOT}/config/pages.conf {drop_in}\n" in result.stdout


#: stands for a virtual environment's Python: "-m pip" puts a rigmon in place, as pip would
_RIGMON = """#!/bin/sh
exec "{python}" -c "from rigmon.cli import main; main()" "$@"
"""
_PYTHON = """#!/bin/sh
echo "python $*" >> "{log}"
case "$*" in "-m pip install"*)
    for folder; do :; done
    test -f "${{folder%\\[pi\\]}}/pyproject.toml" || exit 1
    cp "{rigmon}" "$(dirname "$0")/rigmon";;
esac
"""


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """A folder to install into, with an environment that is there already: as for an update."""
    root = tmp_path / "root"
    python = root / "opt/rigmon/bin/python"
    python.parent.mkdir(parents=True)
    python.write_text(_PYTHON.format(log=tmp_path / "log", rigmon=tmp_path / "rigmon"))
    python.chmod(0o755)
    (tmp_path / "rigmon").write_text(_RIGMON.format(python=sys.executable))
    (tmp_path / "rigmon").chmod(0o755)
    return root


def test_into_a_folder(root: Path, tmp_path: Path) -> None:
    result = install(DESTDIR=str(root), PYTHONPATH=str(ROOT))
    assert (result.returncode, result.stderr) == (0, "")
    state = root / "var/lib/rigmon"
    rig = state / "rig.toml"
    config.load(rig)
    # group rigmon works there, and what is made there is the group's
    assert stat.S_IMODE(state.stat().st_mode) == 0o2770
    for unit in ("rigmon.service", "rigmon-poweroff.path"):
        installed = root / "etc/systemd/system" / unit
        assert installed.read_bytes() == (ROOT / "config/systemd" / unit).read_bytes()
        assert stat.S_IMODE(installed.stat().st_mode) == 0o644
    (pip,) = (tmp_path / "log").read_text().splitlines()
    assert pip.startswith("python -m pip install ")
    assert pip.endswith("[pi]")
    assert str(ROOT) not in pip  # a copy: root leaves nothing in the clone
    assert not Path(pip.split()[-1].removesuffix("[pi]")).exists()

    rig.write_text(rig.read_text() + "# mine\n")
    again = install(DESTDIR=str(root), PYTHONPATH=str(ROOT))
    assert (again.returncode, again.stderr) == (0, "")
    assert rig.read_text().endswith("# mine\n")


def test_without_sudo_it_is_refused(tmp_path: Path) -> None:
    somebody = tmp_path / "id"
    somebody.write_text("#!/bin/sh\necho 1000\n")
    somebody.chmod(0o755)
    result = install(PATH=f"{tmp_path}:{os.environ['PATH']}")
    assert (result.returncode, result.stdout) == (2, "")
    assert "must be run with sudo" in result.stderr


def test_another_python_is_refused(tmp_path: Path) -> None:
    old = tmp_path / "python"
    old.write_text("#!/bin/sh\nexit 1\n")
    old.chmod(0o755)
    result = install("--dry-run", PYTHON=str(old))
    assert (result.returncode, result.stdout) == (2, "")
    assert "is not Python 3.11 to 3.13" in result.stderr


def test_an_unknown_word_is_refused() -> None:
    result = install("--help-me")
    assert (result.returncode, result.stdout) == (2, "")
    assert result.stderr.startswith("usage: ")


def test_the_notes_give_the_commands_that_the_board_needs() -> None:
    commands = [line.strip() for line in NOTES.splitlines() if line.startswith("    ")]
    assert "sudo config/install.sh" in commands
    (apt,) = [line for line in commands if line.startswith("sudo apt install")]
    assert {"git", "python3-venv", "python3-lgpio"} <= set(apt.split())
    assert "sudo raspi-config nonint do_serial_hw 0" in commands  # 0 switches it on,
    assert "sudo raspi-config nonint do_serial_cons 1" in commands  # 1 the console off
    assert "sudo raspi-config nonint do_spi 0" in commands


def test_the_keys_in_the_notes_are_the_rig_files() -> None:
    section = (
        NOTES.partition("uncomment in `rig.toml`:\n\n")[2].partition("\n\n## ")[0].partition("\n\n[A-Z]")[0]
    )
    toml = "\n".join(line.strip() for line in section.splitlines() if line.startswith("    "))
    rig = config.parse((ROOT / "config/rig.example.toml").read_text() + "\n" + toml, "install.md")
    assert (rig.runs.begin, rig.runs.end_after_s, rig.runs.stop_pin) == ("work", 600, 22)
    assert rig.power.fail_pin == 23
