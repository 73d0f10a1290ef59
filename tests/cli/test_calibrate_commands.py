"""Every calibrate command from options and files: both unit systems, JSON with units, refusals, the book."""

# ruff: noqa: E501  (the tables read best one case a line)

import io
import json
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click
import pytest
from invoking import INSTALLED, Made, done, refused, rigmon

from rigmon.calibration.book import Book
from rigmon.cli.calibrate import COMMANDS
from rigmon.cli.calibrate import command as group
from rigmon.log.reader import RunLog
from rigmon.log.records import calibration_records

#: 12.8 fl oz in 30 s are 0.2 gal/min, hand-worked: 12.8 / 128 x 60 / 30
TWELVE = ", ".join(
    ["12.8 oz", "12.7", "12.8", "12.9", "12.8", "12.6", "12.8", "12.8", "12.7", "12.9", "12.8", "12.7"]
)
CATCH = ["calibrate", "catch", "--pressure", "40 psi", "--time", "30 s"]


@pytest.fixture
def folder(made: Made, tmp_path: Path) -> Path:
    """A rig of US units, with its sensors' XDR; invented."""
    text = made.rig.read_text() + '[nozzles]\nset = "flat fan 02"\nsize = "02"\n'
    text = re.sub(r"\n\[nozzles\]\n# .*?(?=\n\[)", "", text, flags=re.DOTALL)
    (tmp_path / "rig.toml").write_text(text)
    return tmp_path


@pytest.fixture(autouse=True)
def nobody_types(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO())


def as_json(*args: object, cwd: Path) -> Any:
    return json.loads(done(*args, "--json", cwd=cwd))


def keys(value: Any) -> Iterator[str]:
    if isinstance(value, dict):
        for key, inner in value.items():
            yield key
            yield from keys(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from keys(inner)


# -- help --------------------------------------------------------------------------------------------------


def test_the_group_lists_every_calibration_and_the_cautions() -> None:
    screen = " ".join(done("calibrate", "--help").split())
    for name, (_, about) in COMMANDS.items():
        assert f" {name} " in screen
        assert about in screen
    assert "Calibrate with clean water and wear PPE; the product label is the law." in screen


@pytest.mark.parametrize("name", COMMANDS)
def test_every_calibration_has_help_in_80_columns_that_says_its_units(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    screen = done("calibrate", name, "--help")
    assert screen.startswith(f"Usage: rigmon calibrate {name} ")
    assert all(len(line) <= 80 for line in screen.splitlines())
    assert "--json" in screen
    assert "--rig" in screen
    assert re.search(r"gal/min|mph|psi|pulses/L|kPa", screen)
    subcommand = group.get_command(click.Context(group), name)
    assert subcommand is not None
    for option in subcommand.params:
        if isinstance(option, click.Option):
            about = option.help or ""
            assert about.endswith((".", "]", "(the default).")), (name, option.name)
            if option.metavar == "QUANTITY":
                assert re.search(r"such as '[\d.:]+ ?[^']*'", about), (name, option.name)
            elif option.type.name == "float":
                assert "%" in about or "seconds" in about, (name, option.name)


# -- catch -------------------------------------------------------------------------------------------------


def test_a_catch_test_in_us_units(folder: Path) -> None:
    """Mean of 11.9 fl oz ... all hand-worked: the volumes add to 153.3 fl oz; x 2 / 128 = 2.395 gal/min."""
    out = done(*CATCH, "--volumes", TWELVE, cwd=folder)
    assert "  1    0.200" in out
    assert "Whole boom at 40.0 psi: 2.40 gal/min +-" in out
    assert "Recorded: " in out
    assert "calibrate apply '" in out


def test_the_same_catch_test_in_metric_units(folder: Path) -> None:
    """153.3 fl oz x 29.5735 mL x 2 = 9.067 L/min; 40 psi = 275.8 kPa."""
    out = done(*CATCH, "--volumes", TWELVE, "--units", "metric", cwd=folder)
    assert "Whole boom at 276 kPa: 9.07 L/min +-" in out
    assert "gal" not in out.partition("Recorded")[0]


def test_catch_test_as_json_has_units_types_of_uncertainty_and_the_record(folder: Path) -> None:
    result = as_json(*CATCH, "--volumes", TWELVE, "--note", "dry morning", "--name", "spring", cwd=folder)
    assert result["result"]["boom_flow_l_min"] == pytest.approx(153.3 * 29.5735295625e-3 * 2, rel=1e-9)
    assert result["result"]["pressure_kpa"] == pytest.approx(40 * 6.894757293168)
    assert {part["kind"] for part in result["uncertainty"]["components"]} <= {"A", "B"}
    with Book(folder / "calibration.sqlite") as book:
        record = book.get(result["record"])
    assert record.inputs["note"] == "dry morning"
    assert record.subject == record.nozzle_set == "flat fan 02"
    assert record.result["boom_flow_l_min"] == result["result"]["boom_flow_l_min"]
    assert result["book"] == "calibration.sqlite"
    assert "spring" in done("calibrate", "list", "spring", cwd=folder)


def test_a_csv_file_gives_the_same(folder: Path) -> None:
    (folder / "catch.csv").write_text(
        "# by hand\nnozzle,volume_fl_oz,time [s]\n"
        + "".join(f"{n},{v.strip().removesuffix(' oz')},30\n" for n, v in enumerate(TWELVE.split(","), 1))
    )
    (folder / "other.csv").write_text(
        "﻿Nozzle;Volume;Time\n"
        + "".join(
            f"{n};{v.strip()};{'30 s' if n == 1 else '30'}\n" for n, v in enumerate(TWELVE.split(","), 1)
        )
    )
    straight = as_json(*CATCH, "--volumes", TWELVE, "--dry-run", cwd=folder)
    for name in ("catch.csv", "other.csv"):
        assert (
            as_json("calibrate", "catch", "--pressure", "40 psi", "--from", name, "--dry-run", cwd=folder)
            == straight
        )


def test_repeats_and_single_times_count(folder: Path) -> None:
    result = as_json(*CATCH, "--volumes", "1=12.8 oz, 1=12.7, 2=13.2 in 31 s, skip", cwd=folder)
    assert result["inputs"]["catches"][2]["time_s"] == 31
    assert [n["catches"] for n in result["result"]["nozzles"]] == [2, 1]


def test_a_nozzle_caught_again_joins_the_newest_test(folder: Path) -> None:
    first = as_json(*CATCH, "--volumes", TWELVE.replace("12.6", "6"), cwd=folder)
    assert first["result"]["nozzles"][5]["state"] == "plugged"
    again = as_json("calibrate", "catch", "--nozzle", 6, "--time", "30 s", "--volumes", "12.7 oz", cwd=folder)
    assert again["result"]["nozzles"][5]["state"] == "ok"
    assert again["result"]["nozzles"][5]["replaced"] == 1
    assert again["result"]["complete"]
    with Book(folder / "calibration.sqlite") as book:
        assert book.get(again["record"]).supersedes == first["record"]
        assert book.get(first["record"]).result["nozzles"][5]["state"] == "plugged", "nothing is overwritten"
    assert "at that pressure again" in refused(
        "calibrate",
        "catch",
        "--nozzle",
        6,
        "--pressure",
        "50 psi",
        "--time",
        "30 s",
        "--volumes",
        "12.7 oz",
        naming="50 psi",
        cwd=folder,
    )


def test_limits_can_be_set_and_strict_says_no(folder: Path) -> None:
    volumes = TWELVE.replace("12.6", "11.9")
    assert rigmon(*CATCH, "--volumes", volumes, "--strict", cwd=folder).code == 1
    assert rigmon(*CATCH, "--volumes", volumes, "--strict", "--from-mean", 10, cwd=folder).code == 0


def test_a_nozzle_caught_again_is_judged_as_the_test_that_it_joins(folder: Path) -> None:
    first = as_json(*CATCH, "--volumes", TWELVE, "--from-mean", 8, "--step", "2 mL", "--together", cwd=folder)
    again = ("calibrate", "catch", "--nozzle", 3, "--time", "30 s", "--volumes", "12.7 oz")
    kept = as_json(*again, cwd=folder)["inputs"]
    for name in ("limits", "cylinder_u_l", "timed_together", "pressure_kpa"):
        assert kept[name] == first["inputs"][name]
    assert kept["limits"]["from_mean_pct"] == 8
    changed = as_json(*again, "--from-mean", 6, "--step", "5 mL", cwd=folder)["inputs"]
    assert changed["limits"]["from_mean_pct"] == 6
    assert changed["cylinder_u_l"] == pytest.approx(0.0025 / 3**0.5)  # half a step, rectangular


def test_size_and_colour_are_told_and_shown_units_change_no_figure(folder: Path) -> None:
    """ISO 10625: 02 is yellow (University of Arizona, June 2012). 0.2 gal/min and 0.8 L/min are 1.3 % apart."""
    assert "40.0 psi, size 02 (yellow)" in done(*CATCH, "--volumes", TWELVE, "--dry-run", cwd=folder)
    us, metric = (
        as_json(*CATCH, "--volumes", TWELVE, "--dry-run", "--units", units, cwd=folder)
        for units in ("us", "metric")
    )
    assert (us["nozzle_size"], us["nozzle_colour"]) == ("02", "yellow")
    assert us["inputs"] == metric["inputs"]
    assert us["result"] == metric["result"]


def test_every_limit_of_a_catch_test_can_be_set(folder: Path) -> None:
    """Nozzle 1 gives 6.6 / 12.8 = 52 % of the others, and nozzle 2 gave 4 % more the second time."""
    volumes = "6.6 oz, 12.8, 12.8, 12.8, 12.8, 12.8, 12.8, 12.8, 12.8, 12.8, 12.8, 12.8, 2=13.32"

    def told(*options: object) -> tuple[str, list[str]]:
        result = as_json(*CATCH, "--volumes", volumes, "--dry-run", *options, cwd=folder)
        return result["result"]["nozzles"][0]["state"], [finding["code"] for finding in result["findings"]]

    assert told()[0] == "low"
    assert told("--plugged-below", 60)[0] == "plugged"
    assert told("--from-mean", 60, "--plugged-below", 20)[0] == "ok"
    assert "repeats_scatter" not in told()[1]
    assert "repeats_scatter" in told("--repeats-within", 3)[1]
    assert "--plugged-below = 98 %" in refused(
        *CATCH, "--volumes", volumes, "--plugged-below", 98, naming="--from-mean", cwd=folder
    )


def test_a_boom_that_wants_mending_is_not_offered_to_the_rig_file_without_a_word(folder: Path) -> None:
    assert "\nInto the rig file: " in done(*CATCH, "--volumes", TWELVE, cwd=folder)
    mended_not = TWELVE.replace("12.8 oz", "2.2 oz", 1)
    assert "\nAs it is into the rig file: " in done(*CATCH, "--volumes", mended_not, cwd=folder)


def test_a_dry_run_keeps_nothing(folder: Path) -> None:
    assert "Not recorded" in done(*CATCH, "--volumes", TWELVE, "--dry-run", cwd=folder)
    assert not (folder / "calibration.sqlite").exists()


@pytest.mark.parametrize(
    ("args", "naming", "right"),
    [
        (["--volumes", "148"], "--volumes, item 1", "no unit"),
        (["--volumes", "148 mL, lots"], "--volumes, item 2", "not a number"),
        (["--volumes", "148 mL, 13=150"], "item 2", "nozzles 1 to 12"),
        (["--volumes", ",".join(["12 oz"] * 13)], "item 13", "one more than the 12"),
        (["--volumes", "skip, skip"], "--volumes", "give at least one"),
        (["--volumes", "148 L"], "148 L", "at most"),
        (["--volumes", "148 psi"], "psi", "mL"),
        (["--volumes", "148 mL", "--time", "30"], "--time", "no unit"),
        (["--volumes", "148 mL", "--time", "0.2 s"], "0.2 s", "between 1 s and 3600 s"),
        (["--volumes", "148 mL", "--pressure", "40"], "--pressure", "'20 psi'"),
        (["--volumes", "148 mL", "--pressure", "4000 bar"], "4000 bar", "check number and unit"),
        (["--volumes", "0 mL, 0, 0"], "empty", "boom on"),
        (["--volumes", "148 mL", "--step", "5 psi"], "--step", "unit"),
        (["--volumes", "148 mL", "--from", "x.csv"], "--from", "leave one"),
        (["--from", "missing.csv"], "missing.csv", "CSV"),
        (["--nozzle", "13", "--volumes", "148 mL"], "--nozzle 13", "nozzles 1 to 12"),
        (["--nozzle", "7", "--volumes", "148 mL"], "no catch test", "catch all"),
        (["--volumes", "148 mL", "--from-mean", "0"], "--from-mean", "above zero"),
        (["--volumes", "148 mL", "--date", "yesterday"], "yesterday", "2026-05-30"),
        (["--volumes", "148 mL", "--date", "2026-02-30"], "2026-02-30", "2026-05-30"),
        (["--volumes", "148 mL", "--note", "two\nlines"], "--note", "one line"),
        (["--volumes", "148 mL", "--dry-run", "--apply"], "--apply", "leave one"),
        (["--volumes", "148 mL", "--book", "."], ".", "file"),
        ([], "input ended", "--volumes"),
    ],
)
def test_bad_catches_are_refused_with_what_would_be_right(
    args: list[str], naming: str, right: str, folder: Path
) -> None:
    base = {"--pressure": "40 psi", "--time": "30 s"}
    given = [word for pair in base.items() if pair[0] not in args for word in pair]
    result = rigmon("calibrate", "catch", *given, *args, cwd=folder)
    assert (result.code, result.out) == (2, "")
    assert naming in result.err
    assert right in result.err
    assert not (folder / "calibration.sqlite").exists()


@pytest.mark.parametrize(
    ("text", "naming", "right"),
    [
        ("", "holds nothing", "nozzle: 1"),
        ("nozzle,volume\n", "only column names", "one measurement a line"),
        ("nozzle,volume,colour\n1,2 mL,red\n", "line 1: column 'colour'", "known are"),
        ("nozzle,time\n1,30 s\n", "column 'volume' is missing", "volume: 148 mL"),
        ("nozzle,volume,volume_ml\n1,2,3\n", "there twice", "leave one"),
        ("nozzle,volume,time\n1,148 mL,30 s\nx,148,30\n", "line 3, nozzle = 'x'", "1 to 12"),
        ("nozzle,volume,time\n1,148 mL,30 s\n2,,30\n", "line 3: volume is empty", "148 mL"),
        ("nozzle,volume,time\n1,14,8 mL,30 s\n", "4 cells under 3 columns", "decimal point"),
        ("nozzle,volume,time\n1,148 mL,soon\n", "line 2", "such as '20 s'"),
        ('nozzle,volume,time\n1,"148 mL,30 s\n', "line 2", "quotes"),
        ("nozzle,volume\n1,148 mL\n", "has no time", "give --time"),
        ("nozzle,volume\n1,148\x00 mL\n", "not text", "CSV"),
    ],
)
def test_bad_csv_files_are_refused_by_line(text: str, naming: str, right: str, folder: Path) -> None:
    (folder / "c.csv").write_text(text)
    message = refused(
        "calibrate", "catch", "--pressure", "40 psi", "--from", "c.csv", naming="c.csv", cwd=folder
    )
    assert naming in message
    assert right in message


def test_files_that_are_no_tables_are_refused(folder: Path) -> None:
    (folder / "b.csv").write_bytes(bytes(range(256)))
    (folder / "u.csv").write_text("nozzle,volume\n1,148 mL\n", encoding="utf-16")
    (folder / "l.csv").write_text("x" * 2_000_000)
    for name in ("b.csv", "u.csv", "l.csv", "."):
        refused("calibrate", "catch", "--pressure", "40 psi", "--from", name, naming=name, cwd=folder)


def test_a_rig_without_its_first_catch_test_can_be_calibrated_and_then_runs(folder: Path) -> None:
    rig = folder / "rig.toml"
    text = re.sub(r"\n\[calibration\]\n(?:.*\n)*?\n", "\n", rig.read_text()).replace(
        'source = "xdr"', 'source = "none"'
    )
    rig.write_text(text)
    refused("run", "--rig", "rig.toml", "--for", 0.1, naming="calibration.flow is missing", cwd=folder)
    assert "do a catch test" in done("plan", cwd=folder)
    done(*CATCH, "--volumes", TWELVE, "--apply", cwd=folder)
    assert 'flow = "2.39531 gal/min"' in rig.read_text()  # 153.3 x 2 / 128
    assert rigmon("run", "--rig", "rig.toml", "--for", 0.1, "--no-log", "--json", cwd=folder).code == 0


def test_the_run_log_carries_the_records_that_the_rig_was_calibrated_with(folder: Path) -> None:
    done(*CATCH, "--volumes", TWELVE, "--apply", cwd=folder)
    ended = rigmon("run", "--rig", "rig.toml", "--for", 0.1, "--log", "a.sqlite", "--json", cwd=folder)
    assert (ended.code, "will not carry" in ended.err) == (0, False)
    with RunLog.open(folder / "a.sqlite") as log:
        (record,) = calibration_records(log)
    assert (record["kind"], record["name"][-7:]) == ("catch", "catch 1")
    (folder / "calibration.sqlite").unlink()
    ended = rigmon("run", "--rig", "rig.toml", "--for", 0.1, "--log", "b.sqlite", "--json", cwd=folder)
    assert ended.code == 0
    assert f"the run log will not carry {record['name']}" in ended.err


# -- course --------------------------------------------------------------------------------------------------


def test_a_course_by_stopwatch_in_both_unit_systems(folder: Path) -> None:
    """NC State Extension's way: mean time. (39.1 + 39.4) / 2 = 39.25 and (38.7 + 38.9) / 2 = 38.8; 60.96 m / 39.025 s
    = 1.5621 m/s = 3.494 mph = 5.623 km/h, hand-worked."""
    course = [
        "calibrate",
        "course",
        "--distance",
        "200 ft",
        "--times",
        "39.1 s out, 38.7 back, 0:39.4 out, 38.9 back",
    ]
    assert "Speed by stopwatch: 3.49 mph" in done(*course, cwd=folder)
    assert "Speed by stopwatch: 5.62 km/h" in done(*course, "--units", "metric", cwd=folder)
    result = as_json(*course, cwd=folder)
    assert result["result"]["speed_m_s"] == pytest.approx(60.96 / 39.025)
    assert result["inputs"]["length_m"] == pytest.approx(60.96)
    (folder / "t.csv").write_text("time_s,direction\n39.1,out\n38.7,back\n39.4,out\n38.9,back\n")
    table = as_json("calibrate", "course", "--distance", "200 ft", "--from", "t.csv", cwd=folder)
    assert table["result"] == result["result"]


def test_a_course_from_a_recording_and_both_compared(folder: Path, made: Made) -> None:
    """The recording is simulated at the rig's 3.5 mph = 1.5646 m/s."""
    gps = as_json("calibrate", "course", "--from-gps", made.recording, "--dry-run", cwd=folder)
    assert gps["result"]["source"] == "gps"
    assert gps["result"]["speed_m_s"] == pytest.approx(1.5646, rel=0.02)
    by_log = as_json("calibrate", "course", "--from-gps", made.log, "--dry-run", cwd=folder)
    assert by_log["result"] == gps["result"]
    both = ["calibrate", "course", "--from-gps", made.recording, "--distance", "60.96 m"]
    agreeing = as_json(*both, "--times", "39 s out, 38.9 back, 39.1 out", cwd=folder)
    assert agreeing["comparison"]["agrees"]
    assert agreeing["gps"]["result"] == gps["result"]
    off = rigmon(*both, "--times", "30 s out, 30.1 back, 29.9 out", "--strict", cwd=folder)
    assert off.code == 1
    assert "They do not agree" in " ".join(off.out.split())
    picked = as_json(
        "calibrate", "course", "--from-gps", made.recording, "--gps-passes", "1", "--dry-run", cwd=folder
    )
    assert len(picked["result"]["passes"]) == 1


@pytest.mark.parametrize(
    ("args", "naming", "right"),
    [
        (["--distance", "200", "--times", "39 s"], "--distance", "unit"),
        (["--distance", "200 ft", "--times", "39"], "--times, item 1", "unit"),
        (["--distance", "200 ft", "--times", "39 s sideways"], "item 1", "sideways"),
        (["--distance", "200 ft", "--times", "1 s"], "pass 1", "check length and time"),
        (["--distance", "2 in", "--times", "39 s"], "2 in", "check number and unit"),
        (["--distance", "200 ft", "--times", "39 s", "--from", "x"], "--from", "leave one"),
        (["--from-gps", "missing.nmea"], "missing.nmea", "not there"),
        (["--gps-passes", "1"], "--gps-passes", "--from-gps"),
        (["--distance", "200 ft", "--times", "39 s", "--apply"], "--apply", "sets nothing"),
        (["--distance", "200 ft"], "Pass 1", "--times"),
    ],
)
def test_bad_courses_are_refused(args: list[str], naming: str, right: str, folder: Path) -> None:
    result = rigmon("calibrate", "course", *args, cwd=folder)
    assert (result.code, result.out) == (2, "")
    assert naming in result.err
    assert right in result.err


def test_a_recording_without_a_steady_pass_is_refused(folder: Path, made: Made) -> None:
    lines = made.recording.read_bytes().splitlines(keepends=True)[:100]
    (folder / "short.nmea").write_bytes(b"".join(lines))
    refused("calibrate", "course", "--from-gps", "short.nmea", naming="no steady pass", cwd=folder)
    refused(
        "calibrate",
        "course",
        "--from-gps",
        "short.nmea",
        "--gps-passes",
        1,
        naming="no steady pass",
        cwd=folder,
    )
    refused(
        "calibrate", "course", "--from-gps", made.recording, "--gps-passes", "99", naming="'99'", cwd=folder
    )


# -- target --------------------------------------------------------------------------------------------------


def test_what_is_not_given_comes_from_the_rig(folder: Path) -> None:
    """K2: MPH = 495 GPM / (GPA ft) = 495 x 2.4 / (17 x 20) = 3.494 (published constant 495: Mesa County, seen)."""
    result = as_json("calibrate", "target", "--dry-run", cwd=folder)
    assert result["inputs"]["given"] == ["rate", "pressure"]
    assert result["result"]["holding_speed_m_s"] == pytest.approx(495 * 2.4 / (17 * 20) * 0.44704)


@pytest.mark.parametrize(
    ("args", "key", "value"),
    [
        # GPA = 495 GPM / (MPH ft)
        (["--speed", "4 mph", "--flow", "2.4 gal/min"], "rate_l_ha", 495 * 2.4 / (4 * 20) * 9.353956),
        (["--rate", "20 gal/ac", "--flow", "2.4 gal/min"], "speed_m_s", 495 * 2.4 / (20 * 20) * 0.44704),
        (["--rate", "20 gal/ac", "--speed", "4 mph"], "flow_l_min", 20 * 4 * 20 / 495 * 3.785412),
        # pressure by the square-root law (published: core manual, double flow is 4 x pressure)
        (["--flow", "4.8 gal/min"], "pressure_kpa", 4 * 40 * 6.894757),
        # L/ha = 600 L/min / (km/h m), K8, Irish advisory note, seen: 600 x 9 / (6 x 5) = 180
        (
            ["--speed", "6 km/h", "--flow", "9 L/min", "--swath", "5 m", "--units", "metric"],
            "rate_l_ha",
            180.0,
        ),
    ],
)
def test_any_one_unknown(args: list[str], key: str, value: float, folder: Path) -> None:
    result = as_json("calibrate", "target", *args, "--dry-run", cwd=folder)
    assert result["result"][key] == pytest.approx(value, rel=1e-5)


def test_density_and_both_unit_systems(folder: Path) -> None:
    """UNL CropWatch, 2016, seen: 20 gal/ac of 10.65 lb/gal is 22.6 in water."""
    args = [
        "calibrate",
        "target",
        "--rate",
        "20 gal/ac",
        "--speed",
        "4 mph",
        "--density",
        "10.65 lb/gal",
        "--dry-run",
    ]
    assert "for 22.6 gal/ac" in " ".join(done(*args, cwd=folder).split())
    out = done(*args, "--units", "metric", cwd=folder)
    assert "km/h" in out
    assert "mph" not in out


def test_cross_checks_say_whether_they_agree(folder: Path) -> None:
    """Refill: 218 ft x 20 ft = 1/10 ac; 1.7 gal are 17 gal/ac. 1/128 acre: 17 fl oz are 17 gal/ac."""
    checks = [
        "--refill",
        "1.7 gal, 1.72",
        "--refill-distance",
        "217.8 ft",
        "--caught",
        "17 oz, 16.9, 17.1",
        "--drive-time",
        "39.8 s",
    ]
    result = as_json("calibrate", "target", *checks, cwd=folder)
    refill, ounces = result["cross_checks"]
    assert refill["result"]["rate_l_ha"] == pytest.approx(17.1 * 9.353956, rel=1e-3)
    assert ounces["result"]["rate_l_ha"] == pytest.approx(17.0 * 9.353956, rel=1e-3)
    assert refill["result"]["agrees"]
    assert ounces["result"]["agrees"]
    with Book(folder / "calibration.sqlite") as book:
        assert len(book.get(result["record"]).result["cross_checks"]) == 2
    off = rigmon(
        "calibrate",
        "target",
        "--refill",
        "3 gal, 3.1",
        "--refill-distance",
        "217.8 ft",
        "--strict",
        cwd=folder,
    )
    assert off.code == 1
    assert "they do not agree" in " ".join(off.out.split())


@pytest.mark.parametrize(
    ("args", "naming", "right"),
    [
        (["--rate", "20"], "--rate", "unit"),
        (["--rate", "20 gal/min"], "--rate", "gal/ac"),
        (["--speed", "0 mph"], "0 mph", "above zero"),
        (["--refill", "4 gal"], "--refill needs", "--refill-distance"),
        (["--drive-time", "39 s"], "--drive-time needs", "--caught"),
        (["--drive-distance", "39 ft"], "--drive-distance", "--caught"),
        (["--tolerance", "0"], "tolerance", "above 0"),
        (["--density", "10 kg/L"], "density", "2.5"),
        (
            ["--rate", "20 gal/ac", "--speed", "4 mph", "--flow", "9 gal/min"],
            "cannot all be",
            "leave one out",
        ),
    ],
)
def test_bad_targets_are_refused(args: list[str], naming: str, right: str, folder: Path) -> None:
    message = refused("calibrate", "target", *args, naming=naming, cwd=folder)
    assert right in message


# -- pace ----------------------------------------------------------------------------------------------------


def test_pace_in_both_unit_systems(folder: Path) -> None:
    """100 ft in 40 steps: 2.5 ft. 495 x 0.36 / (17 x 3) = 3.494 mph = 307.5 ft/min; / 2.5 = 123.0 steps a minute,
    hand-worked."""
    pace = [
        "calibrate",
        "pace",
        "--steps",
        40,
        "--distance",
        "100 ft",
        "--flow",
        "0.36 gal/min",
        "--swath",
        "3 ft",
    ]
    out = done(*pace, cwd=folder)
    assert "Walk 123 steps a minute" in out
    assert "3.49 mph" in out
    assert "5.62 km/h" in done(*pace, "--units", "metric", cwd=folder)
    assert as_json(*pace, cwd=folder)["result"]["steps_per_min"] == pytest.approx(123.0, abs=0.05)


def test_a_beat_of_the_newest_pace(folder: Path) -> None:
    """The lateness itself is a speed claim; that it is measured is not."""
    refused("calibrate", "pace", "--last", "--beat", naming="holds no pace", cwd=folder)
    done(
        "calibrate",
        "pace",
        "--steps",
        40,
        "--distance",
        "100 ft",
        "--flow",
        "0.36 gal/min",
        "--swath",
        "3 ft",
        cwd=folder,
    )
    result = rigmon("calibrate", "pace", "--last", "--beat", "--for", 1.2, "--json", cwd=folder)
    assert result.code == 0
    beat = json.loads(result.out)["beat"]
    assert beat["beats"] == 3  # at 0, 0.488 and 0.976 s
    assert set(beat) >= {"lasted_s", "mean_ms", "max_ms", "drift_ms_per_min"}
    assert result.err.count("\a") == 3


@pytest.mark.parametrize(
    ("args", "naming", "right"),
    [
        (["--steps", "40", "--distance", "100"], "--distance", "unit"),
        (["--steps", "4.5", "--distance", "100 ft"], "--steps", "whole number"),
        (["--steps", "4", "--distance", "100 ft"], "step of", "check the distance"),
        (["--last"], "--last", "--beat"),
        (["--last", "--beat", "--steps", "3"], "--steps", "--last"),
        (["--pin", "17"], "--pin", "--beat"),
        (["--beat", "--for", "0"], "--for", "above 0"),
        (["--steps", "40", "--distance", "100 ft", "--apply"], "--apply", "sets nothing"),
    ],
)
def test_bad_paces_are_refused(args: list[str], naming: str, right: str, folder: Path) -> None:
    message = refused("calibrate", "pace", *args, naming=naming, cwd=folder)
    assert right in message


# -- sensors -------------------------------------------------------------------------------------------------


def test_flowmeter_runs_from_options_and_files(folder: Path) -> None:
    """Pulses / litres, hand-worked: 1210 / 2.7 = 448.15, 1208 / 2.69 = 449.07, 900 / 2 = 450; mean 449.07."""
    runs = ["--run", "1210 pulses, 2.7 L, 31 s", "--run", "1208, 2.69, 31.2", "--run", "900, 2, 25"]
    out = done("calibrate", "flowmeter", *runs, cwd=folder)
    assert "449.07 pulses per litre" in out
    assert "gal/min" in out
    assert "L/min" in done("calibrate", "flowmeter", *runs, "--units", "metric", cwd=folder)
    (folder / "f.csv").write_text("pulses,volume_l,time_s\n1210,2.7,31\n1208,2.69,31.2\n900,2,25\n")
    table = as_json("calibrate", "flowmeter", "--from", "f.csv", cwd=folder)
    assert table["result"]["pulses_per_l"] == pytest.approx((1210 / 2.7 + 1208 / 2.69 + 450) / 3)
    stated = as_json(
        "calibrate",
        "flowmeter",
        "--run",
        "2.6 L, 2.678 L",
        "--run",
        "2.6, 2.678",
        "--run",
        "2.6, 2.678",
        cwd=folder,
    )
    assert stated["result"]["factor"] == pytest.approx(1.03)


def test_water_may_be_weighed(folder: Path) -> None:
    """2.7 L of water at 20 C weigh 2.695 kg (0.9982 kg/L, from memory)."""
    runs = [word for _ in range(3) for word in ("--run", "1210 pulses, 2.69514 kg, 31 s")]
    assert as_json("calibrate", "flowmeter", *runs, cwd=folder)["result"]["pulses_per_l"] == pytest.approx(
        1210 / 2.7
    )


def test_transducer_points_from_options_and_files(folder: Path) -> None:
    """Stated 2 % high with 3 kPa of offset; counts from 102 at zero by 2.46 a kPa, of a 10-bit converter."""
    points = [
        "--point",
        "0 kPa = 3 kPa",
        "--point",
        "200 = 207",
        "--point",
        "400 = 411",
        "--point",
        "200 = 207",
    ]
    result = as_json("calibrate", "transducer", *points, cwd=folder)
    assert result["result"]["gain"] == pytest.approx(1.02)
    assert result["result"]["offset_kpa"] == pytest.approx(3.0)
    assert " psi" in done("calibrate", "transducer", *points, cwd=folder)
    assert " kPa" in done("calibrate", "transducer", *points, "--units", "metric", cwd=folder)
    (folder / "t.csv").write_text("pressure_kpa,counts,direction\n0,102,\n100,348,up\n200,594,up\n")
    table = as_json(
        "calibrate", "transducer", "--from", "t.csv", "--gauge-class", 1, "--gauge-span", "6 bar", cwd=folder
    )
    assert table["result"]["zero_fraction"] == pytest.approx(102 / 1024)
    # EN 837-1 as seen: class 1.0 on a 6-bar span is +-0.06 bar; a / sqrt(3), JCGM 100, 4.3.7
    assert table["inputs"]["gauge_u_kpa"] == pytest.approx(6 / 3**0.5)


@pytest.mark.parametrize(
    ("args", "naming", "right"),
    [
        (["flowmeter", "--run", "1210 pulses"], "--run 1", "two or three parts"),
        (["flowmeter", "--run", "1210 pulses, 2.7"], "--run 1", "unit"),
        (["flowmeter", "--run", "1210 pulses, 2.7 L"], "one run", "at least 2"),
        (["flowmeter", "--run", "1210, 2.7 L", "--run", "2.6 L, 2.7 L"], "some runs", "one way"),
        (["flowmeter", "--run", "1210, 2.7 L", "--run", "800, 2.7 L"], "differ by", "do it again"),
        (["flowmeter", "--live", "--run", "1, 2 L"], "--live", "leave one"),
        (["flowmeter", "--from", "none.csv"], "none.csv", "CSV"),
        (["transducer", "--point", "40 psi"], "--point 1", "gauge = reading"),
        (["transducer", "--point", "40 psi = 2.7 bar"], "one point", "at least 2"),
        (
            ["transducer", "--point", "0 psi = 0 kPa", "--point", "40 = 9000 kPa"],
            "no sound transducer",
            "check",
        ),
        (
            ["transducer", "--point", "0 psi = 512 counts", "--point", "40 = 511 counts"],
            "does not rise",
            "wiring",
        ),
        (["transducer", "--gauge-class", "1"], "--gauge-class", "--gauge-span"),
        (["transducer", "--gauge-class", "0", "--gauge-span", "10 bar"], "--gauge-class", "1.6"),
        (["transducer", "--average", "1 h", "--live"], "--average", "check number"),
    ],
)
def test_bad_sensor_calibrations_are_refused(args: list[str], naming: str, right: str, folder: Path) -> None:
    message = refused("calibrate", *args, naming=naming, cwd=folder)
    assert right in message


def test_live_needs_a_fitted_sensor(folder: Path) -> None:
    rig = folder / "rig.toml"
    rig.write_text(rig.read_text().replace('source = "xdr"', 'source = "none"'))
    for kind in ("flowmeter", "transducer"):
        refused("calibrate", kind, "--live", naming='source = "none"', cwd=folder)


# -- the book ------------------------------------------------------------------------------------------------


def catch_on(folder: Path, day: str, factor: float) -> str:
    volumes = ", ".join(f"{12.8 * (factor if n == 3 else 1):.3f} oz" for n in range(1, 13))
    name: str = as_json(*CATCH, "--date", day, "--volumes", volumes, cwd=folder)["record"]
    return name


def test_list_history_and_apply(folder: Path) -> None:
    names = [
        catch_on(folder, "2026-05-01", 1.0),
        catch_on(folder, "2026-06-01", 1.02),
        catch_on(folder, "2026-07-01", 1.04),
    ]
    assert names == ["2026-05-01 catch 1", "2026-06-01 catch 1", "2026-07-01 catch 1"]
    listed = done("calibrate", "list", cwd=folder)
    assert [line[:18] for line in listed.splitlines() if "catch" in line] == names
    assert listed.count("(superseded)") == 2
    assert [record["name"] for record in as_json("calibrate", "list", cwd=folder)] == names
    history = done("calibrate", "history", cwd=folder)
    assert re.search(r"\n +3 +0\.200 +0\.204 +0\.208 +\+4\.0%", history)
    assert "Most: nozzle 3, +4.0 % in 61 days" in history
    assert "0.757" in done("calibrate", "history", "catch", "--units", "metric", cwd=folder)
    (third,) = (d for d in as_json("calibrate", "history", cwd=folder) if d["what"] == "nozzle 3")
    assert third["change_pct"] == pytest.approx(4.0)
    assert third["unit"] == "L/min"

    before = (folder / "rig.toml").read_text()
    changed = done("calibrate", "apply", names[2], cwd=folder)
    assert "calibration.flow: 2.4 gal/min -> " in changed
    assert "calibration.record: not set -> 2026-07-01 catch 1" in changed
    after = (folder / "rig.toml").read_text()
    assert (folder / "rig.toml.bak").read_text() == before
    assert [line for line in after.splitlines() if line.startswith("#")][:8] == [
        line for line in before.splitlines() if line.startswith("#")
    ][:8]
    assert "nothing changed" in done("calibrate", "apply", names[2], cwd=folder)
    assert as_json("calibrate", "apply", names[0], cwd=folder)["changes"]


def test_a_transducers_slope_is_shown_in_the_readers_units(folder: Path) -> None:
    """0 to 60 psi: 0.1 to 0.4 is 0.5 of full scale per 100 psi; 100 psi are 0.689476 MPa: 0.7252 per MPa."""
    rig = folder / "rig.toml"
    rig.write_text(rig.read_text().replace('[pressure]\nsource = "xdr"', '[pressure]\nsource = "none"'))
    for day in ("2026-03-01", "2026-04-01"):
        done(
            "calibrate", "transducer", "--date", day, "--point", "0 psi = 0.1", "--point", "30 psi = 0.25",
            "--point", "60 psi = 0.4", cwd=folder,
        )  # fmt: skip
    assert "slope/100 psi 0.5000 0.5000" in done("calibrate", "history", "transducer", cwd=folder)
    metric = done("calibrate", "history", "transducer", "--units", "metric", cwd=folder)
    assert "slope/MPa 0.7252 0.7252" in metric


def test_history_fits_40_columns_with_the_newest_records(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for month in range(1, 10):
        catch_on(folder, f"2026-0{month}-01", 1 + month / 100)
    monkeypatch.setenv("COLUMNS", "40")
    for command in ("history", "list"):
        for line in done("calibrate", command, cwd=folder).splitlines():
            assert len(line) <= 40, line
    history = done("calibrate", "history", cwd=folder)
    assert "01-01" in history
    assert "09-01" in history


def test_apply_with_a_result_that_the_rig_file_cannot_take(folder: Path) -> None:
    """The record is kept, the rig file is as it was, and the reason is told."""
    before = (folder / "rig.toml").read_text()
    result = rigmon(*CATCH, "--volumes", "12.8 oz, 12.8", "--apply", cwd=folder)
    assert result.code == 2
    assert "Whole boom" in result.out
    assert "the record is kept, but not copied" in result.err
    assert (folder / "rig.toml").read_text() == before
    assert len(as_json("calibrate", "list", cwd=folder)) == 1


def test_an_empty_book_says_so(folder: Path) -> None:
    assert "No records of Creek rig" in done("calibrate", "list", cwd=folder)
    assert "Nothing to compare yet" in done("calibrate", "history", cwd=folder)
    refused("calibrate", "apply", "2026-05-01 catch 1", naming="2026-05-01 catch 1", cwd=folder)
    refused("calibrate", "list", "nothing", naming="'nothing'", cwd=folder)
    assert as_json("calibrate", "history", cwd=folder) == []


@pytest.mark.parametrize("name", [*COMMANDS, "mix", "plan"])
def test_a_broken_book_or_rig_file_is_refused_by_every_command(
    name: str, folder: Path, tmp_path: Path
) -> None:
    extra = {
        "catch": ["--pressure", "40 psi", "--volumes", "12.8 oz in 30 s"],
        "course": ["--distance", "200 ft", "--times", "39 s, 39"],
        "pace": ["--steps", "40", "--distance", "100 ft", "--swath", "3 ft", "--flow", "0.36 gal/min"],
        "flowmeter": ["--run", "1210, 2.7 L", "--run", "1210, 2.7 L"],
        "transducer": ["--point", "0 psi = 0 psi", "--point", "40 psi = 40 psi"],
        "apply": ["2026-05-01 catch 1"],
        "mix": ["--tank", "25 gal", "--product", "A = 1 pt/ac"],
    }.get(name, [])
    command = [name] if name in ("mix", "plan") else ["calibrate", name]
    if name != "mix":
        (folder / "calibration.sqlite").write_bytes(b"no book at all, but long enough to be looked at" * 40)
        result = rigmon(*command, *extra, cwd=folder)
        assert result.code == 2
        assert "not a calibration book" in result.err
        assert "Traceback" not in result.err
        refused(*command, *extra, naming="no rig file: give --rig FILE", cwd=tmp_path / "..")
    (folder / "rig.toml").write_text("[rig]\nname = 3\n")
    refused(*command, *extra, naming="rig.toml: rig.name = 3", cwd=folder)


def test_every_number_in_json_has_a_unit_in_its_key(folder: Path) -> None:
    """What has none is counted, named, true or false, or has its unit beside it."""
    free = re.compile(
        r"_(l|m|s|ms|pct|l_min|m_s|kpa|l_ha|m2|per_l|per_min|kg_l|count|fraction|m2_per_s|min_m_s)$|_(low|high)_m_s$|u_(l|s|pct|kpa|m)$"
    )
    counted = {
        "nozzle", "round", "catches", "replaced", "repeat_dof", "dof", "effective_dof", "coverage_factor", "u", "sensitivity",
        "contribution", "value", "combined", "expanded", "missing", "sound", "steps", "run", "pulses", "factor", "point", "bits",
        "t", "t_limit", "gain", "reading", "min_passes", "advised_passes", "slope_pct_per_l_min", "edge_pulses", "counts_sd", "supply_sd",
        "counts", "supply_counts", "fraction", "given", "implied", "steps_per_min", "steps_low_per_min", "steps_high_per_min",
        "seconds_per_step", "min_volume_l", "min_time_s",
    }  # fmt: skip
    for args in (
        ["catch", "--pressure", "40 psi", "--time", "30 s", "--volumes", TWELVE],
        ["course", "--distance", "200 ft", "--times", "39 s out, 39.2 back"],
        ["target", "--refill", "1.7 gal", "--refill-distance", "218 ft"],
        ["pace", "--steps", "40", "--distance", "100 ft", "--swath", "3 ft", "--flow", "0.36 gal/min"],
        ["flowmeter", "--run", "1210, 2.7 L, 30 s", "--run", "1210, 2.7, 31", "--run", "1215, 2.7, 60"],
        ["transducer", "--point", "0 psi = 0 psi", "--point", "20 = 20", "--point", "40 = 41 psi"],
    ):
        result = as_json("calibrate", *args, "--dry-run", cwd=folder)

        def numbers(value: Any, key: str = "") -> Iterator[str]:
            if isinstance(value, dict):
                for name, inner in value.items():
                    yield from numbers(inner, name)
            elif isinstance(value, list):
                for inner in value:
                    yield from numbers(inner, key)
            elif isinstance(value, int | float) and not isinstance(value, bool):
                yield key

        bare = {key for key in numbers(result) if not free.search(key)} - counted
        assert not bare, (args[0], bare)


def test_the_program_starts_the_group_without_the_parts_that_work() -> None:
    code = (
        "import sys; import rigmon.cli.calibrate.catch; "
        "print(*(m for m in ('sqlite_utils', 'tomlkit', 'numpy', 'serial', 'rigmon.calibration.catch') if m in sys.modules))"
    )
    done_ = subprocess.run(
        [INSTALLED.with_name("python"), "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    assert done_.stdout.strip() == ""
