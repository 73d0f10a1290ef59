"""Readings, outputs and logs that the tests of the run log share. All values are invented."""

import struct
from pathlib import Path
from typing import Any

from hypothesis import strategies as st

from rigmon.log.store import Store
from rigmon.model import (
    Acknowledge,
    Act,
    AdcCount,
    Alert,
    Anchor,
    Basis,
    BeginRun,
    EndRun,
    Finding,
    NmeaLine,
    Note,
    Output,
    PulseCount,
    Reading,
    Refill,
    Retarget,
    RunHeader,
    Sample,
    Source,
    SourceFault,
    SwitchState,
    Tally,
    Tick,
    Weather,
)

HEADER = RunHeader(
    run_id="20260614-0810",
    source="live",
    rig_toml='[rig]\nname = "Rüttel rig"  # invented\n',
    software="rigmon 0.0",
    host="bench",
    boot_id="6b1f",
    sqlite="",
    ended_ns=None,
    ended_why=None,
)

int64 = st.integers(-(2**63), 2**63 - 1)
#: any float but NaN: infinities, subnormals and the negative zero too
real = st.floats(allow_nan=False)
maybe_real = st.none() | real
#: as JSON can hold it, in a block
maybe_finite = st.none() | st.floats(allow_nan=False, allow_infinity=False)
#: what an operating system or a person can put into text: anything but lone surrogates, which are no text
text = st.text(st.characters(exclude_categories=["Cs"]), max_size=40)

payloads = st.one_of(
    st.builds(NmeaLine, st.binary(max_size=120)),
    st.builds(PulseCount, st.integers(), st.none() | st.integers(), st.integers()),
    st.builds(AdcCount, st.integers(), st.integers(), st.none() | st.integers()),
    st.builds(SwitchState, st.booleans()),
    st.just(Tick()),
    st.builds(SourceFault, text, text, st.integers()),
    st.builds(Note, text),
    st.builds(Refill, maybe_finite, st.booleans()),
    st.builds(Acknowledge, text),
    st.just(BeginRun()),
    st.builds(EndRun, text),
    st.builds(Retarget, text, text),
)

outputs = st.one_of(
    st.builds(
        Sample,
        *(int64, int64),
        *(maybe_real for _ in range(7)),
        st.none() | st.sampled_from((0, 1)),
        *(maybe_real, maybe_real),
        st.sampled_from(list(map(int, Basis))),
        *(maybe_real, maybe_real, maybe_real),
        st.integers(0, 2**31),
    ),
    st.builds(Alert, int64, text, st.booleans(), maybe_real, maybe_real, text),
    st.builds(Anchor, int64, st.none() | int64),
    st.builds(Tally, int64, text, int64),
    st.builds(
        Finding,
        *(text, int64, int64),
        *(maybe_real for _ in range(4)),
        st.none() | st.booleans(),
        st.none() | int64,
        *(maybe_real, maybe_real),
    ),
    st.builds(Weather, int64, *(maybe_real for _ in range(14))),
    st.builds(Act, int64, text, text, maybe_real, st.none() | st.booleans()),
)


@st.composite
def reading_lists(draw: st.DrawFn, *, gaps: bool = True) -> list[Reading]:
    """Readings whose numbers ascend; their stamps need not."""
    steps = draw(st.lists(st.integers(1, 3 if gaps else 1), max_size=40))
    seq = draw(st.integers(-5, 2**40))
    made = []
    for step in steps:
        made.append(
            Reading(seq, draw(st.integers(-(2**62), 2**62)), draw(st.sampled_from(Source)), draw(payloads))
        )
        seq += step
    return made


def line(seq: int, t_ns: int | None = None) -> Reading:
    """A reading like most: a line from the GPS port, 25 ms after the one before."""
    return Reading(
        seq,
        seq * 25_000_000 if t_ns is None else t_ns,
        Source.GPS,
        NmeaLine(b"$GPTXT,01,01,02,line %d*00" % seq),
    )


def sample(t_ns: int, **fields: Any) -> Sample:
    """A sample with everything known, boom on."""
    known = Sample(
        t_ns, dt_ns=200_000_000, lat_deg=38.9, lon_deg=-94.7, track_deg=271.5, speed_m_s=1.5625,
        speed_sd_m_s=0.04, flow_l_min=9.0, pressure_kpa=275.8, boom_on=1, rate_l_ha=150.0, rate_u_pct=4.2,
        basis=1, distance_m=0.3125, area_m2=1.9, volume_l=0.03, flags=0,
    )  # fmt: skip
    return known._replace(**fields)


def bits(row: Reading | Output) -> list[object]:
    """A row with its floats as their bits: 0.0 == -0.0, but they are not the same bits."""
    return [struct.pack("<d", value) if type(value) is float else value for value in row]


class Scenario:
    """A log made commit by commit, so that a test knows what each commit acknowledged."""

    def __init__(self, path: Path, commits: int, per_commit: int = 3) -> None:
        self.store = Store(path, HEADER)
        self.path = path
        self.readings: list[Reading] = []
        self.samples: list[Sample] = []
        self.after: list[tuple[int, int]] = []  # rows of either kind that are safe after each commit
        for _ in range(commits):
            readings = [line(len(self.readings) + i) for i in range(per_commit)]
            self.samples.append(sample(readings[-1].t_ns))
            self.store.commit(readings, [(len(self.samples), self.samples[-1])], [])
            self.readings += readings
            self.after.append((len(self.readings), len(self.samples)))
