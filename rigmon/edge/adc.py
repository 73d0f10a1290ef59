"""Pressure as raw counts of an SPI converter of the MCP3xxx family, through gpiozero, ten times a second.

The transducer's channel and the one that measures its supply rail are read one right after the other (a
tenth of a millisecond apart on a hardware bus), so that what the rail does is in both. Counts go to the hub
as they are: what they mean, and whether the wire is open, is the core's to say, and to say again from a log.
"""

import contextlib
import warnings
from typing import Any, Final

from rigmon.edge.hub import Hub
from rigmon.edge.paced import FIRST_RETRY_S, LONGEST_RETRY_S, PacedThread
from rigmon.errors import UsageError
from rigmon.model import AdcCount, Source, SourceFault
from rigmon.rig import PressureSensor

#: a reading is taken this often
EVERY_S: Final = 0.1


class AdcSource:
    """Reads the converter into a hub from a thread of its own. A bus in trouble is a row and a retry."""

    source: Final = Source.PRESSURE

    def __init__(self, hub: Hub, factory: Any, sensor: PressureSensor) -> None:
        self._hub = hub
        self._factory = factory
        self._sensor = sensor
        self._signal: Any = None
        self._supply: Any = None
        self._thread = PacedThread("pressure", EVERY_S, self.turn)
        self._told: SourceFault | None = None
        self._retry_s = FIRST_RETRY_S

    @property
    def about(self) -> str:
        """The converter and its channels, for the run's rows."""
        sensor = self._sensor
        rail = "" if sensor.supply_channel is None else f", its rail on {sensor.supply_channel}"
        return f"{sensor.chip} on SPI 0.{sensor.spi_device}, transducer on channel {sensor.channel}{rail}"

    def check(self) -> None:
        """Read once. Raises UsageError, naming the rig file's key, when the converter cannot be reached."""
        self._claim()
        try:
            self._read()
        except Exception as error:  # lgpio's own, among others
            raise UsageError(
                f"pressure.source = adc: {self.about} cannot be read: {error}; check its wiring and "
                "pressure.spi_device"
            ) from error
        finally:
            self._let_go()

    def start(self) -> None:
        """Open the converter and start the thread. Raises UsageError as check() does."""
        self._open()
        self._thread.start()

    def stop(self) -> None:
        """End the thread and let go of the bus."""
        self._thread.stop()
        self._let_go()

    def turn(self) -> float | None:
        """One turn of the thread: a reading, or a try to open the bus again. Returns a longer wait [s]."""
        hub = self._hub
        try:
            if self._signal is None:
                self._open()
            reading = self._read()
        except Exception as error:  # whatever a bus raises, it is opened anew
            kind = "failed" if self._signal is None else "closed"
            self._let_go()
            fault = SourceFault(kind, f"{self.about}: {error}", 0)
            if fault != self._told:
                hub.put(hub.clock.now_ns(), self.source, fault)
            self._told = fault
            wait_s, self._retry_s = self._retry_s, min(2 * self._retry_s, LONGEST_RETRY_S)
            return wait_s
        self._retry_s = FIRST_RETRY_S
        hub.put(hub.clock.now_ns(), self.source, reading)
        return None

    def _read(self) -> AdcCount:
        counts = self._signal.raw_value
        supply_counts = None if self._supply is None else self._supply.raw_value
        return AdcCount(counts, self._signal.bits, supply_counts)

    def _open(self) -> None:
        self._claim()
        self._told = SourceFault("opened", self.about, 0)
        self._hub.put(self._hub.clock.now_ns(), self.source, self._told)

    def _claim(self) -> None:
        import gpiozero

        sensor = self._sensor
        chip = getattr(gpiozero, sensor.chip)
        try:
            with warnings.catch_warnings():
                # gpiozero would go on without the bus and move the pins one by one, far too slowly
                warnings.simplefilter("error", gpiozero.SPISoftwareFallback)
                bus = {"port": 0, "device": sensor.spi_device, "pin_factory": self._factory}
                self._signal = chip(channel=sensor.channel, **bus)
                if sensor.supply_channel is not None:
                    self._supply = chip(channel=sensor.supply_channel, **bus)
        except Exception as error:  # gpiozero's, and lgpio's own
            self._let_go()
            if isinstance(error, gpiozero.GPIOPinInUse):
                why = f"{error}; the SPI bus needs the BCM pins 7 to 11 for itself"
            else:
                why = (
                    f"the SPI bus cannot be opened ({error}); switch it on with 'sudo raspi-config nonint "
                    "do_spi 0', reboot, and see that this user is in the group 'spi'"
                )
            raise UsageError(f"pressure.source = adc: {why}") from error

    def _let_go(self) -> None:
        for device in (self._signal, self._supply):
            if device is not None:
                with contextlib.suppress(Exception):  # a bus that is gone is as closed as it can be
                    device.close()
        self._signal = self._supply = None
