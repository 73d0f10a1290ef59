"""The live proofs: readings judged one by one, and the questions over a hub and over a real terminal."""

import os
import threading
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import gpiozero
import pytest
from boards import only, rig_with, sentence
from fakes import PATIENCE_S, JumpingClock
from gpiozero.pins.mock import MockFactory
from hypothesis import given
from hypothesis import strategies as st
from test_doctor_stream import gga, rmc
from wiring import MockConverter, held, pin, pulse

from rigmon import daemon
from rigmon.doctor.findings import Finding
from rigmon.doctor.live import RunSource, Watch, steps, watch
from rigmon.edge.hub import Hub, MonotonicClock
from rigmon.model import AdcCount, NmeaLine, Payload, PulseCount, Reading, Source, SourceFault, SwitchState
from rigmon.rig import Rig

WIRED = {
    "flow": 'source = "gpio"\npin = 17\npulses_per_l = 450',
    "pressure": 'source = "adc"',
    "boom_switch": 'source = "gpio"\npin = 27',
}
BY_XDR = dict.fromkeys(WIRED, 'source = "xdr"')


def fed(rig: Rig, *payloads: Payload, before: tuple[Payload, ...] = ()) -> Watch:
    """A watch that was asked after `before` and then got `payloads`, 0.2 s apart."""
    watching = Watch(rig)
    readings = [
        Reading(n, n * 200_000_000, Source.GPS, payload) for n, payload in enumerate((*before, *payloads))
    ]
    for reading in readings[: len(before)]:
        watching.feed(reading)
    watching.begin()
    for reading in readings[len(before) :]:
        watching.feed(reading)
    return watching


def line(data: bytes) -> NmeaLine:
    return NmeaLine(data.rstrip(b"\r\n"))


def xdr(body: str) -> NmeaLine:
    return line(sentence(f"YXXDR,{body}"))


def counts(*totals: int) -> list[PulseCount]:
    return [PulseCount(total, n * 200_000_000 if total else None, 0) for n, total in enumerate(totals)]


def test_what_is_asked_is_what_is_fitted() -> None:
    assert [step.channels for step in steps(rig_with())] == [("fix",)]
    assert [step.channels for step in steps(rig_with(**WIRED))] == [("fix",), ("flow", "pressure"), ("boom",)]
    assert [step.channels for step in steps(rig_with(flow=WIRED["flow"]))] == [("fix",), ("flow",)]


def test_a_fix_is_proven_by_two_that_are_valid(gps_rig: Rig) -> None:
    void = line(rmc("120000.00", status="V", mode="N", speed=""))
    good = line(rmc("120000.00"))
    assert fed(gps_rig, void, void, good).proof("fix") is None
    assert fed(gps_rig, good, good).proof("fix") == "a fix arrives, 3.9 mph"  # 3.412 kn x 1.15078
    assert fed(gps_rig, line(gga("120000.00")), line(gga("120001.00"))).proof("fix") == "a fix arrives"
    assert fed(gps_rig, good, before=(good,)).proof("fix") is None, "those from before do not count"


def test_pulses_are_proven_by_a_count_that_rises() -> None:
    rig = rig_with(**WIRED)
    assert fed(rig, *counts(0, 0, 0)).proof("flow") is None
    assert fed(rig, *counts(0, 2, 4)).proof("flow") is None, "a knock"
    proof = fed(rig, *counts(0, 3, 9)).proof("flow")
    assert proof is not None
    assert proof.startswith("pulses arrive: 9 since the question")
    # a count that stood before the question proves nothing
    assert fed(rig, *counts(0, 900, 900)[2:], before=tuple(counts(0, 900))).proof("flow") is None


def test_a_flow_is_proven_by_one_of_a_size() -> None:
    """A tenth of the calibrated 2.4 gal/min is 0.24 gal/min = 0.91 L/min = 0.0151 L/s."""
    rig = rig_with(**BY_XDR)
    assert fed(rig, xdr("R,0,l,FLOW"), xdr("R,0.014,l,FLOW")).proof("flow") is None
    assert fed(rig, xdr("R,0.15132,l,FLOW")).proof("flow") == "a flow arrives: 2.4 gal/min"
    assert fed(rig, xdr("V,0.5,M,FLOW"), xdr("V,0.5,M,FLOW")).proof("flow") is None
    # 0.002 m3 = 2 L = 0.528 gal
    proof = fed(rig, xdr("V,0.5,M,FLOW"), xdr("V,0.502,M,FLOW")).proof("flow")
    assert proof == "a volume that rises arrives: by 0.5 gal since the question"


def test_a_pressure_is_proven_by_a_change() -> None:
    """A tenth of the calibrated 40 psi is 4 psi = 27.6 kPa = 0.276 bar."""
    rig = rig_with(**BY_XDR)
    still = [xdr("P,2.70,B,BOOM")] * 3
    assert fed(rig, *still).proof("pressure") is None
    assert fed(rig, *still, xdr("P,2.95,B,BOOM")).proof("pressure") is None
    proof = fed(rig, *still, xdr("P,0.10,B,BOOM")).proof("pressure")
    assert proof == "a change arrives: from 39.2 psi to 1.5 psi"
    assert fed(rig, xdr("P,2.7,B,BOOM"), before=(xdr("P,0.0,B,BOOM"),)).proof("pressure") is not None


def test_a_wired_transducer_with_a_fault_is_told_by_it() -> None:
    rig = rig_with(**WIRED)
    for counted, words in ((2, "open circuit"), (1023, "full scale"), (990, "short")):
        watching = fed(rig, AdcCount(counted, 10, None))
        assert watching.proof("pressure") is None
        assert words in watching.finding("pressure", 60).seen
    # the rail at 3 of 1024, though the transducer's own channel looks well
    no_rail = fed(rig, AdcCount(400, 10, 3)).finding("pressure", 60)
    assert (no_rail.state, "supply_channel" in no_rail.seen) == ("wrong", True)


@given(st.integers(0, 1023), st.none() | st.integers(0, 1023))
def test_whatever_a_converter_reads_something_is_said_of_it(counted: int, rail: int | None) -> None:
    watching = fed(rig_with(**WIRED), AdcCount(counted, 10, rail))
    assert watching.now("pressure")
    assert watching.finding("pressure", 60).seen


def test_the_switch_is_proven_by_a_change() -> None:
    rig = rig_with(**WIRED)
    assert fed(rig, SwitchState(False), SwitchState(False)).proof("boom") is None
    assert fed(rig, SwitchState(True), before=(SwitchState(False),)).proof("boom") is not None
    by_xdr = fed(rig_with(**BY_XDR), xdr("S,0,,BOOM"), xdr("S,1,,BOOM"))
    assert by_xdr.proof("boom") == "a change arrives: it is on now"


@pytest.mark.parametrize("channel", ["fix", "flow", "pressure", "boom"])
@pytest.mark.parametrize("rig", [rig_with(**WIRED), rig_with(**BY_XDR)], ids=["wired", "xdr"])
def test_what_did_not_come_is_wrong_and_says_what_to_do(channel: str, rig: Rig) -> None:
    fault = SourceFault("failed", "/dev/serial0: No such file or directory; is it plugged in?", 0)
    found = fed(rig, fault).finding(channel, 60)
    assert found.state == "wrong"
    assert "no proof in 60 s" in found.seen
    assert "is it plugged in?" in found.seen
    assert found.do


# -- the questions -----------------------------------------------------------------------------------------


class Player:
    """A source that puts what belongs to the question that was asked last, once it is asked."""

    def __init__(self, hub: Hub, scenes: list[list[tuple[Source, Payload]]]) -> None:
        self.hub, self.scenes = hub, scenes
        self.said: list[str] = []
        self.running = 0

    def start(self) -> None:
        self.running += 1

    def stop(self) -> None:
        self.running -= 1

    def say(self, words: str) -> None:
        self.said.append(words)
        if words[:1].isdigit() and self.scenes:
            for source, payload in self.scenes.pop(0):
                self.hub.put(self.hub.clock.now_ns(), source, payload)


def asked(rig: Rig, *scenes: list[tuple[Source, Payload]]) -> tuple[list[Finding], Player, list[str]]:
    hub, told = Hub(JumpingClock()), list[str]()
    player = Player(hub, list(scenes))
    return watch(rig, hub, [player], 60.0, player.say, told.append), player, told


def test_a_rig_with_all_that_works() -> None:
    rig = rig_with(**WIRED)
    findings, player, _ = asked(
        rig,
        [(Source.GPS, line(rmc("120000.00")))] * 2,
        [(Source.FLOW, count) for count in counts(0, 40)]
        + [(Source.PRESSURE, AdcCount(n, 10, None)) for n in (103, 400)],
        [(Source.BOOM, SwitchState(False)), (Source.BOOM, SwitchState(True))],
    )
    assert [(finding.check, finding.state) for finding in findings] == [
        ("live_fix", "ok"), ("live_flow", "ok"), ("live_pressure", "ok"), ("live_boom", "ok"),
    ]  # fmt: skip
    assert player.running == 0, "let go"
    assert [words[:3] for words in player.said if words[:1].isdigit()] == ["1/3", "2/3", "3/3"]
    assert "Clean water" in player.said[2]


def test_silence_ends_at_the_time_that_was_given() -> None:
    findings, player, told = asked(rig_with(**WIRED))
    assert [finding.state for finding in findings] == ["wrong"] * 4
    assert {finding.values["waited_s"] for finding in findings} == {60.0}
    assert len(told) == 3 * 60, "what is seen is told once a second"
    assert "flow: no reading; pressure: no reading" in told
    assert player.running == 0


def test_one_of_two_is_proven() -> None:
    findings, _, _ = asked(rig_with(**WIRED), [], [(Source.FLOW, count) for count in counts(0, 40)])
    assert only(findings, "live_flow").state == "ok"
    assert only(findings, "live_pressure").state == "wrong"


def test_sources_are_let_go_when_it_is_broken_off() -> None:
    hub = Hub(JumpingClock())
    player = Player(hub, [])

    def say(_: str) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        watch(rig_with(), hub, [player], 60.0, say, say)
    assert player.running == 0


@pytest.fixture
def mock_pins(monkeypatch: pytest.MonkeyPatch) -> Iterator[MockFactory]:
    """gpiozero's own mock pins and SPI as the board's."""
    factory = MockFactory()
    monkeypatch.setattr(gpiozero.Device, "pin_factory", factory)
    yield factory
    factory.close()


@contextmanager
def terminal() -> Iterator[tuple[int, str]]:
    """A pseudo-terminal: its master and the name of its other end."""
    master, slave = os.openpty()
    tty.setraw(slave)
    try:
        yield master, os.ttyname(slave)
    finally:
        os.close(master)
        os.close(slave)


@contextmanager
def acting(act: Callable[[str], None]) -> Iterator[Callable[[str], None]]:
    """`act` is done over and over, with the number of the question; yields what hears the questions."""
    now, done = ["1"], threading.Event()

    def run() -> None:
        while not done.wait(0.01):
            act(now[0])

    def say(words: str) -> None:
        if words[:1].isdigit():
            now[0] = words[0]

    thread = threading.Thread(target=run)
    thread.start()
    try:
        yield say
    finally:
        done.set()
        thread.join()


def test_wired_sensors_with_the_daemons_own_sources(mock_pins: MockFactory) -> None:
    """What is done on the pins follows what is asked."""
    converter = MockConverter(mock_pins)
    converter.channels = [110] * 8
    with terminal() as (master, port):
        rig = rig_with(gps=f'port = "{port}"', **WIRED)
        hub = Hub(MonotonicClock())
        sources: list[RunSource] = list(daemon.live_sources(rig, hub))

        def act(question: str) -> None:
            if question == "1":
                os.write(master, rmc("120000.00"))
            elif question == "2":
                pulse(pin(mock_pins, 17))
                converter.channels = [400] * 8
            else:
                pin(mock_pins, 27).drive_low()

        with acting(act) as say:
            findings = watch(rig, hub, sources, PATIENCE_S, say, lambda _: None)
    converter.close()
    assert [finding.state for finding in findings] == ["ok"] * 4, findings
    assert only(findings, "live_flow").seen.startswith("pulses arrive: ")
    assert only(findings, "live_boom").seen.startswith("a change arrives: it is on now")
    assert held(mock_pins) == [], "the pins are let go"


def test_over_a_real_terminal_with_the_daemons_own_sources() -> None:
    """The GPS port as a pseudo-terminal; what is sent follows what is asked."""
    scene = {
        "1": rmc("120000.00"),
        "2": b"".join(sentence(f"YXXDR,P,{bar},B,BOOM,R,0.15,l,FLOW") for bar in ("0.1", "2.7")),
        "3": b"".join(sentence(f"YXXDR,S,{state},,BOOM") for state in (0, 1)),
    }
    with (
        terminal() as (master, port),
        acting(lambda question: void(os.write(master, scene[question]))) as say,
    ):
        rig = rig_with(gps=f'port = "{port}"', **BY_XDR)
        hub = Hub(MonotonicClock())
        sources: list[RunSource] = list(daemon.live_sources(rig, hub))
        findings = watch(rig, hub, sources, PATIENCE_S, say, lambda _: None)
    assert [finding.state for finding in findings] == ["ok"] * 4, findings


def void(_: object) -> None:
    """Takes a result that nobody wants."""
