"""The line framer: any chunking gives the same lines, nothing is lost, an endless line stays bounded."""

import itertools
import random

import pytest
from helpers import make_rig, sentence
from hypothesis import example, given
from hypothesis import strategies as st

from rigmon.core.nmea import MAX_LINE_BYTES, Decoder, LineFramer, Rmc

RMC = sentence("GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,300526,,,A")

_piece = st.one_of(
    st.just(RMC),
    st.sampled_from([b"\r", b"\n", b"\r\n", b"\n\r", b"$", b"", b"\r\n\r\n", b"$GPRMC,12", b"\\s:a*00\\"]),
    st.binary(max_size=40),
    st.integers(0, 1200).map(lambda n: b"x" * n),
    st.integers(0, 600).map(lambda n: b"$" * n),
)
_stream = st.lists(_piece, max_size=12).map(b"".join)


def whole(data: bytes) -> list[bytes]:
    framer = LineFramer()
    return framer.feed(data) + framer.flush()


@given(data=_stream, cuts=st.lists(st.integers(0, 4000), max_size=12))
@example(data=b"x" * 1025 + b"\n", cuts=[511, 512, 513, 1024, 1025])
@example(data=b"x" * 511 + b"\r\n" + RMC + b"\r\n", cuts=[512])
def test_any_chunking_gives_the_same_lines(data: bytes, cuts: list[int]) -> None:
    framer = LineFramer()
    lines: list[bytes] = []
    edges = sorted({0, len(data), *(cut for cut in cuts if cut < len(data))})
    for start, end in itertools.pairwise(edges):
        lines += framer.feed(data[start:end])
    lines += framer.feed(b"")
    assert lines + framer.flush() == whole(data)
    assert framer.flush() == []


@given(data=_stream)
def test_byte_by_byte_gives_the_same_lines(data: bytes) -> None:
    framer = LineFramer()
    lines = [line for k in range(len(data)) for line in framer.feed(data[k : k + 1])]
    assert lines + framer.flush() == whole(data)


@given(data=_stream)
def test_nothing_is_lost_and_no_line_is_empty_or_too_long(data: bytes) -> None:
    lines = whole(data)
    assert b"".join(lines) == data.replace(b"\r", b"").replace(b"\n", b"")
    assert all(0 < len(line) <= MAX_LINE_BYTES for line in lines)


@given(chunks=st.lists(_stream, max_size=5))
def test_what_the_framer_keeps_is_bounded_after_any_feed(chunks: list[bytes]) -> None:
    for count in range(1, len(chunks) + 1):
        framer = LineFramer()
        for chunk in chunks[:count]:
            framer.feed(chunk)
        assert sum(map(len, framer.flush())) <= MAX_LINE_BYTES


def test_an_endless_line_is_cut_and_does_not_grow() -> None:
    framer = LineFramer()
    lines = framer.feed(b"\xff" * 1_000_000)
    assert {len(line) for line in lines} == {MAX_LINE_BYTES}
    # hand-worked: 1 000 000 = 1953 x 512 + 64
    assert len(lines) == 1953
    assert framer.flush() == [b"\xff" * 64]


@pytest.mark.parametrize("end", [b"\r", b"\n", b"\r\n", b"\n\n", b"\r\r\n"])
def test_every_line_end_ends_a_line(end: bytes) -> None:
    framer = LineFramer()
    assert framer.feed(b"one" + end + b"two" + end) == [b"one", b"two"]
    assert framer.flush() == []


def test_a_line_end_that_falls_between_two_reads() -> None:
    framer = LineFramer()
    assert framer.feed(b"one\r") == [b"one"]
    assert framer.feed(b"\ntwo\r\n") == [b"two"]


def test_the_unfinished_rest_comes_out_at_the_end_of_the_input() -> None:
    framer = LineFramer()
    assert framer.feed(b"one\ntw") == [b"one"]
    assert framer.feed(b"o") == []
    assert framer.flush() == [b"two"]


@pytest.mark.parametrize("with_dollars", [False, True])
def test_a_sentence_behind_binary_without_line_end_is_found(with_dollars: bool) -> None:
    """Whatever the length of the binary, the cut never goes through the sentence behind it."""
    rng = random.Random(7)
    junk = bytes(b for b in rng.randbytes(3000) if b not in b"\r\n" and (with_dollars or b != 0x24))
    decoder = Decoder(make_rig())
    for length in range(1100):
        found = [decoder.decode(line) for line in whole(junk[:length] + RMC + b"\r\n")]
        fixes = [d for d in found if isinstance(d, Rmc)]
        assert len(fixes) == 1, length
        assert fixes[0].valid
