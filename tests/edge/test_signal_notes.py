"""The notes on lights and buzzer say what the code does."""

import re
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree

import pytest
from fakes import RIG_TOML

from rigmon import config
from rigmon.core.conditions import SPEED_LIMIT_TOLERANCES
from rigmon.edge.signals import (
    DAMPED_S,
    LAMP_TEST_STEP_S,
    MANNERS,
    RHYTHM,
    SPEED_SOUND_AFTER_S,
    STALE_S,
    Light,
    Sound,
)

NOTES = Path(__file__).parents[2] / "hardware_notes"
CREEK = config.parse(RIG_TOML, "rig.toml")
TEXT = " ".join((NOTES / "lights_and_buzzer.md").read_text(encoding="utf-8").split())


def test_the_picture_is_what_the_script_draws_from_the_patterns(tmp_path: Path) -> None:
    drawn = tmp_path / "drawn.svg"
    subprocess.run([sys.executable, NOTES / "draw_signals.py", drawn], check=True, timeout=60)
    assert drawn.read_bytes() == (NOTES / "light_signals.svg").read_bytes()
    root = ElementTree.parse(drawn).getroot()
    assert len(root[1].text or "") > 100  # for who cannot see it


@pytest.mark.parametrize(
    "words",
    [
        f"flashing slowly ({1 / sum(RHYTHM[Light.SLOW]):g} Hz)",
        f"flashing fast ({1 / sum(RHYTHM[Light.FAST]):g} Hz)",
        f"no data for {STALE_S:g} s",
        f"makes no sample for {STALE_S:g} s",
        f"with a lag of {DAMPED_S:g} s",
        f"in turn for {LAMP_TEST_STEP_S:g} s",
        f"has been up for {SPEED_SOUND_AFTER_S:g} s",
        f"off by {SPEED_LIMIT_TOLERANCES:g} tolerances",
        f"`alerts.speed_fast.on_delay`, {CREEK.alerts['speed_fast'].on_delay_s:g} s as",
        *(f"every {sum(RHYTHM[sound]):g} s" for sound in Sound if sound in RHYTHM),
    ],
)
def test_the_figures_are_the_codes(words: str) -> None:
    assert words in TEXT


def test_what_sounds_at_once_is_what_the_notes_say() -> None:
    assert {code for code, manner in MANNERS.items() if manner.sound is Sound.FLOW} == {
        "pressure_loss", "rate_high", "rate_low", "boom_leak", "nozzles_plugged", "supply_weak",
    }  # fmt: skip
    assert "pressure loss, weak supply, leak, plugged nozzle, or the rate is off through the flow" in TEXT


def test_the_sections_named_are_the_rig_files() -> None:
    for section in re.findall(r"`\[(\w+)\]`", TEXT):
        assert section in config.SCHEMA
