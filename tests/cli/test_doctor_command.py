"""rigmon doctor as a person calls it: on this machine, with receivers on pseudo-terminals."""

import json
import os
import re
import threading
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path

import pytest
from fakes import PATIENCE_S
from invoking import refused, rigmon
from terminal import Phone

from rigmon import config
from rigmon.doctor import card
from rigmon.doctor.examine import examine

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
ON_A_BOARD = Path("/proc/device-tree/model").exists()


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """A shorter look at the ports, whose receivers speak all the time; tests' folders may lie in memory."""
    monkeypatch.setattr(card, "file_system", lambda *_: ("ext4", "/dev/test", False))
    assert examine.__kwdefaults__ is not None
    monkeypatch.setitem(examine.__kwdefaults__, "listen_s", 0.6)


def rig_file(folder: Path, port: object, **kinds: str) -> Path:
    text = (
        config.template()
        .replace("/dev/serial0", str(port))
        .replace("2026-05-30", f"{datetime.now():%Y-%m-%d}")
    )
    for section, kind in kinds.items():
        text = text.replace(f'[{section}]\nsource = "none"', f'[{section}]\nsource = "{kind}"')
    path = folder / "rig.toml"
    path.write_text(text)
    return path


def sentence(body: str) -> bytes:
    check = 0
    for byte in body.encode():
        check ^= byte
    return f"${body}*{check:02X}\r\n".encode()


def good(n: int) -> bytes:
    """A fix at 10 Hz of now, in an invented place; flow, a pressure and a switch that change."""
    now = datetime.now(UTC)
    t = f"{now:%H%M%S}.{now.microsecond // 100_000}0"
    return (
        sentence(f"GNRMC,{t},A,4807.03812,N,01131.00015,E,3.412,084.42,{now:%d%m%y},,,A,V")
        + sentence(f"GNGGA,{t},4807.03812,N,01131.00015,E,1,09,0.9,545.4,M,46.9,M,,")
        + sentence(f"YXXDR,P,{n // 3 % 2 + 1},B,BOOM,R,0.15132,l,FLOW,S,{n // 3 % 2},,BOOM")
    )


@contextmanager
def receiver(speaks: Callable[[int], bytes] = good) -> Iterator[str]:
    """A pseudo-terminal on which a receiver speaks ten times a second; its name."""
    master, slave = os.openpty()
    tty.setraw(slave)
    name = os.ttyname(slave)
    os.close(slave)
    os.set_blocking(master, False)
    stopping = threading.Event()

    def speak() -> None:
        n = 0
        while not stopping.wait(0.1):
            with suppress(OSError):
                os.write(master, speaks(n))
            n += 1

    thread = threading.Thread(target=speak)
    thread.start()
    try:
        yield name
    finally:
        stopping.set()
        thread.join(PATIENCE_S)
        os.close(master)


def asked(*args: object, cwd: Path, code: int) -> dict[str, object]:
    """With --json; the findings by their check."""
    result = rigmon("doctor", *args, "--json", cwd=cwd)
    assert result.code == code, result.out + result.err
    data = json.loads(result.out)
    found = {finding["check"]: finding for finding in data["findings"]}
    assert len(found) == len(data["findings"]), "each check is named once"
    return found


def test_json_is_as_the_readme_says(tmp_path: Path) -> None:
    row = re.search(r"\| `doctor` \| (.*) \|", README)
    assert row is not None
    result = rigmon("doctor", "--json", cwd=tmp_path)
    data = json.loads(result.out)
    assert re.findall(r"`(\w+)`", row[1]) == [*data, *data["findings"][0]]
    assert sum(data["counts"].values()) == len(data["findings"])
    assert data["rig"] is None
    assert list(tmp_path.iterdir()) == [], "nothing is written"


@pytest.mark.skipif(ON_A_BOARD, reason="this is a board: what is wrong with it is not known here")
def test_without_a_rig_file_the_machine_alone_is_looked_at(tmp_path: Path) -> None:
    result = rigmon("doctor", cwd=tmp_path)
    assert (result.code, result.err) == (0, "")
    assert "- Rig file: there is no rig.toml here" in result.out


def test_a_receiver_that_works(tmp_path: Path) -> None:
    with receiver() as port:
        rig = rig_file(tmp_path, port, flow="xdr", pressure="xdr", boom_switch="xdr")
        found = asked("--rig", rig, cwd=tmp_path, code=0)
        text = rigmon("doctor", "--rig", rig, "--units", "metric", cwd=tmp_path).out
    for check in ("gps_port", "gps_baud", "gps_sentences", "gps_rate", "speed_field", "fix", "clock",
                  "flow_xdr", "pressure_xdr", "boom_switch_xdr", "log_folder", "write_speed"):  # fmt: skip
        assert found[check]["state"] == "ok", found[check]
    assert found["gps_rate"]["values"]["rate_hz"] == pytest.approx(10, rel=0.2)
    assert "Flow by XDR: FLOW: 9.1 L/min" in " ".join(text.split())
    assert "Catch test: 9.08 L/min" in " ".join(text.split())
    assert sorted(path.name for path in tmp_path.iterdir()) == ["rig.toml"], "nothing is left behind"


def test_what_is_wrong_is_exit_code_1_and_comes_first(tmp_path: Path) -> None:
    rig_file(tmp_path, "/dev/no-receiver")
    result = rigmon("doctor", cwd=tmp_path)
    assert (result.code, result.err) == (1, "")
    assert result.out.startswith("WRONG\n- GPS port: /dev/no-receiver is not there")
    assert result.out.splitlines()[-1].startswith("Doctor: 1 wrong, ")


def test_a_rig_file_with_an_error_is_a_finding(tmp_path: Path) -> None:
    rig = rig_file(tmp_path, "/dev/no-receiver")
    rig.write_text(rig.read_text().replace("nozzle_count = 12", "nozzle_count = twelve"))
    found = asked("--rig", rig, cwd=tmp_path, code=1)
    assert found["rig_file"]["state"] == "wrong"


@pytest.mark.parametrize(
    ("words", "naming"),
    [
        (["--rig", "none.toml"], "none.toml: there is no such rig file"),
        (["--rig", "."], ".: there is no such rig file"),
        (["--live"], "--live needs a rig file"),
        (["--live", "--wait", "0 s"], "--wait 0 s"),
        (["--wait", "2 h"], "at most 1 h"),
        (["--wait", "5"], "no unit"),
    ],
)
def test_bad_input(words: list[str], naming: str, tmp_path: Path) -> None:
    refused("doctor", *words, naming=naming, cwd=tmp_path)


def test_live_with_a_rig_file_that_is_wrong(tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_text("[rig]\n")
    found = asked("--live", cwd=tmp_path, code=1)
    assert found["live"]["state"] == "unknown"


def test_live_proves_what_arrives(tmp_path: Path) -> None:
    with receiver() as port:
        rig_file(tmp_path, port, flow="xdr", pressure="xdr", boom_switch="xdr")
        result = rigmon("doctor", "--live", "--wait", "20 s", "--json", cwd=tmp_path)
    assert result.code == 0, result.out
    found = {finding["check"]: finding for finding in json.loads(result.out)["findings"]}
    for check in ("live_fix", "live_flow", "live_pressure", "live_boom"):
        assert found[check]["state"] == "ok"
    # what is asked of the person is no result
    said = " ".join(result.err.split())
    assert "2/3 Clean water, nobody at the boom. Turn the pump on" in said
    assert "a flow arrives: 2.4 gal/min" in said


def test_live_in_silence(tmp_path: Path) -> None:
    with receiver(lambda _: b"") as port:
        rig_file(tmp_path, port)
        found = asked("--live", "--wait", "0.2 s", cwd=tmp_path, code=1)
    assert found["gps_baud"]["state"] == "wrong"
    assert "says nothing" in found["gps_baud"]["seen"]
    assert found["live_fix"]["state"] == "wrong"


def test_live_leaves_a_port_alone_that_is_held(tmp_path: Path) -> None:
    with receiver() as port:
        rig = rig_file(tmp_path, port)
        with Phone("run", "--rig", rig, "--no-log", cwd=tmp_path) as daemon:
            daemon.wait_for("mph")
            found = asked("--live", "--wait", "1 s", cwd=tmp_path, code=0)
            assert daemon.process.poll() is None
            daemon.press("\x03")
            assert daemon.end() == 0
            assert "unplugged" not in daemon.screen
    assert found["gps_port"]["state"] == "unknown"
    assert f"(process {daemon.process.pid})" in found["gps_port"]["seen"]
    assert found["live"]["state"] == "unknown"


def test_on_a_phone(tmp_path: Path) -> None:
    """40 columns; a line of progress meanwhile, wiped before what stays."""
    rig_file(tmp_path, "/dev/no-receiver")
    with Phone("doctor", "--live", "--wait", "0.2 s", cwd=tmp_path) as phone:
        phone.wait_for("looking at the board")
        phone.wait_for("1/1  Wait for a fix")
        phone.wait_for("is it plugged in?")
        phone.wait_for("Doctor: ")
        assert phone.end() == 1
    lines = [line for line in phone.screen.replace("\r\n", "\n").split("\n") if "\r" not in line]
    findings = lines[lines.index("Have a look") :]
    assert len(findings) > 10
    assert max(map(len, findings)) <= 40
    shown = [line.rpartition("\r")[2] for line in phone.screen.replace("\r\n", "\n").split("\n")]
    assert any(line.startswith("1/1") for line in shown), "the progress is wiped first"
    assert max(map(len, shown)) <= 40, "what is asked too"
