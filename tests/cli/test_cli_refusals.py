"""Bad input of every kind: exit code 2, nothing on stdout, a message that names it, never a traceback."""

# ruff: noqa: E501  (the tables read best one case a line)

import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from invoking import Made, done, refused, rigmon

# -- files that are no source ----------------------------------------------------------------------------


def other_sqlite(path: Path) -> None:
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE fields (name TEXT)")
    connection.close()


def broken_log(path: Path, good: Path) -> None:
    """Every 700th byte behind the first pages flipped."""
    data = bytearray(good.read_bytes())
    for at in range(4096, len(data), 700):
        data[at] ^= 0xFF
    path.write_bytes(data)


#: first bytes by the PNG specification, 5.2 (from memory)
PNG = b"\x89PNG\r\n\x1a\n" + bytes(range(256))

NOT_SOURCES: dict[str, Callable[[Path, Made], object]] = {
    "missing": lambda _path, _made: None,
    "folder": lambda path, _made: path.mkdir(),
    "empty": lambda path, _made: path.touch(),
    "binary": lambda path, _made: path.write_bytes(bytes(range(256)) * 20),
    "png": lambda path, _made: path.write_bytes(PNG),
    "rig file": lambda path, made: shutil.copy(made.rig, path),
    "utf-16": lambda path, _made: path.write_text("$GPRMC,1\n" * 9, encoding="utf-16"),
    "somebody's sqlite": lambda path, _made: other_sqlite(path),
    "broken log": lambda path, made: broken_log(path, made.log),
    "cut log": lambda path, made: path.write_bytes(made.log.read_bytes()[:5000]),
    "log's head": lambda path, made: path.write_bytes(made.log.read_bytes()[:100]),
}


@pytest.mark.parametrize("kind", NOT_SOURCES)
def test_what_is_no_source_is_refused_by_every_command(kind: str, made: Made, tmp_path: Path) -> None:
    source, new_log = tmp_path / "source", tmp_path / "new.sqlite"
    NOT_SOURCES[kind](source, made)
    for command in (
        ["score", source],
        ["score", source, "--rig", made.rig],
        ["score", source, "--rig", made.rig, "--json"],
        ["replay", source],
        ["replay", source, "--rig", made.rig],
        ["replay", source, "--rig", made.rig, "--to", new_log],
        ["replay", source, "--rig", made.rig, "--pace", 1000],
        ["check", source],
        ["check", source, "--json"],
    ):
        # with --pace, the heading is on the screen before the source is found to be none
        if "--pace" in command:
            result = rigmon(*command)
            assert result.code == 2
            assert str(source) in result.err
        else:
            refused(*command, naming=source)
    assert not list(tmp_path.glob("new.sqlite*")), "nothing is left of a replay of nothing"


def test_a_recording_without_a_rig_is_refused_and_told_how_to_get_one(made: Made) -> None:
    for command in ("score", "replay"):
        message = refused(command, made.recording, naming=made.recording)
        assert "--rig FILE" in message
        assert "rigmon init" in message


def test_a_recording_is_not_checked(made: Made) -> None:
    assert "not a run log" in refused("check", made.recording, naming=made.recording)


def test_a_name_that_no_file_can_have_is_refused(made: Made) -> None:
    for command in (["score"], ["check"], ["replay", "--rig", made.rig], ["simulate"], ["init"]):
        refused(*command, "n" * 5000, naming="nnnnn")


@contextmanager
def without_root() -> Iterator[None]:
    """A superuser may read everything; be somebody else for a moment."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


def test_an_unreadable_file_is_refused(made: Made, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)  # the folder of the clone may be closed to others
    nothing = tmp_path / "nothing"
    for command in (["score", nothing, "--rig", made.rig], ["check", nothing], ["run", "--rig", nothing],
                    ["demo", "--folder", "/proc/nothing"], ["simulate", tmp_path]):  # fmt: skip
        assert rigmon(*command).code == 2  # load the modules while they can be read
    for path in (Path(made.recording), made.log, made.rig):
        copy = tmp_path / f"locked{path.suffix}"
        shutil.copy(path, copy)
        copy.chmod(0)
    rig = tmp_path / "rig.toml"
    shutil.copy(made.rig, rig)
    # the folders that pytest made for its own user alone
    modes = {folder: folder.stat().st_mode & 0o7777 for folder in (tmp_path, *tmp_path.parents)}
    modes = {folder: mode for folder, mode in modes.items() if mode & 0o055 != 0o055}
    for folder, mode in modes.items():
        folder.chmod(mode | 0o055)
    try:
        with without_root():
            refused("score", tmp_path / "locked.nmea", "--rig", rig, naming="Permission denied")
            refused("score", tmp_path / "locked.nmea", naming="locked.nmea")
            refused("score", tmp_path / "locked.sqlite", naming="locked.sqlite")
            refused("check", tmp_path / "locked.sqlite", naming="Permission denied")
            refused("replay", rig, "--rig", tmp_path / "locked.toml", naming="Permission denied")
            refused("run", "--rig", tmp_path / "locked.toml", naming="Permission denied")
            refused("init", tmp_path / "new.toml", naming="Permission denied")
            refused("simulate", tmp_path / "new.nmea", "--rig", rig, naming="Permission denied")
            message = refused("demo", "--folder", tmp_path / "new", naming="Permission denied")
            assert "--folder" in message
    finally:
        for folder, mode in modes.items():
            folder.chmod(mode)


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.binary(max_size=400) | st.text(max_size=200).map(str.encode))
@example(data=b"SQLite format 3\0" + bytes(200))
@example(data=b"SQLite format 3\0" + b"\xff" * 84)
@example(data=b"$GPRMC,1*00\r\n$\xff*")
def test_no_file_of_any_bytes_makes_a_traceback(data: bytes, made: Made, tmp_path: Path) -> None:
    path = tmp_path / "any"
    path.write_bytes(data)
    for command in (["score", path, "--rig", made.rig], ["check", path], ["replay", path, "--rig", path]):
        assert rigmon(*command).code in (0, 2)


_words = st.sampled_from(
    ["score", "check", "replay", "runs", "run", "--rig", "--json", "--for", "--pace", "1", "-1", "1e999", "nan",
     "nothing.toml", "."]
) | st.text(st.characters(exclude_characters="\0/", exclude_categories=["Cs"]), max_size=8)  # fmt: skip


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(words=st.lists(_words, max_size=5))
def test_no_words_make_a_traceback(words: list[str], tmp_path: Path) -> None:
    result = rigmon(*words, cwd=tmp_path)
    assert result.code in (0, 2)
    assert result.code == 0 or result.out == ""


# -- rig files -------------------------------------------------------------------------------------------


def changed(old: str, new: str) -> Callable[[Path, str], object]:
    def write(path: Path, text: str) -> None:
        assert old in text
        path.write_text(text.replace(old, new, 1))

    return write


#: kind -> (how it is written, what the message must say beside the file's name)
WRONG_RIGS: dict[str, tuple[Callable[[Path, str], object], tuple[str, ...]]] = {
    "missing": (lambda _path, _text: None, ("rigmon init",)),
    "folder": (lambda path, _text: path.mkdir(), ("rigmon init",)),
    "empty": (lambda path, _text: path.touch(), ("rig.name", "such as")),
    "png": (lambda path, _text: path.write_bytes(PNG), ("UTF-8",)),
    "latin-1": (lambda path, text: path.write_bytes(text.replace("Creek", "Bäche").encode("latin-1")), ("UTF-8",)),
    "utf-16": (lambda path, text: path.write_text(text, encoding="utf-16"), ("UTF-8",)),
    "too long": (lambda path, text: path.write_text(text + "# \n" * 400_000), ("1 MB",)),
    "no toml": (changed('"Creek rig"', "Creek rig"), ("TOML", "line 12")),
    "unknown section": (changed("[target]", "[traget]"), ("[traget]", "did you mean 'target'?")),
    "unknown key": (changed("nozzle_count", "nozle_count"), ("rig.nozle_count", "did you mean 'nozzle_count'?")),
    "missing key": (changed("nozzle_count = 12", ""), ("rig.nozzle_count is missing", "nozzle_count = 12")),
    "wrong type": (changed("= 12", '= "12"'), ("rig.nozzle_count", '"12"', "whole number")),
    "no unit": (changed('= "20 in"', "= 20"), ("rig.nozzle_spacing = 20", "unit", '"20 ft"', '"20 m"')),
    "wrong unit": (changed('"17 gal/ac"', '"17 psi"'), ("target.rate", "'17 psi'", "gal/ac")),
    "out of bounds": (changed("tolerance_pct = 10", "tolerance_pct = 60"), ("target.tolerance_pct = 60", "50 %")),
    "huge": (changed('"17 gal/ac"', '"1e300 gal/ac"'), ("target.rate", "1e300")),
    "huge integer": (changed("= 12", "= 1" + "0" * 5000), ("digits",)),
    "infinite": (changed("tolerance_pct = 10", "tolerance_pct = inf"), ("target.tolerance_pct = inf",)),
    "no number": (changed("tolerance_pct = 10", "tolerance_pct = nan"), ("target.tolerance_pct = nan",)),
    "no choice": (changed('units = "us"', 'units = "imperial"'), ("rig.units", '"us"', '"metric"')),
    "contradiction": (changed('\npressure = "40 psi"', "\n"), ("calibration.pressure is missing", "40 psi")),
}  # fmt: skip


@pytest.mark.parametrize("kind", WRONG_RIGS)
def test_a_wrong_rig_file_is_refused_by_every_command(kind: str, made: Made, tmp_path: Path) -> None:
    write, told = WRONG_RIGS[kind]
    rig = tmp_path / "wrong.toml"
    write(rig, made.rig.read_text())
    for command in (
        ["run", "--rig", rig, "--for", 1],
        ["score", made.recording, "--rig", rig],
        ["score", made.log, "--rig", rig],
        ["replay", made.recording, "--rig", rig, "--to", tmp_path / "new.sqlite"],
        ["simulate", tmp_path / "new.nmea", "--rig", rig],
    ):
        message = refused(*command, naming=rig, cwd=tmp_path)
        for words in told:
            assert words in message
    assert {path.name for path in tmp_path.iterdir()} <= {rig.name}


def test_a_wired_sensor_without_a_board_is_refused_by_run(
    made: Made, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "none-such")
    text = made.rig.read_text().replace(
        '[boom_switch]\nsource = "xdr"', '[boom_switch]\nsource = "gpio"\npin = 27'
    )
    rig = tmp_path / "rig.toml"
    rig.write_text(text)
    message = refused("run", "--rig", rig, "--for", 1, naming="boom_switch.pin = 27", cwd=tmp_path)
    assert "the board's pins cannot be used" in message
    assert list(tmp_path.iterdir()) == [rig]  # refused before anything was made


def test_a_port_that_can_never_work_is_refused_by_run(made: Made, tmp_path: Path) -> None:
    rig = tmp_path / "rig.toml"
    rig.write_text(made.rig.read_text().replace("/dev/no-receiver", "socket://nowhere"))
    refused("run", "--rig", rig, "--for", 1, naming="gps.port = 'socket://nowhere'", cwd=tmp_path)


# -- values ----------------------------------------------------------------------------------------------

WRONG_VALUES = [
    ("demo --pace 0", "'0'"),
    ("demo --pace nan", "'nan'"),
    ("demo --pace inf", "'inf'"),
    ("demo --pace fast", "'fast'"),
    ("replay LOG --pace 0", "'0'"),
    ("replay LOG --pace -1", "'-1'"),
    ("replay LOG --pace 1e-300", "'1e-300'"),
    ("run --rig RIG --for 0", "--for 0"),
    ("run --rig RIG --for -5", "--for -5"),
    ("run --rig RIG --for nan", "--for nan"),
    ("run --rig RIG --for 1e300", "--for 1e+300"),
    ("run --rig RIG --for long", "'long'"),
    ("run --rig RIG --no-log --log new.sqlite", "--no-log"),
    ("score LOG --units imperial", "'imperial'"),
    ("simulate new.nmea --pass-length 20", "such as '20 ft' or '20 m'"),
    ("simulate new.nmea --pass-length 20mph", "'20mph'"),
    ("simulate new.nmea --pass-length 1e30m", "pass_length_m"),
    ("simulate new.nmea --pass-length 1e300m", "'1e300m'"),
    ("simulate new.nmea --passes 100000000000", "passes"),
    ("simulate new.nmea --seed -1", "seed"),
    ("simulate new.nmea --gps-hz 21", "gps_hz = 21"),
    ("simulate new.nmea --heading nan", "heading_deg = nan"),
    ("simulate new.nmea --origin 40", "--origin '40'"),
    ("simulate new.nmea --origin nan,nan", "origin_lat_deg"),
    ("simulate new.nmea --start tomorrow", "--start 'tomorrow'"),
    ("simulate new.nmea --start 9999-12-31T23:59:59", "2000 to 2079"),
    ("simulate new.nmea --start 0001-01-01T00:00:00+14:00", "--start"),
    ("simulate new.nmea --sentences GSV", "GSV"),
    ("simulate new.nmea --sensors wind", "wind"),
    ("simulate new.nmea --talker $$", "talker"),
    ("simulate new.nmea --event flood", "pressure_loss"),
    ("simulate new.nmea --event pressure_loss,9h,5s,30%", "pressure_loss"),
    ("simulate new.nmea --repeat RIG", "not a truth file"),
    ("simulate new.nmea --repeat nothing.json", "nothing.json"),
    ("simulate new.nmea --repeat TRUTH --seed 2", "--repeat"),
    ("simulate new.nmea --truth new.nmea", "new.nmea"),
    ("runs nothing", "nothing"),
    ("runs RIG", "rig.toml"),
]


@pytest.mark.parametrize(("line", "naming"), WRONG_VALUES, ids=[line for line, _ in WRONG_VALUES])
def test_a_wrong_value_is_refused(line: str, naming: str, made: Made, tmp_path: Path) -> None:
    places = {"LOG": made.log, "RIG": made.rig, "TRUTH": made.truth}
    refused(*(places.get(word, word) for word in line.split()), naming=naming, cwd=tmp_path)
    assert not list(tmp_path.iterdir()), "nothing is written"


# -- targets ---------------------------------------------------------------------------------------------


def writers(made: Made, target: object) -> list[list[object]]:
    """Every way of writing a file of a given name."""
    return [
        ["init", target],
        ["simulate", target, "--passes", 1, "--pass-length", "10 m"],
        ["replay", made.recording, "--rig", made.rig, "--to", target],
        ["replay", made.log, "--to", target],
        ["run", "--rig", made.rig, "--for", 0.1, "--quiet", "--log", target],
    ]


def test_a_file_that_is_there_is_never_overwritten(made: Made, tmp_path: Path) -> None:
    target = tmp_path / "there"
    target.write_text("mine")
    for command in writers(made, target):
        result = rigmon(*command)
        assert (result.code, result.out) == (2, "")
        assert str(target) in result.err
        assert target.read_text() == "mine"
    assert [path.name for path in tmp_path.iterdir()] == ["there"]


def test_a_run_log_is_not_replayed_onto_itself(made: Made) -> None:
    before = made.log.read_bytes()
    refused("replay", made.log, "--to", made.log, naming=made.log)
    assert made.log.read_bytes() == before


def test_by_force_init_and_simulate_overwrite(made: Made, tmp_path: Path) -> None:
    target = tmp_path / "there"
    for command in writers(made, target)[:2]:
        target.write_text("old")
        assert "--force" in refused(*command, naming=target)
        done(*command, "--force")
        assert target.read_text() != "old"


@pytest.mark.parametrize("target", ["/proc/nothing/new", "/dev/full", "/", "FOLDER"])
def test_what_cannot_be_written_is_refused(target: str, made: Made, tmp_path: Path) -> None:
    target = str(tmp_path) if target == "FOLDER" else target
    for command in writers(made, target):
        force = ["--force"] if command[0] in ("init", "simulate") else []
        result = rigmon(*command, *force)
        assert (result.code, result.out) == (2, "")
        assert target.removesuffix("/new") in result.err
    assert not list(tmp_path.iterdir())


def test_the_truth_file_is_not_overwritten_either(tmp_path: Path) -> None:
    (tmp_path / "run.truth.json").write_text("mine")
    refused("simulate", "run.nmea", naming="run.truth.json", cwd=tmp_path)
    assert (tmp_path / "run.truth.json").read_text() == "mine"


def test_a_folder_that_was_asked_for_and_cannot_be_written_is_refused_by_demo(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    for folder in ("/proc/nothing", tmp_path / "file"):
        assert "--folder" in refused("demo", "--folder", folder, naming=folder)
