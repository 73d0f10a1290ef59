"""The map's pieces: few, bounded, coloured by dose, and handed out so that nobody draws what is not true."""

from itertools import pairwise
from math import cos, hypot, pi, radians, sin

import pytest
from helpers import make_rig
from hypothesis import given
from hypothesis import strategies as st
from samples import LAT, OFF, PER_DEG_M, at

from rigmon.live import track as module
from rigmon.live.track import FAR_HIGH, FAR_LOW, GAP, HIGH, IN, LOW, MOST, UNKNOWN, Track
from rigmon.live.track import OFF as BOOM_OFF
from rigmon.model import Sample

RIG = make_rig()


def _driven(samples: list[Sample]) -> Track:
    track = Track(RIG)
    for one in samples:
        track.take(one)
    return track


def _points(track: Track) -> list[tuple[int, int, int]]:
    flat = track.since(track.epoch, 0, 10**9)["points"]
    return list(zip(flat[::3], flat[1::3], flat[2::3], strict=True))


def _codes(track: Track) -> list[int]:
    return [code for _, _, code in _points(track)] + [track.since(track.epoch, 0, 10**9)["open"][2]]


def test_a_straight_pass_is_a_few_long_pieces() -> None:
    track = _driven([at(t, 2.0 * t) for t in range(101)])  # 200 m north in 100 s
    assert len(track) <= 1 + 200 / 18  # pieces of up to 20 m, ended a sample before they are longer
    assert set(_codes(track)[1:]) == {IN}
    assert _points(track)[0] == (0, 0, GAP)


@pytest.mark.parametrize(
    ("share", "code"),
    # the tolerance is 10 %: low below 0.9, far low below 0.8
    [(0.75, FAR_LOW), (0.85, LOW), (0.95, IN), (1.05, IN), (1.15, HIGH), (1.25, FAR_HIGH)],
)
def test_the_colour_is_the_dose_of_the_piece(share: float, code: int) -> None:
    track = _driven([at(t, 2.0 * t, volume_l=0.1 * share) for t in range(20)])
    assert set(_codes(track)[1:]) == {code}


def test_boom_off_and_unknown_have_their_own() -> None:
    track = _driven(
        [at(t, 2.0 * t, **OFF) for t in range(10)]
        + [at(t, 2.0 * t, volume_l=None) for t in range(10, 20)]
        + [at(t, 2.0 * t) for t in range(20, 30)]
    )
    codes = _codes(track)
    assert [code for code, before in zip(codes, [None, *codes], strict=False) if code != before] == [
        GAP, BOOM_OFF, UNKNOWN, IN,
    ]  # fmt: skip


def test_where_the_switch_changes_the_piece_ends() -> None:
    track = _driven([at(t, 2.0 * t, **(OFF if t <= 10 else {})) for t in range(30)])
    ends = [y for _, y, code in _points(track) if code == BOOM_OFF]
    assert ends[-1] == 200  # decimetres: the boom came on after 20 m


def test_a_lost_position_leaves_a_gap() -> None:
    track = _driven(
        [at(t, 2.0 * t) for t in range(10)]
        + [at(10, 0.0)._replace(lat_deg=None, lon_deg=None)]
        + [at(t, 2.0 * t) for t in range(15, 25)]
    )
    points = _points(track)
    assert [y for _, y, code in points if code == GAP] == [0, 300]
    assert (0, 180, IN) in points  # what was driven up to the loss is there


def test_a_jump_is_no_drive() -> None:
    track = _driven([at(0, 0), at(1, 2), at(2, 500), at(3, 502)])
    assert [y for _, y, code in _points(track) if code == GAP] == [0, 5000]


def test_a_bend_is_followed() -> None:
    """A circle of 30 m radius, 188 m round: each point lies on it, and none of it is far from its piece."""
    steps = 190
    turn = [2 * pi * k / steps for k in range(steps)]
    track = _driven([at(k, 30 * sin(a), 30 * (1 - cos(a))) for k, a in enumerate(turn)])
    points = _points(track)
    for x, y, _ in points:
        assert hypot(x / 10 - 30, y / 10) == pytest.approx(30, abs=0.1)
    longest = max(hypot(a[0] - b[0], a[1] - b[1]) / 10 for a, b in pairwise(points))
    # the sagitta of a chord c on radius r is r - sqrt(r^2 - c^2 / 4): 10 m on 30 m makes 0.42 m, hand-worked
    assert longest < 10


def test_whoever_has_some_of_it_gets_the_rest() -> None:
    track = _driven([at(t, 2.0 * t) for t in range(200)])
    whole = track.since(track.epoch, 0)
    had = 5
    rest = track.since(track.epoch, had)
    assert (rest["from"], rest["points"]) == (had, whole["points"][3 * had :])
    first = track.since(track.epoch, 0, 3)
    assert (len(first["points"]), first["open"]) == (9, None)
    assert track.since(track.epoch + 1, had)["from"] == 0
    assert track.since(track.epoch, len(track) + 1)["from"] == 0


def test_a_new_run_is_another_epoch() -> None:
    track = _driven([at(t, 2.0 * t) for t in range(50)])
    before = track.epoch
    track.clear()
    assert (len(track), track.epoch != before, track.since(before, 3)["from"]) == (0, True, 0)


def test_it_stays_bounded_whatever_is_driven(monkeypatch: pytest.MonkeyPatch) -> None:
    """A worst case: the dose jumps each second, and every sample bends. With a smaller bound, to be quick."""
    monkeypatch.setattr(module, "MOST", 200)
    track = Track(RIG)
    epochs = set()
    for t in range(6000):
        track.take(at(t, 2.0 * t, (t % 2) * 3.0, volume_l=0.1 if t % 4 < 2 else 0.2))
        epochs.add(track.epoch)
        assert len(track) <= 201
    assert len(epochs) < 12  # it is thinned by halves, not again and again
    ys = [y for _, y, _ in _points(track)]
    assert ys[0] == 0
    assert ys == sorted(ys)
    assert ys[-1] > 10 * 2.0 * 5000


def test_nothing_but_gaps_stays_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MOST", 60)
    track = Track(RIG)
    for t in range(500):
        track.take(at(t, 1000.0 * (t % 2)))
        assert len(track) <= 61


def test_a_day_of_ten_hours_fits() -> None:
    """Hand-worked: 10 h at 1.5 m/s is 54 km; passes of 200 m in pieces of 18 to 20 m make about 3 000."""
    track = Track(RIG)
    for t in range(0, 36_000, 1):
        along = (1.5 * t) % 400
        north = along if along <= 200 else 400 - along
        track.take(at(t, north, 5.0 * (t * 1.5 // 200)))
    assert 2000 < len(track) < 8000 < MOST


def test_the_180th_meridian_is_no_jump() -> None:
    scale = PER_DEG_M * cos(radians(LAT))
    track = Track(RIG)
    for t in range(40):
        lon = 179.9999 + 2.0 * t / scale
        track.take(at(t, 0)._replace(lon_deg=lon if lon <= 180 else lon - 360))
    assert [code for _, _, code in _points(track)].count(GAP) == 1
    assert _points(track)[-1][0] > 500


@given(
    st.lists(
        st.tuples(
            st.one_of(st.none(), st.floats(-90, 90)),
            st.floats(-180, 180),
            st.sampled_from([None, 0, 1]),
            st.one_of(st.none(), st.floats(0, 1e6)),
        ),
        max_size=40,
    )
)
def test_any_positions_make_integers_that_fit(
    rows: list[tuple[float | None, float, int | None, float | None]],
) -> None:
    track = Track(RIG)
    for t, (lat, lon, boom, area) in enumerate(rows):
        track.take(
            at(t, 0)._replace(lat_deg=lat, lon_deg=None if lat is None else lon, boom_on=boom, area_m2=area)
        )
    for x, y, code in _points(track):
        assert abs(x) < 2**31
        assert abs(y) < 2**31
        assert GAP <= code <= FAR_HIGH
