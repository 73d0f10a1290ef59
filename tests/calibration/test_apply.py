"""A record into a rig file: only its keys change, comments stay, and the file is the old one or the new one."""

# ruff: noqa: E501  (the tables read best one case a line)

import os
import signal
import stat
import subprocess
import sys
import tomllib
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rigmon import config
from rigmon.calibration.apply import apply_record
from rigmon.calibration.book import Book
from rigmon.calibration.catch import Catch, catch_test
from rigmon.calibration.flowmeter import IndicatedRun, MeterRun, fit_flowmeter, fit_indicated
from rigmon.calibration.record import Record
from rigmon.calibration.settings import disagreements, settings_of
from rigmon.calibration.target import solve_target
from rigmon.calibration.transducer import Point, fit_transducer
from rigmon.errors import UsageError

ROOT = Path(__file__).parents[2]
DAY = date(2026, 11, 25)

CREEK = """\
# The Creek rig is invented.
[rig]
name = "Creek rig"            # ours
nozzle_count = 12
nozzle_spacing = "20 in"   # measured

[target]
rate = "17 gal/ac"    # label: Product A
tolerance_pct = 10

[calibration]   # spring
flow = "2.4 gal/min"  # whole boom
pressure = "40 psi"
taken_on = 2026-05-30
# uncertainty_pct = 2.5

# the GPS is on the mast
[gps]
port = "/dev/no-receiver"
# the end
"""


def record(kind: str, result: dict[str, Any], inputs: dict[str, Any] | None = None, **more: Any) -> Record:
    values: dict[str, Any] = {"rig": "Creek rig", "subject": "", "nozzle_set": None, **more}
    return Record(
        1, f"{DAY} {kind} 1", kind, values["rig"], values["subject"], values["nozzle_set"], DAY, "", "rigmon",
        inputs or {}, result,
    )  # fmt: skip


# 2.43 gal/min = 9.19855063 L/min; 41 psi = 282.685049 kPa
CATCH = record(
    "catch",
    {
        "boom_flow_l_min": 9.1985506351,
        "pressure_kpa": 282.68504902,
        "complete": True,
        "uncertainty_pct": 1.2345,
    },
)
METER = record("flowmeter", {"pulses_per_l": 450.1234567, "factor": None, "uncertainty_pct": 0.8})
LINE = record(
    "transducer",
    {"zero_fraction": 0.1012345678, "span_fraction": 0.9, "span_kpa": 1000.0, "uncertainty_pct": 1.0},
)
TARGET = record("target", {"rate_l_ha": 160.0, "speed_m_s": 1.5}, {"tolerance_pct": 8.0})
ALL = [CATCH, METER, LINE, TARGET]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "rig.toml"
    path.write_text(CREEK, encoding="utf-8")
    return path


def refusal(path: Path, applied: Record) -> str:
    before = path.read_bytes()
    with pytest.raises(UsageError) as error:
        apply_record(path, applied)
    assert path.read_bytes() == before
    assert not list(path.parent.glob("*.bak*"))
    assert not list(path.parent.glob(".*"))
    return str(error.value)


# -- what changes, and what does not ---------------------------------------------------------------------------


def test_a_catch_test_sets_the_calibration_and_says_so(path: Path) -> None:
    assert apply_record(path, CATCH) == [
        "calibration.flow: 2.4 gal/min -> 2.43 gal/min (+1.2 %)",
        "calibration.pressure: 40 psi -> 41 psi (+2.5 %)",
        "calibration.taken_on: 2026-05-30 -> 2026-11-25",
        "calibration.uncertainty_pct: not set, so 2.5 -> 1.3",
        "calibration.record: not set -> 2026-11-25 catch 1",
    ]
    assert path.read_text(encoding="utf-8") == CREEK.replace('"2.4 gal/min"', '"2.43 gal/min"').replace(
        '"40 psi"', '"41 psi"'
    ).replace("2026-05-30", "2026-11-25").replace(
        "# uncertainty_pct = 2.5\n",
        '# uncertainty_pct = 2.5\nuncertainty_pct = 1.3\nrecord = "2026-11-25 catch 1"\n',
    )
    rig, _ = config.load(path)
    assert rig.calibration is not None
    assert rig.calibration.record == CATCH.name
    assert disagreements(rig, CATCH) == []


def test_applying_again_changes_nothing(path: Path) -> None:
    apply_record(path, CATCH)
    data = path.read_bytes()
    times = path.stat().st_mtime_ns
    assert apply_record(path, CATCH) == []
    assert (path.read_bytes(), path.stat().st_mtime_ns) == (data, times)
    assert sorted(entry.name for entry in path.parent.iterdir()) == ["rig.toml", "rig.toml.bak"]


def test_sections_that_were_not_there_come_at_the_end(path: Path) -> None:
    assert apply_record(path, METER) == [
        "flow.pulses_per_l: not set -> 450.123",
        "flow.uncertainty_pct: not set, so 2.0 -> 0.8",
        "flow.record: not set -> 2026-11-25 flowmeter 1",
    ]
    text = path.read_text(encoding="utf-8")
    assert text.startswith(CREEK)
    assert text.endswith(
        '[flow]\npulses_per_l = 450.123\nuncertainty_pct = 0.8\nrecord = "2026-11-25 flowmeter 1"\n'
    )


def test_a_metric_rig_is_written_in_metric_units(path: Path) -> None:
    path.write_text(CREEK.replace('"20 in"', '"20 in"\nunits = "metric"'), encoding="utf-8")
    words = apply_record(path, CATCH)
    assert words[0] == "calibration.flow: 2.4 gal/min -> 9.19855 L/min (+1.2 %)"
    assert words[1] == "calibration.pressure: 40 psi -> 282.685 kPa (+2.5 %)"
    apply_record(path, LINE)
    assert 'span = "1000 kPa"' in path.read_text(encoding="utf-8")


def test_a_target_and_a_transducer_set_their_sections(path: Path) -> None:
    assert apply_record(path, TARGET) == [
        "target.rate: 17 gal/ac -> 17.1051 gal/ac (+0.6 %)",
        "target.speed: not set -> 3.3554 mph",
        "target.tolerance_pct: 10 -> 8",
        "target.record: not set -> 2026-11-25 target 1",
    ]
    apply_record(path, LINE)
    rig, _ = config.load(path)
    assert rig.pressure.zero_fraction == 0.101235
    assert rig.pressure.span_kpa == pytest.approx(1000, rel=1e-5)
    assert rig.target.tolerance_pct == 8


# the example file, the template, and odd but right ways to write TOML
INLINE = """rig = {name = "Creek rig", nozzle_count = 12, nozzle_spacing = "20 in"} # one line
target.rate = "17 gal/ac" # dotted
calibration.flow = "2.4 gal/min"
"""
QUOTED = CREEK.replace("[calibration]", '["calibration"]').replace("flow =", '"flow" =')
INDENTED = CREEK.replace("\nflow", "\n  flow").replace("\npressure", "\n  pressure")
FILES = {
    "creek": CREEK,
    "example": (ROOT / "config" / "rig.example.toml").read_text(encoding="utf-8").replace('"xdr"', '"none"'),
    "template": config.template(),
    "inline": INLINE,
    "quoted": QUOTED,
    "indented": INDENTED,
    "no last line end": CREEK.rstrip("\n").replace("# the end", "baud = 9600"),
    "windows": CREEK.replace("\n", "\r\n"),
    "byte order mark": "\ufeff" + CREEK,
    "no blank lines": CREEK.replace("\n\n", "\n"),
    "letters": CREEK.replace("# ours", "# Größe, 日本"),
}


@pytest.mark.parametrize("applied", ALL, ids=lambda record: record.kind)
@pytest.mark.parametrize("name", FILES)
def test_every_comment_and_every_other_line_stays(tmp_path: Path, name: str, applied: Record) -> None:
    text, path = FILES[name], tmp_path / "rig.toml"
    path.write_bytes(text.encode())
    rig, _ = config.load(path)
    set_here = {(setting.section, setting.key): setting for setting in settings_of(applied, rig)}
    assert apply_record(path, applied)
    after = path.read_bytes().decode()

    def comments(toml: str) -> list[str]:
        return [line.partition("#")[2].rstrip("\r") for line in toml.split("\n") if "#" in line]

    assert comments(after) == comments(text)
    # every line of before is there, in its order, but those whose key was set
    rest = iter(after.split("\n"))
    for line in text.split("\n"):
        key = line.partition("=")[0].strip().strip('"').rpartition(".")[2]
        if "=" in line and not line.startswith("#") and key in {name for _, name in set_here}:
            continue
        assert line in rest or line == "", line
    old, new = (tomllib.loads(toml.lstrip("\ufeff")) for toml in (text, after))
    for (section, key), setting in set_here.items():
        assert new[section].pop(key) == setting.toml("us")
        old.setdefault(section, {}).pop(key, None)
    assert new == old
    if name == "windows":
        assert "\n" not in after.replace("\r\n", "")
    if name == "byte order mark":
        assert after.startswith(("\ufeff[", "\ufeff#"))
    assert apply_record(path, applied) == []


def test_a_backup_of_the_old_file_is_beside_the_new(path: Path) -> None:
    apply_record(path, CATCH)
    middle = path.read_bytes()
    apply_record(path, METER)
    apply_record(path, LINE)
    kept = {entry.name: entry.read_bytes() for entry in path.parent.glob("*.bak*")}
    assert sorted(kept) == ["rig.toml.bak", "rig.toml.bak1", "rig.toml.bak2"]
    assert kept["rig.toml.bak1"] == CREEK.encode()
    assert kept["rig.toml.bak2"] == middle
    assert b"pulses_per_l" in kept["rig.toml.bak"]
    assert b"zero_fraction" not in kept["rig.toml.bak"]


def test_the_files_mode_and_a_link_to_it_stay(tmp_path: Path) -> None:
    real = tmp_path / "here" / "rig.toml"
    real.parent.mkdir()
    real.write_text(CREEK, encoding="utf-8")
    real.chmod(0o640)
    link = tmp_path / "rig.toml"
    link.symlink_to(real)
    apply_record(link, CATCH)
    assert link.is_symlink()
    assert stat.S_IMODE(real.stat().st_mode) == 0o640
    assert "2.43 gal/min" in real.read_text(encoding="utf-8")
    assert real.with_name("rig.toml.bak").read_text(encoding="utf-8") == CREEK


flows = st.floats(0.5, 900)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    flow=flows, pressure=st.floats(30, 1500), u=st.floats(0.001, 20), system=st.sampled_from(["us", "metric"])
)
def test_what_is_applied_is_what_was_measured(
    tmp_path: Path, flow: float, pressure: float, u: float, system: str
) -> None:
    path = tmp_path / "rig.toml"
    path.write_text(CREEK.replace('"20 in"', f'"20 in"\nunits = "{system}"').replace(
        'rate = "17 gal/ac"', 'rate = "17 gal/ac"\nspeed = "3.5 mph"'), encoding="utf-8")  # fmt: skip
    caught = record(
        "catch", {"boom_flow_l_min": flow, "pressure_kpa": pressure, "complete": True, "uncertainty_pct": u}
    )
    apply_record(path, caught)
    rig, _ = config.load(path)
    assert rig.calibration is not None
    assert rig.calibration.flow_l_min == pytest.approx(flow, rel=1e-5)
    assert rig.calibration.pressure_kpa == pytest.approx(pressure, rel=1e-5)
    # never stated smaller than it is, and no more than two digits larger
    assert u * (1 - 1e-6) <= rig.calibration.uncertainty_pct <= u * 1.11
    assert disagreements(rig, caught) == []


# -- what is refused ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("applied", "words"),
    [
        (record("course", {"speed_m_s": 1.5}), "a record of kind 'course' sets nothing in the rig file; only catch, target, flowmeter, transducer do"),
        (record("pace", {}), "sets nothing in the rig file"),
        (record("catch", CATCH.result, rig="Other rig"), "2026-11-25 catch 1 is of the rig 'Other rig', and this rig file is of 'Creek rig'"),
        (record("catch", {**CATCH.result, "complete": False, "missing": [3, 7]}), "nozzles 3 and 7 not caught yet"),
        (record("catch", CATCH.result, {"nozzle_count": 10}), "is of 10 nozzles, and rig.nozzle_count = 12"),
        (record("catch", {**CATCH.result, "pressure_kpa": None}), "taken without a gauge, and calibration.pressure = 40.0 psi belongs to another catch test"),
        (record("catch", {}), "has no number boom_flow_l_min"),
        (record("catch", {**CATCH.result, "boom_flow_l_min": "9"}), "has no number boom_flow_l_min"),
        (record("catch", {**CATCH.result, "boom_flow_l_min": float("nan")}), "has no number boom_flow_l_min"),
        (record("catch", {**CATCH.result, "boom_flow_l_min": -9.0}), "boom_flow_l_min = -9 cannot be applied"),
        # what config refuses in the whole file: 5000 L/min is above its bound, 0.05 L/min makes no speed
        (record("catch", {**CATCH.result, "boom_flow_l_min": 5000.0}), "with 2026-11-25 catch 1 applied the rig file would be wrong, so it is as it was: "),
        (record("catch", {**CATCH.result, "boom_flow_l_min": 0.05}), "the rig file would be wrong, so it is as it was: "),
        (record("transducer", {**LINE.result, "span_fraction": 1.2}), "pressure.span_fraction = 1.2 is out of bounds"),
        (record("flowmeter", {"pulses_per_l": None, "factor": 1.05, "expanded_uncertainty_pct": 1.0, "uncertainty_pct": 0.5}), "the meter states 4.8 % too little. Its factor is kept in the sensor node: divide its pulses per litre by 1.0500 there"),
        (record("transducer", {"zero_fraction": None, "offset_kpa": 10.0, "gain": 1.0, "expanded_uncertainty_pct": 2.0, "uncertainty_pct": 1.0}, {"at_kpa": 300.0}), "at 43.5 psi the transducer states 1.5 psi too much"),
    ],
)  # fmt: skip
def test_what_does_not_belong_is_refused_and_nothing_changes(path: Path, applied: Record, words: str) -> None:
    assert words in refusal(path, applied)


def test_another_nozzle_set_is_refused(path: Path) -> None:
    path.write_text(CREEK + '\n[nozzles]\nset = "flat fan 02"\n', encoding="utf-8")
    other = record("catch", CATCH.result, nozzle_set="flat fan 03")
    assert "taken with the nozzle set 'flat fan 03', and nozzles.set = 'flat fan 02'" in refusal(path, other)
    assert apply_record(path, record("catch", CATCH.result, nozzle_set="flat fan 02"))


@pytest.mark.parametrize(
    ("section", "applied", "words"),
    [
        ('[flow]\nsource = "xdr"', METER, "the pulses per litre belong into the sensor node"),
        ('[pressure]\nsource = "xdr"', LINE, "its zero and span belong into the sensor node"),
        ('[flow]\nsource = "gpio"\npin = 17\npulses_per_l = 450', record("flowmeter", {"factor": 1.0, "expanded_uncertainty_pct": 1.0, "uncertainty_pct": 0.5}), "counts pulses"),
        ('[pressure]\nsource = "adc"', record("transducer", {"offset_kpa": 0.0, "gain": 1.0, "expanded_uncertainty_pct": 2.0, "uncertainty_pct": 1.0}, {"at_kpa": 300.0}), 'pressure.source = "adc" counts'),
    ],
)  # fmt: skip
def test_a_record_of_another_kind_of_sensor_is_refused(
    path: Path, section: str, applied: Record, words: str
) -> None:
    path.write_text(f"{CREEK}\n{section}\n", encoding="utf-8")
    assert words in refusal(path, applied)


def test_a_sound_meter_and_transducer_of_a_node_set_their_uncertainty(path: Path) -> None:
    path.write_text(f'{CREEK}\n[flow]\nsource = "xdr"\n[pressure]\nsource = "xdr"\n', encoding="utf-8")
    meter = fit_indicated([IndicatedRun(9.99, 10, 60), IndicatedRun(10.01, 10, 60), IndicatedRun(10, 10, 60)])
    line = fit_transducer([Point(p, stated_kpa=p + 0.5) for p in (0, 250, 500)], at_kpa=275.8)
    assert "flow.uncertainty_pct: not set, so 2.0 -> 0.59" in apply_record(
        path, record("flowmeter", meter.to_json())
    )
    assert any(
        "pressure.record" in words for words in apply_record(path, record("transducer", line.to_json()))
    )
    rig, _ = config.load(path)
    assert rig.records == ("2026-11-25 flowmeter 1", "2026-11-25 transducer 1")


def test_a_rig_file_that_is_wrong_already_is_refused(path: Path) -> None:
    path.write_text(CREEK.replace("nozzle_count = 12", "nozzle_count = 0"), encoding="utf-8")
    assert "rig.nozzle_count" in refusal(path, CATCH)
    with pytest.raises(UsageError, match="No such file"):
        apply_record(path.with_name("none.toml"), CATCH)


def test_a_file_changed_meanwhile_is_left_alone(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    load = config.load

    def load_then_edit(file: Path, *, calibrated: bool) -> Any:
        loaded = load(file, calibrated=calibrated)
        file.write_text(CREEK + "# another hand\n", encoding="utf-8")
        return loaded

    monkeypatch.setattr(config, "load", load_then_edit)
    with pytest.raises(UsageError, match="was changed by another program just now"):
        apply_record(path, CATCH)
    assert path.read_text(encoding="utf-8") == CREEK + "# another hand\n"


def test_a_folder_that_may_not_be_written_is_told(path: Path, read_only: Callable[[Path], None]) -> None:
    read_only(path.parent)
    with pytest.raises(UsageError, match="cannot be changed"):
        apply_record(path, CATCH)


# -- a cut -------------------------------------------------------------------------------------------------------

_CHILD = """
import os, signal, sys
from datetime import date
from pathlib import Path
from rigmon.calibration.apply import apply_record
from rigmon.calibration.record import Record

left = int(sys.argv[2])

def counted(call):
    def wrapper(*args, **kwargs):
        global left
        if left == 0:
            os.kill(os.getpid(), signal.SIGKILL)
        left -= 1
        return call(*args, **kwargs)
    return wrapper

import tempfile
result = {"boom_flow_l_min": 9.1985506351, "pressure_kpa": 282.68504902, "complete": True, "uncertainty_pct": 1.2}
record = Record(1, "2026-11-25 catch 1", "catch", "Creek rig", "", None, date(2026, 11, 25), "", "", {}, result)
tempfile.mkstemp = counted(tempfile.mkstemp)
for name in ("fchmod", "fsync", "replace", "rename", "unlink"):
    setattr(os, name, counted(getattr(os, name)))
apply_record(Path(sys.argv[1]), record)
"""


def test_a_process_killed_at_any_step_leaves_the_old_file_or_the_new(path: Path) -> None:
    apply_record(path, METER)  # so that there is an older backup too
    old = path.read_bytes()
    (path.parent / "try").mkdir()
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    finals = set()
    for step in range(40):
        folder = path.parent / "try" / str(step)
        folder.mkdir()
        here = folder / "rig.toml"
        here.write_bytes(old)
        (folder / "rig.toml.bak").write_bytes(CREEK.encode())
        code = subprocess.run(
            [sys.executable, "-c", _CHILD, here, str(step)], env=environment, timeout=60, check=False
        ).returncode
        data = here.read_bytes()
        finals.add(data)
        rig, _ = config.load(here)
        assert rig.name == "Creek rig"
        kept = {entry.name: entry.read_bytes() for entry in folder.glob("rig.toml.bak*")}
        assert CREEK.encode() in kept.values()  # what was kept before is never lost
        assert set(kept.values()) <= {old, CREEK.encode()}
        if data != old:
            assert kept["rig.toml.bak"] == old
        if code == 0:
            break
        assert code == -signal.SIGKILL
    else:
        pytest.fail("the record was never applied")
    assert step >= 6
    assert len(finals) == 2
    assert b"2.43 gal/min" in data


# -- from the calibration to the run ------------------------------------------------------------------------------


def test_a_day_of_calibration_ends_in_a_rig_that_says_the_same(path: Path) -> None:
    """What the calibrations hand back goes through the book into the rig file, and comes back as measured."""
    caught = catch_test(
        [Catch(nozzle, 0.766, 60.0) for nozzle in range(1, 13)],
        nozzle_count=12, pressure_kpa=275.8, rated_l_min=None,
    )  # fmt: skip
    meter = fit_flowmeter([MeterRun(4490, 10, 60), MeterRun(4510, 10, 60), MeterRun(4500, 10, 60)])
    line = fit_transducer(
        [Point(0, fraction=0.1), Point(250, fraction=0.3), Point(500, fraction=0.5)], span_kpa=1000
    )
    target = solve_target(
        rate_l_ha=159.0, speed_m_s=None, flow_l_min=caught.boom_flow_l_min, pressure_kpa=None, swath_m=6.096,
        calibration_flow_l_min=caught.boom_flow_l_min, calibration_pressure_kpa=275.8,
    )  # fmt: skip
    with Book(path.with_name("calibration.sqlite")) as book:
        records = [
            book.add(kind, "Creek rig", subject, None, DAY, {}, result.to_json())
            for kind, subject, result in (
                ("catch", "", caught), ("flowmeter", "flowmeter", meter), ("transducer", "pressure", line), ("target", "", target)
            )
        ]  # fmt: skip
    for made in records:
        assert apply_record(path, made)
    rig, _ = config.load(path)
    assert [words for made in records for words in disagreements(rig, made)] == []
    assert rig.calibration is not None
    assert rig.calibration.flow_l_min == pytest.approx(12 * 0.766, rel=1e-5)
    assert rig.flow.pulses_per_l == pytest.approx(450)
    assert rig.pressure.span_fraction == pytest.approx(0.9)
    assert rig.target.rate_l_ha == pytest.approx(159, rel=1e-5)
