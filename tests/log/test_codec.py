"""Blocks of readings: exact both ways, and a changed, missing or misplaced block shows."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from log_cases import line, reading_lists

from rigmon.log.codec import BLOCK_READINGS, DamagedBlockError, blocks, unpack
from rigmon.model import NmeaLine, Note, Reading, Source, SwitchState


def _unpack_all(packed, chain=0):
    readings = []
    for block in packed:
        readings += unpack(block, chain)
        chain = block[4]
    return readings


@given(reading_lists())
def test_readings_come_back_as_they_were(readings):
    again = _unpack_all(blocks(readings))
    assert again == readings
    assert [type(r.payload) for r in again] == [type(r.payload) for r in readings]
    assert all(type(r.source) is Source for r in again)


def test_every_byte_value_survives_in_a_line():
    readings = [Reading(0, 0, Source.GPS, NmeaLine(bytes(range(256))))]
    assert _unpack_all(blocks(readings)) == readings


def test_a_switch_state_stays_a_truth_value():
    (reading,) = _unpack_all(blocks([Reading(0, 0, Source.BOOM, SwitchState(True))]))
    assert reading.payload.on is True


def test_a_block_has_a_bounded_number_of_readings():
    packed = blocks([line(seq) for seq in range(3 * BLOCK_READINGS + 1)])
    assert [block[1] for block in packed] == [BLOCK_READINGS] * 3 + [1]


def test_a_gap_in_the_numbers_begins_a_new_block():
    packed = blocks([line(4), line(5), line(9)])
    assert [(seq, n) for seq, n, *_ in packed] == [(4, 2), (9, 1)]


@pytest.mark.parametrize("numbers", [(1, 1), (2, 1), (1, 2, 3, 3), (1, 3, 2, 4)])
def test_numbers_that_do_not_ascend_are_refused(numbers):
    with pytest.raises(ValueError, match="came after"):
        blocks([line(seq) for seq in numbers])


def test_numbers_must_go_on_after_the_block_before():
    with pytest.raises(ValueError, match="reading 7 came after reading 7"):
        blocks([line(7)], after=7)


def test_a_stranger_among_the_payloads_is_refused():
    with pytest.raises(TypeError, match="int is not a payload"):
        blocks([Reading(0, 0, Source.GPS, 5)])


@given(st.data())
def test_any_flipped_bit_is_seen(data):
    block = list(blocks([line(seq) for seq in range(data.draw(st.integers(1, 30)))])[0])
    column = data.draw(st.integers(0, 6))
    if column == 6:
        body = bytearray(block[6])
        bit = data.draw(st.integers(0, 8 * len(body) - 1))
        body[bit // 8] ^= 1 << bit % 8
        block[6] = bytes(body)
    else:
        block[column] ^= 1 << data.draw(st.integers(0, 31))
    with pytest.raises(DamagedBlockError):
        unpack(tuple(block))


def test_a_missing_or_misplaced_block_is_seen():
    packed = blocks([line(seq) for seq in range(3 * BLOCK_READINGS)])
    for wrong in (packed[1:], [packed[0], packed[2]], [packed[0], packed[2], packed[1]]):
        with pytest.raises(DamagedBlockError):
            _unpack_all(wrong)


def test_what_does_not_shrink_is_stored_as_it_is():
    (block,) = blocks([Reading(0, 0, Source.PERSON, Note("x"))])
    assert block[6] == b'[[0,8,["note","x"]]]'
    assert block[5] == len(block[6])
