"""The lights on the board: the strip that shows where the speed is, and the trouble light."""

import time
from collections.abc import Callable, Sequence

from rigmon.edge.outputs import OutputPin, open_output
from rigmon.edge.pin_feedback import PinFeedback
from rigmon.edge.signals import Light, Signal, lamp_test
from rigmon.rig import Lights, Rig


class LightsFeedback(PinFeedback):
    """Shows the strip (lights.pins) and the trouble light (lights.trouble_pin), whichever the rig has.

    Raises UsageError that names the key of a pin that cannot be used; the others are given back then.
    """

    name = "lights"

    def __init__(self, rig: Rig, *, monotonic_s: Callable[[], float] = time.monotonic) -> None:
        super().__init__(rig, lambda: _open(rig.lights), monotonic_s=monotonic_s)
        self._trouble_fitted = rig.lights.trouble_pin is not None

    def patterns(self, shown: Signal) -> Sequence[Light]:
        return (*shown.lights, shown.trouble) if self._trouble_fitted else shown.lights

    def test(self, t_s: float) -> tuple[Sequence[bool], float | None]:
        return lamp_test(len(self._pins), t_s)


def _open(lights: Lights) -> list[OutputPin]:
    pins: list[OutputPin] = []
    try:
        for pin in lights.pins:
            pins.append(open_output(pin, lights.on_level, "lights.pins"))
        if lights.trouble_pin is not None:
            pins.append(open_output(lights.trouble_pin, lights.on_level, "lights.trouble_pin"))
    except BaseException:
        for opened in pins:
            opened.close()
        raise
    return pins
