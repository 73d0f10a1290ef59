"""Pressure from counts and from XDR values; the faults told apart. All numbers are hand-worked."""

import pytest
from helpers import make_rig

from rigmon.core.pressure import Transducer
from rigmon.model import AdcCount


def transducer(**keys: object) -> Transducer:
    """0.5 to 4.5 V of a 5 V rail over 0 to 1000 kPa: 10 % to 90 % of full scale. Maximum 2000 kPa."""
    return Transducer(make_rig(pressure={"source": "adc", **keys}).pressure)


def counts(n: int, bits: int = 10, supply: int | None = None, **keys: object) -> tuple[float | None, str]:
    meter = transducer(**keys)
    meter.set_counts(7, AdcCount(n, bits, supply))
    assert meter.t_ns == 7
    return meter.pressure_kpa, meter.fault


def test_nothing_is_known_at_first() -> None:
    meter = transducer()
    assert (meter.t_ns, meter.pressure_kpa, meter.fault) == (None, None, "")


@pytest.mark.parametrize(
    ("n", "bits", "kpa"),
    [
        (512, 10, 500.0),  # 0.5; (0.5 - 0.1) / 0.8 x 1000
        (2048, 12, 500.0),
        (256, 10, 187.5),  # 0.25; 0.15 / 0.8 x 1000
        (320, 10, 265.625),  # 0.3125; 0.2125 / 0.8 x 1000
        (920, 10, 998.046875),  # 0.8984375; 0.7984375 / 0.8 x 1000
        (102, 10, 0.0),  # 0.0996: a hair below zero pressure reads zero
    ],
)
def test_counts(n: int, bits: int, kpa: float) -> None:
    assert counts(n, bits) == (pytest.approx(kpa, abs=1e-9), "")


# The rail has sagged to 90 % of what the converter calls full: counts and rail sag alike, the quotient stays
def test_against_the_supply_rail() -> None:
    assert counts(500, supply=1000) == (pytest.approx(500.0), "")
    assert counts(450, supply=900) == (pytest.approx(500.0), "")
    # without the rail the same counts read (450 / 1024 - 0.1) / 0.8 x 1000 = 424.3
    assert counts(450) == (pytest.approx(424.31640625), "")


@pytest.mark.parametrize(
    ("n", "fault"),
    [
        (0, "open"),
        (51, "open"),  # 51 / 1024 = 0.0498 < 0.1 / 2
        (52, ""),  # 0.0508
        (972, ""),  # 0.9492 < (1 + 0.9) / 2
        (973, "short"),  # 0.9502
        (1022, "short"),
        (1023, "clipped"),  # full scale: what is there cannot be seen
        (-1, "clipped"),
    ],
)
def test_open_short_and_clipped_are_told_apart(n: int, fault: str) -> None:
    pressure, told = counts(n)
    assert told == fault
    assert (pressure is None) is bool(fault)


def test_faults_against_the_supply_rail() -> None:
    assert counts(40, supply=900) == (None, "open")
    assert counts(880, supply=900) == (None, "short")
    assert counts(1023, supply=1000) == (None, "clipped")


@pytest.mark.parametrize(
    ("n", "supply", "fault"),
    [
        (500, 0, "supply"),  # the rail's wire is broken: 500 of nothing is no pressure, and no short either
        (0, 0, "supply"),  # the converter is dead
        (200, 255, "supply"),  # below a quarter of 1024: 0.8 V on the pin, no rail
        (128, 256, ""),  # 0.5 of the rail
        (500, 1022, ""),
        (500, 1023, "supply"),  # the rail's divider gives more than the converter reads: no ratio
        (1023, 1023, "clipped"),
    ],
)
def test_a_rail_that_cannot_be_true_is_told_apart(n: int, supply: int, fault: str) -> None:
    pressure, told = counts(n, supply=supply)
    assert told == fault
    assert (pressure is None) is bool(fault)


# Zero pressure is 0.5 V of 5 V: through 10k/15k, 0.3 V of the converter's 3.3 V, 0.0909 of full scale, 93
# counts; the rail, 3.0 V, is 931. An open wire reads near 0: the two are a tenth of the rail apart.
@pytest.mark.parametrize("bits", [10, 12])
def test_an_open_wire_is_not_zero_pressure(bits: int) -> None:
    wider = 1 << (bits - 10)
    rail = 931 * wider
    assert counts(93 * wider, bits, rail) == (pytest.approx(0.0, abs=0.2), "")
    assert counts(0, bits, rail) == (None, "open")
    assert counts(3 * wider, bits, rail) == (None, "open")  # noise on the open wire
    assert counts(931 * wider, bits, rail) == (None, "short")


# Calibrated up to 400 kPa of a transducer that goes to 1000: 0.1 + 0.8 x 0.4 = 0.42 at 400 kPa. 800 kPa is
# 0.74 of full scale, 758 counts, and no short
def test_a_span_calibrated_low_leaves_the_rest_of_the_line_readable() -> None:
    low = {"span_fraction": 0.42, "span": "400 kPa"}
    assert counts(758, **low) == (pytest.approx(800.3, abs=0.1), "")
    assert counts(973, **low) == (None, "short")
    # a line up to the rail itself leaves no room to tell a short
    assert counts(1022, zero_fraction=0.0, span_fraction=1.0) == (pytest.approx(998.05, abs=0.01), "")


# 10k/15k into 3.3 V without the rail's channel: zero 0.5 x 0.6 / 3.3 = 0.0909, span 0.8182. A short to 5 V
# reads 0.9091 of full scale, 931 counts; halfway from 4.5 V, 4.75 V, is 0.8636, 884 counts
@pytest.mark.parametrize(("span_fraction", "span"), [(0.8182, "1000 kPa"), (0.3818, "400 kPa")])
def test_a_short_is_seen_without_the_rails_channel(span_fraction: float, span: str) -> None:
    keys = {"zero_fraction": 0.0909, "span_fraction": span_fraction, "span": span}
    assert counts(837, **keys) == (pytest.approx(998.9, abs=0.5), "")
    assert counts(884, **keys)[1] == ""
    assert counts(885, **keys) == (None, "short")
    assert counts(931, **keys) == (None, "short")


def test_a_transducer_without_live_zero_cannot_tell_an_open_wire() -> None:
    assert counts(0, zero_fraction=0.0, span_fraction=0.9) == (0.0, "")


def test_a_span_whose_top_is_out_of_reason_is_out_of_range() -> None:
    # 0.9 of full scale would be 1000 kPa; the rig's maximum is 600
    assert counts(800, maximum="600 kPa") == (None, "range")


@pytest.mark.parametrize(
    ("stated", "expected", "fault"),
    [
        (0.0, 0.0, ""),
        (274.46, 274.46, ""),
        (2000.0, 2000.0, ""),
        (2000.1, None, "range"),
        (-100.0, 0.0, ""),  # an offset of up to 5 % of 2000 kPa
        (-100.1, None, "range"),
    ],
)
def test_a_stated_pressure(stated: float, expected: float | None, fault: str) -> None:
    meter = transducer()
    meter.set_pressure(1, stated)
    assert (meter.pressure_kpa, meter.fault) == (expected, fault)
    assert meter.signed_kpa == (None if fault else stated)


def test_a_good_reading_ends_a_fault() -> None:
    meter = transducer()
    meter.set_counts(1, AdcCount(0, 10, None))
    assert meter.fault == "open"
    meter.set_counts(2, AdcCount(512, 10, None))
    assert (meter.t_ns, meter.pressure_kpa, meter.fault) == (2, pytest.approx(500.0), "")
