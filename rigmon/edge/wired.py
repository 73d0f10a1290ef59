"""The sources of sensors that are wired to the board, as the rig file asks for them."""

import os
import sys

from rigmon.edge.adc import AdcSource
from rigmon.edge.board import pin_factory
from rigmon.edge.hub import Hub
from rigmon.edge.pulses import GpiozeroPulses, PulseReader, PulseSource
from rigmon.edge.pulses_gpiod import GpiodPulses, header_chip, libgpiod
from rigmon.edge.switch import SwitchSource
from rigmon.rig import Rig

WiredSource = PulseSource | AdcSource | SwitchSource

#: rig section -> what its source is called when it is wired
_WIRED = {"flow": "gpio", "pressure": "adc", "boom_switch": "gpio"}


def is_wired(rig: Rig, section: str) -> bool:
    """Whether the sensor of that section ('flow', 'pressure' or 'boom_switch') is wired to the board."""
    return bool(getattr(rig, section).source == _WIRED[section])


def wired_sources(rig: Rig, hub: Hub, only: str | None = None) -> list[WiredSource]:
    """The sources of the rig's wired sensors; of the section `only`, when that is given. Empty without any.

    Each has been tried once and has let go again, so what cannot work is said before a run begins. Nothing
    of gpiozero is imported for a rig without wired sensors. Call it before other threads are started (see
    `rigmon.edge.board`). Raises UsageError that names the rig file's key and says what to do.
    """
    sources: list[WiredSource] = []
    if is_wired(rig, "flow") and only in (None, "flow"):
        sources.append(PulseSource(hub, _pulse_reader(rig, hub)))
    if is_wired(rig, "pressure") and only in (None, "pressure"):
        factory = pin_factory("pressure.source", rig.pressure.source)
        sources.append(AdcSource(hub, factory, rig.pressure))
    if is_wired(rig, "boom_switch") and only in (None, "boom_switch"):
        switch = rig.boom_switch
        assert switch.pin is not None  # the rig file's checks see to it
        factory = pin_factory("boom_switch.pin", switch.pin)
        sources.append(SwitchSource(hub, factory, switch.pin, switch.pull, switch.on_level))
    for source in sources:
        source.check()
    return sources


def _pulse_reader(rig: Rig, hub: Hub) -> PulseReader:
    """libgpiod's where it is installed and sees the header, for it knows of losses; else gpiozero's."""
    flow = rig.flow
    assert flow.pin is not None  # the rig file's checks see to it
    gpiod = None if _somebody_chose_gpiozero() else libgpiod()
    chip = None if gpiod is None else header_chip(gpiod)
    if gpiod is not None and chip is not None:
        return GpiodPulses(gpiod, chip, flow.pin, flow.pull, hub.clock)
    return GpiozeroPulses(pin_factory("flow.pin", flow.pin), flow.pin, flow.pull, hub.clock)


def _somebody_chose_gpiozero() -> bool:
    """A pin factory was chosen in the environment, or the pins are gpiozero's mock ones."""
    if os.environ.get("GPIOZERO_PIN_FACTORY"):
        return True
    mock = sys.modules.get("gpiozero.pins.mock")  # imported already, if so: nothing is loaded for this look
    return mock is not None and isinstance(mock.Device.pin_factory, mock.MockFactory)
