"""The installed program in a process of its own: pipes, full disks, closed streams, encodings, hints."""

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from invoking import INSTALLED, PATIENCE_S, Made, assert_checks

#: a small environment: what the shell that runs the tests has set must not matter
PLAIN = {"PATH": "/usr/bin:/bin", "LANG": "C.UTF-8", "TERM": "dumb"}


def installed(
    *args: object, env: dict[str, str] | None = None, **how: Any
) -> subprocess.CompletedProcess[str]:
    done = subprocess.run(
        [INSTALLED, *map(str, args)], env={**PLAIN, **(env or {})}, text=True, stdin=subprocess.DEVNULL,
        timeout=PATIENCE_S, check=False, **{"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, **how},
    )  # fmt: skip
    assert "Traceback" not in (done.stderr or "")
    assert "Exception ignored" not in (done.stderr or "")
    return done


def bash(line: str, names: dict[str, Path], cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    """Run a line for bash, in which $RIGMON is the program."""
    env = {**PLAIN, "RIGMON": str(INSTALLED), **{name: str(path) for name, path in names.items()}}
    return subprocess.run(
        ["bash", "-c", line],
        env=env,
        cwd=cwd,
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
    )


@contextmanager
def nobody_reads() -> Iterator[int]:
    """The writing end of a pipe whose reader is gone."""
    reading, writing = os.pipe()
    os.close(reading)
    try:
        yield writing
    finally:
        os.close(writing)


def test_the_program_is_installed_and_says_its_version() -> None:
    done = installed("--version")
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("rigmon, version ")


def test_results_and_messages_go_to_their_streams(made: Made) -> None:
    done = installed("score", made.log)
    assert (done.returncode, done.stderr) == (0, "")
    done = installed("score", made.recording)
    assert (done.returncode, done.stdout) == (2, "")


def test_head_gets_the_head(made: Made) -> None:
    line = '"$RIGMON" score "$LOG" | head -1'
    done = bash(line, {"LOG": made.log})
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("Run ")
    assert done.stdout.count("\n") == 1


@pytest.mark.parametrize("command", [["score"], ["score", "--json"], ["check"], ["replay"]])
def test_a_reader_that_is_gone_ends_it_quietly_and_is_no_answer(command: list[str], made: Made) -> None:
    """141 is what a shell reports of a program ended by SIGPIPE (128 + 13): neither yes (0) nor no (1)."""
    with nobody_reads() as writing:
        done = installed(*command, made.log, stdout=writing)
    assert (done.returncode, done.stderr) == (141, "")


def test_a_paced_replay_ends_when_nobody_reads_it(made: Made) -> None:
    """At this pace it would take far longer than the test's patience."""
    with nobody_reads() as writing:
        done = installed("replay", made.log, "--pace", "0.1", stdout=writing)
    assert done.returncode == 2
    assert done.stderr == "rigmon: the live lines ended: [Errno 32] Broken pipe\n"


@pytest.mark.parametrize(
    "command", [["score"], ["score", "--json"], ["check"], ["check", "--json"], ["replay"]]
)
def test_a_full_disk_under_the_output_is_told(command: list[str], made: Made) -> None:
    with open("/dev/full", "w") as full:
        done = installed(*command, made.log, stdout=full)
    assert done.returncode == 2
    assert done.stderr == "rigmon: the output cannot be written: No space left on device\n"


def test_a_full_disk_under_help_and_messages_changes_no_exit_code(made: Made) -> None:
    with open("/dev/full", "w") as full:
        assert installed("--help", stdout=full).returncode == 2
        assert installed("score", made.recording, stderr=full).returncode == 2
        assert installed("nonsense", stderr=full).returncode == 2


def test_the_demos_log_is_whole_when_its_output_is_lost(tmp_path: Path) -> None:
    with open("/dev/full", "w") as full:
        done = installed("demo", "--pace", "1e6", "--json", stdout=full, cwd=tmp_path)
    assert done.returncode == 2
    assert done.stderr == "rigmon: the output cannot be written: No space left on device\n"
    (log,) = (tmp_path / "runs").iterdir()
    assert_checks(log)


@pytest.mark.parametrize("closed", [">&-", "2>&-", "<&-", "<&- >&- 2>&-"])
def test_closed_streams_harm_nothing(closed: str, made: Made, tmp_path: Path) -> None:
    """As under an init system; a file must never be opened in the place of a closed stream and written to."""
    log = tmp_path / "new.sqlite"
    for line in (f'"$RIGMON" replay "$REC" --rig "$RIG" --to "$LOG" --pace 1e6 {closed}',
                 f'"$RIGMON" run --rig "$RIG" --for 0.2 --log "$LOG" {closed}'):  # fmt: skip
        names = {"REC": made.recording, "RIG": made.rig, "LOG": log}
        done = bash(line, names, cwd=tmp_path)
        assert "Traceback" not in done.stderr
        assert done.returncode == 0
        assert_checks(log)
        log.unlink()


def test_names_that_the_terminal_cannot_show_are_shown_escaped(made: Made, tmp_path: Path) -> None:
    rig = tmp_path / "rig.toml"
    rig.write_text(made.rig.read_text().replace("Creek rig", "Bach 川"), encoding="utf-8")
    done = installed("score", made.recording, "--rig", rig, env={"PYTHONIOENCODING": "latin-1"})
    assert (done.returncode, done.stderr) == (0, "")
    assert "Bach \\u5ddd" in done.stdout
    assert "Bach 川" in installed("score", made.recording, "--rig", rig).stdout

    odd = os.fsencode(tmp_path) + b"/r\xff.nmea"  # no UTF-8
    Path(os.fsdecode(odd)).write_bytes(made.recording.read_bytes())
    done = installed("replay", os.fsdecode(odd), "--rig", rig)
    assert done.returncode == 0
    assert "r\\udcff.nmea: 0:0" in done.stdout
    assert installed("replay", os.fsdecode(odd)).returncode == 2


def test_the_hints_name_the_program_as_it_was_called(tmp_path: Path) -> None:
    """In a fresh clone it is not on the PATH."""
    done = installed("init", cwd=tmp_path)
    assert f"{INSTALLED} run --rig rig.toml" in done.stdout
    on_path = {"PATH": f"{INSTALLED.parent}:/usr/bin:/bin"}
    assert " rigmon run --rig rig.toml" in installed("init", "--force", cwd=tmp_path, env=on_path).stdout
