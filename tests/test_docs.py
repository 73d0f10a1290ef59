"""What the documents say is so: commands, alerts, quick start, JSON, links, the table of the house."""

import io
import json
import re
import sqlite3
from contextlib import redirect_stdout
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from helpers.faulty import faulty_log

from rigmon import config, units
from rigmon.cli import COMMANDS, group
from rigmon.cli.calibrate import COMMANDS as CALIBRATIONS
from rigmon.config import ALERT_CODES
from rigmon.core import rate
from rigmon.core.diagnosis import odds
from rigmon.core.nmea import Decoder, Transducers
from rigmon.edge.feedback import alert_line, driver_line
from rigmon.log.schema import DDL
from rigmon.model import Alert, Basis, Sample
from rigmon.words import DIAGNOSES

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
#: of the project, not of what is installed or built below it
DOCUMENTS = sorted(
    path
    for pattern in ("*.md", "*/*.md", "rigmon/**/*.md", "tests/**/*.md")
    for path in ROOT.glob(pattern)
    if not any(part.startswith(".") for part in path.relative_to(ROOT).parts)
)


def table(text: str, heading: str) -> list[list[str]]:
    """The rows of the Markdown table whose first cell in the head is `heading`, without head and rule."""
    start = text.index(f"\n| {heading} |")
    block = text[start + 1 :].partition("\n\n")[0]
    return [[cell.strip() for cell in line.strip("| ").split(" | ")] for line in block.splitlines()[2:]]


def code_lines(text: str) -> list[str]:
    """The lines of indented code blocks."""
    return [line[4:] for line in text.splitlines() if line.startswith("    ")]


# -- README: commands ---------------------------------------------------------------------------------------


def test_every_command_is_in_the_table_and_has_help() -> None:
    named = [re.match(r"`rigmon (\w+)", row[0]) for row in table(README, "command")]
    assert sorted(match[1] for match in named if match) == sorted(COMMANDS)
    for name in COMMANDS:
        result = CliRunner().invoke(group, [name, "--help"])
        assert result.exit_code == 0
        assert result.output.startswith("Usage: ")
        assert len(result.output.splitlines()) > 5


COMMAND = re.compile(r"`?(?:rigmon )?(calibrate \w+|(?<=rigmon )\w+)")


def check_options(text: str, match: re.Match[str]) -> None:
    screen = CliRunner().invoke(group, [*match[1].split(), "--help"]).output
    for option in re.findall(r"(?<![\w-])-(?:-[a-z-]+|o\b)", text):
        assert option in screen, f"{match[1]} has no {option}"


def test_every_option_in_the_documents_is_one_of_the_commands() -> None:
    for row in (*table(README, "command"), *table(README, "calibration")):
        match = COMMAND.match(row[0])
        assert match is not None
        check_options(" ".join(row), match)
    for line in (line for path in DOCUMENTS for line in code_lines(path.read_text(encoding="utf-8"))):
        match = COMMAND.match(line) if line.startswith("rigmon ") else None
        if match:
            check_options(line, match)


def test_every_calibration_is_in_its_table() -> None:
    named = [re.match(r"`calibrate (\w+)`", row[0]) for row in table(README, "calibration")]
    assert sorted(match[1] for match in named if match) == sorted(CALIBRATIONS)


def test_the_quick_start_is_two_commands_that_do_all_their_set_up() -> None:
    quick_start = README.partition("## Quick start")[2].partition("\n## ")[0]
    assert code_lines(quick_start) == [
        "python3 -m venv .venv && .venv/bin/pip install -q -e . && .venv/bin/rigmon demo",
        "python3 -m venv .venv && .venv/bin/pip install -q -e '.[dev]' && .venv/bin/python -m pytest -n 2",
    ]
    assert README.index("## Quick start") < min(
        README.index(f"\n## {other}") for other in ("On your rig", "Commands")
    )


def test_ci_runs_the_tests_by_the_readmes_own_command() -> None:
    """It takes the command out of the README; the expression it does that with must find the whole of it."""
    script = ROOT / ".ci" / "run"
    if not script.exists():
        pytest.skip("no .ci/run beside the tests: this is not a clone")
    text = script.read_text(encoding="utf-8")
    expression = re.search(r're\.search\(r"(.+?)", open\("README\.md"', text)
    assert expression is not None
    found = re.search(expression[1], README)
    assert found is not None
    (line,) = (line for line in code_lines(README) if "pytest" in line)
    assert line.endswith(f"/{found[1].strip()}")
    assert 'eval "$venv/$tests"' in text


def test_the_python_versions_are_those_of_the_package() -> None:
    asked = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    assert 'requires-python = ">=3.11,<3.14"' in asked
    assert "Python 3.11 to 3.13" in README


# -- README: what the driver sees ---------------------------------------------------------------------------

EXAMPLE = config.parse(config.template(), "template")


def test_every_alert_is_in_the_table_with_the_drivers_words() -> None:
    rows = {row[0].strip("`"): row[1:] for row in table(README, "alert")}
    assert sorted(rows) == sorted(ALERT_CODES)
    for code, (words, when) in rows.items():
        assert alert_line(Alert(0, code, True, None, None, ""), EXAMPLE, "0:00:00").endswith(f"ALERT {words}")
        assert when


def sample(speed_mph: float, flow_gal_min: float) -> Sample:
    """Boom on, flow by the meter."""
    speed_m_s = units.parse(f"{speed_mph} mph", "speed")
    flow_l_min = units.parse(f"{flow_gal_min} gal/min", "flow")
    rate_l_ha = rate.application_rate_l_ha(flow_l_min, speed_m_s, EXAMPLE.swath_m)
    return Sample(
        t_ns=0, dt_ns=200_000_000, lat_deg=None, lon_deg=None, track_deg=None, speed_m_s=speed_m_s,
        speed_sd_m_s=0.04, flow_l_min=flow_l_min, pressure_kpa=None, boom_on=1, rate_l_ha=rate_l_ha,
        rate_u_pct=None, basis=Basis.FLOWMETER, distance_m=None, area_m2=None, volume_l=None, flags=0,
    )  # fmt: skip


def test_the_drivers_lines_are_real_ones() -> None:
    """Hand-worked by GPA = 5940 GPM / (MPH x in) per nozzle: 2.38 / 12 x 5940 / (3.5 x 20) = 16.83;
    2.37 / 12 x 5940 / (2.8 x 20) = 20.95.
    """
    shown = code_lines(README.partition("## What the driver sees")[2].partition("\n## ")[0])
    assert shown == [
        driver_line(sample(3.5, 2.38), EXAMPLE, [], "0:01:10"),
        driver_line(sample(2.8, 2.37), EXAMPLE, ["speed_slow"], "0:01:24"),
        driver_line(sample(3.5, 2.38), replace(EXAMPLE, units="metric"), [], "0:01:10"),
    ]
    assert "16.8 gal/ac" in shown[0]
    assert "20.9 gal/ac" in shown[1]


def test_the_band_in_the_text_follows_from_the_rate_equation() -> None:
    """Rate goes with 1 / speed: +-10 % on rate is 1 / 1.1 - 1 = -9.1 % .. 1 / 0.9 - 1 = +11.1 % on speed."""
    low, high = rate.speed_band_m_s(1.0, 10)
    assert f"{100 * (low - 1):+.1f} % .. {100 * (high - 1):+.1f} %" in README


# -- README: inputs, JSON, run log ---------------------------------------------------------------------------


def test_the_sample_sentence_decodes_to_what_the_text_says() -> None:
    """Hand-worked: 2.7446 bar / 0.0689476 = 39.8 psi; 0.15132 L/s x 60 / 3.785412 = 2.40 gal/min."""
    (line,) = (line for line in code_lines(README) if "XDR" in line)
    rig = config.parse(config.template().replace('source = "none"', 'source = "xdr"'), "template")
    item = Decoder(rig).decode(line.encode("ascii"))
    assert isinstance(item, Transducers)
    assert item.rejected == 0
    text = " ".join(README.split())
    for words in ("2.7446 bar (39.8 psi)", "0.15132 L/s (2.4 gal/min)", "boom on"):
        assert words in text
    # carried units: 1 bar = 100 kPa, 60 s to the minute
    assert dict(item.values) == pytest.approx({"pressure": 274.46, "flow": 0.15132 * 60, "boom": 1.0})


def in_marks(cell: str) -> list[str]:
    return re.findall(r"`(\w+)`", cell)


def test_every_diagnosis_has_its_row() -> None:
    rows = {row[0].strip("`"): row[1:] for row in table(README, "diagnosis")}
    assert list(rows) == list(DIAGNOSES)
    for code, (seen, likely) in rows.items():
        assert (seen, likely) == (DIAGNOSES[code].evidence, DIAGNOSES[code].cause)


def test_the_odds_are_those_of_the_charts() -> None:
    rig = config.parse(config.template(), "template")
    for asked, of_any, of_one, found in table(README, "`false_alarms_per_h`"):
        rule = replace(rig.diagnosis, false_alarms_per_h=float(asked.split()[0]))
        promised = odds(replace(rig, diagnosis=rule))
        assert f"{1 / promised.false_alarms_per_h:.3g} h" == of_any
        assert f"{promised.hours_to_false_alarm:.3g} h" == of_one
        assert f"{promised.seconds_to_find:.0f} s" == found
        assert f"{promised.tests} tests" in README
        if "as it is" in asked:
            assert rule == rig.diagnosis


def test_the_json_keys_are_the_real_ones(tmp_path: Path) -> None:
    data, log = ROOT / "rigmon" / "data", tmp_path / "demo.sqlite"
    (tmp_path / "rig.toml").write_text((data / "demo.rig.toml").read_text().replace("serial0", "no-receiver"))
    rig = ["--rig", tmp_path / "rig.toml"]

    def as_json(*args: object) -> Any:
        with redirect_stdout(io.StringIO()) as out:
            assert group.main([*map(str, args), "--json"], standalone_mode=False) in (0, None)
        return json.loads(out.getvalue())

    commands = {
        row[0].strip("`"): in_marks(row[1]) for row in table(README.partition("### JSON")[2], "command")
    }
    replayed = as_json("replay", data / "demo.nmea", *rig, "--to", log)
    # beside its keys the text explains one of an alert's and a finding's
    assert commands["replay"] == [*list(replayed)[:-1], "t_ns", "run_log"]
    assert "t_ns" in replayed["alerts"][0]
    assert commands["run"] == list(as_json("run", *rig, "--for", "0.05", "--no-log"))
    assert commands["runs"] == list(as_json("runs", tmp_path)[0])
    difference = ["kind", "place", "recorded", "recomputed"]
    assert [key for key in commands["check"] if key not in difference] == list(as_json("check", log))
    assert set(difference) == set(commands["check"]) - set(as_json("check", log))
    assert commands["export"] == list(as_json("export", log, "-o", tmp_path / "a.csv"))
    book = ["--book", tmp_path / "book.sqlite"]
    assert commands["record"] == list(as_json("record", log, *book))
    assert commands["records"] == list(as_json("records", *book)[0])
    season = as_json("season", tmp_path, "--no-cache", "--jobs", 1)
    assert commands["season"] == [*season, "runs", "score"]
    assert "score" in season["runs"][0]
    assert commands["mix"] == list(as_json("mix", *rig, "--tank", "25 gal", "--product", "A = 1 pt/ac"))
    assert commands["plan"] == list(as_json("plan", *rig))
    calibration = as_json("calibrate", "catch", *rig, "--pressure", "40 psi", "--volumes", "12.8 oz in 30 s")
    for key in calibration:
        assert f"`{key}`" in README.partition("Calibrations print")[2].partition("\n\n")[0]
    assert commands["demo"] == ["score"]
    assert commands["simulate"] == ["scenario"]
    study = ("simulate", "--study", "--runs", 1, "--jobs", 1)
    told = as_json(*study, "--cell", "hose_off", "--cell", "bumps_speed")
    named = commands.pop("simulate --study")
    assert named[: len(told)] == list(told)
    inside = {key for cell in told["cells"] for key in cell} | set(told["cells"][0]["delay_s"])
    inside |= set(told["cells"][0]["found"])
    assert set(named[len(told) :]) <= inside | {"cells"}
    always = {"name", "about", "rig", "nozzle_count", "causes", "in_time_s", "watched_s"}
    assert inside - set(named) == always
    assert {name for name in COMMANDS if "--json" in CliRunner().invoke(group, [name, "--help"]).output} == {
        *commands,
        "score",
    }

    score = as_json("score", log)
    faulty = faulty_log(tmp_path / "faulty.sqlite")
    with sqlite3.connect(faulty) as noted:
        noted.execute("INSERT INTO act VALUES (9999999, 1, 'note', 'invented', NULL, NULL)")
    noted.close()
    diagnosed = as_json("score", faulty)
    more = [key for key in as_json("report", log) if key not in score]
    assert commands["report"][1 : len(more) + 1] == more
    keys = {row[0].strip("`"): in_marks(row[1]) for row in table(README, "key")}
    assert list(keys) == list(score)
    for key, names in keys.items():
        value = score[key]
        if isinstance(value, list):
            value = value[0] if value else diagnosed[key][0]
        if isinstance(value, dict):
            assert names == list(value), key
    assert score["verdict"] in keys["verdict"]


def test_the_views_in_the_text_are_in_the_run_log() -> None:
    section = README.partition("## The run log")[2].partition("\n## ")[0]
    views = re.findall(r"`([a-z_]+)`", section)
    assert len(views) > 4
    for view in views:
        assert f"CREATE VIEW {view} " in DDL


# -- all documents -------------------------------------------------------------------------------------------


def test_there_are_documents() -> None:
    assert {"README.md", "DEVELOPERS.md", "CHANGELOG.md"} <= {path.name for path in DOCUMENTS}


@pytest.mark.parametrize("path", DOCUMENTS, ids=[str(path.relative_to(ROOT)) for path in DOCUMENTS])
def test_every_relative_link_leads_somewhere(path: Path) -> None:
    for target in re.findall(r"\]\(([^)\s]+)\)", path.read_text(encoding="utf-8")):
        if not re.match(r"[a-z]+:", target) and not target.startswith("#"):
            assert (path.parent / target.partition("#")[0]).exists(), target


@pytest.mark.parametrize("path", DOCUMENTS, ids=[str(path.relative_to(ROOT)) for path in DOCUMENTS])
def test_every_file_named_in_code_marks_exists(path: Path) -> None:
    """Names with a folder in them, such as `tests/benchmarks/`: at the root, in the package or beside it."""
    for name in re.findall(r"`([a-z_.]+/[a-z_./]*)`", path.read_text(encoding="utf-8")):
        if not name.startswith((".venv", "../")) and "://" not in name:
            homes = (ROOT, ROOT / "rigmon", path.parent)
            assert any((home / name).exists() for home in homes), name


def test_the_table_of_modules_is_the_tree() -> None:
    named = [
        name for row in table(DEVELOPERS, "module") for name in re.findall(r"`([a-z_]+(?:\.py|/))`", row[0])
    ]
    assert len(named) == len(set(named))
    package = ROOT / "rigmon"
    files = {path.name for path in package.glob("*.py") if path.name != "__init__.py"}
    folders = {f"{path.parent.name}/" for path in package.glob("*/__init__.py")}
    assert set(named) == files | folders
