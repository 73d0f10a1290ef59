"""MWV, MDA and the air's XDR: what is read, and what pynmea2 says of the same lines.

Fields' meaning: NMEA 0183 (common practice: gpsd's "NMEA Revealed"); numbers are hand-worked.
"""

import pynmea2
import pytest
from helpers import make_rig, sentence
from hypothesis import given
from hypothesis import strategies as st

from rigmon.core.nmea import Decoded, Decoder, Meteo, Other, Rejected, Transducers, Wind

WIND = Decoder(make_rig(weather={"wind": "relative", "air": "mda"}))
AIR = Decoder(make_rig(weather={"air": "xdr"}))
BARE = Decoder(make_rig())


def read(body: str, decoder: Decoder = WIND) -> Decoded:
    return decoder.decode(sentence(body))


# hand-worked: 10 kn x 1852 / 3600 = 5.14444; 36 km/h / 3.6 = 10; 10 mph x 0.44704 = 4.4704
@pytest.mark.parametrize(
    ("unit", "printed", "speed_m_s"),
    [("N", "10.0", 5.144444), ("K", "36.0", 10.0), ("M", "3.25", 3.25), ("S", "10", 4.4704)],
)
def test_each_unit_of_a_wind(unit: str, printed: str, speed_m_s: float) -> None:
    assert read(f"WIMWV,214.8,R,{printed},{unit},A") == Wind(
        True, True, 214.8, pytest.approx(speed_m_s, abs=1e-6)
    )


def test_reference_and_status() -> None:
    assert read("WIMWV,010,T,1.0,M,A") == Wind(True, False, 10.0, 1.0)
    assert read("WIMWV,010,T,1.0,M,V") == Wind(False, False, None, None)
    assert read("WIMWV,,R,,,V") == Wind(False, True, None, None)
    assert read("WIMWV,,R,0.0,N,A") == Wind(True, True, None, 0.0)  # calm: a vane without a direction


@pytest.mark.parametrize(
    "body",
    [
        "WIMWV,010,X,1.0,M,A",
        "WIMWV,010,R,1.0,F,A",
        "WIMWV,010,R,1.0,M,",
        "WIMWV,010,R,1.0,M",
        "WIMWV,-10,R,1.0,M,A",
        "WIMWV,370,R,1.0,M,A",
        "WIMWV,010,R,nan,M,A",
        "WIMWV,010,R,1_0,M,A",
        "WIMDA,29.5,I,,,20.0,C",
        "WIMDA,29.5,X,,,20.0,C,,,48.2,,9.9,C,,T,,M,,N,,M",
        "WIMDA,29.5,I,,,20.0,F,,,48.2,,9.9,C,,T,,M,,N,,M",
    ],
)
def test_what_cannot_be_read_is_refused(body: str) -> None:
    assert read(body) == Rejected("bad_field")
    assert isinstance(read(body, BARE), Other)  # nothing is taken from it there


# hand-worked: 29.92 inHg x 3.386389 = 101.3208 kPa; bar first: 1.0132 x 100; 8 kn x 1852 / 3600 = 4.11556
def test_a_composite_in_whichever_units_it_has() -> None:
    full = read("WIMDA,29.92,I,1.0132,B,-3.5,C,,,92.0,,-4.6,C,285.0,T,276.5,M,8.0,N,4.1,M")
    assert full == Meteo(pytest.approx(101.32), -3.5, 92.0, -4.6, 285.0, 276.5, 4.1)
    part = read("WIMDA,29.92,I,,,20.0,C,,,,,,,,,276.5,M,8.0,N,,")
    assert part == Meteo(
        pytest.approx(101.3208, abs=1e-4), 20.0, None, None, None, 276.5, pytest.approx(4.11556, abs=1e-5)
    )


def test_temperature_and_humidity_by_type_and_name() -> None:
    body = "YXXDR,C,21.5,C,AIR,H,55,P,AIR,C,60.0,C,ENGINE,P,1.013,B,AIR"
    assert read(body, AIR) == Transducers((("temperature", 21.5), ("humidity", 55.0)), 0)
    assert read("YXXDR,C,294.6,K,AIR", AIR) == Transducers((), 1)  # only what NMEA 0183 has for type C
    assert read(body, BARE) == Transducers((), 0)


_value = st.sampled_from(
    ["", "0", "7.5", "359.9", "-3", "x", "1e3", "A", "V", "R", "T", "N", "M", "C", "B", "I"]
)


@given(
    kind=st.sampled_from(["WIMWV", "WIMDA", "IIMWV"]),
    fields=st.lists(_value, max_size=21),
    place=st.integers(0, 100),
    byte=st.sampled_from(["", ",", "*", "$", "a", "0"]),
)
def test_what_is_taken_and_what_refused_is_what_pynmea2_takes_and_refuses(
    kind: str, fields: list[str], place: int, byte: str
) -> None:
    whole = sentence(",".join([kind, *fields])).decode()
    at = 1 + place % (len(whole) - 1)
    for line in (whole, whole[:at] + byte.replace("$", "_") + whole[at + 1 :]):
        if line[3:7] not in ("MWV,", "MDA,"):
            continue
        decoded = WIND.decode(line.encode())
        reason = decoded.reason if isinstance(decoded, Rejected) else None
        try:
            pynmea2.parse(line, check=True)
        except pynmea2.ChecksumError:
            assert reason in ("checksum", "no_checksum")
        except Exception:
            assert reason == "malformed"
        else:
            assert reason in (None, "bad_field")


@given(
    angle=st.integers(0, 3600),
    speed=st.integers(0, 600),
    unit=st.sampled_from("KMNS"),
    reference=st.sampled_from("RT"),
)
def test_generated_winds_are_as_pynmea2_converts_them(
    angle: int, speed: int, unit: str, reference: str
) -> None:
    raw = sentence(f"WIMWV,{angle / 10:.1f},{reference},{speed / 10:.1f},{unit},A")
    wind, other = WIND.decode(raw), pynmea2.parse(raw.decode(), check=True)
    assert isinstance(wind, Wind)
    assert wind.angle_deg == float(other.wind_angle)
    to_m_s = {"K": 1 / 3.6, "M": 1.0, "N": 1852 / 3600, "S": 0.44704}[other.wind_speed_units]
    assert wind.speed_m_s == pytest.approx(float(other.wind_speed) * to_m_s, rel=1e-12)
    assert wind.relative is (other.reference == "R")
