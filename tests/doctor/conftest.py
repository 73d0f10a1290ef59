"""Fixtures of the doctor's tests."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent.parent / "edge"))

from boards import FakeMachine, rig_with

from rigmon.doctor import card
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


@pytest.fixture
def real_commits() -> None:
    """For tests that want the commits to the card to be real ones."""


@pytest.fixture(autouse=True)
def no_commits(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Synced commits take their time on a busy disk; those who look at other things do without."""
    if "real_commits" not in request.fixturenames:
        monkeypatch.setattr(card, "commit_times_s", lambda *_: [0.004] * 30)
