"""What the note on the driver's page says is so: its sketches, sums, and what was measured."""

import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from browser import Watched, arc_minutes, contrasts, letters_px
from rig_states import message
from standin import STATIC, StandIn, stand_in

FOLDER = Path(__file__).parents[2] / "hardware_notes"
NOTE = (FOLDER / "driver_page.md").read_text(encoding="utf-8")
WORDS = " ".join(NOTE.split())


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """The folder with the sketches drawn anew, and the table that the script prints."""
    folder = tmp_path_factory.mktemp("sketches")
    script = FOLDER / "draw_driver_sketches.py"
    done = subprocess.run(
        [sys.executable, script, folder], check=True, timeout=60, capture_output=True, encoding="utf-8"
    )
    return folder, done.stdout


@pytest.fixture(scope="module")
def rig() -> Iterator[StandIn]:
    with stand_in() as server:
        server.message = message(speed_share=1.3, alerts=["pressure_loss"])
        yield server


def test_the_sketches_and_their_table_are_what_the_script_makes(drawn: tuple[Path, str]) -> None:
    folder, table = drawn
    names = sorted(path.name for path in folder.iterdir())
    assert names == ["driver_sketch_a.svg", "driver_sketch_b.svg", "driver_sketch_c.svg"]
    for name in names:
        assert (folder / name).read_bytes() == (FOLDER / name).read_bytes()
        root = ElementTree.parse(FOLDER / name).getroot()
        assert (root[1].text or "").startswith("Our own sketch")
        assert f"]({name})" in NOTE
    assert len(table.splitlines()) == 10
    assert table in NOTE


def test_the_sums_come_out() -> None:
    # hand-worked: 68 / 360 = 0.18889; 68 / 412 = 0.16505; 700 / 3437.75 = 0.20362
    assert "68 / 360 = 0.189 mm" in WORDS
    assert "68 / 412 = 0.165 mm" in WORDS
    assert "one arc minute is 0.204 mm, so 40' are 8.1 mm or 43 pixels" in WORDS
    assert round(40 * 700 / 3437.75, 1) == 8.1
    assert round(40 * 700 / 3437.75 / (68 / 360)) == 43
    assert round(arc_minutes(8.145, 1.0), 1) == 40.0


def test_the_page_is_as_large_as_the_note_says(browser: Any, rig: StandIn) -> None:
    """Within a twentieth: other machines have other letters."""
    rows = re.findall(r"^\| ([^|]+) \| (\d+)' \| (\d+)' \|$", NOTE, re.MULTILINE)
    selectors = ("#word", "#speed", "#off-figure", "#words", "#rate", ".label")
    assert len(rows) == len(selectors)
    for i, (width, height) in enumerate(((360, 640), (740, 300))):
        with Watched(browser, rig.url, width=width, height=height) as watched:
            watched.open_still()
            watched.wait("document.getElementById('word').textContent === 'SLOWER'")
            sizes = letters_px(watched.page, selectors)
        for (what, *said), selector in zip(rows, selectors, strict=True):
            measured = arc_minutes(sizes[selector], 68 / 360)
            assert measured == pytest.approx(float(said[i]), rel=0.05), what


def test_contrast_is_what_the_note_says(browser: Any, rig: StandIn) -> None:
    least = re.search(r"at least (\d+) : 1 light and (\d+) : 1 dark", WORDS)
    assert least is not None
    for scheme, said in zip(("light", "dark"), least.groups(), strict=True):
        with Watched(browser, rig.url, color_scheme=scheme) as watched:
            watched.open_still()
            for share in (0.7, 1.0, 1.3):
                rig.message = message(speed_share=share, alerts=["pressure_loss"])
                watched.wait(
                    f"document.getElementById('speed').textContent === '{rig.message['shown']['speed']}'"
                )
                assert min(ratio for _, ratio in contrasts(watched.page)) >= float(said)
    rig.message = message(speed_share=1.3, alerts=["pressure_loss"])


def test_times_and_weight_are_those_of_the_page() -> None:
    script = Path(STATIC, "feed.js").read_text(encoding="utf-8")
    assert "SILENCE_MS = 900" in script
    assert "0.9 s after the last event" in WORDS
    assert "OVERDUE_MS = 250" in script
    assert "0.25 s after a slow receiver's next reading was due (at 1 Hz 1.25 s after the last)" in WORDS
    assert f"12 hours in {Path(STATIC, 'awake.mp4').stat().st_size / 1000:.1f} kB" in WORDS
