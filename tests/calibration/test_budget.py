"""Uncertainty budgets: against the worked examples of JCGM 100:2008 (quoted from memory) and the package.

The oracle is the `uncertainties` package, which differentiates for itself and follows what inputs share.
"""

from math import sqrt
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from rigmon.calibration.budget import (
    Budget,
    Component,
    mean,
    pooled_sd,
    rectangular,
    repeatability,
    sample_sd,
    triangular,
)
from rigmon.calibration.result import Finding, amount, check, nozzles, significant
from rigmon.errors import UsageError


# JCGM 100:2008, 4.4.3: twenty temperatures; mean 100.145 C, s = 1.489 C, s of the mean 0.333 C. From memory.
def test_the_guides_twenty_temperatures() -> None:
    temperatures = [96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07, 100.33, 100.42,
                    100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72]  # fmt: skip
    sd = sample_sd(temperatures)
    assert sd is not None
    assert mean(temperatures) == pytest.approx(100.145, abs=5e-4)
    assert sd == pytest.approx(1.489, abs=5e-4)
    assert sd / sqrt(20) == pytest.approx(0.333, abs=5e-4)


# JCGM 100:2008, 4.3.7, example 1: +-0.40e-6 /C, uniform: u = 0.23e-6 /C. From memory.
def test_the_guides_uniform_bounds() -> None:
    assert rectangular(0.40) == pytest.approx(0.23, abs=0.005)


# hand-worked: a / sqrt(6) = 0.4082 a (JCGM 100, 4.3.9)
def test_triangular_bounds() -> None:
    assert triangular(1.0) == pytest.approx(0.4082, abs=5e-5)


# JCGM 100:2008, 5.2.2, example: ten 1000 ohm resistors, compared with one standard of u = 100 milliohm, in
# series: u = 1 ohm, the sum, not 0.32 ohm. From memory. A cylinder that measures every nozzle is alike.
def test_the_guides_ten_resistors_share_their_standards_error() -> None:
    shared = Budget([Component("standard", "B", 0.1, "ohm", 10.0)], 10_000.0, "ohm")
    apart = Budget([Component(f"resistor {n}", "B", 0.1, "ohm") for n in range(10)], 10_000.0, "ohm")
    assert shared.combined == pytest.approx(1.0, rel=1e-12)
    assert apart.combined == pytest.approx(0.32, abs=0.005)


# JCGM 100:2008, G.4.1, example: 0.25, 0.57 and 0.82 % from 10, 5 and 15 observations: 1.03 %, 19.0 effective
# degrees of freedom. From memory.
def test_the_guides_effective_degrees_of_freedom() -> None:
    parts = [
        Component(name, "A", u, "%", dof=dof)
        for name, u, dof in [("x1", 0.25, 9), ("x2", 0.57, 4), ("x3", 0.82, 14)]
    ]
    budget = Budget(parts, 100.0, "%")
    assert budget.combined == pytest.approx(1.03, abs=0.005)
    assert budget.effective_dof == pytest.approx(19.0, abs=0.05)


# JCGM 100:2008, H.1, the end gauge: 25, 9.7, 2.9 and 16.6 nm with 18, 25.6, 50 and 2 degrees of freedom,
# beside negligible ones: u = 32 nm, 16.7 effective degrees. From memory.
def test_the_guides_end_gauge() -> None:
    lines = [
        ("standard", 25.0, 18),
        ("difference", 9.7, 25.6),
        ("expansion", 2.9, 50),
        ("temperature", 16.6, 2),
    ]
    budget = Budget([Component(name, "B", u, "nm", dof=dof) for name, u, dof in lines], 50_000_838.0, "nm")
    assert budget.combined == pytest.approx(32, abs=0.5)
    assert budget.effective_dof == pytest.approx(16.7, abs=0.1)
    assert budget.expanded == 2 * budget.combined


def test_without_scatter_or_without_dof_the_degrees_are_infinite() -> None:
    assert Budget([], 1.0, "L").effective_dof is None
    assert Budget([], 1.0, "L").combined == 0.0
    assert Budget([Component("scale", "B", 0.1, "L")], 1.0, "L").effective_dof is None
    assert Budget([Component("still", "A", 0.0, "L", dof=3)], 1.0, "L").effective_dof is None


def test_relative_to_zero_is_unknown_not_infinite() -> None:
    budget = Budget([Component("scale", "B", 0.1, "L")], 0.0, "L")
    assert budget.relative_pct is None
    assert budget.expanded_pct is None
    assert Budget(budget.components, -2.0, "L").expanded_pct == pytest.approx(10.0)


_u = st.floats(1e-6, 1e3)
_sensitivity = st.floats(1e-6, 1e3) | st.floats(-1e3, -1e-6)


@given(parts=st.lists(st.tuples(_u, _sensitivity), min_size=1, max_size=12), value=st.floats(0.1, 1e4))
def test_independent_components_as_the_package_has_them(
    parts: list[tuple[float, float]], value: float
) -> None:
    budget = Budget([Component("x", "B", u, "L", c) for u, c in parts], value, "L/min")
    by_package: Any = value
    for u, c in parts:
        by_package = by_package + c * ufloat(0.0, u)
    assert budget.combined == pytest.approx(by_package.std_dev, rel=1e-9)
    assert budget.relative_pct == pytest.approx(100 * by_package.std_dev / value, rel=1e-9)


@given(weights=st.lists(st.floats(0.01, 100), min_size=1, max_size=12), u=_u, u_own=_u)
def test_a_shared_error_as_the_package_has_it(weights: list[float], u: float, u_own: float) -> None:
    shared = ufloat(0.0, u)
    by_package: Any = 0.0
    for weight in weights:
        by_package = by_package + weight * (shared + ufloat(0.0, u_own))
    budget = Budget(
        [Component("shared", "B", u, "L", sum(weights))]
        + [Component("own", "B", u_own, "L", weight) for weight in weights],
        1.0,
        "L",
    )
    assert budget.combined == pytest.approx(by_package.std_dev, rel=1e-9)


@given(parts=st.lists(st.tuples(st.sampled_from("AB"), _u, _sensitivity), min_size=1, max_size=8))
def test_the_json_lists_every_part_and_the_shares_make_the_whole(
    parts: list[tuple[Any, float, float]],
) -> None:
    budget = Budget(
        [Component(f"x{n}", kind, u, "s", c) for n, (kind, u, c) in enumerate(parts)], 5.0, "L/min"
    )
    data = budget.to_json()
    assert [line["kind"] for line in data["components"]] == [kind for kind, _, _ in parts]
    assert sum(line["share_of_variance_pct"] for line in data["components"]) == pytest.approx(100.0)
    assert data["coverage_factor"] == 2
    assert data["expanded"] == 2 * data["combined"]


@pytest.mark.parametrize(
    "wrong",
    [
        {"kind": "C"},
        {"u": -1.0},
        {"u": float("nan")},
        {"u": float("inf")},
        {"sensitivity": float("nan")},
        {"dof": 0.0},
    ],
)
def test_what_is_no_component_is_refused(wrong: dict[str, Any]) -> None:
    fine: dict[str, Any] = {"name": "reading", "kind": "B", "u": 1.0, "unit": "L"}
    Component(**fine)
    with pytest.raises(ValueError, match="reading"):
        Component(**(fine | wrong))


# hand-worked: deviations (-1, 1) and (-2, 0, 2): squares 2 + 8 = 10 over 1 + 2 degrees: sqrt(10 / 3) = 1.8257
def test_a_pooled_deviation() -> None:
    sd, dof = pooled_sd([[1.0, 3.0], [10.0, 12.0, 14.0], [100.0]])
    assert dof == 3
    assert sd == pytest.approx(1.8257, abs=5e-5)
    assert pooled_sd([[1.0], [2.0]]) == (None, 0)
    assert sample_sd([1.0]) is None


# -- words -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("number", "digits", "shown"),
    [(0.0394, 3, "0.0394"), (1.2, 3, "1.20"), (155.4, 3, "155"), (12_437.0, 3, "12400"), (9.999, 3, "10.0"),
     (0.0, 3, "0"), (-0.5, 2, "-0.50"), (0.00005, 2, "0.000050"), (1e22, 1, "10000000000000000000000")],
)  # fmt: skip
def test_significant_digits_without_an_exponent(number: float, digits: int, shown: str) -> None:
    assert significant(number, digits) == shown


@given(number=st.floats(1e-12, 1e12), digits=st.integers(1, 8))
def test_significant_digits_keep_the_number(number: float, digits: int) -> None:
    assert float(significant(number, digits)) == pytest.approx(number, rel=0.5001 * 10 ** (1 - digits))


# hand-worked: 1.5 L/min / 3.785412 = 0.396 gal/min; / 0.02957353 = 50.7 fl oz/min; 0.148 L = 5.00 fl oz
def test_amounts_in_both_systems() -> None:
    assert amount(1.5, "flow", "us") == "0.396 gal/min"
    assert amount(1.5, "flow", "us", small=True) == "50.7 fl oz/min"
    assert amount(1.5, "flow", "metric") == "1.50 L/min"
    assert amount(0.148, "volume", "us", small=True) == "5.00 fl oz"
    assert amount(0.148, "volume", "metric", small=True) == "148 mL"
    assert amount(None, "speed", "metric") == "-- km/h"


@pytest.mark.parametrize(
    ("numbers", "words"),
    [([3], "nozzle 3"), ([7, 3], "nozzles 3 and 7"), ([1, 2, 3, 4], "nozzles 1-4"),
     ([5, 2, 3, 4, 9], "nozzles 2-5 and 9"), ([1, 2], "nozzles 1 and 2"),
     ([4, 4], "nozzle 4"), ([1, 3, 8], "nozzles 1, 3 and 8")],
)  # fmt: skip
def test_nozzles_in_words(numbers: list[int], words: str) -> None:
    assert nozzles(numbers) == words


@pytest.mark.parametrize("value", [0.0, -1.0, float("nan"), float("inf"), 4000.0])
def test_an_impossible_number_is_refused_with_what_would_be_right(value: float) -> None:
    assert check(30.0, "time", "s", high=3600.0) == 30.0
    with pytest.raises(UsageError, match=r"time = .* s must be above zero and at most 3600 s"):
        check(value, "time", "s", high=3600.0)


def test_zero_or_a_lower_bound_where_that_is_right() -> None:
    assert check(0.0, "volume", "L", zero=True) == 0.0
    with pytest.raises(UsageError, match="volume = -1 L must be zero or more L"):
        check(-1.0, "volume", "L", zero=True)
    with pytest.raises(UsageError, match="length = 1 m must be at least 2 m"):
        check(1.0, "length", "m", low=2.0)


def test_a_finding_as_data() -> None:
    finding = Finding("worn", "do", "Replace nozzle 3.")
    assert finding.to_json() == {"code": "worn", "severity": "do", "text": "Replace nozzle 3."}


# -- repeats beside reading errors ---------------------------------------------------------------------------


# hand-worked: repeats of 3 show a reading error of 4 in part: sqrt(1 - 9/16) of it is left, and 9 + 7 = 16
def test_repeats_show_reading_errors_and_nothing_counts_twice() -> None:
    found = repeatability(3.0, 5, 4.0, 1.0, enough=3)
    assert (found.kind, found.sd, found.dof) == ("A", 3.0, 5.0)
    assert found.not_shown == pytest.approx(sqrt(7 / 16))
    assert found.total == pytest.approx(4.0)
    assert repeatability(5.0, 5, 4.0, 1.0, enough=3).not_shown == 0.0
    assert repeatability(5.0, 5, 0.0, 1.0, enough=3).not_shown == 0.0


# hand-worked: 3 and 4 make 5; without enough repeats the larger of the two stands
def test_a_prior_stands_in_until_there_are_enough_repeats() -> None:
    for seen, dof in ((None, 0), (0.0, 1), (4.9, 2)):
        found = repeatability(seen, dof, 4.0, 3.0, enough=3)
        assert (found.kind, found.sd, found.dof, found.not_shown) == ("B", 3.0, None, 1.0)
        assert found.total == pytest.approx(5.0)
    assert repeatability(5.1, 2, 4.0, 3.0, enough=3).kind == "A"


_amount = st.just(0.0) | st.floats(1e-6, 10)


@given(seen=_amount, reading=_amount, dof=st.integers(1, 20))
def test_the_total_is_what_is_counted(seen: float, reading: float, dof: int) -> None:
    found = repeatability(seen, dof, reading, 1.0, enough=3)
    counted = sqrt(found.sd**2 + (found.not_shown * reading) ** 2)
    assert found.total == pytest.approx(counted, rel=1e-9)
    assert found.total >= reading * (1 - 1e-12)
