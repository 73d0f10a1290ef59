"""What people did shows in score, report, record and the list of runs. Run and deeds are invented."""

import json
import re
from pathlib import Path

import pytest
from invoking import Made, assert_checks, done, refused

from rigmon import config, daemon, replay
from rigmon.edge.bench import BenchSource
from rigmon.edge.hub import BenchClock, Hub
from rigmon.log.reader import RunLog
from rigmon.model import Note, Refill, Source
from rigmon.units import convert

SECOND = 1_000_000_000


@pytest.fixture
def log(made: Made, tmp_path: Path) -> Path:
    """The made recording with a note with markup, a full tank before the work and a refill at its end."""
    text = made.rig.read_text().replace("[tank]\n", '[tank]\nvolume = "100 gal"\n')
    rig = config.parse(text, "rig.toml")
    items = list(replay.recording(made.recording, rig))
    end_ns = items[-1][0]
    deeds = [
        (0, Refill(None, True)),
        (end_ns // 2, Note("<b>gate</b>\nis open")),
        (end_ns, Refill(12.5, False)),
    ]
    said = sorted([*items, *((t, Source.PERSON, deed) for t, deed in deeds)], key=lambda item: item[0])
    clock = BenchClock()
    hub = Hub(clock)
    path = tmp_path / "runs" / "run.sqlite"
    daemon.run(rig, text, path, [BenchSource(hub, clock, said, None)], hub, source_name="live")
    assert_checks(path)
    return path


def test_the_score_tells_of_them(log: Path) -> None:
    text = done("score", log, "--units", "us")
    # 12.5 L / 3.785411784 L/gal = 3.3 gal
    assert re.search(r"^People +0:00:00  refill: an unmeasured volume, the tank is full$", text, re.M)
    assert re.search(r"^ +\d:\d\d:\d\d  note: <b>gate</b> is open at -?\d+\.\d+, -?\d+\.\d+$", text, re.M)
    assert re.search(r"^ +\d:\d\d:\d\d  refill: 3\.3 gal$", text, re.M)
    assert "refill: 12.5 L" in done("score", log, "--units", "metric")
    acts = json.loads(done("score", log, "--json"))["acts"]
    assert [act["kind"] for act in acts] == ["refill", "note", "refill"]
    assert acts[1]["lat_deg"] is not None


def test_a_score_on_another_rig_tells_of_them_too(log: Path, made: Made) -> None:
    """The core is run anew from the readings."""
    acts = json.loads(done("score", log, "--rig", made.rig, "--json"))["acts"]
    assert [act["kind"] for act in acts] == ["refill", "note", "refill"]


def test_the_list_of_runs_counts_them(log: Path) -> None:
    assert done("runs", log.parent).splitlines()[1].endswith("run.sqlite  1 note, 2 refills")
    (entry,) = json.loads(done("runs", log.parent, "--json"))
    assert entry["acts"] == {"note": 1, "refill": 2}


def test_the_record_carries_them_in_its_remarks(log: Path) -> None:
    data = json.loads(done("record", log, "--json", "--units", "us", cwd=log.parent))
    remarks = data["elements"]["remarks"]
    assert remarks["from"] == "log"
    assert "note: <b>gate</b> is open" in remarks["text"]
    assert "refill: 3.3 gal" in remarks["text"]
    assert data["figures"]["refilled_l"] == 12.5


def test_the_report_lists_them_and_takes_the_refills_for_the_tank(log: Path, tmp_path: Path) -> None:
    page = tmp_path / "report.html"
    out = done("report", log, "-o", page, "--left", "90 gal", "--json", "--units", "us")
    data = json.loads(out)
    with RunLog.open(log) as opened:
        rig = replay.rig_of(opened)
    assert rig.tank_l is not None
    # the full tank and what was added, less what was left, by definition of the volumes
    filled_l = rig.tank_l + 12.5 - 90 * 3.785411784
    assert data["closure"]["filled_l"] == pytest.approx(filled_l)
    assert data["closure"]["filled_from"] == "log"
    html = page.read_text()
    assert "What people did (3)" in html
    assert "note: &lt;b&gt;gate&lt;/b&gt; is open" in html  # a note is text, whatever is in it
    assert "<b>gate" not in html
    assert re.search(rf"{convert(filled_l, 'volume', 'gal'):.1f}\s(<[^>]*>)?gal", html)
    assert "by the refills in the run log, from one full tank to the next" in html
    # typed ones win: 20 gal filled in, 5 left
    typed = json.loads(done("report", log, "--refill", "20 gal", "--left", "5 gal", "--json"))
    assert typed["closure"]["filled_l"] == pytest.approx(15 * 3.785411784)


def test_what_cannot_be_left_is_refused(log: Path, made: Made) -> None:
    refused("report", log, "--left", "101 gal", "--json", naming="more than the tank holds")
    refused("report", made.log, "--left", "1 gal", "--json", naming="the run log holds no refills")


def test_a_replay_tells_of_them(log: Path) -> None:
    text = done("replay", log)
    assert re.search(r"^ *\d:\d\d:\d\d  note: <b>gate</b> is open$", text, re.M)
    acts = json.loads(done("replay", log, "--json"))["acts"]
    assert [(act["kind"], act["volume_l"], act["full"]) for act in acts] == [
        ("refill", None, True), ("note", None, None), ("refill", 12.5, False),
    ]  # fmt: skip
