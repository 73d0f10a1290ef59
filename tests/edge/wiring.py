"""A board without a board: gpiozero's mock pins and mock SPI on a time that the test sets."""

from collections.abc import Iterator
from typing import Any

from gpiozero.pins.mock import MockFactory, MockPin, MockSPIDevice

from rigmon.edge.hub import Hub
from rigmon.model import Payload, Reading, SourceFault, Tick

FAR_NS = 1 << 60
#: CLOCK_MONOTONIC at the run's start: some hours after the board's
BOOT_NS = 12_345_678_901_234


class SimTime:
    """The readings' clock, and by `ticks_s` the mock pins' one."""

    def __init__(self) -> None:
        self.t_ns = 0

    def now_ns(self) -> int:
        return self.t_ns

    def wait_s(self, t_ns: int) -> float:  # noqa: ARG002 - silence is there at once
        return 0.0

    def ticks_s(self) -> float:
        return (BOOT_NS + self.t_ns) / 1e9

    def at(self, t_s: float) -> None:
        self.t_ns = round(t_s * 1e9)


def taken(hub: Hub) -> list[Reading]:
    """What is in the hub."""

    def readings() -> Iterator[Reading]:
        while type((reading := hub.next(FAR_NS)).payload) is not Tick:
            yield reading

    return list(readings())


def payloads(hub: Hub) -> list[Payload]:
    return [reading.payload for reading in taken(hub)]


def faults(readings: list[Reading]) -> list[SourceFault]:
    return [r.payload for r in readings if isinstance(r.payload, SourceFault)]


def pin(factory: MockFactory, number: int) -> MockPin:
    return factory.pin(f"GPIO{number}")


def pulse(mock: MockPin) -> None:
    """One short pulse, as an open collector gives it: the pin is pulled up."""
    mock.drive_low()
    mock.drive_high()


def held(factory: MockFactory) -> list[str]:
    """Names of the pins that somebody has reserved."""
    return sorted(
        info.name
        for info, reservers in factory._reservations.items()
        if any(reserver() is not None for reserver in reservers)
    )


class MockConverter(MockSPIDevice):
    """An MCP3004/3008 (10 bits) or MCP3204/3208 (12 bits) on the bus: single-ended reads of its channels.

    Its protocol is the data sheet's (Microchip DS21295, fig. 6-1; DS21298): a start bit, single/differential,
    three bits of channel; one bit time of sampling, a null bit, then the result from its highest bit on.
    """

    def __init__(self, factory: MockFactory, bits: int = 10, device: int = 0) -> None:
        super().__init__(11, 10, 9, 8 - device, pin_factory=factory)
        self.bits = bits
        self.channels = [0] * 8
        self.asked: list[int] = []

    def on_start(self) -> None:
        super().on_start()
        self.bits_in: list[int] | None = None

    def on_bit(self) -> None:
        bit = int(self.rx_buf[-1])
        if self.bits_in is None:
            if bit:
                self.bits_in = []
            return
        self.bits_in.append(bit)
        if len(self.bits_in) == 4:
            single, *channel = self.bits_in
            assert single == 1
            number = channel[0] << 2 | channel[1] << 1 | channel[2]
            self.asked.append(number)
            self.tx_buf = []
            self.tx_word(0, 2)
            self.tx_word(self.channels[number], self.bits)


def raising(error: Exception) -> Any:
    """A function that raises, whatever it is called with."""

    def fail(*_: object, **__: object) -> None:
        raise error

    return fail
