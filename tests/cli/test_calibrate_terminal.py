"""Interactive calibration on a phone: 40 columns, a connection that dies, a board that loses its power."""

import fcntl
import json
import os
import select
import signal
import struct
import termios
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from fakes import PtyPort
from helpers import sentence
from invoking import PATIENCE_S, Made, done, refused
from terminal import COLUMNS, Phone, plain

from rigmon.calibration.book import Book
from rigmon.cli.calibrate import live

#: invented for the test: 12 nozzles of 0.2 gal/min at 40 psi give 12.8 fl oz in 30 s
#: (0.2 x 128 x 30 / 60, hand-worked); the seventh is plugged
CAUGHT = ["12.8 oz", "12.7", "12.8", "12.9", "12.8", "12.6", "2.2", "12.8", "12.7", "12.9", "12.8", "12.7"]


@pytest.fixture
def folder(made: Made, tmp_path: Path) -> Path:
    (tmp_path / "rig.toml").write_text(made.rig.read_text())
    return tmp_path


def recorded(folder: Path, name: str) -> dict[str, Any]:
    with Book(folder / "calibration.sqlite") as book:
        record = book.get(name)
    return {"inputs": record.inputs, "result": record.result}


def catch(phone: Phone, first: int, last: int) -> None:
    for n in range(first, last + 1):
        phone.answer(f"Nozzle {n} of 12", CAUGHT[n - 1])


def test_a_catch_test_on_a_phone(folder: Path) -> None:
    with Phone("calibrate", "catch", cwd=folder) as phone:
        phone.answer("Pressure, e.g. 40 psi: ", "40 psi")
        phone.answer("Time of each catch, e.g. 30 s: ", "30 s")
        catch(phone, 1, 12)
        assert phone.end() == 0
    screen = plain(phone.screen)
    assert "Use clean water, and wear PPE." in screen
    assert "Nozzle 2 of 12 [fl oz]: " in screen
    assert "-83 % from the others; 'back' corrects." in screen  # 2.2 / 12.8 = 0.172
    assert " 7 0.0344 -82.8%" in screen  # 2.2 / 128 x 2 = 0.0344 gal/min; 2.2 / 12.77 - 1
    assert "plugged" in screen
    assert "Clean tip and strainer" in screen
    assert "Catch again: rigmon calibrate catch --nozzle 7" in screen
    prompts = [
        line for line in phone.lines() if ": " in line and line.startswith(("Pressure", "Time", "Nozzle"))
    ]
    assert len(prompts) == 14
    # a command to type may be longer than the screen; nothing else is
    for line in phone.lines():
        assert len(line) <= COLUMNS or "calibrate" in line, line
    assert not list(folder.glob("*.session")), "the book holds the answers now"


@pytest.mark.parametrize("how", ["power cut", "connection lost", "Ctrl-C", "SIGTERM"])
def test_an_interrupted_catch_test_goes_on_where_it_stopped_and_loses_nothing(how: str, folder: Path) -> None:
    with Phone("calibrate", "catch", "--pressure", "40 psi", "--time", "30 s", cwd=folder) as phone:
        catch(phone, 1, 6)
        phone.wait_for("Nozzle 7 of 12 [fl oz]: ")
        if how == "power cut":
            phone.kill()
        elif how == "connection lost":
            assert phone.hang_up() == -signal.SIGHUP
        elif how == "SIGTERM":
            phone.process.terminate()
            assert phone.end() == -signal.SIGTERM
        else:
            phone.press("\x03")
            assert phone.end() == 130
            assert "Your answers are kept. Start the same command again to go on." in plain(phone.screen)
    with Phone("calibrate", "catch", cwd=folder) as phone:
        phone.answer("nozzle 7 of 12; resume? [Y/n] ", "")
        catch(phone, 7, 12)
        assert phone.end() == 0
    assert "Nozzle 6 of" not in phone.screen
    assert "Pressure" not in phone.screen, "what was given the first time need not be given again"

    # the same, uninterrupted
    volumes = ", ".join(CAUGHT)
    straight = json.loads(
        done(
            "calibrate", "catch", "--pressure", "40 psi", "--time", "30 s", "--volumes", volumes, "--dry-run",
            "--json", cwd=folder,
        )
    )  # fmt: skip
    (name,) = (record.name for record in _records(folder))
    assert recorded(folder, name)["inputs"] == straight["inputs"]


def _records(folder: Path) -> list[Any]:
    with Book(folder / "calibration.sqlite") as book:
        return book.history("catch")


def test_answers_are_on_the_card_before_the_next_question(folder: Path) -> None:
    with Phone("calibrate", "catch", "--pressure", "40 psi", "--time", "30 s", cwd=folder) as phone:
        phone.wait_for("Nozzle 1 of 12")
        for n in range(1, 5):
            phone.types(CAUGHT[n - 1])
            phone.wait_for(f"Nozzle {n + 1} of 12")
            (session,) = folder.glob("*.session")
            lines = [json.loads(line) for line in session.read_text().splitlines()]
            assert lines[-1]["a"] == CAUGHT[n - 1]
        phone.kill()


def test_back_skip_and_wrong_answers(folder: Path) -> None:
    with Phone("calibrate", "catch", "--pressure", "40 psi", "--time", "30 s", cwd=folder) as phone:
        phone.answer("Nozzle 1 of 12, e.g. 20 oz: ", "12,8 oz")
        phone.wait_for("decimal")
        phone.answer("Nozzle 1 of 12, e.g. 20 oz: ", "12.8")
        phone.wait_for("has no unit")
        phone.answer("Nozzle 1 of 12, e.g. 20 oz: ", "12.8 oz")
        phone.answer("Nozzle 2 of 12 [fl oz]: ", "127")
        phone.wait_for("+892 % from")  # 127 / 12.8 = 9.92
        phone.answer("Nozzle 3 of 12", "back")
        phone.wait_for("It was: 127")
        phone.answer("Nozzle 2 of 12 [fl oz]: ", "12.7 in 29.8 s")
        phone.answer("Nozzle 3 of 12", "skip")
        catch(phone, 4, 12)
        assert phone.end() == 0
    (record,) = _records(folder)
    catches = record.inputs["catches"]
    assert [c["nozzle"] for c in catches] == [1, 2, *range(4, 13)]
    assert catches[1]["time_s"] == 29.8
    assert record.result["missing"] == [3]


def test_a_test_begun_for_another_boom_is_not_resumed(folder: Path) -> None:
    with Phone("calibrate", "catch", "--time", "30 s", "--pressure", "skip", cwd=folder) as phone:
        catch(phone, 1, 1)
        phone.wait_for("Nozzle 2")
        phone.kill()
    rig = folder / "rig.toml"
    rig.write_text(rig.read_text().replace("nozzle_count = 12", "nozzle_count = 6"))
    with Phone("calibrate", "catch", cwd=folder) as phone:
        assert phone.end() == 2
    assert "--fresh" in phone.screen
    with Phone("calibrate", "catch", "--fresh", "--time", "30 s", "--pressure", "skip", cwd=folder) as phone:
        phone.wait_for("Nozzle 1 of 6")
        phone.kill()
    (aside,) = folder.glob("*.aside1")
    assert "12.8 oz" in aside.read_text()


def test_passes_of_a_course_survive_a_lost_connection(folder: Path) -> None:
    with Phone("calibrate", "course", "--distance", "200 ft", cwd=folder) as phone:
        phone.answer("Pass 1 out, e.g. 39.1 s: ", "39.1 s")
        phone.answer("Pass 2 back [s]: ", "0:38.7")
        phone.wait_for("Pass 3 out [s] (Enter: done): ")
        assert phone.hang_up() == -signal.SIGHUP
    with Phone("calibrate", "course", cwd=folder) as phone:
        phone.answer("pass 3; resume? [Y/n] ", "y")
        phone.answer("Pass 3 out [s] (Enter: done): ", "39.4")
        phone.answer("Pass 4 back [s] (Enter: done): ", "38.9 back")
        phone.answer("Pass 5", "")
        assert phone.end() == 0
    # 200 ft = 60.96 m; mean of 39.1 and 39.4 out is 39.25, of 38.7 and 38.9 back 38.8, of both 39.025 s;
    # 60.96 / 39.025 = 1.5621 m/s = 3.494 mph, hand-worked
    assert "Speed by stopwatch: 3.49 mph" in plain(phone.screen)
    for line in phone.lines():
        assert len(line) <= COLUMNS, line


def test_a_refused_fit_can_be_corrected_on_the_spot(folder: Path) -> None:
    """The third run was typed ten times too large."""
    rig = folder / "rig.toml"
    rig.write_text(rig.read_text().replace('source = "xdr"', 'source = "none"'))
    with Phone("calibrate", "flowmeter", cwd=folder) as phone:
        for n, (pulses, volume) in enumerate((("1210", "2.7 L"), ("1208", "2.7"), ("1212", "27")), 1):
            phone.answer(f"Run {n}: pulses counted: ", pulses)
            phone.answer(f"Run {n}: caught", volume)
            phone.answer(f"Run {n}: time", "31 s")
        phone.answer("Another run? [y/N]: ", "n")
        phone.wait_for("the runs differ by")
        phone.answer("'back' corrects, Enter stops: ", "back")
        phone.answer("Another run? [y/N]: ", "back")
        phone.answer("Run 3: time [s]: ", "back")
        phone.wait_for("It was: 27")
        phone.answer("Run 3: caught [L]: ", "2.7")
        phone.answer("Run 3: time [s]: ", "31")
        phone.answer("Another run? [y/N]: ", "n")
        assert phone.end() == 0
    # (1210 + 1208 + 1212) / 3 / 2.7 = 448.15, hand-worked
    assert "448.15 pulses per litre" in plain(phone.screen)


def test_a_beat_is_seen_and_heard_until_ctrl_c(folder: Path) -> None:
    args = (
        *("calibrate", "pace", "--steps", 40, "--distance", "100 ft", "--rate", "17 gal/ac"),
        *("--flow", "0.36 gal/min", "--swath", "3 ft", "--beat"),
    )
    with Phone(*args, cwd=folder) as phone:
        phone.wait_for("\a\r\x1b[7m LEFT  \x1b[0m")
        phone.wait_for("\a\r       \x1b[7m RIGHT \x1b[0m")
        phone.wait_for("LEFT")
        phone.press("\x03")
        assert phone.end() == 0
    screen = plain(phone.screen)
    assert "Ctrl-C stops the beat." in screen
    assert "beats in" in screen
    assert "ms late on average" in screen


# -- sensors, live -------------------------------------------------------------------------------------------


@pytest.fixture
def port(folder: Path) -> Iterator[PtyPort]:
    pty = PtyPort(folder / "node")
    pty.plug()
    rig = folder / "rig.toml"
    rig.write_text(rig.read_text().replace("/dev/no-receiver", str(pty.link)))
    yield pty
    pty.unplug()


def runs(port: PtyPort, speak: Callable[[], None]) -> None:
    """The node speaks for a moment, and the program has read all of it."""
    fd = os.open(port.link, os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK)
    start = time.monotonic()
    try:
        while time.monotonic() < start + 0.15:
            speak()
            while struct.unpack("i", fcntl.ioctl(fd, termios.FIONREAD, b"\0" * 4))[0]:
                assert time.monotonic() < start + PATIENCE_S
                select.select([], [], [], 0.01)
            select.select([], [], [], 0.02)
    finally:
        os.close(fd)


def test_the_flowmeter_is_read_while_the_water_runs(folder: Path, port: PtyPort) -> None:
    """The node states a volume; what runs through is 3 % more than it states."""
    stated_l = 100.0

    def speak() -> None:
        port.send(sentence(f"YXXDR,V,{stated_l / 1000:.6f},M,FLOW") + b"\r\n")

    with Phone("calibrate", "flowmeter", "--live", "--dry-run", "--json", cwd=folder) as phone:
        phone.wait_for("Run 1: Enter, then water on: ", speak)
        for run in (1, 2, 3):
            phone.types("")
            phone.wait_for("Water off, then Enter: ", speak)
            stated_l += 2.0
            runs(port, speak)
            phone.types("")
            phone.wait_for(f"Run {run}: caught", speak)
            phone.types("2.06 L" if run == 1 else "2.06")
            if run < 3:
                phone.wait_for(f"Run {run + 1}: Enter, then water on: ", speak)
        phone.answer("Another run? [y/N]: ", "")
        assert phone.end() == 0
    result = json.loads(phone.screen[phone.screen.index("{\r\n") :])
    assert result["result"]["factor"] == pytest.approx(1.03)  # 2.06 / 2.00
    assert [run["indicated_l"] for run in result["inputs"]["runs"]] == pytest.approx([2.0, 2.0, 2.0])


def test_a_run_of_the_flowmeter_is_kept_when_the_connection_dies(folder: Path, port: PtyPort) -> None:
    stated_l = 50.0

    def speak() -> None:
        port.send(sentence(f"YXXDR,V,{stated_l / 1000:.6f},M,FLOW") + b"\r\n")

    with Phone("calibrate", "flowmeter", "--live", cwd=folder) as phone:
        phone.wait_for("Run 1: Enter, then water on: ", speak)
        phone.types("")
        phone.wait_for("Water off, then Enter: ", speak)
        stated_l += 2.0
        runs(port, speak)
        phone.types("")
        phone.wait_for("Run 1: caught", speak)
        phone.hang_up()
    with Phone("calibrate", "flowmeter", "--live", cwd=folder) as phone:
        phone.wait_for("run 1; resume? [Y/n] ", speak)
        phone.types("y")
        phone.wait_for("Run 1: caught", speak)
        phone.types("2.06 L")
        phone.wait_for("Run 2: Enter, then water on: ", speak)
        phone.kill()
    (session,) = folder.glob("*.session")
    answers = {
        line["q"]: line["a"] for line in map(json.loads, session.read_text().splitlines()) if "q" in line
    }
    assert json.loads(answers["run 1 meter"])["indicated_l"] == pytest.approx(2.0)
    assert answers["run 1 volume"] == "2.06 L"


def test_a_silent_sensor_is_told(folder: Path, port: PtyPort, monkeypatch: pytest.MonkeyPatch) -> None:
    """In this process, with less patience than on a rig."""
    monkeypatch.setattr(live, "_FIRST_S", 0.2)
    for kind in ("flowmeter", "transducer"):
        assert "without --live" in refused(
            "calibrate", kind, "--live", naming="the sensor says nothing", cwd=folder
        )
    os.unlink(port.link)
    assert "No such file" in refused("calibrate", "flowmeter", "--live", naming="says nothing", cwd=folder)


def test_the_transducer_is_read_at_the_gauges_pressures(folder: Path, port: PtyPort) -> None:
    """The node states 2 % too much of each pressure."""
    gauge_kpa = 0.0

    def speak() -> None:
        port.send(sentence(f"YXXDR,P,{gauge_kpa * 1020:.0f},P,BOOM") + b"\r\n")

    with Phone(
        "calibrate", "transducer", "--live", "--average", "0.4 s", "--dry-run", "--json", cwd=folder
    ) as phone:
        phone.wait_for("Point 1: gauge", speak)
        for n, kpa in enumerate((0.0, 200.0, 400.0), 1):
            gauge_kpa = kpa
            speak()
            phone.types(f"{kpa:.0f} kPa" if n == 1 else f"{kpa:.0f}")
            phone.wait_for("Enter reads 0.4 s: ", speak)
            phone.types("")
            phone.wait_for(f"Point {n + 1}: gauge", speak)
        phone.types("")
        assert phone.end() == 0
    result = json.loads(phone.screen[phone.screen.index("{\r\n") :])
    assert result["result"]["gain"] == pytest.approx(1.02, rel=1e-4)
    assert result["result"]["offset_kpa"] == pytest.approx(0.0, abs=0.01)
