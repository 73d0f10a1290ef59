"""The card: file system, room, and real commits."""

import grp
from pathlib import Path

import pytest
from boards import FakeMachine, only, rig_toml, rig_with

from rigmon.doctor import card
from rigmon.doctor.findings import Finding
from rigmon.doctor.machine import Space
from rigmon.log.header import new_log_path, run_header
from rigmon.log.writer import RunLogWriter
from rigmon.model import NmeaLine, Reading, Source

TOML = rig_toml()


def looked(machine: FakeMachine, folder: Path, per_s: float | None = None, **log: str) -> list[Finding]:
    rig = rig_with(log=f'folder = "{folder}"' + "".join(f"\n{key} = {value}" for key, value in log.items()))
    place = Path(rig.runs_folder)
    return [*card.check(machine, place, TOML, lambda _: None), card.room(machine, rig, place, per_s)]


@pytest.mark.usefixtures("real_commits")
def test_a_good_card(pi4: FakeMachine, tmp_path: Path) -> None:
    findings = looked(pi4, tmp_path)
    assert {finding.check: finding.state for finding in findings} == {
        "log_folder": "ok", "disk_space": "ok", "write_speed": "ok",
    }  # fmt: skip
    assert only(findings, "log_folder").seen == f"{tmp_path} on /dev/mmcblk0p2 (ext4)"
    assert only(findings, "write_speed").values["commits"] == 30
    assert [path.name for path in tmp_path.iterdir()] == ["pi4"], "the test log is gone"


def test_a_folder_that_is_still_to_be_made(pi4: FakeMachine, tmp_path: Path) -> None:
    findings = looked(pi4, tmp_path / "new" / "runs")
    assert only(findings, "log_folder").state == "ok"
    assert only(findings, "log_folder").seen.endswith("; rigmon makes it")
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize(
    ("mount", "state", "words"),
    [
        ("tmpfs {} tmpfs rw 0 0", "wrong", "memory, gone at power off"),
        ("overlay {} overlay rw 0 0", "look", "container"),
        ("/dev/sda1 {} vfat rw 0 0", "look", "no journal"),
        ("server:/logs {} nfs4 rw 0 0", "wrong", "network drive"),
        ("/dev/mmcblk0p3 {} ext4 ro,noatime 0 0", "wrong", "mounted read-only"),
        ("/dev/mmcblk0p3 {} f2fs rw 0 0", "ok", "f2fs"),
    ],
)
def test_the_file_system(mount: str, state: str, words: str, pi4: FakeMachine, tmp_path: Path) -> None:
    root = "/dev/mmcblk0p2 / ext4 rw,noatime 0 0\n"
    pi4.put("/proc/mounts", root + mount.format(tmp_path) + "\n")
    findings = looked(pi4, tmp_path)
    found = only(findings, "log_folder")
    assert found.state == state
    assert words in found.seen
    if "read-only" in words:
        assert only(findings, "write_speed").state == "unknown"


@pytest.mark.parametrize("start", ["boot=overlay root=PARTUUID=1", "root=PARTUUID=1 overlayroot=tmpfs"])
def test_an_overlay_in_memory(start: str, pi4: FakeMachine, tmp_path: Path) -> None:
    """What raspi-config sets on the kernel's line: from memory."""
    pi4.put("/proc/mounts", "overlayroot / overlay rw,noatime 0 0\n")
    pi4.put("/proc/cmdline", start)
    found = only(looked(pi4, tmp_path), "log_folder")
    assert found.state == "wrong"
    assert "in memory, gone at power off" in found.seen


@pytest.mark.parametrize(("mode", "words"), [(0o2770, "usermod -aG"), (0o755, "ls -ld")])
def test_a_folder_of_the_services(
    mode: int, words: str, pi4: FakeMachine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It must not be taken away from the service: the way in is its group."""
    logs = tmp_path / "logs"
    logs.mkdir()
    logs.chmod(mode)
    group = grp.getgrgid(logs.stat().st_gid).gr_name
    pi4.put("/etc/group", f"{group}:x:{logs.stat().st_gid}:\n")
    monkeypatch.setattr(card.os, "access", lambda *_: False)  # a test may run as root
    findings = looked(pi4, logs)
    found = only(findings, "log_folder")
    assert found.state == "wrong"
    assert "not permitted" in found.seen
    assert words in found.do
    assert only(findings, "write_speed").state == "unknown"


def test_room_by_the_bytes_heard(pi4: FakeMachine, tmp_path: Path) -> None:
    """Hand-worked: 1000 bytes/s x 3600 x 1.1 = 3.96 MB an hour; (10 000 - 500) MB / 3.96 = 2399 h, 300 days
    of 8 h; the 500 MB are 126 h, 16 days.
    """
    pi4.room = Space(32_000_000_000, 10_000_000_000)
    found = only(looked(pi4, tmp_path, 1000.0), "disk_space")
    assert found.state == "ok"
    assert found.values["log_mb_per_h"] == pytest.approx(3.96)
    assert found.values["hours_left"] == pytest.approx(2399.0, abs=0.1)
    assert "300 days of 8 h until 500 MB are left, themselves 16 days of 8 h" in found.seen


@pytest.mark.parametrize(("free_mb", "state"), [(10_000, "ok"), (540, "look"), (400, "look"), (30, "wrong")])
def test_a_card_that_fills_up(free_mb: int, state: str, pi4: FakeMachine, tmp_path: Path) -> None:
    pi4.room = Space(32_000_000_000, free_mb * 1_000_000)
    found = only(looked(pi4, tmp_path, 1000.0), "disk_space")
    assert found.state == state
    assert bool(found.do) == (state != "ok")


def test_room_by_the_runs_there_are(tmp_path: Path) -> None:
    """A run of 1000 s; one of another source and one without an end say nothing."""
    sizes = []
    for n, (source, ended_s) in enumerate(
        [("live", 1000), ("drive.nmea", 2000), ("live", None), ("live", 20)]
    ):
        path = new_log_path(tmp_path, f"run{n}")
        writer = RunLogWriter(path, run_header(f"run{n}", source, TOML), commit_by_time_ns=1_000_000_000)
        writer.reading(Reading(0, 0, Source.GPS, NmeaLine(b"$" + b"x" * 100)))
        if ended_s is None:
            writer.abandon()
        else:
            writer.close(ended_s * 1_000_000_000, "stopped")
        sizes.append(path.stat().st_size)
    per_h, by = card.log_bytes_per_h(tmp_path, 1000.0)
    assert per_h == pytest.approx(sizes[0] * 3.6)
    assert by == "measured on 1 run"
    # one that is being written, with its write-ahead log beside it, is not opened
    new_log_path(tmp_path, "run0").with_name("run0.sqlite-wal").touch()
    assert card.log_bytes_per_h(tmp_path, 1000.0)[1] == "from the bytes heard"


def test_no_room_is_known_without_runs_and_bytes(tmp_path: Path) -> None:
    assert card.log_bytes_per_h(tmp_path / "none", None) == (None, "")


def test_commits_are_real_ones_and_what_they_take_is_told(
    pi4: FakeMachine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for times, state in (([0.01, 0.02, 0.9], "look"), ([0.2] * 5, "look"), ([0.01, 1.4], "wrong")):
        monkeypatch.setattr(card, "commit_times_s", lambda *_, times=times: times)
        found = only(looked(pi4, tmp_path), "write_speed")
        assert found.state == state
        assert f"at worst {1000 * max(times):.0f} ms" in found.seen


def test_a_card_that_fails_is_told(pi4: FakeMachine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: object) -> list[float]:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(card, "commit_times_s", fails)
    found = only(looked(pi4, tmp_path), "write_speed")
    assert found.state == "wrong"
    assert "Input/output error" in found.seen


@pytest.mark.usefixtures("real_commits")
def test_a_test_log_leaves_nothing_behind(tmp_path: Path) -> None:
    assert len(card.commit_times_s(tmp_path, TOML)) == 30
    assert list(tmp_path.iterdir()) == []
