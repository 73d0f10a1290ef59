"""The stop button and the power-fail pin: two pins that must hold a level for a while to count.

Both put what happened into the hub as a note, so that it is in the run log. gpiozero is loaded only when
one of them is fitted. Its mock pins test them; on the board it takes lgpio.
"""

from typing import TYPE_CHECKING, Any, Final

from rigmon.edge.board import pin_factory
from rigmon.edge.hub import Hub
from rigmon.errors import UsageError
from rigmon.model import Note, Source
from rigmon.rig import Rig

if TYPE_CHECKING:
    import gpiozero

#: a button that is brushed in passing does not end a run
STOP_HOLD_S: Final = 1.0
#: a pin that chatters makes no more notes than this
_NOTE_EVERY_NS: Final = 1_000_000_000


def _button(key: str, pin: int, level: str, hold_s: float) -> "gpiozero.Button":
    """A pin that is active at `level`, pulled to the other one. Raises UsageError, naming `key`."""
    factory = pin_factory(key, pin)
    import gpiozero

    try:
        return gpiozero.Button(pin, pull_up=level == "low", hold_time=hold_s, pin_factory=factory)
    except Exception as error:  # gpiozero's, and the pin factory's own
        raise UsageError(
            f"{key} = {pin} cannot be used: {error}; it must be the BCM number of a GPIO pin on the board's "
            "header, 2 to 27, that nothing else holds"
        ) from error


class StopButton:
    """Puts the note `text` into the hub when the button has been held for `hold_s`."""

    def __init__(self, hub: Hub, pin: int, level: str, text: str, hold_s: float = STOP_HOLD_S) -> None:
        """Raises UsageError when the pin cannot be used."""
        self._hub = hub
        self._text = text
        self._button: Any = _button("runs.stop_pin", pin, level, hold_s)

    def start(self) -> None:
        """Listen. A button that is down already counts from the next time on."""
        self._button.when_held = self._held

    def stop(self) -> None:
        """Let go of the pin."""
        self._button.close()

    def _held(self) -> None:
        self._hub.put(self._hub.clock.now_ns(), Source.PERSON, Note(self._text))


class PowerSense:
    """Closes the hub, saying `why`, when the supply has been failing for `delay_s`; notes shorter dips.

    A pin that says "failing" at the start is not believed until it has said "good" once: one wired the wrong
    way round would otherwise switch the board off at every boot.
    """

    def __init__(self, hub: Hub, pin: int, level: str, delay_s: float, why: str) -> None:
        """Raises UsageError when the pin cannot be used."""
        self._hub = hub
        self._why = why
        self._began_ns: int | None = None
        self._dips = 0
        self._longest_ns = 0
        self._told_ns = -_NOTE_EVERY_NS
        self._button: Any = _button("power.fail_pin", pin, level, delay_s)

    @property
    def failing(self) -> bool:
        """What the pin says now."""
        return bool(self._button.is_active)

    def start(self) -> None:
        """Watch the pin."""
        if self._button.is_active:
            self._note(
                "the power-fail pin says at the start that the supply is failing: ignored until it is good"
            )
        self._button.when_pressed = self._began
        self._button.when_held = self._failed
        self._button.when_released = self._over

    def stop(self) -> None:
        """Let go of the pin."""
        self._button.close()

    def _note(self, text: str) -> None:
        self._hub.put(self._hub.clock.now_ns(), Source.PERSON, Note(text))

    def _began(self) -> None:
        self._began_ns = self._hub.clock.now_ns()

    def _failed(self) -> None:
        if self._began_ns is not None:
            self._tell_dips()
            self._note(self._why)
            self._hub.close(self._why)

    def _over(self) -> None:
        began_ns, self._began_ns = self._began_ns, None
        if began_ns is None:
            return
        now_ns = self._hub.clock.now_ns()
        self._dips += 1
        self._longest_ns = max(self._longest_ns, now_ns - began_ns)
        if now_ns - self._told_ns >= _NOTE_EVERY_NS:
            self._told_ns = now_ns
            self._tell_dips()

    def _tell_dips(self) -> None:
        if self._dips:
            what = "once" if self._dips == 1 else f"{self._dips} times, at most"
            self._note(f"the supply dipped {what} for {self._longest_ns / 1e9:.2f} s: ridden through")
            self._dips = self._longest_ns = 0


def control_pins(rig: Rig, hub: Hub, stop_text: str, fail_why: str) -> list[StopButton | PowerSense]:
    """The stop button and the power-fail pin, as far as the rig has them. Raises UsageError."""
    pins: list[StopButton | PowerSense] = []
    if rig.runs.stop_pin is not None:
        pins.append(StopButton(hub, rig.runs.stop_pin, rig.runs.stop_level, stop_text))
    if rig.power.fail_pin is not None:
        power = rig.power
        assert power.fail_pin is not None
        pins.append(PowerSense(hub, power.fail_pin, power.fail_level, power.fail_delay_s, fail_why))
    return pins
