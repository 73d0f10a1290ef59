"""The readable score: same facts in both unit systems, verdict first, fits a screen."""

import re
from typing import Any

import pytest
from hand_made import Track, rig, run

from rigmon.analysis.score import score
from rigmon.analysis.score_text import score_text
from rigmon.model import Alert, Anchor, Output, Tally


def text_of(outputs: list[Output] | Track, units: str = "metric", **more: Any) -> str:
    return score_text(score(run(outputs, rig(units=units), **more)), rig(units=units))


def busy_run() -> list[Output]:
    track = Track()
    for _ in range(9):
        track.go(30).go(8, speed=1.5).go(5, gps=False).go(7, flow=3.0)
    s = 1_000_000_000
    outputs: list[Output] = [Anchor(s, 1780149802000), Tally(s, "sentence", 900), Tally(s, "fix", 800)]
    outputs += [Tally(s, f"rejected:reason{n}", n) for n in range(1, 6)]
    for n in range(9):
        outputs.append(Alert((n + 1) * 50 * s, f"kind_{n}", True, 2.5, 2.0, "m/s"))
        outputs.append(Alert((n + 1) * 50 * s + 3 * s, f"kind_{n}", False, 2.0, 2.0, "m/s"))
    return [*track.samples, *outputs]


@pytest.mark.parametrize("units", ["us", "metric"])
@pytest.mark.parametrize("outputs", [[], busy_run()], ids=["empty", "busy"])
def test_fits_a_screen_and_leaves_no_python_words(units: str, outputs: list[Output]) -> None:
    text = text_of(outputs, units)
    lines = text.splitlines()
    assert len(lines) <= 45
    assert max(map(len, lines)) <= 100
    assert not re.search(r"\b(None|nan|inf|True|False)\b", text)


def test_verdict_comes_first_in_plain_words() -> None:
    good = text_of(Track().go(95).go(5, flow=3.0)).splitlines()[1]
    assert good == "IN TOLERANCE: 95.0 % of the ground got 100.0 L/ha within 10 % (asked for: 90 %)."
    bad = " ".join(text_of(Track().go(50).go(30, flow=3.0).go(20, flow=9.0)).split())
    assert (
        "OUT OF TOLERANCE: only 50.0 % of the ground got 100.0 L/ha within 10 % (asked for: 90 %); "
        "20.0 % got too much, 30.0 % too little, 0.0 % is unknown."
    ) in bad
    unsure = " ".join(text_of(Track().go(80).go(20, flow=None)).split())
    assert "CANNOT SAY: 80.0 % of the ground got 100.0 L/ha" in unsure
    assert "20.0 % is unknown" in unsure
    assert text_of([]).splitlines()[1].startswith("CANNOT SAY: no ground")


def test_both_unit_systems_say_the_same_in_their_own_units() -> None:
    us, metric = text_of(busy_run(), "us"), text_of(busy_run(), "metric")
    assert not re.search(r"\b(L/ha|km/h|ha|L|m|kPa|L/min)\b", us)
    assert not re.search(r"\b(gal/ac|mph|ac|gal|ft|psi|gal/min)\b", metric)
    shape = re.compile(r"[\d.,+-]+ (?:gal/ac|mph|ac|gal|ft|L/ha|km/h|ha|L|m)\b|[-+]?\d[\d.:]*|\s+")
    assert shape.sub(" ", us) == shape.sub(" ", metric)


def test_figures_in_us_units() -> None:
    # hand-worked: 100 s at 2 m/s x 5 m = 1000 m2 / 4046.856 = 0.247 ac; 200 m / 0.3048 = 656 ft;
    # 10 L / 3.785412 = 2.6 gal; 100 L/ha / 9.353956 = 10.7 gal/ac; 2 m/s / 0.44704 = 4.47 mph
    text = text_of(Track().go(100), "us")
    assert "0.247 ac over 656 ft in 0:01:40; 2.6 gal" in text
    assert "10.7 gal/ac on average, +0.0 % off the target of 10.7 gal/ac" in text
    assert "4.47 mph on average (target 4.47 mph, band 4.07 to 4.97 mph)" in text


def test_what_was_wrong_is_told_with_place_and_time() -> None:
    outputs: list[Output] = [
        *Track().go(10).go(10, speed=1.6).go(10).samples,
        Alert(12_000_000_000, "speed_slow", True, 1.6, 2 / 1.1, "m/s"),
    ]
    text = text_of(outputs, ended_cleanly=False)
    assert "it ended without a clean stop" in text
    assert (
        "too slow: once, 18.0 s in all, first at 0:00:12 (at 5.76 km/h, limit 6.55 km/h); active at the end"
    ) in " ".join(text.split())
    assert "over     0:00:10 - 0:00:20  16 m, 0.0080 ha, 125.0 L/ha" in text
    assert (
        "from 0.00000, 0.00018 to 0.00000, 0.00032" in text
    )  # hand-worked: 20 m and 36 m / 111319 m a degree


def test_worst_stretches_are_listed_in_order_and_the_rest_counted() -> None:
    track = Track()
    for n in range(7):  # the first two are the mildest
        track.go(10).go(5, flow=8.0 + n)
    text = text_of(track)
    assert "and 2 lesser ones" in text
    assert "133.3 L/ha" not in text
    assert "150.0 L/ha" not in text
    doses = [float(dose) for dose in re.findall(r"ha, ([\d.]+) L/ha", text)]
    assert doses == pytest.approx([(8 + n) / 6 * 100 for n in range(2, 7)], abs=0.05)


def test_the_caution_closes() -> None:
    last = text_of(Track().go(10)).splitlines()[-1]
    assert last.startswith("The product label is the law.")
    assert "does not replace the record" in last
