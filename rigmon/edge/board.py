"""The board's pins, through gpiozero: the pin factory, and one reserved input pin.

gpiozero is imported here and in the wired sources only, and only when a rig has something wired: neither a
laptop that scores nor a rig whose sensors speak NMEA needs it. Call `pin_factory` from the main thread before
other threads start: see `_lgpio_factory`.
"""

import os
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Final

from rigmon.errors import UsageError

#: what gpiozero's pins call for an edge: its stamp in the factory's ticks, and the pin's level after it
EdgeCallback = Callable[[Any, Any], None]

#: rig file -> gpiozero
_PULLS: Final = {"up": "up", "down": "down", "none": "floating"}
#: the pin factories that hand on edge stamps of CLOCK_MONOTONIC (the others stamp when Python gets there, or
#: on a clock of their own that starts again each 72 minutes)
_STAMPED: Final = ("gpiozero.pins.lgpio", "gpiozero.pins.mock")
_APT: Final = "sudo apt install python3-lgpio, and make the venv with --system-site-packages"


def pin_factory(key: str, value: object) -> Any:
    """gpiozero's pin factory; made at the first call, the same one afterwards.

    It is lgpio's, the only one that works on every board and hands on the kernel's edge stamps, unless
    somebody chose another: in the environment (GPIOZERO_PIN_FACTORY) or by setting gpiozero.Device's.
    gpiozero's own way, to fall back silently from one factory to the next, would end in one that counts
    badly. `key` and `value` are the rig file's setting that asks for it, for the message.

    Raises UsageError that says what to do when gpiozero or the pins cannot be had.
    """
    try:
        from gpiozero import Device
    except ImportError as error:
        raise UsageError(
            f"{key} = {value} needs the package gpiozero ({error}): sudo apt install python3-gpiozero, or "
            "pip install gpiozero in the venv"
        ) from error
    if Device.pin_factory is None:
        try:
            if os.environ.get("GPIOZERO_PIN_FACTORY"):
                Device.ensure_pin_factory()
            else:
                Device.pin_factory = _lgpio_factory()
        except Exception as error:  # what a factory raises depends on the board and on how it was installed
            raise UsageError(f"{key} = {value}: the board's pins cannot be used: {_why(error)}") from error
    return Device.pin_factory


def _lgpio_factory() -> Any:
    """lgpio's factory, with the process left where it was.

    On its import lgpio makes a named pipe in the current folder and opens it there, by a relative name; where
    that folder cannot be written (under systemd it is / by default) the import fails, and where two programs
    share it they take each other's pipe. With LG_WD set it makes the pipe there instead, but moves the whole
    process to that folder for good. So the import is done in a new folder that nobody else has, and the
    process is moved back before this returns. The pipe is open at both ends by then: its name is not needed
    any more, and goes with the folder. LG_WD need not be set, and is not looked at.
    """
    with _own_folder():
        from gpiozero.pins.lgpio import LGPIOFactory
    return LGPIOFactory()


@contextmanager
def _own_folder() -> Iterator[None]:
    """A fresh folder as the current one, gone afterwards; relative paths mean what they meant before."""
    lg_wd = os.environ.pop("LG_WD", None)
    here = os.open(".", os.O_PATH | os.O_DIRECTORY)
    try:
        # a service may write to its own run-time folder, if nowhere else
        own = os.environ.get("RUNTIME_DIRECTORY", "").partition(":")[0]
        where = own if own and os.access(own, os.W_OK) else None
        with tempfile.TemporaryDirectory(prefix="rigmon-pins-", dir=where) as folder:
            os.chdir(folder)
            try:
                yield
            finally:
                os.fchdir(here)
    finally:
        os.close(here)
        if lg_wd is not None:
            os.environ["LG_WD"] = lg_wd


def _why(error: Exception) -> str:
    """What is wrong in a few words, and what to do about it."""
    text = str(error).strip() or type(error).__name__
    if isinstance(error, ModuleNotFoundError):
        asked = os.environ.get("GPIOZERO_PIN_FACTORY")
        return f"{text}; leave GPIOZERO_PIN_FACTORY, '{asked}', unset" if asked else f"{text}; {_APT}"
    if isinstance(error, AttributeError) and "lgpio" in text:
        # an early upload to the package index is an empty file, and pip prefers it where no wheel fits
        return f"the module lgpio in this Python is an empty one ({text}); pip uninstall lgpio, then {_APT}"
    if "gpiochip" in text:
        chips = sorted(Path("/dev").glob("gpiochip*"))
        if not chips:
            return f"{text}: this machine has none; is it a Raspberry Pi?"
        if all(os.access(chip, os.R_OK | os.W_OK) for chip in chips):
            return f"{text}; on a Raspberry Pi 5 it takes gpiozero 2.0.1.post3 or newer"
        return f"{text}; is this user in the group 'gpio'? sudo usermod -aG gpio $USER, then log in again"
    if type(error).__name__ == "PinUnknownPi":
        return f"{text}; is this machine a Raspberry Pi?"
    return text


class InputPin:
    """One pin as an input, reserved for its holder from construction to close()."""

    def __init__(self, factory: Any, number: int, pull: str, key: str) -> None:
        """`pull`: up, down or none. `key` names the pin in the rig file, such as 'flow.pin'.

        Raises UsageError, naming the key, for a pin that is held by something else, that the board does not
        have, or whose resistor is fixed.
        """
        if not any(kind.__module__ in _STAMPED for kind in type(factory).__mro__):
            raise UsageError(
                f"{key} = {number} cannot be used with gpiozero's {type(factory).__name__}, which does not "
                "pass on the kernel's edge stamps: leave GPIOZERO_PIN_FACTORY unset, or set it to lgpio"
            )
        self._factory = factory
        self._name = f"GPIO{number}"
        self._pin: Any = None
        self._callback: EdgeCallback | None = None
        try:
            factory.reserve_pins(self, self._name)
            self._pin = factory.pin(self._name)
            self._pin.input_with_pull(_PULLS[pull])
        except Exception as error:  # gpiozero's, and lgpio's own
            self.close()
            raise UsageError(f"{key} = {number} cannot be used: {_why_not(error, key, pull)}") from error

    def _conflicts_with(self, _other: object) -> bool:
        """gpiozero asks: two never share a pin."""
        return True

    def stamps(self, now_ns: Callable[[], int]) -> Callable[[Any], int]:
        """How ticks become a stamp on the readings' clock, which `now_ns` reads. Ticks are seconds."""
        zero_ns = clock_zero_ns(lambda: round(self._factory.ticks() * 1e9), now_ns)
        return lambda ticks: round(ticks * 1e9) - zero_ns

    @property
    def high(self) -> bool:
        """The level now. Raises what the pin factory raises for a pin that is gone."""
        return bool(self._pin.state)

    def check_alive(self) -> None:
        """Raise RuntimeError when no edge can come any more: silence would pass for a pin at rest.

        lgpio calls all handlers from one thread, which ends for good when any of them raises.
        """
        thread = getattr(sys.modules.get("lgpio"), "_notify_thread", None)
        if thread is not None and not thread.is_alive():
            raise RuntimeError("lgpio's thread has ended and no edge is seen any more; start rigmon again")

    def listen(self, edges: str, callback: EdgeCallback) -> None:
        """Call `callback(ticks, level)` on the pin factory's thread for each edge: 'rising' or 'both'.

        There is no debounce: lgpio's drops short pulses and sets the stamps back. The callback must not
        raise: see check_alive.
        """
        self.check_alive()
        self._pin.bounce = None
        self._pin.edges = edges
        self._callback = callback  # the pin itself holds it weakly
        self._pin.when_changed = callback

    def close(self) -> None:
        """Let go of the pin. May be called twice, and after a constructor that failed."""
        pin, self._pin = self._pin, None
        if pin is not None:
            with suppress(Exception):  # a pin whose chip is gone is as closed as it can be
                pin.when_changed = None
                pin.close()
        self._callback = None
        with suppress(Exception):
            self._factory.release_pins(self, self._name)


def _why_not(error: Exception, key: str, pull: str) -> str:
    text = str(error).strip() or type(error).__name__
    kind = type(error).__name__
    if kind == "GPIOPinInUse":
        return f"{text}; give each a pin of its own"
    if kind == "PinFixedPull":
        section = key.partition(".")[0]
        return f"{text}, so {section}.pull = '{pull}' is not possible; set it to 'up', or take another pin"
    if kind == "PinInvalidPin":
        return f"{text}; it must be the BCM number of a GPIO pin on the board's header, 2 to 27"
    if "busy" in text.lower():
        return f"{text}: another program holds it; 'gpioinfo' says which"
    return text


def clock_zero_ns(ticks_ns: Callable[[], int], now_ns: Callable[[], int]) -> int:
    """What must be taken from a stamp on `ticks_ns`'s clock to get one on `now_ns`'s, the readings'.

    The kernel stamps edges with CLOCK_MONOTONIC, and the readings' clock is the same one with another zero:
    so this is a constant. It is read off between two looks at the clock, the closest of a few.
    """
    best: tuple[int, int] | None = None
    for _ in range(5):
        before_ns = now_ns()
        there_ns = ticks_ns()
        apart_ns = now_ns() - before_ns
        if best is None or apart_ns < best[0]:
            best = apart_ns, there_ns - before_ns - apart_ns // 2
    assert best is not None
    return best[1]
