"""Stamps for the lines of a recording: from TAG blocks or the sentences' own UTC, never running backwards."""

from itertools import pairwise

import pytest
from helpers import clock, gga, make_rig, rmc, sentence, tagged
from hypothesis import given
from hypothesis import strategies as st

from rigmon.core.nmea import Decoder
from rigmon.core.timeline import Timeline

GSV = sentence("GPGSV,1,1,00")
XDR = sentence("YXXDR,S,1,,BOOM")
VTG = sentence("GPVTG,84.4,T,,M,3.9,N,7.2,K,A")
DAY_S = 86_400


def stamps(lines: list[bytes]) -> list[float]:
    """Seconds."""
    timeline = Timeline(Decoder(make_rig()))
    return [timeline.stamp_ns(line) / 1e9 for line in lines]


def fix(t_s: float, **keys: str) -> bytes:
    return rmc(t_s, 2.0, **keys)


def void(t_s: float) -> bytes:
    return rmc(t_s, None, status="V", mode="N")


def zda(t_s: float) -> bytes:
    return sentence(f"GPZDA,{clock(t_s)},30,05,2026,00,00")


# -- the sentences' own UTC ----------------------------------------------------------------------------


def test_time_starts_at_the_first_timed_line_and_lines_without_time_belong_to_their_epoch() -> None:
    lines = [GSV, fix(36000.0), VTG, XDR, fix(36000.2), GSV, fix(36001.0)]
    assert stamps(lines) == [0, 0, 0, 0, 0.2, 0.2, 1.0]


def test_the_sentences_of_one_epoch_share_its_stamp() -> None:
    lines = []
    for k in range(4):
        t = 36000 + 0.2 * k
        lines += [gga(t, "4807.038,N", "01131.000,E"), fix(t), zda(t), VTG]
    assert stamps(lines) == pytest.approx([0.0] * 4 + [0.2] * 4 + [0.4] * 4 + [0.6] * 4)


def test_time_runs_on_across_midnight() -> None:
    assert stamps([fix(DAY_S - 2), fix(DAY_S - 1), fix(DAY_S), fix(DAY_S + 1)]) == [0, 1, 2, 3]


def test_a_leap_second_is_a_second() -> None:
    lines = [
        sentence(f"GPRMC,{t},A,4807.038,N,01131.000,E,3.9,84.4,{d},,,A")
        for t, d in (("235959", "311216"), ("235960", "311216"), ("000000", "010117"), ("000001", "010117"))
    ]
    # the clock of the day shows midnight for two seconds
    assert stamps(lines) == [0, 1, 1, 2]


def test_repeated_times_stand_still() -> None:
    assert stamps([fix(100), fix(100), fix(101), fix(101), fix(101), fix(102)]) == [0, 0, 1, 1, 1, 2]


def test_a_gap_of_a_valid_receiver_is_time_that_passed() -> None:
    assert stamps([fix(100), fix(101), fix(1101), fix(1102)]) == [0, 1, 1001, 1002]


def test_a_time_a_little_back_does_not_run_backwards() -> None:
    lines = [fix(100), fix(101), gga(100, "4807.038,N", "01131.000,E"), fix(102)]
    assert stamps(lines) == [0, 1, 1, 2]


def test_recordings_joined_end_to_end_go_on() -> None:
    assert stamps([fix(5000), fix(5001), fix(100), fix(101), fix(102)]) == [0, 1, 1, 2, 3]


def test_a_recording_joined_half_a_day_later_goes_on_too() -> None:
    # 13 h ahead reads as 11 h back: a time of day cannot tell
    assert stamps([fix(100), fix(101), fix(101 + 13 * 3600), fix(102 + 13 * 3600)]) == [0, 1, 1, 2]


# -- clocks without a fix ------------------------------------------------------------------------------


def test_the_first_fix_sets_the_clock_of_a_receiver_that_had_none() -> None:
    """Void sentences count up from any time; the leap to the true one is no time that passed."""
    assert stamps([void(0), void(1), void(2), fix(50_000), fix(50_001)]) == [0, 1, 2, 2, 3]


def test_a_void_leap_is_not_believed_and_the_valid_time_goes_on() -> None:
    assert stamps([fix(100), fix(101), void(9000), void(9001), fix(104)]) == [0, 1, 1, 1, 4]


def test_void_times_that_go_on_are_believed() -> None:
    assert stamps([fix(100), void(101), void(102), fix(103)]) == [0, 1, 2, 3]


@pytest.mark.parametrize("line", [void, zda])
def test_a_receiver_that_never_says_it_has_a_fix_goes_on_after_a_leap(line: object) -> None:
    """Time must not stand still for the rest of the recording; the leap itself is not counted."""
    assert callable(line)
    got = stamps([line(100), line(101), *(line(5000 + k) for k in range(10))])
    assert got[:2] == [0, 1]
    assert got[2:7] == [1] * 5
    assert got[7:] == [1, 2, 3, 4, 5][: len(got[7:])]


def test_wild_void_times_never_add_up_to_a_believed_one() -> None:
    lines = [fix(100), fix(101)]
    for k in range(50):
        lines += [void(5000 + 997 * k % 40_000)]
    assert stamps(lines)[2:] == [1] * 50


def test_without_any_time_all_is_at_the_start() -> None:
    assert stamps([GSV, XDR, VTG, void(0)[:20], b"rubbish", rmc(0, 2.0)[:-1]]) == [0] * 6


def test_a_damaged_time_is_not_believed() -> None:
    damaged = fix(300).replace(b"000500.00", b"020500.00")
    assert stamps([fix(100), damaged, fix(101), b"\xff$\x00", b"$GPRMC,", fix(102)]) == [0, 0, 1, 1, 1, 2]


def test_an_own_sentence_of_a_maker_tells_no_time() -> None:
    assert stamps([fix(100), sentence("PGRMC,000150,A"), fix(101)]) == [0, 0, 1]


# -- TAG blocks ----------------------------------------------------------------------------------------


def tag(unix: float, line: bytes = XDR) -> bytes:
    ms = round(unix * 1000)
    return tagged(f"c:{ms // 1000}" if ms % 1000 == 0 else f"c:{ms}", line)


def test_tag_blocks_tell_the_time_of_every_line() -> None:
    lines = [tag(1780000000), tag(1780000000.25, VTG), tag(1780000000.5), tag(1780000002)]
    assert stamps(lines) == [0, 0.25, 0.5, 2]


def test_where_lines_carry_tag_times_the_sentences_own_are_passed_over() -> None:
    lines = [tag(1780000000, fix(100)), tag(1780000001, fix(101.3)), fix(170), tag(1780000002, fix(102.1))]
    assert stamps(lines) == [0, 1, 1, 2]


def test_what_came_before_the_first_tag_block_came_at_its_time() -> None:
    assert stamps([fix(100), fix(103), tag(1780000000), tag(1780000001)]) == [0, 3, 3, 4]


def test_tag_blocks_without_time_leave_it_to_the_sentences() -> None:
    lines = [
        tagged("s:GPS", fix(100)),
        tagged("s:GPS", fix(100.2)),
        tagged("s:NODE", XDR),
        tagged("s:GPS", fix(101)),
    ]
    assert stamps(lines) == [0, 0.2, 0.2, 1]


def test_damaged_tag_blocks_tell_no_time() -> None:
    damaged = tag(1780000009).replace(b"c:1780000009", b"c:1780000019")
    assert stamps([tag(1780000000), damaged, tag(1780000001)]) == [0, 0, 1]


def test_a_tag_time_a_little_back_does_not_run_backwards() -> None:
    assert stamps([tag(1780000000), tag(1780000005), tag(1780000004), tag(1780000006)]) == [0, 5, 5, 6]


def test_tag_times_that_leap_go_on_from_where_they_stood() -> None:
    """Recordings joined end to end, or a computer's clock that was set: not years of silence."""
    lines = [
        tag(1780000000),
        tag(1780000001),
        tag(1770000000),
        tag(1770000002),
        tag(1870000000),
        tag(1870000003),
    ]
    assert stamps(lines) == [0, 1, 1, 3, 3, 6]


# -- anything at all -----------------------------------------------------------------------------------

_line = st.one_of(
    st.binary(max_size=60),
    st.integers(0, 2 * DAY_S).map(fix),
    st.integers(0, 2 * DAY_S).map(void),
    st.integers(0, 2 * DAY_S).map(zda),
    st.integers(0, 2**33).map(tag),
    st.sampled_from([GSV, XDR, VTG]),
)


@given(st.lists(_line, max_size=40))
def test_stamps_never_run_backwards_nor_leap_half_a_day(lines: list[bytes]) -> None:
    got = [0.0, *stamps(lines)]
    steps = [b - a for a, b in pairwise(got)]
    assert all(0 <= step < DAY_S / 2 for step in steps)


@given(start=st.integers(0, DAY_S), steps_ds=st.lists(st.integers(1, 99), min_size=1, max_size=40))
def test_any_even_or_uneven_pace_is_kept(start: int, steps_ds: list[int]) -> None:
    times = [float(start)]
    for step in steps_ds:
        times.append(times[-1] + step / 10)
    assert stamps([fix(t) for t in times]) == pytest.approx([t - start for t in times], abs=1e-6)
