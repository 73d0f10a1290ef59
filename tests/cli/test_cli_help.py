"""What a person reads who asks for help: every command, every unit, on a terminal of 80 columns."""

import re
from collections.abc import Iterator

import click
import pytest
from invoking import done, refused, rigmon

from rigmon import __version__, units
from rigmon.cli import COMMANDS, group
from rigmon.cli.quantity import Quantity

#: what a command's help must say of the quantities that go in or come out
UNITS_TOLD = {
    "demo": ("mph, gal/ac and psi", "m, m2, s, L, L/ha, m/s, % and degrees", "minutes"),
    "init": ('"20 in", "50 cm"', '"17 gal/ac", "160 L/ha"', '"3.5 mph", "5.6 km/h"', '"40 psi", "2.8 bar"'),
    "run": ("mph, gal/ac, psi or km/h, L/ha, kPa", "SECONDS"),
    "replay": ("ft, ac, gal or m, ha, L", "m, m2, s, L", "faster than real time"),
    "pair": ("for 12 h",),
    "check": ("m/s, L/min, kPa, L/ha, m, m2, L; t_ns in ns",),
    "score": ("m, m2, s, L, L/ha, m/s, % and degrees",),
    "report": ("gal/ac, mph, ac, gal, ft or L/ha, km/h, ha, L, m", "m, m2, s, L, L/ha, m/s, % and degrees"),
    "export": ("m/s, L/min, kPa, L/ha, m, m2, L, or mph, gal/min, psi, gal/ac, ft, ac, gal",),
    "record": ("gal/ac, ac, gal or L/ha, ha, L",),
    "records": ("ac, gal, gal/ac or ha, L, L/ha",),
    "season": (
        "ac, gal, gal/ac, gal/min, psi or ha, L, L/ha, L/min, kPa",
        "m, m2, s, L, L/ha, L/min, kPa, m/s, %",
    ),
    "runs": ("start (UTC", "length (h:mm:ss)", "size (kB)"),
    "doctor": ("mph, gal/min, psi or km/h, L/min, kPa", "Hz, %, bytes/s, ms, s, MB, V, °C, m/s, kPa, days"),
    "calibrate": ("'148 mL', '32 oz', '20 in', '45.5 s', '1:23'",),
    "mix": ("'fl oz/ac', 'pt/ac', 'qt/ac', 'gal/ac', 'lb/ac'", "L, kg, L/ha, kg/ha, m2, %"),
    "plan": (
        "mph, gal/ac, gal/min, psi, ac, gal or km/h, L/ha",
        "m/s, L/ha, L/min, kPa, m2, L, kg, s, %, days",
    ),
    "simulate": (
        "'300 ft', '90 m', '3.5 mph', '0.04 m/s', '2 s'",
        *("UTC", "in degrees", "(%, with 95 % intervals)", "(s, ft or m)", "false alarms an hour"),
    ),
}

#: options that take a bare number -> the word of its help that says what the number counts
BARE_NUMBERS = {
    ("demo", "--pace"): "times faster than real time",
    ("run", "--for"): "seconds",
    ("replay", "--pace"): "times faster than real time",
    ("plan", "--field-efficiency"): "%",
    ("season", "--jobs"): "Number of processes",
    ("simulate", "--seed"): "seed",
    ("simulate", "--passes"): "passes",
    ("simulate", "--heading"): "degrees",
    ("simulate", "--gps-hz"): "Hz",
    ("simulate", "--sensor-hz"): "Hz",
    ("simulate", "--flow-noise"): "%",
    ("simulate", "--pressure-noise"): "%",
    ("simulate", "--runs"): "number of runs",
    ("simulate", "--processes"): "number of processes",
    ("simulate", "--false-alarms"): "false alarms an hour",
    ("simulate", "--flow-correlated"): "%",
    ("simulate", "--pressure-correlated"): "%",
    ("simulate", "--vibration"): "%",
    ("simulate", "--vibration-hz"): "(Hz)",
    ("simulate", "--pressure-wander"): "%",
    ("simulate", "--pulsation"): "%",
    ("simulate", "--pulsation-hz"): "(Hz)",
    ("simulate", "--pump-shutoff"): "as a multiple",
    ("simulate", "--bypass"): "%",
    ("simulate", "--valve-rise"): "%",
    ("simulate", "--line-loss"): "%",
    ("simulate", "--wind-from"): "degrees",
    ("simulate", "--gustiness"): "%",
    ("simulate", "--humidity"): "%",
}

#: commands that print a result
WITH_JSON = {
    "demo", "doctor", "export", "pair", "record", "records", "run", "replay",
    "report", "check", "score", "season", "runs", "mix", "plan", "simulate",
}  # fmt: skip


def options() -> Iterator[tuple[str, click.Option]]:
    context = click.Context(group)
    for name in COMMANDS:
        command = group.get_command(context, name)
        assert command is not None
        for option in command.params:
            if isinstance(option, click.Option):
                yield name, option


def in_one_line(text: str) -> str:
    """Undo the wrapping."""
    return " ".join(text.split())


def test_the_first_screen_lists_every_command_and_says_where_to_begin() -> None:
    screen = done("--help")
    for name, (_, about) in COMMANDS.items():
        assert f"{name} " in screen
        assert about in in_one_line(screen)
    assert "Begin with 'demo'" in screen
    assert "The product label is the law" in screen
    assert "Exit codes: 0 done, 1 the answer is no, 2 bad input." in screen
    assert done("-h") == screen


def test_without_a_command_the_first_screen_is_shown() -> None:
    """As a result or as a message: click's releases differ."""
    result = rigmon()
    assert result.code in (0, 2)
    assert result.out + result.err == done("--help")


def test_the_version() -> None:
    assert done("--version") == f"rigmon, version {__version__}\n"


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help_that_says_the_units(command: str) -> None:
    screen = done(command, "--help")
    assert screen.startswith(f"Usage: rigmon {command} ")
    assert done(command, "-h") == screen
    for words in UNITS_TOLD[command]:
        assert words in in_one_line(screen)


@pytest.mark.parametrize("command", ["", *COMMANDS])
def test_help_fits_80_columns(command: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    for line in done(*command.split(), "--help").splitlines():
        assert len(line) <= 80


@pytest.mark.parametrize("command", COMMANDS)
def test_commands_that_print_a_result_take_json(command: str) -> None:
    assert ("--json" in done(command, "--help")) == (command in WITH_JSON)


def test_every_option_has_help_and_every_number_a_meaning() -> None:
    for name, option in options():
        about = option.help or ""
        assert about.endswith((".", "]")), (name, option.name)
        shown = option.opts[-1]
        if isinstance(option.type, Quantity):
            example = re.search(r"such as '([^']+)'", about)
            assert example is not None, f"{name} {shown}: no example with its unit"
            units.parse(example[1], option.type.dimension)
        elif option.type.name in ("integer", "float", "times"):
            assert BARE_NUMBERS[name, shown] in about


def test_the_kinds_of_events_are_listed_without_a_file_to_write() -> None:
    listed = done("simulate", "--list-events")
    assert "pressure_loss" in listed
    assert "size: " in listed
    assert "\n\n" not in listed


def test_an_unknown_command_or_option_is_refused_with_a_hint() -> None:
    assert re.search("Try 'rigmon (-h|--help)'", refused("scoer", naming="scoer"))
    for command in COMMANDS:
        message = refused(command, "--nonsense", naming="--nonsense")
        assert re.search(f"Try 'rigmon {command} (-h|--help)'", message)


@pytest.mark.parametrize(
    ("command", "missing"),
    [("score", "SOURCE"), ("replay", "SOURCE"), ("check", "RUNLOG"), ("simulate", "OUT"), ("run", "--rig")],
)
def test_what_is_missing_is_named(command: str, missing: str) -> None:
    refused(command, naming=missing)


def test_too_many_arguments_are_refused() -> None:
    assert rigmon("check", "a", "b").code == 2
