"""Sentences, their rate, the room they take, the fix in them, and the sensors by XDR."""

from pathlib import Path

import pytest
from boards import only, rig_with, sentence

from rigmon.doctor import stream
from rigmon.doctor.baud import judge
from rigmon.doctor.listening import Chunk, Heard, Listened
from rigmon.doctor.stream import Survey
from rigmon.rig import Rig

NMEA = Path(__file__).parents[2].parent / "shared" / "nmea"


def rmc(t: str, speed: str = "3.412", date: str = "300526", status: str = "A", mode: str = "A") -> bytes:
    """NMEA 4.1, as many receivers send it. Invented place."""
    place = "4807.03812,N,01131.00015,E" if status == "A" else ",,,"
    return sentence(f"GNRMC,{t},{status},{place},{speed},84.42,{date},,,{mode},V")


def gga(t: str, quality: int = 1, satellites: str = "09", hdop: str = "0.9") -> bytes:
    place = "4807.03812,N,01131.00015,E" if quality else ",,,"
    return sentence(f"GNGGA,{t},{place},{quality},{satellites},{hdop},545.4,M,46.9,M,,")


#: 76 characters with the line end; three of them as satellite lists come
GSV = sentence("GPGSV,3,1,11,03,03,111,00,04,15,270,00,06,01,010,00,13,06,292,00") * 3


def heard(bursts: list[bytes], hz: float, baud: int = 9600) -> Listened:
    """Bursts at an even rate from stamp 0 on."""
    chunks = tuple(Chunk(round(n * 1e9 / hz), burst) for n, burst in enumerate(bursts))
    seconds = len(bursts) / hz
    return Listened(Heard(chunks, seconds, 0), baud, {})


def at(hz: float, seconds: float = 3.0, tail: bytes = b"", speed: str = "3.412", **fix: str) -> Listened:
    times = [f"12{n // 60:02d}{n / hz % 60:05.2f}" for n in range(round(hz * seconds))]
    return heard([rmc(t, speed, **fix) + tail for t in times], hz)


def surveyed(listened: Listened, rig: Rig) -> Survey:
    return stream.survey(listened, rig)


# -- sentences -----------------------------------------------------------------------------------------------


def test_talkers_types_and_rates(gps_rig: Rig) -> None:
    found = surveyed(at(5, tail=gga("120000.00") + GSV), gps_rig)
    assert found.addresses == {"GNRMC": 15, "GNGGA": 15, "GPGSV": 45}
    told = only(stream.of_stream("gps", "GPS", found, 115200, gps_rig), "gps_sentences")
    assert told.state == "ok"
    assert told.seen == "per second: GPGSV 15, GNRMC 5, GNGGA 5"
    assert told.values["GNRMC_per_s"] == 5


def test_what_is_refused_is_told_by_reason(gps_rig: Rig) -> None:
    bad = rmc("120000.00").replace(b"3.412", b"9.412")
    found = surveyed(at(5, tail=bad + b"Password: \r\n"), gps_rig)
    told = only(stream.of_stream("gps", "GPS", found, 115200, gps_rig), "gps_sentences")
    assert told.state == "wrong"
    assert "rejected: checksum 15, not nmea 15" in told.seen
    assert told.values["rejected_checksum"] == 15


def test_the_half_sentence_at_the_beginning_is_nobodys_fault(gps_rig: Rig) -> None:
    listened = at(5)
    first, *rest = listened.heard.chunks
    cut = listened._replace(heard=listened.heard._replace(chunks=(Chunk(0, first.data[20:]), *rest)))
    assert surveyed(cut, gps_rig).rejected == {}


def test_a_stream_without_speed(gps_rig: Rig) -> None:
    found = surveyed(heard([gga(f"1200{n:02d}.00") for n in range(4)], 1), gps_rig)
    findings = stream.of_stream("gps", "GPS", found, None, gps_rig)
    assert only(findings, "gps_sentences").state == "look"
    assert "RMC" in only(findings, "gps_sentences").do
    assert only(findings, "gps_rate").values == {"rate_hz": 1.0, "sentence": "GGA"}
    found = surveyed(heard([GSV] * 4, 1), gps_rig)
    assert only(stream.of_stream("gps", "GPS", found, None, gps_rig), "gps_sentences").state == "wrong"


# -- rate ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("hz", "state"),
    [(0.5, "wrong"), (1, "look"), (2, "look"), (4, "look"), (5, "ok"), (10, "ok"), (20, "ok"), (25, "look")],
)
def test_the_rate_by_the_receivers_own_time(hz: float, state: str, gps_rig: Rig) -> None:
    told = only(stream.of_stream("gps", "GPS", surveyed(at(hz, 6), gps_rig), None, gps_rig), "gps_rate")
    assert told.state == state
    assert told.values["rate_hz"] == hz
    assert told.seen == f"{hz:g} Hz (RMC)"


def test_the_rate_by_arrival_where_there_is_no_time(gps_rig: Rig) -> None:
    """A receiver that was just switched on; VTG has none at all."""
    vtg = sentence("GNVTG,84.42,T,,M,3.412,N,6.319,K,A")
    for burst in (rmc("", status="V", mode="N", speed=""), vtg):
        rate_hz, _ = stream.speed_rate_hz(surveyed(heard([burst] * 16, 5), gps_rig))
        assert rate_hz == pytest.approx(5)


def test_a_single_sentence_has_no_rate(gps_rig: Rig) -> None:
    found = surveyed(heard([rmc("120000.00")], 0.3), gps_rig)
    assert only(stream.of_stream("gps", "GPS", found, None, gps_rig), "gps_rate").state == "wrong"


# -- the line ------------------------------------------------------------------------------------------------


def load(listened: Listened, rig: Rig, baud: int) -> stream.Finding:
    return only(stream.of_stream("gps", "GPS", surveyed(listened, rig), baud, rig), "gps_load")


def test_the_share_of_the_line(gps_rig: Rig) -> None:
    """Hand-worked: a burst of RMC alone is 75 characters with its line end; at 5 Hz 375 bytes/s, x 10 / 9600
    = 39.1 %; a burst takes 750 / 9600 = 78.1 ms.
    """
    burst = rmc("120000.00")
    assert len(burst) == 75
    told = load(at(5), gps_rig, 9600)
    assert told.state == "ok"
    assert told.values["load_pct"] == pytest.approx(39.1, abs=0.05)
    assert told.values["burst_ms"] == pytest.approx(78.1, abs=0.1)


def test_a_stream_too_wide_for_its_baud_and_what_to_turn_off(gps_rig: Rig) -> None:
    """Hand-worked: RMC 75 + GGA 74 + GSV 3 x 70 characters; at 2 Hz over 9600 baud 2 x 359 x 10 / 9600 =
    74.8 %, without GSV 2 x 149 x 10 / 9600 = 31.0 %.
    """
    tail = gga("120000.00") + GSV
    assert (len(gga("120000.00")), len(GSV)) == (74, 210)
    told = load(at(2, tail=tail), gps_rig, 9600)
    assert told.state == "look"
    assert told.values["load_pct"] == pytest.approx(74.8, abs=0.1)
    assert told.do == "Too full: sentences are late or cut. Turn off GSV: that leaves 31 %."
    told = load(at(5, tail=tail), gps_rig, 9600)
    assert told.state == "wrong", "187 %"
    assert "Turn off GSV" in told.do
    assert "gps.baud to 38400" in told.do, "78 % without GSV: still too full"
    assert load(at(5, tail=tail), gps_rig, 115200).state == "ok"


def test_a_long_burst_is_late_even_where_there_is_room(gps_rig: Rig) -> None:
    """359 characters take 374 ms at 9600 baud, once a second: 37 % of the line."""
    told = load(at(1, tail=gga("120000.00") + GSV), gps_rig, 9600)
    assert told.state == "look"
    assert "late" in told.do
    assert "Turn off GSV" in told.do


def test_beside_rmc_the_other_speed_and_date_are_not_read(gps_rig: Rig) -> None:
    more = sentence("GNVTG,84.42,T,,M,3.412,N,6.319,K,A") + sentence("GNZDA,120000.00,30,05,2026,00,00")
    assert stream.turn_off(surveyed(at(5, tail=more + GSV), gps_rig)) == ["GSV", "VTG", "ZDA"]
    assert stream.turn_off(surveyed(heard([more] * 5, 5), gps_rig)) == []


# -- speed and fix -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("speed", "step_m_s", "state"),
    [("3.412", 0.000514, "ok"), ("3.41", 0.00514, "ok"), ("3.4", 0.0514, "look"), ("3", 0.514, "look")],
)
def test_the_step_of_the_speed_field(speed: str, step_m_s: float, state: str, gps_rig: Rig) -> None:
    """0.1 kn = 0.0514 m/s = 0.115 mph (1 kn = 1852/3600 m/s); of the target, 3.5 mph, that is 3.3 %."""
    found = surveyed(at(5, speed=speed), gps_rig)
    told = only(stream.of_stream("gps", "GPS", found, None, gps_rig), "speed_field")
    assert stream.speed_step_m_s(found) == pytest.approx(step_m_s, rel=1e-3)
    assert told.state == state
    if speed == "3.4":
        assert "0.12 mph (3.3 % of the target speed)" in told.seen


def test_a_speed_that_is_always_exactly_zero(gps_rig: Rig) -> None:
    told = only(
        stream.of_stream("gps", "GPS", surveyed(at(5, speed="0.00"), gps_rig), None, gps_rig), "speed_field"
    )
    assert told.state == "look"
    assert "static hold" in told.do


def test_speed_in_vtg_alone(gps_rig: Rig) -> None:
    vtg = sentence("GNVTG,84.42,T,,M,3.41,N,6.319,K,A")
    assert stream.speed_step_m_s(surveyed(heard([vtg] * 5, 5), gps_rig)) == pytest.approx(0.00514, rel=1e-3)
    vtg = sentence("GNVTG,84.42,T,,M,,N,6.3,K,A")
    assert stream.speed_step_m_s(surveyed(heard([vtg] * 5, 5), gps_rig)) == pytest.approx(0.1 / 3.6)


def test_a_fix_without_speed(gps_rig: Rig) -> None:
    told = only(
        stream.of_stream("gps", "GPS", surveyed(at(5, speed=""), gps_rig), None, gps_rig), "speed_field"
    )
    assert told.state == "wrong"


@pytest.mark.parametrize(
    ("tail", "status", "state", "words"),
    [
        (gga("120000.00"), "A", "ok", "valid, 9 satellites, HDOP 0.9"),
        (gga("120000.00", satellites="04"), "A", "look", "weak"),
        (gga("120000.00", hdop="6.1"), "A", "look", "HDOP 6.1"),
        (b"", "A", "ok", "satellites not told (no GGA)"),
        (gga("120000.00", quality=0, satellites="02"), "V", "look", "no fix; 2 satellites"),
    ],
)
def test_the_fix(tail: bytes, status: str, state: str, words: str, gps_rig: Rig) -> None:
    mode = "A" if status == "A" else "N"
    found = surveyed(at(5, tail=tail, status=status, mode=mode), gps_rig)
    told = only(stream.of_stream("gps", "GPS", found, None, gps_rig), "fix")
    assert told.state == state
    assert words in told.seen


# -- sensors -------------------------------------------------------------------------------------------------

XDR = sentence("YXXDR,P,2.7446,B,BOOM,R,0.15132,l,FLOW,S,1,,BOOM")


@pytest.fixture
def xdr_rig() -> Rig:
    return rig_with(flow='source = "xdr"', pressure='source = "xdr"', boom_switch='source = "xdr"')


def test_the_sensors_that_come(xdr_rig: Rig) -> None:
    """2.7446 bar / 0.0689476 = 39.8 psi; 0.15132 L/s x 60 / 3.785412 = 2.40 gal/min."""
    findings = stream.of_sensors(xdr_rig, [surveyed(at(5, tail=XDR), xdr_rig)], "")
    assert [finding.state for finding in findings] == ["ok"] * 3
    assert only(findings, "flow_xdr").seen == "FLOW: 2.4 gal/min, 5 a second"
    assert only(findings, "pressure_xdr").seen == "BOOM: 39.8 psi, 5 a second"
    assert only(findings, "boom_switch_xdr").seen == "BOOM: on, 5 a second"


@pytest.mark.parametrize(
    ("tail", "seen", "do"),
    [
        (sentence("YXXDR,R,0.15132,l,METER"), "there are: R METER [l]", "Set flow.xdr_name"),
        (sentence("YXXDR,R,0.15132,x,FLOW"), "there are: R FLOW [x]", "cannot be read"),
        (b"", "no XDR sentence at all", "node is powered"),
    ],
)
def test_a_sensor_that_does_not_come(tail: bytes, seen: str, do: str) -> None:
    rig = rig_with(flow='source = "xdr"')
    told = only(stream.of_sensors(rig, [surveyed(at(5, tail=tail), rig)], ""), "flow_xdr")
    assert told.state == "wrong"
    assert seen in told.seen
    assert do in told.do


def test_a_sensor_that_speaks_too_seldom() -> None:
    """Once in 2 s, with flow.stale = 2 s: unknown half of the time."""
    rig = rig_with(flow='source = "xdr"')
    burst = sentence("YXXDR,R,0.15132,l,FLOW")
    told = only(stream.of_sensors(rig, [surveyed(heard([burst] * 3, 0.5), rig)], ""), "flow_xdr")
    assert told.state == "look"
    assert "flow.stale = 2 s" in told.do
    told = only(stream.of_sensors(rig, [surveyed(heard([burst] * 3, 1), rig)], ""), "flow_xdr")
    assert told.state == "ok"
    assert told.values == {"name": "FLOW", "rate_hz": 1.0, "flow_l_min": pytest.approx(9.0792)}


def test_sensors_of_a_port_that_was_not_listened_to(xdr_rig: Rig) -> None:
    findings = stream.of_sensors(xdr_rig, [], "/dev/serial0 is not there")
    assert {finding.state for finding in findings} == {"unknown"}


# -- real receivers ------------------------------------------------------------------------------------------


@pytest.mark.skipif(not NMEA.is_dir(), reason="no real recordings beside the clone")
def test_a_real_receiver_at_5_hz(gps_rig: Rig) -> None:
    """A Quectel L76K standing still, 5 Hz (its own UTC), RMC, VTG and GGA; it holds speed at zero."""
    data = (NMEA / "gpsd--quectel-l76k-nmea.log").read_bytes()[:60_000]
    found = surveyed(Listened(Heard((Chunk(0, data),), 60.0, 0), 115200, {}), gps_rig)
    assert stream.speed_rate_hz(found) == (pytest.approx(5.0), "RMC")
    assert judge(data, gps_rig).kind == "nmea"
    findings = stream.of_stream("gps", "GPS", found, None, gps_rig)
    assert only(findings, "gps_rate").state == "ok"
    assert only(findings, "fix").values["satellites"] is not None
