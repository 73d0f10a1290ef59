"""The command line as the shell sees it: `rigmon(...)` in this process, `Installed` in one of its own."""

import io
import sys
from contextlib import chdir
from pathlib import Path
from typing import NamedTuple
from unittest import mock

from rigmon import cli, replay
from rigmon.log.reader import RunLog

#: the console script beside the Python that runs the tests
INSTALLED = Path(sys.executable).with_name("rigmon")
#: a real event comes in well under a second; this only bounds a failing test
PATIENCE_S = 30.0


class Result(NamedTuple):
    code: int
    out: str
    err: str


def rigmon(*args: object, cwd: Path | None = None) -> Result:
    """Run the entry point as the console script does. Whatever it raises but SystemExit is a traceback."""
    out, err = (
        io.TextIOWrapper(io.BytesIO(), encoding="utf-8", newline="\n", write_through=True) for _ in "oe"
    )
    with (
        chdir(cwd or Path.cwd()),
        mock.patch.object(sys, "argv", ["rigmon", *map(str, args)]),
        mock.patch.object(sys, "stdout", out),
        mock.patch.object(sys, "stderr", err),
    ):
        try:
            cli.main()
        except SystemExit as end:
            code = end.code
    assert isinstance(code, int)
    return Result(code, *(stream.buffer.getvalue().decode() for stream in (out, err)))  # type: ignore[attr-defined]


def done(*args: object, cwd: Path | None = None) -> str:
    """Run a command that must succeed and say nothing but its result; returns that."""
    result = rigmon(*args, cwd=cwd)
    assert (result.code, result.err) == (0, "")
    return result.out


def refused(*args: object, naming: object, cwd: Path | None = None) -> str:
    """Run a command that must be refused clearly: exit code 2, nothing on stdout, a message that names what.

    Returns the message.
    """
    result = rigmon(*args, cwd=cwd)
    assert (result.code, result.out) == (2, "")
    assert result.err.startswith(("rigmon: ", "Usage: "))
    assert "Traceback" not in result.err
    if result.err.startswith("rigmon: "):
        assert result.err.count("\n") == 1, "one line"
    assert str(naming) in result.err
    return result.err


def assert_checks(path: Path) -> None:
    """A run log that a test made: closed, and each of its numbers can be computed again."""
    with RunLog.open(path) as log:
        assert log.ended_cleanly
        result = replay.check(log)
    assert result.same
    assert result.complete
    assert result.compared > 0
    assert not list(path.parent.glob(f"{path.name}-*")), "one copyable file"


class Made(NamedTuple):
    """Made by the commands themselves; tests copy what they want to change."""

    rig: Path
    recording: Path
    truth: Path
    log: Path
