"""Fixtures of the edge's tests."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from fakes import RIG_TOML, PtyPort

from rigmon import config
from rigmon.rig import Rig


@pytest.fixture
def port(tmp_path: Path) -> Iterator[PtyPort]:
    pty = PtyPort(tmp_path / "gps")
    yield pty
    pty.unplug()


@pytest.fixture
def us_rig() -> Rig:
    """The Creek rig (invented): 12 nozzles at 20 in, 17 gal/ac at 3.5 mph +-10 %."""
    return config.parse(RIG_TOML, "rig.toml")


@pytest.fixture
def metric_rig() -> Rig:
    return config.parse(RIG_TOML.replace('"us"', '"metric"'), "rig.toml")
