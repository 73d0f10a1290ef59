"""Columns from outputs: what is unknown is NaN inside and stays apart from zero."""

import numpy as np
from hand_made import Track, rig

from rigmon.analysis.frames import columns_from_samples, from_outputs
from rigmon.model import Alert, Anchor, Tally


def test_columns_hold_the_samples_fields() -> None:
    samples = Track().go(3).go(2, boom=None, gps=False).go(1, speed=0.0, boom=0).samples
    columns = columns_from_samples(iter(samples))
    assert len(columns) == 6
    for name in ("t_ns", "dt_ns", "basis", "flags"):
        assert getattr(columns, name).dtype == np.int64
        assert getattr(columns, name).tolist() == [getattr(s, name) for s in samples]
    for name in (
        "lat_deg",
        "lon_deg",
        "speed_m_s",
        "speed_sd_m_s",
        "boom_on",
        "distance_m",
        "area_m2",
        "volume_l",
    ):
        column = getattr(columns, name)
        assert column.dtype == np.float64
        assert [None if np.isnan(x) else x for x in column] == [getattr(s, name) for s in samples]
    assert columns.position_known.tolist() == [True, True, True, False, False, True]
    assert columns.start_ns.tolist() == [s.t_ns - s.dt_ns for s in samples]


def test_repeated_positions_are_not_fresh() -> None:
    samples = Track().go(4).samples
    samples[2] = samples[2]._replace(lat_deg=samples[1].lat_deg, lon_deg=samples[1].lon_deg)
    assert columns_from_samples(samples).position_fresh.tolist() == [True, True, False, True]


def test_outputs_are_sorted_by_kind() -> None:
    samples = Track().go(2).samples
    alert = Alert(1, "gps_lost", True, None, None, "")
    anchor, tally = Anchor(1, None), Tally(3_000_000_000, "fix", 2)
    data = from_outputs(
        rig(), [anchor, samples[0], alert, samples[1], tally], run_id=None, source="x", ended_cleanly=True
    )
    assert (data.alerts, data.anchors, data.tallies) == ((alert,), (anchor,), (tally,))
    assert data.columns.t_ns.tolist() == [1_000_000_000, 2_000_000_000]
    assert data.duration_s == 3.0
