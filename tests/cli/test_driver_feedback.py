"""What `rigmon run` shows the driver with: built from the rig file, on gpiozero's mock pins."""

import itertools
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import gpiozero
import pytest
from gpiozero.pins.mock import MockFactory
from invoking import INSTALLED, PATIENCE_S, Made, rigmon

from rigmon import config
from rigmon.cli.common import driver_feedback
from rigmon.edge.feedback_group import FeedbackGroup
from rigmon.errors import UsageError
from rigmon.rig import Buzzer, Lights, Rig

FITTED = {"[lights]": "[lights]\npins = [5, 6, 13]\ntrouble_pin = 19", "[buzzer]": "[buzzer]\npin = 26"}


@pytest.fixture
def pins() -> Iterator[MockFactory]:
    before = gpiozero.Device.pin_factory
    gpiozero.Device.pin_factory = MockFactory()
    yield gpiozero.Device.pin_factory
    gpiozero.Device.pin_factory.reset()
    gpiozero.Device.pin_factory = before


@pytest.fixture
def rig(made: Made) -> Rig:
    return config.load(made.rig)[0]


def test_a_rig_without_lights_has_its_lines_or_nothing(rig: Rig) -> None:
    assert isinstance(driver_feedback(rig, lines=True), FeedbackGroup)
    assert driver_feedback(rig, lines=False) is None


@pytest.mark.parametrize(
    ("lights", "buzzer", "used"),
    [
        (Lights((5, 6, 13), 19), Buzzer(26), {5, 6, 13, 19, 26}),
        (Lights((5, 6, 13)), Buzzer(), {5, 6, 13}),
        (Lights((), 19), Buzzer(), {19}),
        (Lights(), Buzzer(26), {26}),
    ],
)
def test_lights_and_buzzer_are_there_without_the_lines_too(
    rig: Rig, pins: MockFactory, lights: Lights, buzzer: Buzzer, used: set[int]
) -> None:
    feedback = driver_feedback(replace(rig, lights=lights, buzzer=buzzer), lines=False)
    assert feedback is not None
    outputs = {n for n in range(2, 28) if pins.pin(n).function == "output"}
    assert outputs == used
    feedback.stop()


def test_a_pin_that_cannot_be_used_is_refused_before_the_run(rig: Rig, pins: MockFactory) -> None:  # noqa: ARG001
    with pytest.raises(UsageError, match=r"^buzzer\.pin = 99 cannot be used"):
        driver_feedback(replace(rig, buzzer=Buzzer(99)), lines=False)


def fitted(made: Made, folder: Path, more: str = "") -> Path:
    """A rig file with lights and buzzer in `folder`; `more` keys go to its [buzzer]."""
    text = made.rig.read_text()
    for section, keys in FITTED.items():
        text = text.replace(section, keys + (more if section == "[buzzer]" else ""))
    path = folder / "rig.toml"
    path.write_text(text)
    return path


def rigmon_run(
    made: Made, tmp_path: Path, factory: str | None, *args: str
) -> "subprocess.CompletedProcess[str]":
    """`rigmon run` for a moment, on these pins, in a process of its own."""
    path = fitted(made, tmp_path)
    environment = {k: v for k, v in os.environ.items() if k != "GPIOZERO_PIN_FACTORY"}
    if factory is not None:
        environment["GPIOZERO_PIN_FACTORY"] = factory
    return subprocess.run(
        [INSTALLED, "run", "--rig", str(path), "--no-log", "--for", "0.3", *args],
        cwd=tmp_path, env=environment, capture_output=True, text=True, timeout=PATIENCE_S, check=False,
    )  # fmt: skip


@pytest.mark.parametrize("quiet", ["--quiet", "--json"])
def test_a_run_with_lights_and_buzzer(made: Made, tmp_path: Path, quiet: str) -> None:
    done = rigmon_run(made, tmp_path, "mock", quiet)
    assert done.returncode == 0, done.stderr
    if quiet == "--json":
        assert json.loads(done.stdout)["troubles"] == []


def test_a_run_without_a_board_says_which_key_asks_for_one(made: Made, tmp_path: Path) -> None:
    # no factory is called so, on a board neither
    done = rigmon_run(made, tmp_path, "none_such")
    assert done.returncode == 2
    assert "lights.pins = 5" in done.stderr
    assert "Traceback" not in done.stderr


def test_gpiozero_is_loaded_only_for_a_rig_that_has_lights_or_a_buzzer(made: Made, tmp_path: Path) -> None:
    code = (
        "import sys; from pathlib import Path; from rigmon import config; "
        "from rigmon.cli.common import driver_feedback; "
        f"driver_feedback(config.load(Path({str(made.rig)!r}))[0], True); "
        "print('gpiozero' in sys.modules)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, timeout=60, check=True
    )
    assert done.stdout == "False\n"


# -- the beat of a pace --------------------------------------------------------------------------------

PACE = ["calibrate", "pace", "--steps", 40, "--distance", "100 ft", "--flow", "0.36 gal/min", "--swath",
        "3 ft", "--dry-run", "--beat", "--for", "0.2"]  # fmt: skip


@pytest.mark.parametrize("on_level", ["high", "low"])
def test_the_beat_sounds_the_rigs_buzzer(
    made: Made, tmp_path: Path, pins: MockFactory, on_level: str
) -> None:
    fitted(made, tmp_path, f'\non_level = "{on_level}"')
    pin = pins.pin(26)
    pin.clear_states()
    result = rigmon(*PACE, cwd=tmp_path)
    assert result.code == 0
    assert "terminal alone" not in result.err
    levels = [state.state for state in pin.states]
    on = on_level == "high"
    assert (not on, on) in itertools.pairwise(levels)  # once it was off, the beat put it on
    assert pin.function == "input"  # given back


def test_a_pin_of_the_command_line_goes_before_the_rigs(
    made: Made, tmp_path: Path, pins: MockFactory
) -> None:
    fitted(made, tmp_path)
    for number in (17, 26):
        pins.pin(number).clear_states()
    assert rigmon(*PACE, "--pin", 17, cwd=tmp_path).code == 0
    assert True in [state.state for state in pins.pin(17).states]
    assert True not in [state.state for state in pins.pin(26).states]


def test_away_from_the_board_the_beat_is_on_the_terminal_alone(
    made: Made,
    tmp_path: Path,
    pins: MockFactory,  # noqa: ARG001
) -> None:
    fitted(made, tmp_path)
    held = gpiozero.LED(26)
    result = rigmon(*PACE, cwd=tmp_path)
    assert result.code == 0
    assert "buzzer.pin = 26 cannot be used" in result.err
    assert "on the terminal alone" in result.err
    assert "\a" in result.err
    asked_for = rigmon(*PACE, "--pin", 26, cwd=tmp_path)
    assert asked_for.code == 2
    assert "--pin = 26 cannot be used" in asked_for.err
    held.close()
