"""Fixtures of the doctor's tests."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent.parent / "edge"))

from boards import FakeMachine, rig_with

from rigmon.rig import Rig


@pytest.fixture
def pi4(tmp_path: Path) -> FakeMachine:
    return FakeMachine.pi(tmp_path / "pi4", "Raspberry Pi 4 Model B Rev 1.4")


@pytest.fixture
def pi5(tmp_path: Path) -> FakeMachine:
    return FakeMachine.pi(tmp_path / "pi5", "Raspberry Pi 5 Model B Rev 1.0")


@pytest.fixture
def gps_rig() -> Rig:
    """The Creek rig (invented) with GPS alone, calibrated."""
    return rig_with()
