"""Whatever is typed, in a file, in a session or in a book: a result or a clear refusal, never a traceback."""

import io
import json
import shutil
import sys
from pathlib import Path
from typing import Any
from unittest import mock

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from invoking import Made, rigmon

_NUMBERS = (
    st.sampled_from(
        ["0", "-1", "1e-300", "1e300", "1e999", "nan", "inf", "0.0000001", "99999999", "1,5", "12.5"]
    )
    | st.floats(allow_nan=False, allow_infinity=False).map(repr)
    | st.floats(0.01, 1000).map(repr)
    | st.integers(0, 10**6).map(str)
)
_UNITS = st.sampled_from(
    [
        "mL",
        "L",
        "oz",
        "fl oz",
        "gal",
        "imp gal",
        "lb",
        "kg",
        "s",
        "min",
        "ft",
        "m",
        "in",
        "mph",
        "km/h",
        "psi",
        "bar",
        "kPa",
        "gal/ac",
        "L/ha",
        "gal/min",
        "L/min",
        "%",
        "fl oz/ac",
        "oz/ac",
        "lb/ac",
        "g/ha",
        "pulses",
        "",
        "ac",
        "ha",
        "lb/gal",
        "kg/L",
        "° C",
    ]
)
_TEXT = st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"]), max_size=12)
_QUANTITY = st.builds("{} {}".format, _NUMBERS, _UNITS) | st.sampled_from(["1:23", "0:00", "skip"]) | _TEXT


_SANE = st.floats(2, 60).map("{:.4g}".format)


def mostly(sane: st.SearchStrategy[str], other: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    """Eleven of twelve sane, so that what is wrong is met deep inside too, not at the first option alone."""
    return st.integers(0, 11).flatmap(lambda n: other if n == 11 else sane)


def of(*units: str) -> st.SearchStrategy[str]:
    """Mostly a quantity of the right kind; sometimes one of any size, or anything."""
    unit = st.sampled_from(units)
    return mostly(
        st.builds("{} {}".format, _SANE, unit), st.builds("{} {}".format, _NUMBERS, unit) | _QUANTITY
    )


def some(items: st.SearchStrategy[str], most: int = 6) -> st.SearchStrategy[str]:
    return st.lists(items, min_size=1, max_size=most).map("; ".join)


_VOLUME, _TIME, _LENGTH = of("mL", "fl oz", "L"), of("s", "min"), of("ft", "m")
_PRESSURE, _RATE, _FLOW, _SPEED = (
    of("psi", "kPa"),
    of("gal/ac", "L/ha"),
    of("gal/min", "L/min"),
    of("mph", "m/s"),
)
_PERCENT = mostly(st.floats(1, 9).map("{:.3g}".format), _NUMBERS)
_COURSE = mostly(st.sampled_from(["200 ft", "60 m", "100 yd"]), _LENGTH)
_CAUGHT = mostly(st.floats(11, 14).map("{:.1f} fl oz".format), _VOLUME)
_LAP = mostly(st.floats(30, 36).map("{:.1f} s".format), _TIME)
_DOSE = of("fl oz/ac", "oz/ac", "L/ha", "g/ha", "%", "fl oz/gal")

#: near a line, or anything
_POINT = mostly(
    st.builds(
        lambda psi, off: f"{psi} psi = {100 + 8 * psi + off} counts", st.integers(0, 100), st.integers(-3, 3)
    ),
    st.builds("{} = {}".format, _PRESSURE, _NUMBERS | _PRESSURE | _QUANTITY),
)
_RUN = mostly(
    st.builds(
        lambda n, off: f"{450 * n + off} pulses, {n} L, {6 * n} s", st.integers(1, 20), st.integers(-9, 9)
    ),
    st.builds("{}, {}, {}".format, of("pulses", "L"), _VOLUME, _TIME),
)

#: command -> option -> what may stand there
OPTIONS: dict[str, dict[str, st.SearchStrategy[str]]] = {
    "calibrate catch": {
        "--time": _TIME,
        "--volumes": some(_CAUGHT, 12),
        "--step": _VOLUME,
        "--from-mean": _PERCENT,
        "--over-rated": _PERCENT,
        "--under-rated": _PERCENT,
        "--plugged-below": _PERCENT,
        "--repeats-within": _PERCENT,
    },
    "calibrate course": {
        "--distance": _COURSE,
        "--times": some(st.builds("{}{}".format, _LAP, st.sampled_from(["", " out", " back", " up"]))),
    },
    "calibrate target": {
        "--rate": _RATE,
        "--speed": _SPEED,
        "--flow": _FLOW,
        "--pressure": _PRESSURE,
        "--swath": _LENGTH,
        "--density": of("lb/gal", "kg/L"),
        "--tolerance": _PERCENT,
        "--refill": some(_CAUGHT),
        "--refill-distance": _COURSE,
        "--caught": some(_CAUGHT),
        "--drive-time": _LAP,
        "--drive-distance": _LENGTH,
    },
    "calibrate pace": {
        "--steps": mostly(st.integers(60, 120).map(str), _NUMBERS),
        "--distance": _COURSE,
        "--swath": _LENGTH,
        "--flow": _FLOW,
        "--rate": _RATE,
    },
    "calibrate flowmeter": {
        "--run": _RUN,
        "--reading": _VOLUME,
    },
    "calibrate transducer": {
        "--point": _POINT,
        "--gauge-span": _PRESSURE,
        "--gauge-class": _PERCENT,
    },
    "mix": {
        "--tank": _VOLUME,
        "--rate": _RATE,
        "--area": of("ac", "ha", "m2"),
        "--cup": _VOLUME,
        "--scale": of("g", "oz wt"),
        "--product": st.builds(
            "{} = {}".format, mostly(st.text("ABCD", min_size=1, max_size=3), _TEXT), _DOSE
        ),
        "--spot": _VOLUME,
    },
    "plan": {
        "--tank": _VOLUME,
        "--rate": _RATE,
        "--area": of("ac", "ha"),
        "--job": mostly(st.just("A"), _TEXT),
        "--field-efficiency": _PERCENT,
        "--product": st.builds(
            "{} = {}".format, mostly(st.text("ABCD", min_size=1, max_size=3), _TEXT), _DOSE
        ),
    },
}
_RARELY = st.sampled_from([0] * 7 + [1])
#: how often an option is given, where it is not mostly once
_TIMES: dict[str, st.SearchStrategy[int]] = {
    "--run": st.integers(2, 4),
    "--point": st.integers(2, 4),
    "--product": st.integers(1, 3),
    "--spot": _RARELY,
    **dict.fromkeys(("--flow", "--pressure"), st.integers(0, 1)),
    "--volumes": st.just(1),
    "--distance": st.just(1),
    **dict.fromkeys(
        (
            "--time",
            "--times",
            "--steps",
            "--refill",
            "--refill-distance",
            "--caught",
            "--drive-time",
            "--tank",
        ),
        st.just(1),
    ),
}
#: how often each is tried in the suite; 1500 of each found nothing more
EXAMPLES = 20

_hostile = settings(max_examples=EXAMPLES, suppress_health_check=[HealthCheck.function_scoped_fixture])


@pytest.fixture
def folder(made: Made, tmp_path: Path) -> Path:
    (tmp_path / "rig.toml").write_text(made.rig.read_text())
    return tmp_path


def never(name: str) -> Any:
    raise AssertionError(f"{name} in JSON")


def answered(*args: str, cwd: Path, typed: str = "", codes: tuple[int, ...] = (0, 2)) -> None:
    """Done, with JSON that holds real numbers only; or refused in one line. `rigmon` fails on a traceback."""
    with mock.patch.object(sys, "stdin", io.StringIO(typed)):
        result = rigmon(*args, cwd=cwd)
    assert result.code in codes
    if result.code == 0 and "--json" in args:
        json.loads(result.out, parse_constant=never)
    if result.code == 2:
        assert result.out == ""
        assert "rigmon: " in result.err or result.err.startswith("Usage: ")


@pytest.mark.parametrize("command", OPTIONS)
@_hostile
@given(data=st.data())
def test_nothing_typed_makes_a_traceback(command: str, data: st.DataObject, folder: Path) -> None:
    args = [*command.split(), *data.draw(st.sampled_from([["--json"], [], ["--units=metric"]]))]
    args += ["--dry-run"] if "calibrate" in command else []
    args += ["--pressure=40 psi"] if command.endswith("catch") else []
    args += ["--fresh"] if command.endswith(("catch", "course", "pace", "flowmeter", "transducer")) else []
    for option, values in OPTIONS[command].items():
        times = data.draw(_TIMES.get(option, st.sampled_from([0, 1, 1, 1])), option)
        for _ in range(times):
            args.append(f"{option}={data.draw(values, option)}")
    answered(*args, cwd=folder)


_ANSWER = (
    of("mL", "fl oz", "s", "psi", "ft", "pulses", "ac")
    | mostly(st.integers(0, 1100).map(str), _NUMBERS)
    | st.sampled_from(["", "back", "skip", "?", "y", "n", "done", "A = 1 pt/ac", "12.8 oz in 31 s", "0"])
)


@pytest.mark.parametrize("command", ["catch", "course", "pace", "flowmeter", "transducer", "mix"])
@_hostile
@given(answers=st.lists(_ANSWER, max_size=40), stops=st.booleans())
def test_no_answers_make_a_traceback(command: str, answers: list[str], stops: bool, folder: Path) -> None:
    args = ["mix", "--json"] if command == "mix" else ["calibrate", command, "--json", "--dry-run", "--fresh"]
    typed = "\n".join([*answers, *(["quit"] if stops else [])])
    answered(*args, cwd=folder, typed=typed, codes=(0, 2, 130))


_CELL = _QUANTITY | st.sampled_from(["1", "out", "up", "down", "", '"', "'", "=1+1"])
_HEADS = {
    "catch": "nozzle,volume,time",
    "course": "time,direction",
    "flowmeter": "pulses,volume,time",
    "transducer": "pressure,counts,supply",
}


@pytest.mark.parametrize("kind", _HEADS)
@_hostile
@given(
    rows=st.lists(st.lists(_CELL, max_size=4).map(",".join), max_size=4),
    raw=st.none() | st.binary(max_size=80),
)
@example(rows=[], raw=b"\xff\xfe")
@example(rows=["1,148 mL,30 s"], raw=None)
def test_no_table_makes_a_traceback(kind: str, rows: list[str], raw: bytes | None, folder: Path) -> None:
    text = "\n".join([_HEADS[kind], *rows]).encode()
    (folder / "t.csv").write_bytes(text if raw is None else raw)
    args = (
        ["--distance", "200 ft"] if kind == "course" else ["--pressure", "40 psi"] if kind == "catch" else []
    )
    answered("calibrate", kind, "--from", "t.csv", *args, "--json", "--dry-run", cwd=folder)


@_hostile
@given(
    raw=st.binary(max_size=120)
    | st.lists(
        st.dictionaries(
            st.sampled_from(["q", "a", "back", "head", "v"]), st.none() | st.integers() | _TEXT, max_size=3
        ).map(json.dumps),
        max_size=4,
    )
    .map("\n".join)
    .map(str.encode)
)
def test_no_session_makes_a_traceback(raw: bytes, folder: Path) -> None:
    (folder / "calibration.creek-rig-catch.session").write_bytes(raw)
    for how in ("--resume", "--fresh"):
        answered("calibrate", "catch", "--json", "--dry-run", how, cwd=folder)


@_hostile
@given(raw=st.binary(max_size=200) | st.binary(max_size=80).map(lambda tail: b"SQLite format 3\0" + tail))
def test_no_book_makes_a_traceback(raw: bytes, folder: Path) -> None:
    (folder / "calibration.sqlite").write_bytes(raw)
    for args in (["calibrate", "list"], ["calibrate", "history"], ["plan"], ["calibrate", "apply", "x"]):
        answered(*args, "--json", cwd=folder)


@settings(max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(at=st.integers(0, 24_000), to=st.binary(min_size=1, max_size=40))
def test_no_damaged_book_makes_a_traceback(at: int, to: bytes, folder: Path) -> None:
    """A card that lost some bytes."""
    good = folder / "good.sqlite"
    if not good.exists():
        volumes = "; ".join(["12.8 oz"] * 12)
        args = ("--pressure", "40 psi", "--time", "30 s", "--volumes", volumes, "--book", good.name)
        assert rigmon("calibrate", "catch", *args, cwd=folder).code == 0
    book = folder / "calibration.sqlite"
    shutil.copy(good, book)
    data = bytearray(book.read_bytes())
    data[at : at + len(to)] = to
    book.write_bytes(data)
    for args in (["calibrate", "list"], ["calibrate", "history"], ["plan"]):
        answered(*args, "--json", cwd=folder)
