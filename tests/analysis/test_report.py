"""The report: each figure on the page is one of its object, and the object's are what a hand works out.

The runs are made by hand (invented); sums are shown beside what they are compared with.
"""

import json
import re
from collections import Counter
from dataclasses import replace
from datetime import date
from functools import cache
from html.parser import HTMLParser
from itertools import pairwise
from math import sqrt
from typing import Any

import pytest
from hand_made import Track, rig, run, split

from rigmon.analysis.ground import Ground
from rigmon.analysis.report import map as maps
from rigmon.analysis.report.facts import along, calibration, causes, dose_classes, facts
from rigmon.analysis.report.page import page
from rigmon.analysis.report.shown import Shown, text_of
from rigmon.analysis.report.words import FLAGS, HEADINGS, verdict
from rigmon.analysis.whole import Analysis, analyse
from rigmon.model import Alert, Anchor, Basis, Finding, Flag, Sample
from rigmon.words import CANNOT_TELL, DIAGNOSES

ANCHOR = Anchor(1_000_000_000, 1_780_324_201_000)  # 2026-06-01 14:30:01 UTC


def worked() -> Track:
    """60 s at 2 m/s, which is the target, and 10 s at 1 m/s, which doubles the rate; 6 L/min throughout."""
    return Track().go(60).go(10, speed=1.0)


def made(track: Track | list[Any], **more: Any) -> tuple[Analysis, dict[str, Any]]:
    keep = {name: more.pop(name) for name in ("refills_l", "left_l") if name in more}
    report = {name: more.pop(name) for name in ("records", "what_if", "notes") if name in more}
    whole = analyse(run(track, **more), **keep)
    return whole, facts(whole, **report)


def with_alerts(track: Track) -> list[Any]:
    return [
        *track.samples,
        ANCHOR,
        Alert(20_000_000_000, "speed_slow", True, 1.0, 1.8, "m/s"),
        Alert(30_000_000_000, "speed_slow", False, None, None, ""),
        Alert(60_000_000_000, "rate_high", True, 200.0, 110.0, "L/ha"),
    ]


def with_findings(track: Track) -> list[Any]:
    """One that was over, one that was still so at the end, one whose alert never came up."""
    s = 1_000_000_000
    return [
        *track.samples,
        ANCHOR,
        Finding("boom_leak", 15 * s, 10 * s, 8.0, 1.2, 7.9, -0.2, False),
        Alert(15 * s, "boom_leak", True, 8.0, 4.0, "%"),
        Alert(20 * s, "boom_leak", False, None, None, "%"),
        Finding("nozzles_plugged", 33 * s, 30 * s, -10.0, 1.5, -9.8, 0.4, True, 1, 0.986, 5.4),
        Alert(33 * s, "nozzles_plugged", True, -10.0, -4.0, "%"),
        Finding("gps_late", 40 * s, 40 * s, None, None),
    ]


RUNS: dict[str, Any] = {
    "diagnosed": lambda: with_findings(worked()),
    "worked": worked,
    "alerts": lambda: with_alerts(worked()),
    "unknown": lambda: Track().go(20).go(10, gps=False).go(20).go(5, flow=None).go(5, boom=None),
    "missed": lambda: Track().go(30).go(5, boom=0).go(30),
    "standing": lambda: Track().go(20).go(5, speed=0.0).go(20),
    "off": lambda: Track().go(30, boom=0),
    "no places": lambda: Track().go(30, position=False),
    "one sample": lambda: Track().go(1),
    "nothing": list,
}


@cache
def rendered(name: str, system: str) -> tuple[dict[str, Any], str]:
    """The object and the page of one of RUNS."""
    whole, data = made(RUNS[name](), refills_l=[10.0], left_l=2.5, ended_cleanly=name != "standing")
    return data, page(whole, data, system=system)


# -- figures -------------------------------------------------------------------------------------------------


def test_the_figures_are_those_that_a_hand_works_out() -> None:
    """60 s x 2 m/s + 10 s x 1 m/s = 130 m; x 5 m = 650 m2, of it 50 m2 slow; 70 s x 0.1 L/s = 7 L.

    The mean rate is 7 L / 650 m2 = 107.692 L/ha, 7.692 % off 100. In tolerance 600 / 650 = 92.308 %, over
    50 / 650 = 7.692 %. Slow ground got 0.1 L / 5 m2 = 200 L/ha, +100 %: weight 50 m2 x 1. The catch test's
    6 L/min x 70 s = 7 L. Hold: 10 m x |1/2 - 1| / 130 m = 3.846 %. Mean speed 130 m / 70 s = 1.857 m/s.
    """
    _, data = made(worked())
    assert data["applied"]["area_m2"] == pytest.approx(650)
    assert data["rate"]["mean_l_ha"] == pytest.approx(7 / 650 * 1e4)
    assert data["uncertainty"]["off_target_pct"] == pytest.approx(100 * (7 / 650 * 1e4 / 100 - 1))
    assert data["rate"]["in_tolerance_area_pct"] == pytest.approx(100 * 600 / 650)
    assert data["closure"]["metered_l"] == pytest.approx(7)
    assert data["closure"]["calculated_l"] == pytest.approx(7)
    assert data["hold"]["hold_pct"] == pytest.approx(100 * 10 * 0.5 / 130)
    assert data["speed"]["mean_m_s"] == pytest.approx(130 / 70)
    (cause,) = data["causes"]
    assert (cause["cause"], cause["kind"], cause["count"]) == ("speed", "over", 1)
    assert cause["area_m2"] == cause["weight_m2"] == pytest.approx(50)
    # 100 L/ha is the edge between two classes: rounding may put it into either
    shares = {one["low_l_ha"]: one["share_pct"] for one in data["dose"]["classes"] if one["area_m2"] > 0}
    assert sum(share for low, share in shares.items() if low < 110) == pytest.approx(100 * 600 / 650)
    assert sum(share for low, share in shares.items() if low > 190) == pytest.approx(100 * 50 / 650)
    steps = data["along"]["steps"]
    assert [steps[n]["rate_l_ha"] for n in (0, 59, 60, 69)] == pytest.approx([100, 100, 200, 200])
    assert steps[65]["speed_m_s"] == pytest.approx(1.0)


def test_the_uncertainty_is_the_sum_of_its_parts() -> None:
    """Flowmeter 2 %, swath 1 %, speed 0.5 % (the rig's); noise: sqrt(2 s x 70 s) x 0.02 / 130 m = 0.18 %."""
    _, data = made(worked())
    parts = {one["what"]: one["standard_pct"] for one in data["uncertainty"]["parts"]}
    noise = 100 * sqrt(2 * 70) * 0.02 / 130
    assert parts == pytest.approx(
        {"flowmeter": 2.0, "swath": 1.0, "speed, steady error": 0.5, "speed, noise": noise}, rel=1e-6
    )
    expanded = 2 * sqrt(sum(u * u for u in parts.values()))
    assert data["uncertainty"]["expanded_pct"] == pytest.approx(expanded)
    assert data["uncertainty"]["expanded_pct"] == data["rate"]["expanded_uncertainty_pct"]


def test_an_error_of_the_whole_run_shifts_every_dose() -> None:
    """Doses of 100 and 109 L/ha; +4.6 % takes the second out of 90 to 110, -4.6 % neither."""
    _, data = made(Track().go(60).go(60, speed=2.0 / 1.09))
    assert data["uncertainty"]["in_tolerance_if_lower_pct"] == pytest.approx(100)
    slow_m = 60 * 2.0 / 1.09
    assert data["uncertainty"]["in_tolerance_if_higher_pct"] == pytest.approx(
        100 * 120 / (120 + slow_m), abs=2
    )


@pytest.mark.parametrize("tolerance", [0.5, 3, 7.3, 10, 25, 40])
@pytest.mark.parametrize("speed", [0.4, 1.0, 1.9, 2.1, 5.0])
def test_classes_of_dose_add_up_to_the_scores_shares(tolerance: float, speed: float) -> None:
    track = Track().go(30).go(30, speed=speed).go(10, flow=None).go(10, speed=2 / 1.1)
    own = rig()
    own = replace(own, target=replace(own.target, tolerance_pct=tolerance))
    whole = analyse(run(track, own))
    found, rate = dose_classes(whole.ground), whole.score["rate"]
    classes = found["classes"]
    assert len(classes) <= 48
    inside = [c for c in classes if -tolerance - 1e-9 <= c["low_pct"] and c["high_pct"] <= tolerance + 1e-9]

    def share(part: list[dict[str, float]]) -> float:
        return sum(one["share_pct"] for one in part)

    assert share(inside) == pytest.approx(rate["in_tolerance_area_pct"])
    under = [c for c in classes if c["high_pct"] <= -tolerance + 1e-9]
    assert share(under) == pytest.approx(rate["under_area_pct"])
    over = [c for c in classes if c["low_pct"] >= tolerance - 1e-9]
    assert share(over) == pytest.approx(rate["over_area_pct"])
    assert found["unknown_share_pct"] == pytest.approx(rate["unknown_area_pct"])
    assert share(classes) + found["unknown_share_pct"] == pytest.approx(100)


def test_steps_hold_all_that_was_driven_and_leave_gaps_open() -> None:
    samples = Track().go(400, step=0.5).samples
    later = [
        sample._replace(t_ns=sample.t_ns + 7_200_000_000_000)
        for sample in Track(0).go(100, speed=1.0).samples
    ]
    made_of = run(samples + later)
    found = along(Ground(made_of), made_of.duration_s)
    assert found["step_s"] == 30.0  # 7300 s / 400 = 18.25 s, and 30 s is the next round step
    steps = found["steps"]
    assert len(steps) <= 400
    assert steps[0]["speed_m_s"] == pytest.approx(2.0)
    assert steps[-1]["speed_m_s"] == pytest.approx(1.0)
    assert any(b["start_s"] > a["end_s"] for a, b in pairwise(steps))


def test_causes_are_summed_heaviest_first_and_unknown_last() -> None:
    def one(cause: str | None, kind: str, area: float, weight: float | None) -> dict[str, Any]:
        return {"cause": cause, "kind": kind, "why": None, "area_m2": area, "weight_m2": weight}

    listed = [
        one("speed", "over", 10, 2), one("gps_unknown", "unknown", 500, None), one("flow", "under", 3, 3),
        one("speed", "over", 20, 4), one(None, "under", 1, 0.1),
    ]  # fmt: skip
    found = causes(listed)
    assert [(c["cause"], c["count"], c["area_m2"], c["weight_m2"]) for c in found] == [
        ("speed", 2, 30, 6), ("flow", 1, 3, 3), (None, 1, 1, 0.1), ("gps_unknown", 1, 500, 0),
    ]  # fmt: skip


def test_the_calibrations_age_is_that_on_the_runs_day() -> None:
    """1 May to 1 June: 31 days, and 30 are allowed."""
    own = rig()
    assert own.calibration is not None
    own = replace(own, calibration=replace(own.calibration, taken_on=date(2026, 5, 1)))
    found = calibration(own, "2026-06-01T14:30:00.000Z", [])
    assert (found["age_days"], found["due"]) == (31, True)
    assert calibration(own, "2026-05-31T00:00:00.000Z", [])["due"] is False
    assert calibration(own, None, [])["age_days"] is None
    assert calibration(replace(own, calibration=None), None, [])["flow_l_min"] is None


# -- the page ------------------------------------------------------------------------------------------------


class Read(HTMLParser):
    """Reads a page: the figures that carry their name, and whether each element is closed in order."""

    VOID = frozenset(("meta", "link", "br", "hr", "img"))

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.figures: list[tuple[str, str, str]] = []
        self.ids: Counter[str] = Counter()
        self.tags: Counter[str] = Counter()
        self.attributes: list[tuple[str, str, str]] = []
        self.words: list[str] = []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags[tag] += 1
        values = {name: value or "" for name, value in attrs}
        self.attributes += [(tag, name, value) for name, value in values.items()]
        if "id" in values:
            self.ids[values["id"]] += 1
        if tag == "data":
            self.figures.append((values["data-json"], values["value"], ""))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in self.VOID:
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] == "data":
            name, value, text = self.figures[-1]
            self.figures[-1] = (name, value, text + data)
        if self.open and self.open[-1] not in ("style", "title"):
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join("".join(self.words).split())


@pytest.mark.parametrize(
    ("name", "system"), [*((name, "us") for name in RUNS), ("alerts", "metric"), ("unknown", "metric")]
)
def test_every_figure_of_the_page_is_one_of_the_object(name: str, system: str) -> None:
    data, text = rendered(name, system)
    again = json.loads(json.dumps(data, allow_nan=False))
    read = Read(text)
    assert len(read.figures) > 15
    shown = Shown(again, system)
    for key, value, words in read.figures:
        assert repr(shown.get(key)) == value, key
        assert re.search(r"\d", words), key
    other = {"us": r"L/ha|km/h|\d ha\b|\d L\b", "metric": r"gal|mph|\bac\b|ft²|\bpsi\b|\d ft\b"}[system]
    assert not re.search(other, read.text)
    for ugly in ("nan", "None", "inf ", "undefined", "Traceback"):
        assert ugly not in read.text


def test_figures_as_text() -> None:
    """Hand-worked: 158.97 L/ha / 9.35396 = 17.0 gal/ac; 100 m2 x 10.7639 = 1076 ft2; 39 000 m / 1609.344 =
    24.2 mi; 0.4 ha = 4000 m2 / 4046.856 = 0.988 ac."""
    said = {
        (158.97, "rate", "us"): "17.0 gal/ac",
        (158.97, "rate", "metric"): "159 L/ha",
        (100.0, "area", "us"): "1 076 ft²",
        (100.0, "area", "metric"): "100 m²",
        (4000.0, "area", "us"): "0.988 ac",
        (4000.0, "area", "metric"): "0.400 ha",
        (39_000.0, "length", "us"): "24.2 mi",
        (39_000.0, "length", "metric"): "39.0 km",
        (2.0, "length", "metric"): "2.0 m",
        (1.5646, "speed", "us"): "3.50 mph",
        (3725.0, "clock", "us"): "1:02:05",
        (7.25, "s", "us"): "7.2 s",
        (432_342, "n", "us"): "432 342",
        (-0.04, "%", "us"): "0.0 %",
    }
    for (value, kind, system), text in said.items():
        assert text_of(value, kind, system).replace("\u00a0", " ") == text


@pytest.mark.parametrize("name", RUNS)
def test_the_page_stands_alone_and_reads_out(name: str) -> None:
    _, text = rendered(name, "us")
    read = Read(text)
    assert text.lstrip().startswith("<!DOCTYPE html>")
    assert "default-src 'none'" in text
    for tag in ("script", "iframe", "object", "embed", "form", "base", "img", "audio", "video"):
        assert not read.tags[tag]
    for _, attribute, value in read.attributes:
        assert not attribute.startswith("on")
        if attribute in ("href", "src", "xlink:href"):
            assert value.startswith(("#", "data:,")), value
    assert "@import" not in text
    assert not re.search(r"url\((?!#)", text)
    assert "http:" not in text.replace("http://www.w3.org/", "")
    assert "https:" not in text
    assert max(read.ids.values()) == 1
    for used in re.findall(r'url\(#([^)]+)\)|href="#([^"]+)"', text):
        assert (used[0] or used[1]) in read.ids
    drawings = [value for tag, key, value in read.attributes if (tag, key) == ("svg", "aria-labelledby")]
    assert all(set(names.split()) <= set(read.ids) for names in drawings)
    assert read.tags["svg"] == len(drawings) + 1  # the patterns
    assert read.tags["figure"] == read.tags["figcaption"] == len(drawings)
    assert len(drawings) == {"one sample": 3, "nothing": 0, "off": 2, "no places": 3}.get(name, 6)


def test_diagnoses_are_told_with_place_time_and_what_to_do() -> None:
    """Treated: 2 m/s x 5 m for 10 s is 100 m2; from 30 s on 30 s of it and 10 s at half the speed, 350 m2."""
    data, text = rendered("diagnosed", "metric")
    said_ = Read(text).text.replace("\u00a0", " ")
    assert (
        "A leak or hose off; flow at one pressure +8.0 % ±1.2 %. Began 0:00:10 (2026-06-01 14:30:10 UTC), "
        "found 0:00:15, over 0:00:20; at"
    ) in said_
    assert "100 m² treated until it was over" in said_
    assert "B nozzle plugged: 1 of 10 nozzles (98 % sure); flow at one pressure -10.0 % ±1.5 %" in said_
    assert "the boom then gave 5.40 L/min" in said_
    assert "still so at the end" in said_
    assert "350 m² treated until the end of the run" in said_
    assert "C GPS speed late. Began 0:00:40" in said_
    assert "area treated since not known" in said_
    for words in (DIAGNOSES[code] for code in ("boom_leak", "nozzles_plugged", "gps_late")):
        for told in words:
            assert told in said_
    assert [one["open"] for one in data["diagnoses"]] == [False, True, None]


def test_the_map_shows_where_each_began() -> None:
    whole, data = made(RUNS["diagnosed"]())
    marks = maps.marked(whole, data["diagnoses"])
    assert [letter for letter, _ in marks] == ["A", "B", "C"]
    # ten samples after the tenth second has ended comes the eleventh
    for (_, at), since_s in zip(marks, (10, 30, 40), strict=True):
        assert whole.run.columns.t_ns[at] / 1e9 == pytest.approx(since_s, abs=0.51)
    text = page(whole, data, system="us")
    drawing = text[text.index('aria-labelledby="map-title') :].partition("</svg>")[0]
    assert "Letters: A leak or hose off, B nozzle plugged, C GPS speed late, where it began." in drawing
    for letter in "ABC":
        assert re.search(rf"<text[^>]*>{letter}</text>", drawing)
    nowhere, told = made([*Track().go(60, position=False).samples, *with_findings(Track().go(1))[1:]])
    assert maps.marked(nowhere, told["diagnoses"]) == []
    assert "place unknown" in Read(page(nowhere, told)).text


def test_what_was_still_so_comes_first_among_what_to_do() -> None:
    points = said(with_findings(worked()))[2]
    head, text = next(iter(points.items()))
    assert head == "Nozzle plugged"
    assert text.startswith("still so at the end of the run; 350 m² treated since it began. Stop the pump")
    assert "Leak or hose off" not in points


def test_without_a_sensor_the_page_says_what_it_cannot_tell() -> None:
    own = replace(rig(), pressure=replace(rig().pressure, source="none"))
    whole, data = made(worked(), rig_=own)
    assert CANNOT_TELL["pressure"].capitalize() in Read(page(whole, data)).text
    off = replace(rig(), diagnosis=replace(rig().diagnosis, enabled=False))
    whole, data = made(worked(), rig_=off)
    assert "the rig file's diagnosis.enabled is false" in Read(page(whole, data)).text


def test_the_same_run_gives_the_same_bytes() -> None:
    _, first = rendered("alerts", "metric")
    again, same = made(RUNS["alerts"](), refills_l=[10.0], left_l=2.5)
    assert page(again, same) == first
    assert not re.search(r"20\d\d-\d\d-\d\d", first.replace("2026-06-01", ""))


def test_names_are_text_and_nothing_else() -> None:
    own = replace(rig(), name='<script>alert("&")</script>')
    whole, data = made(
        worked(), rig_=own, source="<b>odd</b>", what_if=["--target <i>"], notes=["<u>note</u>"],
        records=[{"name": "<s>"}],
    )  # fmt: skip
    read = Read(page(whole, data))
    for tag in ("script", "i", "u", "s"):
        assert not read.tags[tag]
    assert "<u>note</u>" in read.text
    assert "What if: --target <i>" in read.text
    assert "<s>: cannot be read" in read.text


def test_a_long_run_is_no_larger_a_page_than_it_can_be_seen() -> None:
    """8 h in 10 000 samples, with every kind of dose."""
    track = Track()
    for n in range(200):
        track.go(144, speed=(2.0, 1.7, 2.6, 1.1)[n % 4], step=2.88, boom=n % 5 != 4)
    whole, data = made(track)
    assert data["run"]["duration_s"] == pytest.approx(28_800)
    text = page(whole, data)
    assert len(text) < 1_500_000
    assert len(data["along"]["steps"]) <= 400
    assert len(json.dumps(data)) < 1_500_000
    read = Read(text)
    assert read.tags["tr"] < 1000


# -- words ---------------------------------------------------------------------------------------------------


def said(track: Any, **more: Any) -> tuple[str, str, dict[str, str]]:
    """Heading, the sentences, and the points of the verdict, without marks."""
    _, data = made(track, **more)
    found = verdict(Shown(data, "metric"))

    def plain(text: str) -> str:
        return re.sub(r"<[^>]*>", "", text).replace("\u00a0", " ")

    return found.heading, plain(f"{found.lead} {found.mean}").strip(), {
        point.head: plain(point.text) for point in found.points
    }  # fmt: skip


def test_the_verdict_in_plain_words() -> None:
    heading, text, points = said(worked())
    assert heading == HEADINGS["in_tolerance"] == "In tolerance"
    assert text == (
        "92.3 % of the treated ground got 100 L/ha within 10 %; 90 % was asked for. On average it got "
        "108 L/ha, +7.7 % off the target; that is known to ±4.6 %, so the difference is real."
    )
    assert points["Speed"].startswith("one stretch, 50 m², got too much (slower than the speed that holds")
    assert "Volumes do not agree" not in points


def test_out_of_tolerance_and_unknown() -> None:
    heading, text, _ = said(Track().go(60).go(60, speed=1.0))
    assert heading == "Out of tolerance"
    assert text.startswith("Only 66.7 % of the treated ground got 100 L/ha within 10 %; 90 % was asked for.")
    assert "33.3 % got too much, 0.0 % too little" in text
    heading, text, points = said(Track().go(60).go(20, flow=None))
    assert heading == "Cannot say"
    assert text.startswith("75.0 % of the treated ground got")
    assert "Of 25.0 % the rate is unknown, and it would decide." in text
    assert points["No flow known"].startswith("one stretch, about 200 m², is unknown")


def test_nothing_treated_and_nothing_known() -> None:
    assert said(Track().go(30, boom=0))[1] == "Nothing was treated in this run: the boom was off all the way."
    assert said([])[1].startswith("There was no speed and no place")
    assert said(Track().go(30, boom=None))[1] == "No ground is known to have been treated at a known rate."


def test_what_to_do_is_said_of_each_trouble() -> None:
    _, _, points = said(Track().go(60).go(10, boom=0).go(60), refills_l=[20.0], ended_cleanly=False)
    assert points["Boom left off"].startswith("one stretch, 100 m², got nothing")
    assert "only the label says" in points["Boom left off"]
    # 120 s x 0.1 L/s = 12 L against 20 L: -40 %
    assert points["Volumes do not agree"] == (
        "flowmeter against tank -40.0 %; calibrated nozzles against tank -40.0 %. See below."
    )
    assert "Cut short" in points


def test_a_dose_that_cannot_be_told_from_the_target() -> None:
    """2 m/s x 0.97: the rate is 100 / 0.97 = 103.1 L/ha, +3.1 %, and U = 4.6 %."""
    assert "so it cannot be told from the target" in said(Track().go(100, speed=2 * 0.97))[1]


def test_every_flag_has_words() -> None:
    assert set(FLAGS) == {flag.name.lower() for flag in Flag if flag.name}


def test_flags_are_told_with_their_time() -> None:
    samples = Track().go(30).samples
    marked: list[Sample] = [
        sample._replace(flags=int(Flag.FLOW_STALE), basis=int(Basis.CALIBRATION)) if 5 <= n < 9 else sample
        for n, sample in enumerate(samples)
    ]
    whole, data = made(marked)
    assert data["quality"]["flags"] == [{"flag": "flow_stale", "time_s": 4.0}]
    assert "No news from the flowmeter: 4.0 s" in Read(page(whole, data)).text.replace("\u00a0", " ")


def test_calibration_records_in_the_log_are_named() -> None:
    """Regression only: the headline is the calibration book's own."""
    record = {
        "id": 1, "name": "2026-05-30 catch 1", "kind": "catch", "rig": "Round rig", "subject": "",
        "nozzle_set": None, "taken_on": "2026-05-30", "recorded_utc": "2026-05-30T08:00:00Z",
        "software": "rigmon 0.1", "inputs": {}, "result": {"boom_flow_l_min": 6.0, "cv_pct": 3.21},
        "supersedes": None,
    }  # fmt: skip
    whole, data = made(worked(), records=[record, {"name": "torn"}])
    text = Read(page(whole, data)).text
    assert "2026-05-30 catch 1: 6.00 L/min, CV 3.2 %" in text
    assert "torn: cannot be read" in text
    assert data["calibration"]["records"][0] == record


def test_sampling_does_not_change_the_figures() -> None:
    _, coarse = made(worked())
    _, fine = made(split(worked().samples, range(0, 70, 7)))
    for key in ("mean_l_ha", "in_tolerance_area_pct"):
        assert fine["rate"][key] == pytest.approx(coarse["rate"][key], rel=1e-9)
    assert fine["dose"]["area_m2"] == pytest.approx(coarse["dose"]["area_m2"])
