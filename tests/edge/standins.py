"""Hand-made stand-ins for what talks to a real chip: the module lgpio, and libgpiod's Chip and LineRequest.

They do what their documentation says, as far as it is used. Where the real module is installed the tests hold
the stand-ins to its names and signatures.
"""

import errno
import types
from collections.abc import Callable
from typing import Any, ClassVar, Self

import gpiod


class LgpioError(Exception):
    """lgpio.error"""


class FakeLgpio(types.ModuleType):
    """The module lgpio 0.2.2 (its Python source), with one chip whose lines a test drives by `edge`."""

    BOTH_EDGES, RISING_EDGE, FALLING_EDGE = 3, 1, 2
    SET_PULL_NONE, SET_PULL_UP, SET_PULL_DOWN = 128, 32, 64
    error = LgpioError

    def __init__(self) -> None:
        super().__init__("lgpio")
        self.busy: set[int] = set()
        self.levels: dict[int, int] = {}
        self.modes: dict[int, int] = {}
        self.alerts: dict[int, int] = {}  # line -> edges that its kernel request asks for
        self.callbacks: list[tuple[int, Callable[[int, int, int, int], None]]] = []
        self.debounce_us: dict[int, int] = {}
        self.open_chips = 0
        self.no_spi = True

    def gpiochip_open(self, _chip: int) -> int:
        self.open_chips += 1
        return 0

    def gpiochip_close(self, _handle: int) -> None:
        self.open_chips -= 1

    def gpio_claim_input(self, _handle: int, gpio: int, lFlags: int = 0) -> None:  # noqa: N803
        if gpio in self.busy:
            raise LgpioError("GPIO busy")
        self.alerts.pop(gpio, None)
        self.modes[gpio] = lFlags

    def gpio_claim_output(self, *_: int) -> None:
        raise AssertionError("an input must not be driven")

    def gpio_claim_alert(self, _handle: int, gpio: int, eFlags: int, lFlags: int = 0) -> None:  # noqa: N803
        self.alerts[gpio] = eFlags
        self.modes[gpio] = lFlags

    def gpio_free(self, _handle: int, gpio: int) -> None:
        self.modes.pop(gpio, None)

    def gpio_get_mode(self, _handle: int, gpio: int) -> int:
        return self.modes.get(gpio, 0)

    def gpio_read(self, _handle: int, gpio: int) -> int:
        return self.levels.get(gpio, 1)

    def gpio_set_debounce_micros(self, _handle: int, gpio: int, debounce_micros: int) -> None:
        self.debounce_us[gpio] = debounce_micros

    def callback(
        self, _handle: int, gpio: int, _edge: int, func: Callable[[int, int, int, int], None]
    ) -> Any:
        entry = (gpio, func)
        self.callbacks.append(entry)
        return types.SimpleNamespace(cancel=lambda: self.callbacks.remove(entry))

    def spi_open(self, *_: int) -> int:
        raise LgpioError("can not open SPI device")

    # what a test does

    def edge(self, gpio: int, level: int, tick_ns: int, *, watchdog: bool = False) -> None:
        """The line changes; reported to the callbacks as lgpio does, whatever edge they asked for."""
        if not watchdog:
            self.levels[gpio] = level
        asked = self.alerts.get(gpio, 0)
        if asked & (self.RISING_EDGE if level else self.FALLING_EDGE):
            for number, func in list(self.callbacks):
                if number == gpio:
                    func(0, gpio, 2 if watchdog else level, tick_ns)


class FakeRequest:
    """gpiod.LineRequest: the kernel's buffer of one line, which drops the oldest edges when it is full."""

    def __init__(self, chip: "FakeChip", offset: int, size: int) -> None:
        self.offset = offset
        self._chip = chip
        self._size = size
        self._buffer: list[gpiod.EdgeEvent] = []
        self._number = 0
        self.failing: OSError | None = None

    def rises(self, *stamps_ns: int) -> None:
        for stamp_ns in stamps_ns:
            self._number = (self._number + 1) % (1 << 32)
            # 1: a rising edge, as the package itself numbers it
            self._buffer.append(gpiod.EdgeEvent(1, stamp_ns, self.offset, self._number, self._number))
        del self._buffer[: -self._size]

    def start_numbers_at(self, number: int) -> None:
        self._number = number

    def wait_edge_events(self, timeout: float | None = None) -> bool:
        assert timeout == 0, "must not wait"
        if self.failing is not None:
            raise self.failing
        return bool(self._buffer)

    def read_edge_events(self, max_events: int | None = None) -> list[gpiod.EdgeEvent]:
        assert self._buffer, "would block"
        n = min(64, len(self._buffer)) if max_events is None else max_events
        events, self._buffer = self._buffer[:n], self._buffer[n:]
        return events

    def release(self) -> None:
        self._chip.held.discard(self.offset)


class FakeChip:
    """gpiod.Chip of a board with one header chip."""

    LABELS: ClassVar[dict[str, str]] = {
        "/dev/gpiochip0": "gpio-brcmstb@107d508500",
        "/dev/gpiochip1": "gpio-brcmstb@107d517c00",
        "/dev/gpiochip10": "raspberrypi-exp-gpio",
        "/dev/gpiochip4": "pinctrl-rp1",
    }
    #: lines that somebody holds
    held: ClassVar[set[int]] = set()
    refused: ClassVar[set[str]] = set()
    opened: ClassVar[int] = 0
    requests: ClassVar[list[tuple[FakeRequest, dict[str, Any]]]] = []

    def __init__(self, path: str) -> None:
        if path in FakeChip.refused:
            raise PermissionError(errno.EACCES, "Permission denied")
        self.path = path
        FakeChip.opened += 1

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        FakeChip.opened -= 1

    def get_info(self) -> Any:
        return types.SimpleNamespace(label=FakeChip.LABELS[self.path], num_lines=54)

    def request_lines(
        self,
        config: dict[int, gpiod.LineSettings],
        consumer: str | None = None,
        event_buffer_size: int | None = None,
    ) -> FakeRequest:
        ((offset, settings),) = config.items()
        if offset in FakeChip.held:
            raise OSError(errno.EBUSY, "Device or resource busy")
        FakeChip.held.add(offset)
        request = FakeRequest(self, offset, min(event_buffer_size or 16, 1024))
        asked = {"settings": settings, "consumer": consumer, "event_buffer_size": event_buffer_size}
        FakeChip.requests.append((request, asked))
        return request


def fake_gpiod() -> Any:
    """The package, with the real settings, events and enumerations, and no kernel below."""
    FakeChip.held.clear()
    FakeChip.refused.clear()
    FakeChip.requests.clear()
    FakeChip.opened = 0
    return types.SimpleNamespace(Chip=FakeChip, LineSettings=gpiod.LineSettings, line=gpiod.line)
