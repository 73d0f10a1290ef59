"""What wired sensors cost: an edge, 2000 edges a second, a reading of the converter, and gpiozero's import.

On gpiozero's mock pins; on a board the kernel and lgpio's threads come on top of it. An edge: what the pin
calls, over and over, with the handler that counts. Floor: the same pin with an empty handler, which any
program on gpiozero has. Beside it, for comparison, gpiozero's DigitalInputDevice, which counts wrongly after
a loss. At 2000 Hz: processor time of the daemon's own source, hub and a consumer while a thread drives the
pin in real time, two pulses each millisecond; that thread's own time is in it.
"""

import threading
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median
from typing import Any, Final

from gpiozero import MCP3008, Device, DigitalInputDevice
from gpiozero.pins import SPI
from gpiozero.pins.mock import MockFactory

from rigmon.config import parse
from rigmon.edge.adc import AdcSource
from rigmon.edge.hub import Hub, MonotonicClock
from rigmon.edge.pulses import GpiozeroPulses, PulseSource
from tests.benchmarks.floors import BARE_IMPORTS
from tests.benchmarks.harness import Figure, cpu_s, take_turns, timed
from tests.benchmarks.import_weight import imports
from tests.benchmarks.inputs import demo_toml, rig_toml
from tests.benchmarks.ports import RIGMON, Port, finish, start

#: our handler against an empty one, both with what gpiozero does around them
GOAL_EDGE: Final = 2.0
#: of one processor, at 2000 pulses a second
GOAL_SHARE_PCT: Final = 5.0
_PIN: Final = 17
_RATE_HZ: Final = 2000


def run(quick: bool, folder: Path) -> list[Figure]:
    rounds = 3 if quick else 9
    edges = 20_000 if quick else 100_000
    ours = take_turns(_edges(_counting, edges), _edges(_empty, edges), rounds)
    theirs = take_turns(_edges(_device, edges), _edges(_empty, edges), rounds)
    return [
        ours.figure("one rising edge counted", "us", GOAL_EDGE, "floor: the pin with an empty handler"),
        theirs.figure("the same by gpiozero's DigitalInputDevice", "us", None, "for comparison"),
        _share(2.0 if quick else 6.0, rounds=2 if quick else 5),
        _reading(200 if quick else 2000, rounds),
        *_importing(folder, 2 if quick else 5),
    ]


# -- an edge -------------------------------------------------------------------------------------------


def _counting(factory: MockFactory) -> Any:
    reader = GpiozeroPulses(factory, _PIN, "down", MonotonicClock())
    reader.open()
    return reader


def _empty(factory: MockFactory) -> Any:
    def nothing(_ticks: object, _level: object) -> None:
        pass

    pin = factory.pin(_PIN)
    pin.edges = "rising"
    pin.when_changed = nothing
    return nothing


def _device(factory: MockFactory) -> Any:
    device = DigitalInputDevice(_PIN, pin_factory=factory)
    count = 0

    def counted() -> None:
        nonlocal count
        count += 1

    device.when_activated = counted
    return device


def _edges(listen: Callable[[MockFactory], Any], edges: int) -> Callable[[], float]:
    """Processor time [us] of what one pulse makes the pin call."""

    def once() -> float:
        factory = MockFactory()
        listener = listen(factory)
        pin = factory.pin(_PIN)
        # as a board's pins do: the handlers are called, and no list of states is kept
        call, both = pin._call_when_changed, pin.edges == "both"

        def pulses() -> None:
            for _ in range(edges):
                pin._state = True
                call()
                pin._state = False
                if both:
                    call()

        took_s = timed(pulses)()
        if isinstance(listener, GpiozeroPulses):
            assert listener.read().total == edges
        if hasattr(listener, "close"):
            listener.close()
        return took_s / edges * 1e6

    return once


# -- 2000 a second -------------------------------------------------------------------------------------


def _share(seconds: float, rounds: int) -> Figure:
    took = take_turns(lambda: _driven(seconds, True), lambda: _driven(seconds, False), rounds)
    share_pct, alone_pct = (100 * median(side) / seconds for side in (took.subject, took.floor))
    return Figure(
        f"{_RATE_HZ} pulses a second: share of one processor", share_pct, "%", goal=GOAL_SHARE_PCT,
        note=f"{rounds} rounds of {seconds:g} s, the driving thread included, which alone takes "
        f"{alone_pct:.1f} %; every pulse was counted",
    )  # fmt: skip


def _driven(seconds: float, listening: bool) -> float:
    """Processor time [s] of this process while the pin is driven for so long."""
    factory = MockFactory()
    Device.pin_factory = factory
    hub = Hub(MonotonicClock())
    source = PulseSource(hub, GpiozeroPulses(factory, _PIN, "down", hub.clock))
    pin = factory.pin(_PIN)
    counts: list[int] = []

    def consume() -> None:
        while (reading := hub.next(1 << 60)) is not None:
            counts.append(getattr(reading.payload, "total", -1))

    def drive() -> None:
        begin = time.monotonic()
        for k in range(round(seconds * 1000)):
            time.sleep(max(0.0, begin + k / 1000 - time.monotonic()))
            for _ in range(_RATE_HZ // 1000):
                pin.drive_high()
                pin.drive_low()
            pin.clear_states()

    consumer = threading.Thread(target=consume)
    driver = threading.Thread(target=drive)
    if listening:
        consumer.start()
        source.start()
    began = cpu_s()
    driver.start()
    driver.join()
    took = cpu_s() - began
    if listening:
        time.sleep(0.25)  # the last report
        source.stop()
        hub.release()
        consumer.join()
        assert counts[-1] == round(seconds * _RATE_HZ), counts[-1]
    Device.pin_factory = None
    return took


# -- the converter -------------------------------------------------------------------------------------


class _Bus(SPI):
    """A bus that answers at once, as a hardware bus nearly does: what is left is Python's part."""

    def transfer(self, data: list[int]) -> list[int]:
        return [0, 2, *data[2:]]

    @property
    def closed(self) -> bool:
        return False

    def _get_bits_per_word(self) -> int:
        return 8


def _reading(readings: int, rounds: int) -> Figure:
    factory = MockFactory()
    Device.pin_factory = factory
    factory.spi = lambda **_: _Bus(pin_factory=factory)
    sensor = parse(
        demo_toml().replace('[pressure]\nsource = "xdr"', '[pressure]\nsource = "adc"\nsupply_channel = 1'),
        "demo",
    ).pressure

    def ours() -> float:
        hub = Hub(MonotonicClock(), capacity=readings + 10)
        source = AdcSource(hub, factory, sensor)
        source.turn()
        return timed(lambda: [source.turn() for _ in range(readings)])() / readings * 1e6

    def bare_reads() -> float:
        a, b = MCP3008(0, pin_factory=factory), MCP3008(1, pin_factory=factory)
        return timed(lambda: [(a.raw_value, b.raw_value) for _ in range(readings)])() / readings * 1e6

    took = take_turns(ours, bare_reads, rounds)
    Device.pin_factory = None
    return took.figure("one reading of both channels", "us", None, "floor: gpiozero's raw_value of both")


# -- imports -------------------------------------------------------------------------------------------

_PEAK: Final = "print(*[x.split()[1] for x in open('/proc/self/status') if x.startswith('VmHWM')])"


def _importing(folder: Path, rounds: int) -> list[Figure]:
    port = Port()
    rig_file = folder / "gps.toml"
    rig_file.write_text(rig_toml(port.name), encoding="utf-8")
    command = [*RIGMON, "run", "--rig", str(rig_file), "--for", "0.2", "--no-log", "--quiet"]
    loaded = [
        name for name, _ in imports(command) if name.partition(".")[0] in ("gpiozero", "gpiod", "lgpio")
    ]
    port.close()
    without = BARE_IMPORTS.replace(", gpiozero", "")
    memory = take_turns(lambda: _peak(BARE_IMPORTS), lambda: _peak(without), rounds)
    took_ms = median(
        sum(us for name, us in imports(["-c", "import serial, pynmea2, gpiozero"]) if name not in known) / 1e3
        for known in ({name for name, _ in imports(["-c", without])},) * rounds
    )
    return [
        Figure("gpiozero's modules in a run without wired sensors", len(loaded), "", goal=0),
        Figure("importing gpiozero: time, besides pyserial and pynmea2", took_ms, "ms"),
        memory.figure("importing gpiozero: peak memory", "MiB", None, "floor: pyserial and pynmea2 alone"),
    ]


def _peak(code: str) -> float:
    return int(finish(start(["-c", f"{code}; {_PEAK}"]))) / 1024
