"""The buzzer on the board: an active one, which sounds while its pin is on."""

import time
from collections.abc import Callable, Sequence

from rigmon.edge.outputs import OutputPin, open_output
from rigmon.edge.pin_feedback import PinFeedback
from rigmon.edge.signals import Signal, Sound, chirp
from rigmon.rig import Buzzer, Rig


class BuzzerFeedback(PinFeedback):
    """Sounds what needs the driver's hand. The rig must have a buzzer.pin.

    Raises UsageError that names the key when the pin cannot be used.
    """

    name = "buzzer"

    def __init__(self, rig: Rig, *, monotonic_s: Callable[[], float] = time.monotonic) -> None:
        super().__init__(rig, lambda: _open(rig.buzzer), monotonic_s=monotonic_s)

    def patterns(self, shown: Signal) -> Sequence[Sound]:
        return (shown.sound,)

    def test(self, t_s: float) -> tuple[Sequence[bool], float | None]:
        on, wait_s = chirp(t_s)
        return (on,), wait_s


def _open(buzzer: Buzzer) -> list[OutputPin]:
    if buzzer.pin is None:
        raise ValueError("the rig has no buzzer.pin")
    return [open_output(buzzer.pin, buzzer.on_level, "buzzer.pin")]
