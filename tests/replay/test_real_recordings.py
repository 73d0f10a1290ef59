"""Every real recording that is at hand, replayed. They were made by other people on real receivers.

The recordings are not part of the project; where they are not there, these tests are skipped. INDEX.csv,
which lies with them, was made without rigmon.
"""

import csv
from collections import Counter
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pynmea2
import pytest
from helpers import ALL_XDR, make_rig

from rigmon.core.nmea import Decoder, LineFramer, Other, Rejected, Rmc
from rigmon.model import Flag
from rigmon.replay import Replayed, recording, replay

FOLDER = Path(__file__).resolve().parents[3] / "shared" / "nmea"
INDEX = FOLDER / "INDEX.csv"

pytestmark = pytest.mark.skipif(not INDEX.is_file(), reason=f"no real recordings at {FOLDER}")

RIG = make_rig(**ALL_XDR)
SMALL_BYTES = 70_000


def index() -> dict[str, dict[str, str]]:
    if not INDEX.is_file():
        return {}
    with INDEX.open(encoding="utf-8", newline="") as file:
        return {row["file"]: row for row in csv.DictReader(file)}


ROWS = index()
FILES = sorted(ROWS)
SMALL = [name for name in FILES if (FOLDER / name).stat().st_size <= SMALL_BYTES]
#: pynmea2's is_valid is False on the good fixes of these
NMEA_4_1 = [name for name in FILES if "nav-status V" in ROWS[name]["features"]]


@cache
def replayed(name: str) -> Replayed:
    return replay(recording(FOLDER / name, RIG), RIG)


def counts(result: Replayed) -> Counter[str]:
    sums: Counter[str] = Counter()
    for tally in result.tallies:
        sums[tally.name] += tally.n
    return sums


@cache
def lines(name: str) -> list[bytes]:
    framer = LineFramer()
    return framer.feed((FOLDER / name).read_bytes()) + framer.flush()


def fixes(name: str) -> Iterator[Rmc]:
    decoder = Decoder(RIG)
    for raw in lines(name):
        decoded = decoder.decode(raw)
        if isinstance(decoded, Rmc):
            yield decoded


def test_all_recordings_are_there() -> None:
    assert len(FILES) >= 70
    assert len(NMEA_4_1) >= 15
    assert len(SMALL) >= 60


@pytest.mark.parametrize("name", FILES)
def test_every_sound_sentence_is_taken_and_every_line_accounted_for(name: str) -> None:
    """Sentences: as many as INDEX.csv found with a valid checksum. Lines: sentences and rejections.

    'cut_short' counts the start of a sentence in front of a good one, so beside the line it is in. Comments
    ('#' first) are no lines. INDEX.csv counts lines its own way (at LF, comments too), so those differ.
    """
    tally = counts(replayed(name))
    rejected = sum(n for reason, n in tally.items() if reason.startswith("rejected:"))
    rejected -= tally["rejected:cut_short"]
    fed = sum(not (raw.startswith(b"#") and b"$" not in raw) for raw in lines(name))
    assert tally["sentence"] == int(ROWS[name]["valid_checksums"])
    assert tally["sentence"] + rejected == fed


@pytest.mark.parametrize("name", SMALL)
def test_any_chunk_size_gives_the_same_outputs(name: str) -> None:
    expected = replayed(name)
    for chunk_bytes in (1, 61, 4096):
        assert replay(recording(FOLDER / name, RIG, chunk_bytes), RIG) == expected


@pytest.mark.parametrize("name", sorted(set(FILES) - set(SMALL)))
def test_a_large_recording_gives_the_same_outputs_again(name: str) -> None:
    assert replay(recording(FOLDER / name, RIG, 1009), RIG) == replayed(name)


@pytest.mark.parametrize("name", FILES)
def test_no_speed_is_implausible_or_out_of_nowhere(name: str) -> None:
    """Below the rig's limit, and not far above the fastest that a valid RMC of the recording tells.

    Between fixes the estimate follows the acceleration for up to a second; the allowance is for that.
    """
    told = [fix.speed_m_s for fix in fixes(name) if fix.speed_m_s is not None]
    speeds = [s.speed_m_s for s in replayed(name).samples if s.speed_m_s is not None]
    assert all(0 <= speed < RIG.speed.maximum_m_s for speed in speeds)
    if told:
        assert max(speeds, default=0.0) <= 1.7 * max(told) + 0.1


@pytest.mark.parametrize("name", ["avnav--20160815.nmea", "boat-a-2013.nmea", "boat-a-2014.nmea"])
def test_a_speed_that_stays_the_same_for_seconds_is_not_taken_for_a_frozen_one(name: str) -> None:
    """Hours under way; the boats' receiver prints tenths of a knot and thousandths of a minute."""
    assert not [finding for finding in replayed(name).findings if finding.code == "gps_frozen"]


@pytest.mark.parametrize("name", NMEA_4_1)
def test_fixes_of_nmea_4_1_receivers_are_used(name: str) -> None:
    valid = [fix for fix in fixes(name) if fix.valid]
    assert valid
    assert all(fix.speed_m_s is not None and fix.lat_deg is not None for fix in valid)
    tally = counts(replayed(name))
    assert tally["fix"] + tally["refused:speed"] >= len(valid)


@pytest.mark.parametrize("name", FILES)
def test_what_is_taken_and_what_refused_is_what_pynmea2_takes_and_refuses(name: str) -> None:
    decoder = Decoder(RIG)
    for raw in lines(name):
        text = raw[max(raw.rfind(b"$"), 0) :].decode("latin-1").rstrip()
        if text[3:7] not in ("RMC,", "GGA,", "VTG,", "ZDA,", "XDR,") or text[1:2] in "Pp":
            continue
        decoded = decoder.decode(raw)
        reason = decoded.reason if isinstance(decoded, Rejected) else None
        if reason in ("too_long", "tag_checksum"):
            continue  # our own bounds
        try:
            pynmea2.parse(text, check=True)
        except pynmea2.ChecksumError:
            assert reason in ("checksum", "no_checksum"), raw
        except Exception:
            assert reason == "malformed", raw
        else:
            assert reason in (None, "bad_field"), raw


def without_any_fix() -> list[str]:
    """Recordings whose every RMC is void."""
    names = []
    for name in FILES:
        told = list(fixes(name))
        if told and not any(fix.valid for fix in told):
            names.append(name)
    return names


def test_recordings_without_any_fix_give_no_speed_ever() -> None:
    names = without_any_fix()
    assert len(names) >= 7
    for name in names:
        result = replayed(name)
        tally = counts(result)
        assert tally["fix"] == tally["refused:speed"] == 0, name
        assert tally["fix_void"] > 0, name
        for sample in result.samples:
            assert (sample.speed_m_s, sample.lat_deg, sample.rate_l_ha) == (None, None, None), name
            assert sample.flags & Flag.GPS_STALE or sample.t_ns <= 2_000_000_000, name
        assert result.anchors == [], name


@pytest.mark.parametrize("name", FILES)
def test_samples_join_from_the_start_to_the_end(name: str) -> None:
    result = replayed(name)
    end = 0
    for sample in result.samples:
        assert sample.t_ns - sample.dt_ns == end
        assert 0 < sample.dt_ns <= 1_100_000_000
        end = sample.t_ns
    assert end == result.last_ns


# First and last time in the file, by hand: 07:56:29 to 09:53:25; 09:53:33 to 13:00:56; 19:39:13 to 19:41:00.
# The others are the duration in INDEX.csv.
@pytest.mark.parametrize(
    ("name", "seconds"),
    [
        ("boat-a-2013.nmea", 7016),
        ("boat-a-2014.nmea", 11243),
        ("gpsd--hemi.log", 107),
        ("avnav--20130801.nmea", 13291),
        ("avnav--20160815.nmea", 2022),
        ("RTKLIB--ubx_20080526.ubx", 241),
        ("gpsd--ublox-neo-m9n-nmea.log", 60),
        ("nmea_navsat_driver--nmea.log", 59.5),
    ],
)
def test_recordings_last_as_long_as_their_clocks_say(name: str, seconds: float) -> None:
    if name not in ROWS:
        pytest.skip(f"{name} is not there")
    assert replayed(name).last_ns / 1e9 == seconds


def theirs(raw: bytes) -> str:
    """pynmea2's view of a line, cut at the last '$' or, without one, at the last '!'."""
    start = raw.rfind(b"$")
    text = raw[max(start, raw.rfind(b"!") if start < 0 else start, 0) :].decode("latin-1").rstrip()
    if text[:1] not in ("$", "!"):
        return "no sentence"  # it would take "Pump started" for one
    try:
        pynmea2.parse(text, check=True)
    except pynmea2.SentenceTypeError:
        return "unknown type"
    except pynmea2.ChecksumError:
        return "checksum"
    except pynmea2.ParseError:
        return "unparsed"
    return "accepted"


def ours(decoded: Any) -> str:
    if isinstance(decoded, Rejected):
        return decoded.reason
    return "unused" if isinstance(decoded, Other) else "used"


#: what we may say where pynmea2 says that; each other pair is a bug in one of the two
AGREED = {
    "accepted": {"used", "unused"},
    # sound sentences of a type it does not know
    "unknown type": {"unused"},
    # a '$' in binary, which its pattern takes for the start of one, is none to us
    "checksum": {"checksum", "no_checksum", "not_nmea"},
    # it parses no AIS, and takes addresses that end in Q for queries: sound to us when the checksum is right
    "unparsed": {"unused", "malformed", "checksum", "no_checksum", "not_nmea"},
    "no sentence": {"not_nmea"},
}


@pytest.mark.parametrize("name", FILES)
def test_what_is_rejected_is_what_pynmea2_rejects(name: str) -> None:
    decoder = Decoder(RIG)
    pairs: Counter[tuple[str, str]] = Counter()
    examples: dict[tuple[str, str], bytes] = {}
    for raw in lines(name)[:20_000]:
        pair = theirs(raw), ours(decoder.decode(raw))
        pairs[pair] += 1
        examples[pair] = raw
    wrong = {pair: examples[pair] for pair in pairs if pair[1] not in AGREED[pair[0]]}
    assert wrong == {}
    for (other, own), n in pairs.items():
        if other == "unparsed" and own == "unused":
            raw = examples[(other, own)]
            assert raw.startswith(b"!") or raw[:6].endswith(b"Q"), (raw, n)
