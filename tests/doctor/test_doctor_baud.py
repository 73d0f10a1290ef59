"""The right baud is found by good checksums: over bytes sampled at the wrong rate, and over a terminal."""

import os
import select
import termios
import threading
import tty
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest
from boards import FakeMachine, sentence
from hypothesis import given
from hypothesis import strategies as st
from uart import resampled

from rigmon.doctor import listening
from rigmon.doctor.baud import ENOUGH, RATES, best, judge, line_load_pct, transfer_s
from rigmon.doctor.listening import find
from rigmon.doctor.stream import of_baud
from rigmon.rig import Rig

#: invented place; the form of a receiver's sentences as NMEA 0183 has it
BURST = (
    sentence("GNRMC,120000.00,A,4807.03812,N,01131.00015,E,3.412,084.42,300526,,,A,V")
    + sentence("GNGGA,120000.00,4807.03812,N,01131.00015,E,1,09,0.9,545.4,M,46.9,M,,")
    + sentence("GPGSV,3,1,11,03,03,111,00,04,15,270,00,06,01,010,00,13,06,292,00")
)


def test_the_wire_gives_back_what_was_sent_at_its_own_rate() -> None:
    """Else the garbage below would be the wire's own."""
    every_byte = bytes(range(256))
    for baud in RATES:
        assert resampled(every_byte, baud, baud) == every_byte
        # a UART takes a rate that is off by 2 % (hand-worked: half a bit in 9.5 bits is 5 %)
        assert resampled(BURST, baud, round(baud * 1.02)) == BURST


def test_a_wrong_rate_hand_worked() -> None:
    """'U' (0x55) is sent as 0 1010 1010 1, the lowest bit first. Sampled at twice its rate from the fall on,
    bit n is read at (n + 1.5) / 2 of the sent bits: 0 1 1 2 2 3 3 4 of them: 0 1 1 0 0 1 1 0, 0x66. Its
    stop bit falls on a 0, so the next start is the fall after the next rise, at sent bit 6; from there 6 7 7
    8 8 9 9 and idle: 0 1 1 0 0 1 1 1, 0xE6.
    """
    assert resampled(b"U", 9600, 19200) == b"\x66\xe6"


@pytest.mark.parametrize("sent", RATES)
@pytest.mark.parametrize("chosen", RATES)
def test_only_the_right_rate_gives_sound_sentences(sent: int, chosen: int, gps_rig: Rig) -> None:
    judged = judge(resampled(BURST * 4, sent, chosen), gps_rig)
    if sent == chosen:
        assert (judged.kind, judged.sound) == ("nmea", 12)
    else:
        assert judged.bytes > 0
        assert judged.sound == 0
        assert judged.bare == 0
        assert judged.kind in ("garbage", "binary")


@pytest.mark.parametrize("sent", RATES)
def test_the_right_rate_is_found(sent: int, gps_rig: Rig) -> None:
    heard = {baud: judge(resampled(BURST * 2, sent, baud), gps_rig) for baud in RATES}
    assert best(heard) == sent


@given(data=st.binary(max_size=600))
def test_noise_is_never_taken_for_sentences(data: bytes) -> None:
    from boards import rig_with

    noise = data.replace(b"*", b"+")  # no checksum can be right by chance then
    judged = judge(noise, rig_with())
    assert judged.sound == 0
    assert best({9600: judged._replace(bare=0)}) is None


def test_what_a_stream_can_be(gps_rig: Rig) -> None:
    assert judge(b"", gps_rig).kind == "silent"
    bare = BURST.replace(b"\r\n", b"\n")
    bare = b"\n".join(line.partition(b"*")[0] for line in bare.splitlines()) + b"\n"
    assert judge(bare, gps_rig).kind == "no checksums"
    # a receiver's binary protocol: messages of 100 bytes that begin with B5 62
    binary = (b"\xb5\x62\x01\x07\x5c\x00" + bytes(range(1, 95))) * 30
    assert judge(binary, gps_rig)[3] == "B5 62"
    assert judge(binary, gps_rig).kind == "binary"
    assert judge(binary + BURST, gps_rig).kind == "nmea"


def test_a_cut_at_either_end_spoils_no_other_sentence(gps_rig: Rig) -> None:
    assert judge(BURST[30:-20], gps_rig).sound == 1


def test_load_and_transfer() -> None:
    """Hand-worked: 70 characters x 10 bits / 9600 = 72.9 ms, / 115 200 = 6.08 ms; 460 x 10 / 9600 =
    479 ms.
    """
    assert transfer_s(70, 9600) == pytest.approx(0.0729, abs=1e-4)
    assert transfer_s(70, 115200) == pytest.approx(0.00608, abs=1e-5)
    assert transfer_s(460, 9600) == pytest.approx(0.479, abs=1e-3)
    assert line_load_pct(480, 9600) == 50


# -- a terminal whose other end sends at one rate, whatever this end is set to -----------------------------


class Receiver:
    """Sends a burst over and over at its own rate; the terminal hands over what the set rate makes of it."""

    def __init__(self, link: Path, baud: int, data: bytes = BURST) -> None:
        self._master, slave = os.openpty()
        tty.setraw(slave)
        link.parent.mkdir(parents=True, exist_ok=True)
        link.symlink_to(os.ttyname(slave))
        os.close(slave)
        os.set_blocking(self._master, False)
        self._baud, self._data = baud, data
        self._seen: dict[int, bytes] = {}
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        rates = {getattr(termios, f"B{baud}"): baud for baud in RATES}
        while not self._stopping.is_set():
            _, writable, _ = select.select([], [self._master], [], 0.02)
            now = rates.get(termios.tcgetattr(self._master)[5])
            if writable and now and self._data:
                if now not in self._seen:
                    self._seen[now] = resampled(self._data * 2, self._baud, now)
                with suppress(OSError):
                    os.write(self._master, self._seen[now])
            self._stopping.wait(0.005)

    def stop(self) -> None:
        self._stopping.set()
        self._thread.join()
        os.close(self._master)


@pytest.fixture
def short(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(listening, "_TRY_S", 0.12)


@pytest.fixture
def told() -> list[str]:
    return []


@pytest.fixture
def receiver(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Receiver]:
    baud, data = request.param
    receiver = Receiver(tmp_path / "pi/dev/ttyUSB0", baud, data)
    yield receiver
    receiver.stop()


def listen_for(
    tmp_path: Path, rig: Rig, baud: int, told: list[str], seconds: float = 0.25
) -> listening.Listened:
    return find(FakeMachine(tmp_path / "pi"), rig, "/dev/ttyUSB0", baud, True, told.append, seconds)


@pytest.mark.parametrize("receiver", [(38400, BURST)], indirect=True)
@pytest.mark.usefixtures("receiver", "short")
def test_the_receivers_rate_is_found_by_listening(tmp_path: Path, gps_rig: Rig, told: list[str]) -> None:
    listened = listen_for(tmp_path, gps_rig, 9600, told)
    assert listened.baud == 38400
    assert listened.judged[9600].sound == 0
    assert listened.judged[38400].sound >= ENOUGH
    assert 4800 not in listened.judged, "those after the right one need not be tried"
    assert judge(listened.heard.data, gps_rig).sound > 0
    finding = of_baud("gps", "GPS baud", "/dev/ttyUSB0", 9600, listened, True)
    assert finding.state == "wrong"
    assert finding.seen == "the stream is readable at 38400 baud, not at 9600"
    assert finding.do == "Set gps.baud = 38400."
    assert finding.values["right_baud"] == 38400
    assert told[0] == "listening to /dev/ttyUSB0 at 9600 baud"


@pytest.mark.parametrize("receiver", [(9600, BURST)], indirect=True)
@pytest.mark.usefixtures("receiver")
def test_the_right_rate_is_not_searched_for(tmp_path: Path, gps_rig: Rig, told: list[str]) -> None:
    listened = listen_for(tmp_path, gps_rig, 9600, told)
    assert list(listened.judged) == [9600]
    finding = of_baud("gps", "GPS baud", "/dev/ttyUSB0", 9600, listened, True)
    assert (finding.state, finding.seen) == ("ok", "9600 is right")


@pytest.mark.parametrize("receiver", [(9600, b"")], indirect=True)
@pytest.mark.usefixtures("receiver")
def test_a_silent_line_is_not_a_matter_of_rates(tmp_path: Path, gps_rig: Rig, told: list[str]) -> None:
    listened = listen_for(tmp_path, gps_rig, 9600, told)
    assert list(listened.judged) == [9600]
    finding = of_baud("gps", "GPS baud", "/dev/ttyUSB0", 9600, listened, True)
    assert finding.state == "wrong"
    assert "says nothing" in finding.seen
    assert "power" in finding.do


@pytest.mark.parametrize("receiver", [(9600, bytes(range(7, 247)) * 2)], indirect=True)
@pytest.mark.usefixtures("receiver", "short")
def test_no_rate_that_fits_is_said_with_all_that_were_tried(
    tmp_path: Path, gps_rig: Rig, told: list[str]
) -> None:
    listened = listen_for(tmp_path, gps_rig, 9600, told)
    assert list(listened.judged) == list(RATES)
    finding = of_baud("gps", "GPS baud", "/dev/ttyUSB0", 9600, listened, True)
    assert finding.state == "wrong"
    assert finding.values["right_baud"] is None
    assert "RS-232" in finding.do or "NMEA" in finding.do


def test_a_port_that_cannot_be_opened_is_told(tmp_path: Path, gps_rig: Rig, told: list[str]) -> None:
    listened = listen_for(tmp_path, gps_rig, 9600, told)
    finding = of_baud("gps", "GPS baud", "/dev/ttyUSB0", 9600, listened, True)
    assert finding.state == "wrong"
    assert "No such file" in finding.seen
