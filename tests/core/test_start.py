"""The start of a run against the catch test and earlier runs: how far off is said, and since when it is so.

7.2 L/min at 200 kPa by the catch test; meter and transducer good for 2 %. Allowed are 7.0 % against the catch
test (2 x sqrt(2.5^2 + 1^2 + 2^2 + 1^2)), and against runs what matters, 4 %.
"""

from math import sqrt

import pytest
from helpers import ALL_XDR, make_rig

from rigmon.core.coefficient import boom_key, measured
from rigmon.core.start import MISMATCH, WORN, Off, Start
from rigmon.model import Carried
from rigmon.rig import Rig

ROOT = sqrt(200)
EARLIER = Carried("before", 7.2, 7.2, 1.0, 0.3, 480)


def rig(flow: str = "7.2 L/min") -> Rig:
    return make_rig(**{**ALL_XDR, "calibration": {"flow": flow, "pressure": "200 kPa"}})


def judged(flow_l_min: float, carried: Carried | None = None, settings: Rig | None = None) -> Off | None:
    settings = settings or rig()
    start = Start(settings)
    if carried is not None:
        assert start.carry(settings, carried)
    return start.judge(measured(settings, flow_l_min / ROOT, 0.2), 0.2)


@pytest.mark.parametrize(("flow_l_min", "code"), [(7.2, None), (7.6, None), (7.8, MISMATCH), (6.6, MISMATCH)])
def test_against_the_catch_test_alone(flow_l_min: float, code: str | None) -> None:
    off = judged(flow_l_min)
    assert (off and off.code) == code
    if off is not None:
        assert off.off == pytest.approx(flow_l_min / 7.2 - 1)
        assert off.limit == pytest.approx(0.070, abs=0.001)
        assert off.should == pytest.approx(7.2 / ROOT)


def test_one_of_eighteen_that_plugged_overnight_shows_against_the_newest_run() -> None:
    flow = 7.2 * 17 / 18  # 5.6 % less: within what the catch test allows
    assert judged(flow) is None
    off = judged(flow, EARLIER)
    assert off is not None
    assert (off.code, off.limit) == (MISMATCH, 0.04)


def test_wear_hides_from_run_to_run_but_not_since_the_first() -> None:
    """One per cent a run: nothing against the newest, and after five runs more than the 4 % that matter."""
    flow, named = 7.2, []
    carried = EARLIER
    for _ in range(7):
        flow *= 1.01
        off = judged(flow, carried)
        named.append(off and off.code)
        carried = carried._replace(flow_l_min=flow)
    assert named == [None, None, None, WORN, WORN, WORN, WORN]


def test_a_fall_over_runs_is_no_wear() -> None:
    off = judged(6.85, EARLIER._replace(flow_l_min=6.9))
    assert off is not None
    assert off.code == MISMATCH


def test_a_first_run_that_was_off_already_is_no_wear() -> None:
    """8 % more than the catch test from the first run on: another set, or a stale test."""
    high = EARLIER._replace(flow_l_min=7.8, first_flow_l_min=7.78)
    off = judged(7.8, high)
    assert off is not None
    assert off.code == MISMATCH


@pytest.mark.parametrize("wrong", [
    {"flow_l_min": 0.0}, {"flow_l_min": float("nan")}, {"first_flow_l_min": -1.0}, {"phi": 1.0}, {"n": 1},
    {"sd_pct": float("inf")}, {"flow_l_min": "7"}, {"n": True},
])  # fmt: skip
def test_what_cannot_be_true_is_not_taken(wrong: dict[str, object]) -> None:
    start = Start(rig())
    assert not start.carry(rig(), EARLIER._replace(**wrong))  # type: ignore[arg-type]
    assert start.carried is None


def test_the_key_is_the_booms() -> None:
    assert boom_key(rig()) == boom_key(rig())
    assert boom_key(rig()) != boom_key(rig("7.1 L/min"))
