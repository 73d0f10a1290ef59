"""What the doctor hears of wind and air, and what proves it live. Values are invented."""

import pytest
from boards import only, rig_with, sentence
from test_doctor_live import fed, line
from test_doctor_stream import at, surveyed

from rigmon.doctor import stream
from rigmon.doctor.findings import Finding
from rigmon.doctor.live import steps

MWV = sentence("WIMWV,214.8,R,3.2,M,A") + sentence("WIMWV,190.0,T,2.1,M,A")
MDA = sentence("WIMDA,29.4854,I,0.9985,B,21.4,C,,,48.2,,9.9,C,288.5,T,,M,8.0,N,4.1,M")
AIR = sentence("YXXDR,C,21.5,C,AIR,H,55,P,AIR")


def told(tail: bytes, weather: str = "", hz: float = 1) -> list[Finding]:
    rig = rig_with(weather=weather) if weather else rig_with()
    return stream.of_weather(rig, [surveyed(at(hz, tail=tail), rig)], "")


def test_what_is_heard_is_told_also_where_the_rig_takes_none() -> None:
    assert told(b"") == []
    heard = only(told(MWV + MDA + AIR), "weather")
    assert heard.state == "ok"
    assert "per second: MDA 1, MWV,R 1, MWV,T 1, XDR C AIR 1, XDR H AIR 1" in heard.seen
    assert "The rig file takes none of it" in heard.seen


@pytest.mark.parametrize(
    ("tail", "weather"),
    [
        (MWV, 'wind = "relative"'),
        (MWV, 'wind = "true"'),
        (MDA, 'wind = "mda"\nair = "mda"'),
        (AIR, 'air = "xdr"'),
    ],
)
def test_what_the_rig_takes_and_comes_is_well(tail: bytes, weather: str) -> None:
    assert only(told(tail, weather), "weather").state == "ok"


@pytest.mark.parametrize(
    ("tail", "weather", "words"),
    [
        (b"", 'wind = "relative"', "takes MWV,R: check the sensor's power"),
        (sentence("WIMWV,10,T,2.1,M,A"), 'wind = "relative"', "set [weather] to one that comes"),
        (AIR, 'air = "xdr"\ntemperature_name = "MAST"', "takes XDR C MAST"),
    ],
)
def test_what_the_rig_takes_and_does_not_come_is_wrong(tail: bytes, weather: str, words: str) -> None:
    found = only(told(tail, weather), "weather")
    assert found.state == "wrong"
    assert words in found.do


def test_a_port_that_was_not_listened_to() -> None:
    rig = rig_with(weather='wind = "true"')
    assert only(stream.of_weather(rig, [], "/dev/serial0 is not there"), "weather").state == "unknown"
    assert stream.of_weather(rig_with(), [], "/dev/serial0 is not there") == []


def test_weather_sentences_are_not_to_be_turned_off() -> None:
    rig = rig_with()
    assert stream.turn_off(surveyed(at(1, tail=MWV + MDA), rig)) == []


# 3.2 m/s / 0.44704 = 7.2 mph; 21.5 °C x 1.8 + 32 = 70.7 °F
def test_live_a_wind_and_a_temperature_are_proven_by_coming() -> None:
    rig = rig_with(weather='wind = "relative"\nair = "xdr"')
    assert steps(rig)[-1].channels == ("wind", "air")
    watching = fed(rig, *(line(each) for each in (MWV[: MWV.index(b"\n") + 1], AIR)))
    assert watching.proof("wind") == "a wind arrives: 7.2 mph"
    assert watching.proof("air") == "a temperature arrives: 70.7 °F"
    silent = fed(rig)
    for channel in ("wind", "air"):
        assert silent.proof(channel) is None
        found = silent.finding(channel, 60)
        assert found.state == "wrong"
        assert f"weather.{channel} = " in found.do
    station = fed(rig_with(weather='wind = "mda"\nair = "mda"'), line(MDA))
    assert station.finding("wind", 1).values["wind_m_s"] == 4.1
    assert station.finding("air", 1).values["air_temperature_c"] == 21.4
