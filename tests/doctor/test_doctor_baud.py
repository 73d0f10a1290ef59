"""The right baud is found by good checksums: over bytes sampled at the wrong rate, and over a terminal."""

import os
import select
import termios
import threading
import tty
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import replace
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

NMEA = Path(__file__).parents[2].parent / "shared" / "nmea"
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
        assert judged.kind == "garbage"


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


def b562(body: bytes) -> bytes:
    """A message of a receiver's binary protocol: class, identity, length, body, two sums (8-bit Fletcher)."""
    inner = b"\x01\x07" + len(body).to_bytes(2, "little") + body
    a = b = 0
    for byte in inner:
        a = (a + byte) % 256
        b = (b + a) % 256
    return b"\xb5\x62" + inner + bytes((a, b))


@pytest.mark.parametrize(
    ("message", "head"),
    [
        (b562(bytes(range(92))), "B5 62"),
        (b"\xa0\xa2\x00\x05\x29abcd\x01\xc6\xb0\xb3", "A0 A2"),
        (b"\xa0\xa1\x00\x03\x64\x01\x02\x67\r\n", "A0 A1"),
    ],
)
def test_a_binary_protocol(message: bytes, head: str, gps_rig: Rig) -> None:
    judged = judge(b"\x00\xff" + message * 4, gps_rig)
    assert (judged.kind, judged.binary) == ("binary", head)
    assert judge(message * 4 + BURST, gps_rig).kind == "nmea", "both are spoken"
    # one byte is wrong in each
    assert judge((message[:2] + b"\x7f\x7f" + message[4:]) * 4, gps_rig).kind == "garbage"


@pytest.mark.skipif(not NMEA.is_dir(), reason="no real recordings beside the clone")
def test_a_real_recording_of_a_binary_protocol(gps_rig: Rig) -> None:
    """A u-blox receiver of 2008 that speaks both; then without its sentences."""
    data = (NMEA / "RTKLIB--ubx_20080526.ubx").read_bytes()[:20_000]
    assert judge(data, gps_rig).kind == "nmea"
    judged = judge(data.replace(b"$GP", b"#GP"), gps_rig)
    assert (judged.kind, judged.binary) == ("binary", "B5 62")


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
        # a new terminal is set to 38400, at which nothing must come before somebody has chosen a rate
        modes = termios.tcgetattr(slave)
        modes[4] = modes[5] = termios.B50
        termios.tcsetattr(slave, termios.TCSANOW, modes)
        link.parent.mkdir(parents=True, exist_ok=True)
        link.symlink_to(os.ttyname(slave))
        os.close(slave)
        os.set_blocking(self._master, False)
        # all of it now: what is worked out while somebody listens may come too late for them
        self._seen = {rate: resampled(data * 2, baud, rate) for rate in RATES} if data else {}
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        rates = {getattr(termios, f"B{baud}"): baud for baud in RATES}
        while not self._stopping.is_set():
            _, writable, _ = select.select([], [self._master], [], 0.02)
            now = rates.get(termios.tcgetattr(self._master)[5])
            if writable and now and self._seen:
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
    assert finding.seen.startswith(f"{listened.judged[9600].bytes} bytes, but no sentence")
    assert "RS-232" in finding.do


@pytest.mark.parametrize("receiver", [(38400, b562(bytes(range(92))) * 3)], indirect=True)
@pytest.mark.usefixtures("receiver", "short")
def test_a_receiver_set_to_a_binary_protocol(tmp_path: Path, gps_rig: Rig, told: list[str]) -> None:
    listened = listen_for(tmp_path, gps_rig, 9600, told)
    finding = of_baud("gps", "GPS baud", "/dev/ttyUSB0", 9600, listened, True)
    assert finding.seen == "bytes, but no sentences: at 38400 baud a binary protocol (B5 62)"
    assert "NMEA 0183" in finding.do


def test_a_port_that_cannot_be_opened_is_told(tmp_path: Path, gps_rig: Rig, told: list[str]) -> None:
    listened = listen_for(tmp_path, gps_rig, 9600, told)
    finding = of_baud("gps", "GPS baud", "/dev/ttyUSB0", 9600, listened, True)
    assert finding.state == "wrong"
    assert "No such file" in finding.seen


def test_a_rig_that_takes_sentences_without_checksum(gps_rig: Rig) -> None:
    bare = b"".join(line.partition(b"*")[0] + b"\r\n" for line in BURST.splitlines())
    taking = replace(gps_rig, gps=replace(gps_rig.gps, accept_missing_checksum=True))
    for rig, state in ((gps_rig, "wrong"), (taking, "ok")):
        listened = listening.Listened(
            listening.Heard((listening.Chunk(0, bare),), 3.0, 0), 9600, {9600: judge(bare, rig)}
        )
        found = of_baud(
            "gps", "GPS baud", "/dev/ttyS0", 9600, listened, True, rig.gps.accept_missing_checksum
        )
        assert found.state == state
        assert "without checksum" in found.seen


class LatePort:
    """A port that is silent for so long, then says a burst a second; it moves the clock when it is read."""

    def __init__(self, silent_s: float) -> None:
        self.now_s = 1000.0
        self._next_s = self.now_s + silent_s
        self.timeout = 0.05
        self.in_waiting = 0

    def __enter__(self) -> "LatePort":
        return self

    def __exit__(self, *_: object) -> None: ...

    def reset_input_buffer(self) -> None: ...

    def read(self, n: int) -> bytes:
        if n != 1:
            return BURST[1:]
        if self.now_s >= self._next_s:
            self._next_s += 1.0
            self.now_s += 0.001
            return BURST[:1]
        self.now_s += min(self.timeout, 0.05)
        return b""

    def monotonic(self) -> float:
        return self.now_s

    def monotonic_ns(self) -> int:
        return round(self.now_s * 1e9)


@pytest.mark.parametrize(
    ("silent_s", "bursts", "ended_s"),
    [
        (0.5, 3, 3.3),  # at 0.5, 1.5 and 2.5 s
        (2.0, 4, 5.3),  # a node that was reset when the port was opened: 3.3 s from its first word
        (5.0, 4, 8.3),
        (9.0, 0, 6.6),  # twice the time, and no longer
    ],
)
def test_who_is_silent_at_first_is_waited_for(
    silent_s: float, bursts: int, ended_s: float, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    port = LatePort(silent_s)
    monkeypatch.setattr(listening, "time", port)
    monkeypatch.setattr(listening, "check_url", lambda *_: None)
    monkeypatch.setattr(listening.serial, "serial_for_url", lambda *_args, **_more: port)
    heard = listening.listen(FakeMachine(tmp_path / "pi"), "/dev/ttyACM0", 9600, 3.3)
    assert heard.data == BURST * bursts
    assert port.now_s - 1000 == pytest.approx(ended_s, abs=0.1)
    assert heard.seconds == pytest.approx(6.6 if not bursts else 3.3, abs=0.1)
