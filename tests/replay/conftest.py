"""Logs are written in memory where the machine allows it: no test here is about the disk."""

import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

_MEMORY = Path("/dev/shm")


@pytest.fixture(scope="session")
def run_folders() -> Iterator[Path]:
    """The folder that holds the folders of all tests."""
    with tempfile.TemporaryDirectory(
        prefix="rigmon-tests-", dir=_MEMORY if _MEMORY.is_dir() else None
    ) as name:
        yield Path(name)


@pytest.fixture
def tmp_path(run_folders: Path) -> Path:
    """An empty folder."""
    return Path(tempfile.mkdtemp(dir=run_folders))
