"""Decoding: what comes out of each trap seen on real receivers, of generated sentences, of anything at all.

Lines marked "recorded" are from other people's receivers, those marked "by hand" were made for the trap. The
fields' meaning is that of NMEA 0183 (common practice: gpsd's "NMEA Revealed"); expected numbers are
hand-worked unless a source stands beside them.
"""

import math
from datetime import date
from typing import Any

import pynmea2
import pytest
from helpers import ALL_XDR, KN_M_S, checksum, make_rig, sentence, tagged
from hypothesis import example, given
from hypothesis import strategies as st

from rigmon.core.nmea import (
    EARLIEST_DAYS,
    MAX_SENTENCE_BYTES,
    Decoded,
    Decoder,
    Gga,
    Other,
    Rejected,
    Rmc,
    Transducers,
    Vtg,
    Zda,
    tag_block_time_ms,
)

STRICT = Decoder(make_rig(**ALL_XDR))
LENIENT = Decoder(make_rig(gps={"accept_missing_checksum": True}, **ALL_XDR))


def strict(line: bytes | str) -> Decoded:
    return STRICT.decode(line.encode("latin-1") if isinstance(line, str) else line)


def lenient(line: bytes | str) -> Decoded:
    return LENIENT.decode(line.encode("latin-1") if isinstance(line, str) else line)


def days(year: int, month: int, day: int) -> int:
    return (date(year, month, day) - date(1970, 1, 1)).days


def ms(hour: int, minute: int, second: float) -> int:
    return round(((hour * 60 + minute) * 60 + second) * 1000)


# -- the sentences as they should be -------------------------------------------------------------------


# The worked example that nearly every description of NMEA 0183 prints (common practice). Its year 94 is
# before any rig was logged: the date is not believed.
def test_the_well_known_rmc() -> None:
    fix = strict("$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A")
    assert isinstance(fix, Rmc)
    assert (fix.time_ms, fix.date_days, fix.valid, fix.track_deg) == (ms(12, 35, 19), 0, True, 84.4)
    assert fix.lat_deg == pytest.approx(48 + 7.038 / 60, abs=1e-12)
    assert fix.lon_deg == pytest.approx(11 + 31.0 / 60, abs=1e-12)
    # 22.4 kn x 1852 / 3600 = 11.5236 m/s
    assert fix.speed_m_s == pytest.approx(11.52356, abs=1e-5)


# common practice, as above
def test_the_well_known_gga_and_vtg() -> None:
    gga = strict("$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47")
    assert isinstance(gga, Gga)
    assert (gga.time_ms, gga.valid) == (ms(12, 35, 19), True)
    assert (gga.lat_deg, gga.lon_deg) == pytest.approx((48.1173, 11.516667), abs=1e-6)
    # 5.5 kn x 1852 / 3600 = 2.82944 m/s
    vtg = strict("$GPVTG,054.7,T,034.4,M,005.5,N,010.2,K*48")
    assert vtg == Vtg(None, pytest.approx(2.82944, abs=1e-5), 54.7)


def test_zda() -> None:
    assert strict(sentence("GPZDA,201530.00,04,07,2026,00,00")) == Zda(ms(20, 15, 30), days(2026, 7, 4))


# -- traps of RMC --------------------------------------------------------------------------------------


# recorded: NMEA 4.1 receivers say "navigational status not provided" (V) on every good fix
def test_a_valid_fix_of_an_nmea_4_1_receiver_is_valid() -> None:
    fix = strict("$GNRMC,055234.000,A,4739.71890,N,12219.58362,W,0.00,286.35,050826,,,A,V*13")
    assert fix == Rmc(
        ms(5, 52, 34),
        days(2026, 8, 5),
        True,
        pytest.approx(47 + 39.71890 / 60, abs=1e-12),
        pytest.approx(-(122 + 19.58362 / 60), abs=1e-12),
        0.0,
        286.35,
    )


# recorded, standing still: 732 kn with a good checksum
@pytest.mark.parametrize(
    "line",
    [
        "$GNRMC,122716.114,V,,,,,731.98,96.95,260517,,,N*66",
        "$GPRMC,,V,,,,,,,,,,N*53",
        "$GPRMC,,V,,,,,,,260810,1.0,E,N*34",
    ],
)
def test_a_void_rmc_gives_no_speed_position_or_track(line: str) -> None:
    fix = strict(line)
    assert isinstance(fix, Rmc)
    assert fix.valid is False
    assert (fix.speed_m_s, fix.lat_deg, fix.lon_deg, fix.track_deg) == (None, None, None, None)


# The mode decides too: N not valid, E estimated, M manual, S simulated. A, D, P, R, F are fixes.
@pytest.mark.parametrize(
    ("mode", "valid"), [(m, False) for m in "NEMS"] + [(m, True) for m in "ADPRF"] + [("", True)]
)
def test_the_mode_says_whether_a_fix_may_be_used(mode: str, valid: bool) -> None:
    fix = strict(sentence(f"GPRMC,120000,A,4807.038,N,01131.000,E,022.4,084.4,300526,,,{mode}"))
    assert isinstance(fix, Rmc)
    assert fix.valid is valid
    assert (fix.speed_m_s is not None) is valid
    vtg = strict(sentence(f"GPVTG,054.7,T,034.4,M,005.5,N,010.2,K,{mode}"))
    assert isinstance(vtg, Vtg)
    assert vtg.valid is (valid if mode else None)
    assert (vtg.speed_m_s is not None) is valid


# recorded: `222515.x` stays text in the decoder; here the whole sentence is refused
def test_an_odd_fraction_of_a_second_is_refused() -> None:
    line = "$GPRMC,222515.x,A,4249.96551,S,14726.73171,E,0.042,,231019,,,A*18"
    assert strict(line) == Rejected("bad_field")


# recorded: the receiver's week has rolled over; the true day is 2014-07-31
def test_a_rolled_over_date_is_not_believed_but_the_speed_is() -> None:
    line = "$GPRMC,235959.226,A,2200.1091,S,01756.3580,W,009.7,220.2,151294,24.9,W*49"
    fix = strict(line)
    assert isinstance(fix, Rmc)
    assert fix.date_days == 0 < EARLIEST_DAYS
    assert fix.speed_m_s == pytest.approx(9.7 * KN_M_S)
    assert fix.lat_deg == pytest.approx(-(22 + 0.1091 / 60))
    assert fix.lon_deg == pytest.approx(-(17 + 56.3580 / 60))


# by hand: 2023-03-02 is what another decoder reads out of "2303"
def test_a_cut_date_is_refused_even_where_no_checksum_is_asked_for() -> None:
    cut = "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,2303"
    assert strict(cut) == Rejected("no_checksum")
    assert lenient(cut) == Rejected("bad_field")


# by hand: seconds 60 is a leap second, 2016-12-31T23:59:60 the newest one (IERS Bulletin C 52)
def test_a_leap_second_is_taken() -> None:
    fix = strict(sentence("GPRMC,235960.00,A,4807.038,N,01131.000,E,0.1,,311216,,,A"))
    assert isinstance(fix, Rmc)
    assert fix.time_ms == 86_400_000
    assert fix.date_days == days(2016, 12, 31)


@pytest.mark.parametrize("time", ["240000", "126000", "125961", "12351", "123519,5", "1235 9", "-12351"])
def test_times_that_no_clock_shows_are_refused(time: str) -> None:
    line = sentence(f"GPRMC,{time},A,4807.038,N,01131.000,E,0.1,,300526,,,A")
    assert strict(line) == Rejected("bad_field")


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("010169", days(2069, 1, 1)),  # not 1969
        ("290228", days(2028, 2, 29)),
        ("310299", 0),  # year 99: a rolled-over week, whatever the day
        ("", None),
    ],
)
def test_dates(text: str, expected: int | None) -> None:
    fix = strict(sentence(f"GPRMC,120000,A,4807.038,N,01131.000,E,0.1,,{text},,,A"))
    assert isinstance(fix, Rmc)
    assert fix.date_days == expected


@pytest.mark.parametrize("text", ["290227", "310426", "000126", "011326", "0101", "3005260", "30O526"])
def test_dates_that_no_calendar_has_are_refused(text: str) -> None:
    line = sentence(f"GPRMC,120000,A,4807.038,N,01131.000,E,0.1,,{text},,,A")
    assert strict(line) == Rejected("bad_field")


# by hand: float() and int() would take all of these
@pytest.mark.parametrize("sog", ["abc", "nan", "inf", "1_0", "-1.0", "1e3", "+1", " 1", ".", "1.2.3", "²"])
def test_speeds_that_are_not_plain_numbers_are_refused(sog: str) -> None:
    line = sentence(f"GPRMC,120000,A,4807.038,N,01131.000,E,{sog},,300526,,,A")
    assert strict(line) == Rejected("bad_field")
    assert strict(sentence(f"GPVTG,,T,,M,{sog},N,,K,A")) == Rejected("bad_field")
    assert strict(sentence(f"GPVTG,,T,,M,,N,{sog},K,A")) == Rejected("bad_field")


def test_an_old_rmc_that_ends_with_the_date_is_whole() -> None:
    fix = strict(sentence("GPRMC,120000,A,4807.038,N,01131.000,E,3.9,84.4,300526"))
    assert isinstance(fix, Rmc)
    assert (fix.valid, fix.date_days) == (True, days(2026, 5, 30))


def test_an_empty_speed_and_track_are_unknown_not_zero() -> None:
    fix = strict(sentence("GPRMC,120000,A,4807.038,N,01131.000,E,,,300526,,,A"))
    assert isinstance(fix, Rmc)
    assert (fix.valid, fix.speed_m_s, fix.track_deg) == (True, None, None)


@pytest.mark.parametrize(("cog", "good"), [("0", True), ("360", True), ("360.1", False), ("-5", False)])
def test_tracks(cog: str, good: bool) -> None:
    decoded = strict(sentence(f"GPRMC,120000,A,4807.038,N,01131.000,E,1.0,{cog},300526,,,A"))
    assert isinstance(decoded, Rmc if good else Rejected)


# by hand: 4807 without decimals is 48 deg 07 min; 9999.999 is no latitude; a sign or no letter is an error
@pytest.mark.parametrize(
    ("lat", "letter", "expected"),
    [
        ("4807", "N", 48 + 7 / 60),
        ("4807.", "S", -(48 + 7 / 60)),
        ("807.038", "N", 8 + 7.038 / 60),  # without the leading zero
        ("0000.000", "S", 0.0),
        ("9000.000", "S", -90.0),
        ("", "", None),
    ],
)
def test_latitudes(lat: str, letter: str, expected: float | None) -> None:
    fix = strict(sentence(f"GPRMC,120000,A,{lat},{letter},01131.000,E,0.1,,300526,,,A"))
    assert isinstance(fix, Rmc)
    assert fix.lat_deg == (None if expected is None else pytest.approx(expected, abs=1e-12))


@pytest.mark.parametrize(
    ("lat", "letter"),
    [
        ("9999.999", "N"), ("9000.001", "N"), ("4860.000", "N"), ("-4807.038", "N"), ("4807.038", ""),
        ("", "N"), ("4807.038", "E"), ("4807.038", "n"), ("07", "N"), ("48.07.038", "N"), ("48o7.038", "N"),
    ],
)  # fmt: skip
def test_latitudes_that_are_nowhere_are_refused(lat: str, letter: str) -> None:
    line = sentence(f"GPRMC,120000,A,{lat},{letter},01131.000,E,0.1,,300526,,,A")
    assert strict(line) == Rejected("bad_field")


def test_longitudes() -> None:
    for text, letter, expected in [("18000.000", "W", -180.0), ("00000.06", "W", -0.001)]:
        fix = strict(sentence(f"GPRMC,120000,A,4807.038,N,{text},{letter},0.1,,300526,,,A"))
        assert isinstance(fix, Rmc)
        assert fix.lon_deg == pytest.approx(expected, abs=1e-12)
    line = sentence("GPRMC,120000,A,4807.038,N,18000.001,E,0.1,,300526,,,A")
    assert strict(line) == Rejected("bad_field")


@pytest.mark.parametrize(
    "body", ["GPRMC", "GPRMC,", "GPRMC,120000,A,4807.038,N", "GPRMC,120000,X,,,,,,,300526"]
)
def test_an_rmc_cut_short_is_refused_even_with_a_checksum(body: str) -> None:
    assert not isinstance(strict(sentence(body)), Rmc)


# -- traps of VTG, GGA, ZDA ----------------------------------------------------------------------------


# recorded: 731.98 kn, standing still, good checksum
def test_a_void_vtg_gives_no_speed() -> None:
    assert strict("$GNVTG,96.95,T,,M,731.98,N,1356.36,K,N*2F") == Vtg(False, None, None)


# recorded: receivers without fix leave even the unit letters away
def test_an_all_empty_vtg_is_void_not_damaged() -> None:
    assert strict("$GPVTG,,,,,,,,,N*30") == Vtg(False, None, None)
    assert strict(sentence("GPVTG,,,,,,,,")) == Vtg(None, None, None)


# by hand: the form before NMEA 2.3 without unit letters, whose fields would shift
def test_a_vtg_without_unit_letters_is_refused() -> None:
    assert strict("$GPVTG,054.7,034.4,005.5,010.2*54") == Rejected("bad_field")
    assert strict(sentence("GPVTG,054.7,034.4,005.5,010.2,,,,")) == Rejected("bad_field")


def test_a_vtg_with_km_h_only() -> None:
    # 10.8 km/h / 3.6 = 3 m/s
    assert strict(sentence("GPVTG,,T,,M,,N,10.8,K,A")) == Vtg(True, pytest.approx(3.0), None)


# recorded without checksum: refused, unless the rig says that its receiver has none
def test_the_old_vtg_without_checksum() -> None:
    line = "$GPVTG,220.6,T,,M,009.7,N,018.0,K"
    assert strict(line) == Rejected("no_checksum")
    assert lenient(line) == Vtg(None, pytest.approx(9.7 * KN_M_S), 220.6)


# recorded and by hand, cut without checksum: "2C" and "12" would be taken for speeds
@pytest.mark.parametrize("line", ["$GPVTG,,T,,M,2C", "$GPVTG,,T,,M,12", "$GPVTG,,T,,M,12.3,N,22.8"])
def test_a_cut_vtg_is_refused_even_where_no_checksum_is_asked_for(line: str) -> None:
    assert lenient(line) == Rejected("bad_field")


# 0 no fix; 1 to 5 and 9 fixes of rising quality; 6 estimated, 7 manual, 8 simulated
@pytest.mark.parametrize(
    ("quality", "valid"), [(q, q in "123459") for q in "0123456789"] + [("", False), ("x", False)]
)
def test_gga_quality(quality: str, valid: bool) -> None:
    fix = strict(sentence(f"GPGGA,120000,4807.038,N,01131.000,E,{quality},08,0.9,545.4,M,46.9,M,,"))
    assert isinstance(fix, Gga)
    assert fix.valid is valid
    assert (fix.lat_deg is not None) is valid


@pytest.mark.parametrize(("lat", "lon"), [("9000.001", "01131.000"), ("4807.038", "18000.001")])
def test_a_gga_from_nowhere_is_refused(lat: str, lon: str) -> None:
    line = sentence(f"GPGGA,120000,{lat},N,{lon},E,1,08,0.9,545.4,M,46.9,M,,")
    assert strict(line) == Rejected("bad_field")


@pytest.mark.parametrize(
    "body",
    [
        "GPGGA,120000,4807.038,N,01131.000,E,1,08",
        "GPGGA,120000,4807.038,N,01131.000,E,12,08,0.9,545.4,M,46.9,M,,",
    ],
)
def test_a_gga_out_of_shape_is_refused(body: str) -> None:
    assert strict(sentence(body)) == Rejected("bad_field")


# recorded (7254 times): ZDA without date
def test_a_zda_without_date() -> None:
    assert strict("$GPZDA,095559,,,,00,*4D") == Zda(ms(9, 55, 59), None)


@pytest.mark.parametrize(
    "rest", ["04,07", "04,07,26,00,00", "4x,07,2026,00,00", "31,04,2026,00,00", "01,01,0000,,"]
)
def test_a_zda_with_a_bad_date_is_refused(rest: str) -> None:
    assert strict(sentence(f"GPZDA,201530.00,{rest}")) == Rejected("bad_field")


@given(st.dates(date(1, 1, 1), date(9999, 12, 31)))
@example(date(2000, 2, 29))  # a leap year, for 400 divides it
@example(date(2100, 3, 1))  # not one
@example(date(2028, 2, 29))
def test_every_date_of_the_calendar(day: date) -> None:
    line = sentence(f"GPZDA,000000,{day.day:02d},{day.month:02d},{day.year:04d},00,00")
    assert strict(line) == Zda(0, (day - date(1970, 1, 1)).days)


# -- checksums, prefixes, other people's sentences -----------------------------------------------------


GOOD = "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A"


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        (GOOD[:-2] + "6a", Rmc),  # lower-case digits are fine
        (GOOD[:-2] + "6B", Rejected("checksum")),
        (GOOD[:-1], Rejected("malformed")),
        (GOOD[:-2], Rejected("malformed")),
        (GOOD + "x", Rejected("malformed")),
        (GOOD + " \t", Rmc),
        (GOOD[:-3], Rejected("no_checksum")),
        (GOOD.replace("4807", "4808"), Rejected("checksum")),
        # a wholly lower-case sentence is another one, with another checksum
        (GOOD.lower(), Rejected("checksum")),
    ],
)
def test_checksums(line: str, expected: Any) -> None:
    decoded = strict(line)
    if expected is Rmc:
        assert isinstance(decoded, Rmc)
    else:
        assert decoded == expected


# recorded: a host's time in front; by hand: binary, other starts, a cut sentence in front
@pytest.mark.parametrize(
    "prefix",
    [
        b"2014-08-01T00:00:00.305000Z ",
        b"\xb5b\x01\x07\x5c\x00\xd0\xae",
        b'\\\x1c/sv\xeb\xcd\x84"jj\xb5b\x01',  # begins like a TAG block
        b"$GPRMC,1234",
        b"$$$",
        b"\x00\x00!",
        b"  ",
    ],
)
def test_a_good_sentence_is_found_behind_a_prefix(prefix: bytes) -> None:
    assert isinstance(strict(prefix + GOOD.encode()), Rmc)


# by hand: what the decoder library raises IndexError on, or takes for a proprietary sentence
@pytest.mark.parametrize(
    ("line", "reason"),
    [
        (b"Pump started", "not_nmea"),
        (b"Password: x", "not_nmea"),
        (b"PUMP ON at 12,3,4", "not_nmea"),
        (b"\xb5b\x02\x11*\x00$\x07\x8b\xff-%#\x00\x1e?X", "not_nmea"),  # recorded: a stray '$' in binary
        (b"$\x07\x8b*41", "not_nmea"),
        (b"$", "not_nmea"),
        (b"!", "not_nmea"),
        (b"Hello!", "not_nmea"),
        (b"# a comment", "not_nmea"),
        (b"", "not_nmea"),
        (b"$PUBX", "no_checksum"),
        (b"$PASHR", "no_checksum"),
        (b"$PUBX*zz", "malformed"),
        (b"$PUBX*+5", "malformed"),  # int("+5", 16) would take the sign
        (b"$PUBX*5", "malformed"),
        (b"$GPGSV,1,1,00*00", "checksum"),
        (b"$GPBOD,,T,,M,,*", "malformed"),  # recorded
        (b"$SkyTraq,Venus6", "no_checksum"),  # recorded
        (b"!AIVDM,1,1,,B,177KQJ5000G?tO`K>RA1wUbN0TKH,0*5D", "checksum"),
    ],
)
def test_what_is_refused_and_why(line: bytes, reason: str) -> None:
    assert strict(line) == Rejected(reason)


@pytest.mark.parametrize(
    "line",
    [
        # published in gpsd's "AIVDM/AIVDO protocol decoding"
        b"!AIVDM,1,1,,B,177KQJ5000G?tO`K>RA1wUbN0TKH,0*5C",
        sentence("GNTHS,77.52,E"),
        sentence("GPMSS,55,27,318.0,100,"),
        sentence("ADVER,3,1"),
        sentence("GPLLQ,034137.00,210712,,M,,M,3,15,0.011,,M"),  # ends in Q like a query
        sentence("CCGPQ,RMC"),  # a query for RMC is not an RMC
        sentence("PUBX"),
        sentence("PTNL,GGK,235647.00,122017,4807.038,N,01131.000,E,3,12,1.5,EHT100,M"),
        sentence("PSRFTXTVersion GSW3.2.2"),
        sentence("GPGSA,A,"),
        sentence("GPGSV,3,1,11"),
    ],
)
def test_sound_sentences_of_no_use_are_not_errors(line: bytes) -> None:
    assert strict(line) == Other()


# $PGRMC is a maker's own sentence, not an RMC; nor is any other with P first, in either case
@pytest.mark.parametrize("address", ["PGRMC", "PxVTG", "pxRMC"])
def test_proprietary_sentences_are_not_taken_for_the_standard_ones(address: str) -> None:
    assert strict(sentence(f"{address},123519,A,4807.038,N,01131.000,E,022.4,084.4,300526,,,A")) == Other()


def test_any_talker_will_do() -> None:
    for talker in ("GP", "GN", "GL", "GA", "GB", "BD", "GQ", "II", "IN"):
        assert isinstance(strict(sentence(talker + GOOD[3:-3])), Rmc)


def test_a_receiver_without_checksums_has_its_other_sentences_too() -> None:
    assert strict("$GPGSV,1,1,00") == Rejected("no_checksum")
    assert lenient("$GPGSV,1,1,00") == Other()
    assert lenient("$GPGSV,1,1,00*00") == Rejected("checksum")  # a wrong one is wrong all the same


# recorded: cut, then NULs; two sentences run together, which another decoder takes for one RMC
@pytest.mark.parametrize(
    "line",
    [
        "$GPRMC,000346.03,A,4808" + "\0" * 9,
        "$GPRMC,000346.03,A,4808.1,N,01131.0",
        "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,0$GPVTG,,T,,M,12",
        "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,0GPVTG,054.7,T,034.4,M,005.5,N,010.2,K",
    ],
)
def test_damage_is_refused_where_no_checksum_is_asked_for(line: str) -> None:
    assert lenient(line) == Rejected("bad_field")


@given(st.integers(1, len(GOOD) - 4))
def test_an_rmc_cut_anywhere_never_gives_a_wrong_value(length: int) -> None:
    whole = lenient(GOOD[:-3])
    decoded = lenient(GOOD[:length])
    assert isinstance(whole, Rmc)
    assert isinstance(decoded, Rmc | Rejected)
    if isinstance(decoded, Rmc):
        # without its date the day is not known, which is not wrong
        assert decoded in (whole, whole._replace(date_days=None))


def test_a_sentence_too_long_to_be_one_is_refused_before_it_costs_time() -> None:
    body = "GPRMC,120000,A,4807.038,N,01131.000,E,0.1,,300526,,,A"
    fits = sentence(body + "," * (MAX_SENTENCE_BYTES - len(body) - 4))
    assert len(fits) == MAX_SENTENCE_BYTES
    assert isinstance(strict(fits), Rmc)
    assert strict(sentence(body + "," * (MAX_SENTENCE_BYTES - len(body) - 3))) == Rejected("too_long")


_printed = st.text(st.characters(max_codepoint=255, exclude_characters="$*\r\n"), max_size=300)


@given(text=_printed, wrong=st.integers(1, 255))
def test_the_checksum_of_a_sentence_of_no_use_is_the_exclusive_or_of_all_its_bytes(
    text: str, wrong: int
) -> None:
    body = "GPGSV," + text
    good = checksum(body)
    assert strict(sentence(body)) == Other()
    assert strict(f"${body}*{int(good, 16) ^ wrong:02X}") == Rejected("checksum")


@given(st.lists(st.sampled_from(range(8)), max_size=30))
def test_what_a_line_is_does_not_hang_on_the_lines_before_it(order: list[int]) -> None:
    at = "4807.038,N,01131.000,E"
    lines = [
        sentence(f"GPRMC,120000,A,{at},3.9,84.4,300526,,,A"),
        sentence("GPRMC,120000,V,,,,,3.9,84.4,300526,,,N"),
        sentence(f"GPGGA,120000,{at},1,08,0.9,545.4,M,46.9,M,,"),
        sentence(f"GPGGA,120060,{at},1,08,0.9,545.4,M,46.9,M,,"),
        sentence("GPRMC,120001,A,4807.038,S,01131.000,W,3.9,84.4,300526,,,A"),
        sentence("YXXDR,P,2.7,B,BOOM,S,1,,BOOM"),
        b"$GPVTG,,T,,M,3.9",
        b"",
    ]
    one = Decoder(make_rig(**ALL_XDR))
    for k in order:
        assert one.decode(lines[k]) == Decoder(make_rig(**ALL_XDR)).decode(lines[k])
        assert one.decode(lines[k]) == Decoder(make_rig(**ALL_XDR)).decode(lines[k])


# -- TAG blocks ----------------------------------------------------------------------------------------


# published in gpsd's "AIVDM/AIVDO protocol decoding": a TAG block with group, line, source and time
def test_the_published_tag_block() -> None:
    line = (
        rb"\g:1-2-73874,n:157036,s:r003669945,c:1241544035*4A\!AIVDM,1,1,,B,15N4cJ`005Jrek0H@9n`DW5608EP,0*13"
    )
    assert tag_block_time_ms(line) == 1_241_544_035_000
    assert strict(line) == Other()


@pytest.mark.parametrize(
    ("raw", "expected"),
    [
        (tagged("c:1780000000", b"$"), 1_780_000_000_000),
        (tagged("c:1780000000123", b"$"), 1_780_000_000_123),
        (tagged("s:GPS", b"$"), None),
        (tagged("c:x", b"$"), False),
        (tagged("c:17800000001234", b"$"), False),  # microseconds, or damage
        (tagged("c:-5", b"$"), False),
        (rb"\c:1780000000*00\$", False),
        (rb"\c:1780000000\$", False),
        (rb"\c:1780000000*059\$", False),
        (rb"\c:1780000000*", False),
        (b"$GPRMC", None),
        (b"", None),
    ],
)
def test_tag_block_times(raw: bytes, expected: int | bool | None) -> None:
    assert tag_block_time_ms(raw) is expected or tag_block_time_ms(raw) == expected


def test_a_sentence_with_a_damaged_tag_block_is_refused() -> None:
    assert isinstance(strict(tagged("c:1780000000", GOOD.encode())), Rmc)
    assert strict(rb"\c:1780000001*" + checksum("c:1780000000").encode() + b"\\" + GOOD.encode()) == Rejected(
        "tag_checksum"
    )


# -- transducers ---------------------------------------------------------------------------------------


# hand-worked: 2.7446 bar = 274.46 kPa; 0.15132 L/s x 60 = 9.0792 L/min; the switch comes first
def test_transducers_by_type_and_name() -> None:
    assert strict("$YXXDR,P,2.7446,B,BOOM,R,0.15132,l,FLOW,S,1,,BOOM*24") == Transducers(
        (("boom", 1.0), ("pressure", pytest.approx(274.46)), ("flow", pytest.approx(9.0792))), 0
    )


@pytest.mark.parametrize(
    ("quad", "values", "rejected"),
    [
        ("P,274460,P,BOOM", (("pressure", pytest.approx(274.46)),), 0),
        ("P,-0.01,B,BOOM", (("pressure", pytest.approx(-1.0)),), 0),
        ("V,1.2345,M,FLOW", (("volume", pytest.approx(1234.5)),), 0),
        ("R,0.1,L,FLOW", (("flow", pytest.approx(6.0)),), 0),
        ("S,0,,BOOM", (("boom", 0.0),), 0),
        ("P,2.7,B,TANK", (), 0),  # another transducer's
        ("P,2.7,B,boom", (), 0),  # names are matched exactly
        ("C,21.5,C,BOOM", (), 0),  # a temperature of the same name
        ("P,,B,BOOM", (), 0),  # nothing measured
        ("P,2.7,B", (), 0),
        ("P,2.7,A,BOOM", (), 1),  # not a unit of pressure
        ("P,abc,B,BOOM", (), 1),
        ("P,nan,B,BOOM", (), 1),
        ("P,1e3,B,BOOM", (), 1),
        ("P,1_0,B,BOOM", (), 1),
        ("P,-,B,BOOM", (), 1),
        ("P,--1,B,BOOM", (), 1),
        ("S,2,,BOOM", (), 1),
        ("S,0.5,,BOOM", (), 1),
        ("S,1,x,BOOM", (), 1),
    ],
)
def test_one_transducer(quad: str, values: Any, rejected: int) -> None:
    assert strict(sentence("YXXDR," + quad)) == Transducers(values, rejected)


def test_a_bad_value_does_not_spoil_its_neighbours() -> None:
    decoded = strict(sentence("YXXDR,P,abc,B,BOOM,R,0.1,l,FLOW,S,7,,BOOM"))
    assert decoded == Transducers((("flow", pytest.approx(6.0)),), 2)


def test_a_rig_without_xdr_sensors_takes_no_transducer() -> None:
    decoder = Decoder(make_rig())
    line = sentence("YXXDR,P,2.7446,B,BOOM,R,0.15132,l,FLOW,S,1,,BOOM")
    assert decoder.decode(line) == Transducers((), 0)


# -- anything at all -----------------------------------------------------------------------------------

_KINDS = ["GPRMC", "GNVTG", "GPGGA", "GPZDA", "YXXDR"]
_field = st.one_of(
    st.sampled_from(["", "A", "V", "N", "S", "E", "W", "T", "M", "K", "P", "R", "B", "l", "BOOM", "FLOW"]),
    st.sampled_from(["nan", "1e5", "-1", "4807.038", "01131.000", "123519", "300526", "1", "0", ".", "²"]),
    st.text(st.characters(max_codepoint=255, exclude_characters="$*\r\n"), max_size=8),
)


def check(decoded: Decoded) -> None:
    """Whatever came out is of its type, in range, and no number is NaN or infinite."""
    numbers: list[float | None] = []
    if isinstance(decoded, Rmc | Gga):
        numbers = [decoded.lat_deg, decoded.lon_deg]
        assert decoded.lat_deg is None or -90 <= decoded.lat_deg <= 90
        assert decoded.lon_deg is None or -180 <= decoded.lon_deg <= 180
        assert decoded.time_ms is None or 0 <= decoded.time_ms <= 86_400_999
        if not decoded.valid:
            assert numbers == [None, None]
    if isinstance(decoded, Rmc | Vtg):
        numbers += [decoded.speed_m_s, decoded.track_deg]
        assert decoded.speed_m_s is None or decoded.speed_m_s >= 0
        assert decoded.track_deg is None or 0 <= decoded.track_deg <= 360
        if decoded.valid is False:
            assert (decoded.speed_m_s, decoded.track_deg) == (None, None)
    if isinstance(decoded, Transducers):
        numbers = [value for _, value in decoded.values]
    assert all(n is None or math.isfinite(n) for n in numbers)
    if isinstance(decoded, Rejected):
        assert decoded.reason


@given(st.binary(max_size=300))
@example(b"\\")
@example(b"\\*\\$")
@example(b"$*")
@example(b"$GPRMC,*")
def test_arbitrary_bytes_never_raise(raw: bytes) -> None:
    check(strict(raw))
    check(lenient(raw))
    tag_block_time_ms(raw)


@given(kind=st.sampled_from(_KINDS), fields=st.lists(_field, max_size=16))
def test_arbitrary_fields_with_a_good_checksum_never_raise(kind: str, fields: list[str]) -> None:
    check(strict(sentence(",".join([kind, *fields]))))


def refusal_of_pynmea2(line: str, check: bool) -> str | None:
    """The reason in our words; None: pynmea2 takes the sentence."""
    try:
        pynmea2.parse(line, check=check)
    except pynmea2.ChecksumError:
        return "checksum" if "*" in line else "no_checksum"
    except Exception:
        return "malformed"
    return None


@given(
    line=st.sampled_from([GOOD, "$GPVTG,054.7,T,034.4,M,005.5,N,010.2,K*48", "$YXXDR,P,2.7,B,BOOM*3A"]),
    edits=st.lists(
        st.tuples(st.integers(0, 90), st.sampled_from(["", ",", "*", "a", "\xdf", " ", "_", "0", "\x00"])),
        max_size=3,
    ),
    summed=st.booleans(),
)
@example(line=GOOD, edits=[(1, "\xdf")], summed=True)
@example(line=GOOD, edits=[(2, "_")], summed=True)
def test_what_is_taken_and_what_refused_is_what_pynmea2_takes_and_refuses(
    line: str, edits: list[tuple[int, str]], summed: bool
) -> None:
    for place, text in edits:
        at = 1 + place % (len(line) - 1)
        line = line[:at] + text + line[at + 1 :]
    line = line.replace("$", "_")[1:]
    line = sentence(line.partition("*")[0]).decode("latin-1") if summed else f"${line}"
    if line[3:7] not in ("RMC,", "VTG,", "XDR,"):
        return  # pynmea2 knows many kinds that rigmon does not read
    for decoder, check_ in ((STRICT, True), (LENIENT, False)):
        decoded = decoder.decode(line.encode("latin-1"))
        reason = decoded.reason if isinstance(decoded, Rejected) else None
        theirs = refusal_of_pynmea2(line, check_)
        if not line[:3].isascii():
            assert reason == "malformed"  # it takes a talker of any letters, but for one
        elif theirs is None:
            assert reason in (None, "bad_field")
        else:
            assert reason == theirs


@given(
    place=st.integers(0, len(GOOD) - 1),
    byte=st.integers(0, 255),
    line=st.sampled_from([GOOD, "$GPVTG,054.7,T,034.4,M,005.5,N,010.2,K*48"]),
)
def test_one_damaged_byte_is_noticed(place: int, byte: int, line: str) -> None:
    raw = bytearray(line.encode())
    place %= len(raw)
    changed = raw[place] != byte
    raw[place] = byte
    decoded = strict(bytes(raw))
    check(decoded)
    if place == 0 and byte == ord("!"):
        assert isinstance(decoded, Other)  # the checksum leaves the start out: encapsulated, so not used
    elif changed and place < len(raw) - 2:
        assert isinstance(decoded, Rejected)


@given(
    hour=st.integers(0, 23),
    minute=st.integers(0, 59),
    second=st.integers(0, 59),
    fraction=st.sampled_from(["", ".", ".5", ".25", ".125", ".0009"]),
    lat=st.tuples(st.integers(0, 89), st.integers(0, 5_999_999)),
    lon=st.tuples(st.integers(0, 179), st.integers(0, 5_999_999)),
    south=st.booleans(),
    west=st.booleans(),
    speed_kn=st.integers(0, 99_999),
    track=st.integers(0, 35_999),
    day=st.dates(date(2000, 1, 1), date(2079, 12, 31)),
    status=st.sampled_from("AV"),
    mode=st.sampled_from(["", ",A", ",D,V", ",N", ",E,V"]),
    talker=st.sampled_from(["GP", "GN", "GL"]),
)
def test_generated_rmc_decode_to_what_was_written(
    hour: int, minute: int, second: int, fraction: str, lat: tuple[int, int], lon: tuple[int, int],
    south: bool, west: bool, speed_kn: int, track: int, day: date, status: str, mode: str, talker: str,
) -> None:  # fmt: skip
    body = (
        f"{talker}RMC,{hour:02d}{minute:02d}{second:02d}{fraction},{status},"
        f"{lat[0]:02d}{lat[1] / 1e5:08.5f},{'NS'[south]},{lon[0]:03d}{lon[1] / 1e5:08.5f},{'EW'[west]},"
        f"{speed_kn / 100:.2f},{track / 100:.2f},{day:%d%m%y},,{mode}"
    )
    fix = strict(sentence(body))
    assert isinstance(fix, Rmc)
    thousandths = int((fraction[1:] + "000")[:3])
    assert fix.time_ms == ((hour * 60 + minute) * 60 + second) * 1000 + thousandths
    assert fix.date_days == (day - date(1970, 1, 1)).days
    assert fix.valid is (status == "A" and mode[1:2] not in ("N", "E"))
    if fix.valid:
        assert fix.lat_deg == pytest.approx((-1 if south else 1) * (lat[0] + lat[1] / 6e6), abs=1e-11)
        assert fix.lon_deg == pytest.approx((-1 if west else 1) * (lon[0] + lon[1] / 6e6), abs=1e-11)
        assert fix.speed_m_s == pytest.approx(speed_kn / 100 * 1852 / 3600, rel=1e-12)
        assert fix.track_deg == pytest.approx(track / 100)
        # and as pynmea2 converts them
        other = pynmea2.parse(sentence(body).decode())
        assert (fix.lat_deg, fix.lon_deg) == pytest.approx((other.latitude, other.longitude), abs=1e-9)


@given(
    speed_kn=st.integers(0, 99_999),
    track=st.integers(0, 36_000),
    mode=st.sampled_from(["", ",A", ",D", ",N"]),
)
def test_generated_vtg_decode_to_what_was_written(speed_kn: int, track: int, mode: str) -> None:
    km_h = speed_kn / 100 * 1.852
    fix = strict(sentence(f"GPVTG,{track / 100:.2f},T,,M,{speed_kn / 100:.2f},N,{km_h:.2f},K{mode}"))
    assert isinstance(fix, Vtg)
    assert fix.valid is {"": None, ",A": True, ",D": True, ",N": False}[mode]
    if fix.valid is not False:
        assert fix.speed_m_s == pytest.approx(speed_kn / 100 * 1852 / 3600, rel=1e-12)
        assert fix.track_deg == pytest.approx(track / 100)


@given(
    lat=st.tuples(st.integers(0, 89), st.integers(0, 59_999)),
    lon=st.tuples(st.integers(0, 179), st.integers(0, 59_999)),
    south=st.booleans(),
    west=st.booleans(),
    quality=st.sampled_from("124580"),
)
def test_generated_gga_decode_to_what_was_written(
    lat: tuple[int, int], lon: tuple[int, int], south: bool, west: bool, quality: str
) -> None:
    fix = strict(
        sentence(
            f"GPGGA,120000.2,{lat[0]:02d}{lat[1] / 1e3:06.3f},{'NS'[south]},"
            f"{lon[0]:03d}{lon[1] / 1e3:06.3f},{'EW'[west]},{quality},08,0.9,545.4,M,46.9,M,,"
        )
    )
    assert isinstance(fix, Gga)
    assert (fix.time_ms, fix.valid) == (43_200_200, quality in "1245")
    if fix.valid:
        assert fix.lat_deg == pytest.approx((-1 if south else 1) * (lat[0] + lat[1] / 6e4), abs=1e-11)
        assert fix.lon_deg == pytest.approx((-1 if west else 1) * (lon[0] + lon[1] / 6e4), abs=1e-11)


@given(
    bar=st.integers(0, 99_999),
    litres_s=st.integers(0, 9_999_999),
    on=st.booleans(),
    names=st.permutations([0, 1, 2]),
)
def test_generated_transducers_decode_to_what_was_written(
    bar: int, litres_s: int, on: bool, names: list[int]
) -> None:
    quads = [f"P,{bar / 1e4:.4f},B,BOOM", f"R,{litres_s / 1e6:.6f},l,FLOW", f"S,{int(on)},,BOOM"]
    decoded = strict(sentence("YXXDR," + ",".join(quads[k] for k in names)))
    assert isinstance(decoded, Transducers)
    assert decoded.rejected == 0
    assert decoded.values[0] == ("boom", float(on))
    assert dict(decoded.values) == {
        "boom": float(on),
        "pressure": pytest.approx(bar / 100),
        "flow": pytest.approx(litres_s * 60 / 1e6),
    }
