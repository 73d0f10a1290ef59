"""Output pins of the board, through gpiozero, which is loaded only when a pin is opened."""

import warnings
from typing import Protocol

from rigmon.edge.board import pin_factory
from rigmon.errors import UsageError


class OutputPin(Protocol):
    """A pin that something hangs on. `on` and `off` return at once; `close` gives the pin back."""

    def on(self) -> None: ...

    def off(self) -> None: ...

    def close(self) -> None: ...


def open_output(pin: int, on_level: str, where: str) -> OutputPin:
    """The pin with this BCM number, off. `on_level` "high" or "low" is its level when it is on.

    Raises UsageError, beginning with `where` and the number, when the pin cannot be used.
    """
    factory = pin_factory(where, pin)
    from gpiozero import DigitalOutputDevice

    try:
        with warnings.catch_warnings():
            # "not on this board's header": so is every pin of a compute module
            warnings.simplefilter("ignore")
            opened: OutputPin = DigitalOutputDevice(
                pin, active_high=on_level == "high", initial_value=False, pin_factory=factory
            )
    except Exception as error:  # gpiozero's, and its pin library's own
        raise UsageError(
            f"{where} = {pin} cannot be used as an output: {error}; it must be the BCM number of a GPIO pin "
            "on the board's header, 2 to 27, that nothing else holds"
        ) from error
    return opened
