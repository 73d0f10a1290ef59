"""Settings and fixtures for the whole suite. Its folder is on the path, so tests can import `helpers`."""

import os
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import settings

# Real files and loaded machines make single examples slow now and then; the suite's own limit is what counts.
settings.register_profile("rigmon", deadline=None, max_examples=60)
settings.load_profile("rigmon")


@pytest.fixture
def read_only() -> Iterator[Callable[[Path], None]]:
    """Make a file or folder read-only until the test is over, for root too, whom permissions do not stop."""
    modes: list[tuple[Path, int]] = []
    mounted: list[Path] = []

    def make(path: Path) -> None:
        mode = path.stat().st_mode
        modes.append((path, mode))
        path.chmod(mode & ~0o222)
        if os.geteuid() == 0:
            for command in (["mount", "--bind", path, path], ["mount", "-o", "remount,ro,bind", path]):
                if subprocess.run(command, capture_output=True, check=False).returncode:
                    pytest.skip("root needs the right to mount to have a place that it cannot write")
                if path not in mounted:
                    mounted.append(path)
        assert not os.access(path, os.W_OK)

    yield make
    for path in mounted:
        subprocess.run(["umount", "-l", path], check=True)
    for path, mode in modes:
        path.chmod(mode)
