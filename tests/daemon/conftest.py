"""The daemon's tests share the edge's fakes and fixtures."""

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent.parent / "edge"))

from fakes import PtyPort


@pytest.fixture
def port(tmp_path: Path) -> Iterator[PtyPort]:
    pty = PtyPort(tmp_path / "gps")
    yield pty
    pty.unplug()
