"""The board's pins: what is said when they cannot be had, and lgpio's import, which must leave no trace."""

import builtins
import os
import subprocess
import sys
import types
from collections.abc import Iterator
from pathlib import Path

import pytest
from fakes import PATIENCE_S
from gpiozero import Device
from gpiozero.pins.mock import MockFactory
from standins import FakeLgpio
from wiring import SimTime, raising

from rigmon.edge.board import clock_zero_ns, pin_factory
from rigmon.errors import UsageError


@pytest.fixture
def bare(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Nobody has made a pin factory yet, nor asked for one."""
    monkeypatch.setattr(Device, "pin_factory", None)
    monkeypatch.delenv("GPIOZERO_PIN_FACTORY", raising=False)
    monkeypatch.delitem(sys.modules, "gpiozero.pins.lgpio", raising=False)
    monkeypatch.delitem(sys.modules, "lgpio", raising=False)
    yield
    sys.modules.pop("gpiozero.pins.lgpio", None)


def test_a_factory_that_is_there_is_taken(factory: MockFactory) -> None:
    assert pin_factory("flow.pin", 17) is factory


def test_a_factory_that_somebody_asks_for_is_made(bare: None, monkeypatch: pytest.MonkeyPatch) -> None:  # noqa: ARG001
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "mock")
    made = pin_factory("flow.pin", 17)
    assert isinstance(made, MockFactory)
    assert pin_factory("boom_switch.pin", 27) is made
    monkeypatch.setattr(Device, "pin_factory", None)
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "none-such")
    with pytest.raises(UsageError, match=r"^flow\.pin = 17: the board's pins cannot be used: .*none-such"):
        pin_factory("flow.pin", 17)


def test_without_gpiozero(bare: None, monkeypatch: pytest.MonkeyPatch) -> None:  # noqa: ARG001
    monkeypatch.setitem(sys.modules, "gpiozero", None)
    with pytest.raises(UsageError, match=r"^flow\.pin = 17 needs the package gpiozero .*install"):
        pin_factory("flow.pin", 17)


def test_without_lgpio(bare: None, monkeypatch: pytest.MonkeyPatch) -> None:  # noqa: ARG001
    real_import = builtins.__import__

    def without_lgpio(name: str, *args: object, **kwargs: object) -> object:
        if name == "lgpio":
            raise ModuleNotFoundError("No module named 'lgpio'", name="lgpio")
        return real_import(name, *args, **kwargs)  # type: ignore[arg-type]

    monkeypatch.setattr(builtins, "__import__", without_lgpio)
    with pytest.raises(UsageError, match=r"^flow\.pin = 17: .*'lgpio'.*apt install python3-lgpio") as caught:
        pin_factory("flow.pin", 17)
    assert "--system-site-packages" in str(caught.value)
    assert Device.pin_factory is None  # no silent step down to another factory


def test_the_empty_lgpio_of_the_package_index(bare: None, monkeypatch: pytest.MonkeyPatch) -> None:  # noqa: ARG001
    """Version 0.0.0.2 is a file of no bytes; pip takes it where no wheel of a real one fits."""
    monkeypatch.setitem(sys.modules, "lgpio", types.ModuleType("lgpio"))
    with pytest.raises(UsageError, match=r"an empty one .*pip uninstall lgpio.*apt install python3-lgpio"):
        pin_factory("flow.pin", 17)


def test_off_the_board(bare: None, monkeypatch: pytest.MonkeyPatch) -> None:  # noqa: ARG001
    monkeypatch.setitem(sys.modules, "lgpio", FakeLgpio())
    monkeypatch.setattr("gpiozero.pins.local.open", raising(FileNotFoundError(2, "no")), raising=False)
    from gpiozero.exc import PinUnknownPi

    monkeypatch.setattr("gpiozero.pins.local.get_pi_revision", raising(PinUnknownPi("unable to locate")))
    with pytest.raises(UsageError, match="unable to locate; is this machine a Raspberry Pi"):
        pin_factory("flow.pin", 17)


@pytest.mark.parametrize(
    ("chips", "allowed", "words"),
    [
        ([], True, "is it a Raspberry Pi"),
        (["/dev/gpiochip0"], False, "in the group 'gpio'"),
        (["/dev/gpiochip0"], True, "gpiozero 2.0.1.post3"),
    ],
)
def test_a_chip_that_cannot_be_opened(
    bare: None,  # noqa: ARG001
    monkeypatch: pytest.MonkeyPatch,
    chips: list[str],
    allowed: bool,
    words: str,
) -> None:
    lgpio = FakeLgpio()
    lgpio.gpiochip_open = raising(lgpio.error("can not open gpiochip"))  # type: ignore[method-assign]
    monkeypatch.setitem(sys.modules, "lgpio", lgpio)
    monkeypatch.setattr("gpiozero.pins.local.get_pi_revision", lambda: 0xD04170)
    monkeypatch.setattr(Path, "glob", lambda *_: map(Path, chips))
    monkeypatch.setattr(os, "access", lambda *_: allowed)
    with pytest.raises(UsageError, match=f"can not open gpiochip.*{words}"):
        pin_factory("flow.pin", 17)


#: what lgpio does on its import, as its Python and C sources have it: a named pipe in LG_WD, to which it
#: moves the process, else in the current folder, opened by its relative name
_LGPIO_IMPORT = """
import os
if os.environ.get("LG_WD"):
    os.chdir(os.environ["LG_WD"])
os.mkfifo(".lgd-nfy0")
_there = os.open(".lgd-nfy0", os.O_RDWR)
_file = open(".lgd-nfy0", "rb", buffering=0)
SET_PULL_NONE, SET_PULL_UP, SET_PULL_DOWN = 128, 32, 64
BOTH_EDGES, RISING_EDGE, FALLING_EDGE = 3, 1, 2
class error(Exception): pass
def gpiochip_open(chip): return 0
def gpiochip_close(handle): pass
"""

_PROBE = """
import os, sys
sys.path.insert(0, sys.argv[1])
import gpiozero.pins.local
gpiozero.pins.local.get_pi_revision = lambda: 0xd04170
before = os.getcwd()
from rigmon.edge.board import pin_factory
factory = pin_factory("flow.pin", 17)
assert type(factory).__name__ == "LGPIOFactory", factory
assert os.getcwd() == before, os.getcwd()
import lgpio
os.write(lgpio._there, b"alive")
assert lgpio._file.read(5) == b"alive"
print(os.environ.get("LG_WD"), *sorted(os.listdir(sys.argv[2])))
"""


@pytest.mark.parametrize("lg_wd", [False, True])
@pytest.mark.parametrize("writable", [False, True])
def test_lgpios_import_leaves_no_pipe_and_moves_nobody(tmp_path: Path, lg_wd: bool, writable: bool) -> None:
    """In a process of its own, from a folder like a service's: it need not be one that can be written."""
    modules, temporary, other = (tmp_path / name for name in ("modules", "tmp", "other"))
    for folder in (modules, temporary, other):
        folder.mkdir()
    (modules / "lgpio.py").write_text(_LGPIO_IMPORT)
    env = {key: value for key, value in os.environ.items() if key not in ("LG_WD", "GPIOZERO_PIN_FACTORY")}
    env["TMPDIR"] = str(temporary)
    if lg_wd:
        env["LG_WD"] = str(other)
    here = temporary if writable else Path("/proc")
    done = subprocess.run(
        [sys.executable, "-c", _PROBE, modules, temporary],
        cwd=here, env=env, capture_output=True, text=True, timeout=PATIENCE_S, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stdout.split() == [str(other) if lg_wd else "None"]
    assert list(other.iterdir()) == []


def test_the_zero_of_another_clock() -> None:
    """The clocks are looked at by turns, 100 ns apart; the third round is the closest."""
    looks = iter([0, 9_000, 10_000, 12_000, 20_000, 20_200, 30_000, 39_000, 40_000, 49_000])
    there = iter([5_000 + 4_500, 5_000 + 11_000, 5_000 + 20_100, 5_000 + 34_500, 5_000 + 44_500])
    assert clock_zero_ns(lambda: next(there), lambda: next(looks)) == 5_000
    sim = SimTime()
    assert clock_zero_ns(lambda: round(sim.ticks_s() * 1e9), sim.now_ns) == pytest.approx(12_345_678_901_234)
