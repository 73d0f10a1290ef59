"""Whatever a page, or who says that he is one, sends as an act: an answer in words, never a failure."""

import json
from typing import Any

from helpers import make_rig
from hypothesis import given
from hypothesis import strategies as st

from rigmon.core.acts import act_of
from rigmon.edge.acts import Acts
from rigmon.edge.hub import Hub, MonotonicClock
from rigmon.model import Act, Sample, Source

RIG = make_rig()
STANDING = Sample(0, 1, None, None, None, 0.0, 0.1, 0.0, None, 0, None, None, 0, 0.0, 0.0, 0.0, 0)

scalars = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.text(max_size=40),
    st.text(min_size=900, max_size=1100),
)
values = st.recursive(
    scalars,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=8,
)
names = st.sampled_from(
    ["note", "refill", "acknowledge", "begin_run", "end_run", "retarget", "", "Note", "act"]
)
keys = st.sampled_from(["text", "volume", "volume_l", "full", "code", "why", "record", "act", "id"])
#: near enough to right ones to get past the first checks
likely = st.builds(lambda name, rest: {"act": name, **rest}, names, st.dictionaries(keys, values, max_size=3))


def _desk() -> tuple[Acts, Hub]:
    hub = Hub(MonotonicClock())
    desk = Acts(hub, RIG)
    desk.serves(single=False, run_going=True)
    desk.sees([STANDING])
    return desk, hub


@given(st.one_of(values, likely))
def test_every_body_is_answered_and_what_is_done_can_be_kept(body: Any) -> None:
    desk, hub = _desk()
    answer = desk.ask(body)
    assert answer.outcome in ("done", "refused", "invalid", "busy")
    assert 0 < len(answer.words) < 500
    json.dumps(answer.to_json(), allow_nan=False)
    hub.close()
    readings = []
    while (reading := hub.next(1 << 62)) is not None:
        readings.append(reading)
    assert len(readings) == int(answer.done)
    for reading in readings:
        assert reading.source is Source.PERSON
        assert isinstance(act_of(reading.t_ns, reading.payload), Act)


@given(likely)
def test_nothing_is_done_while_the_rig_moves_or_its_speed_is_unknown(body: Any) -> None:
    for sample in (STANDING._replace(speed_m_s=1.0), STANDING._replace(speed_m_s=None), None):
        desk, hub = _desk()
        desk.sees([] if sample is None else [sample])
        if sample is None:
            desk = Acts(hub, RIG)
        assert desk.ask(body).outcome in ("refused", "invalid")
        hub.close()
        assert hub.next(1 << 62) is None
