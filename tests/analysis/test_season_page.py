"""The season's page: it stands alone, reads out, is the same each time, and says what the season says."""

import re
from html.parser import HTMLParser
from typing import Any

import numpy as np
import pytest
from season_made import summary

from rigmon.analysis.season.diagnosed import listed
from rigmon.analysis.season.gather import SEASON_SCHEMA, totals
from rigmon.analysis.season.page import MARK, page
from rigmon.analysis.season.trends import calibration_drift, trends

_EMPTY_ELEMENTS = {"meta", "link", "br", "use", "path", "line", "rect"}


def full(one: dict[str, Any], **more: Any) -> dict[str, Any]:
    """A summary with what totals and tables want."""
    one["score"]["verdict"] = more.get("verdict", "in_tolerance")
    one["score"]["applied"] = {
        "distance_m": 2000.0,
        "area_m2": 10_000.0,
        "volume_l": 100.0,
        "unknown_time_s": 0.0,
    }
    one["notes"] = more.get("notes", [])
    return one


def season(runs: list[dict[str, Any]], **more: Any) -> dict[str, Any]:
    return {
        "season_schema": SEASON_SCHEMA,
        "folder": "runs",
        "analysis_version": "1",
        "runs": runs,
        "left_out": [],
        "recordings": 0,
        "totals": totals(runs),
        "trends": trends(runs),
        "calibrations": calibration_drift(runs),
        "diagnoses": listed(runs),
        "cache": {"file": None, "used": 0, "trouble": None},
        **more,
    }


def worked() -> dict[str, Any]:
    """Twelve runs in which the rate creeps up, a catch test before and one after."""
    generator = np.random.default_rng(7)

    def catch(flow: float, day: str) -> dict[str, Any]:
        return {
            "kind": "catch", "what": "boom flow", "value": flow, "subject": "", "record": f"{day} catch 1",
            "taken_on": day, "pressure_kpa": 200.0, "expanded_uncertainty_pct": 1.0,
        }  # fmt: skip

    runs = [
        full(
            summary(
                3.0 * n,
                path=f"runs/{n:02d}.sqlite",
                rate_l_ha=100 + 0.5 * n + generator.normal(0, 0.3),
                k=0.42 + 0.001 * n,
                calibrations=[catch(6.0, "2026-05-30") if n < 6 else catch(6.3, "2026-06-20")],
            )
        )
        for n in range(12)
    ]
    return season(runs, left_out=[{"path": "runs/torn.sqlite", "why": "is empty"}], recordings=3)


class Reader(HTMLParser):
    """Sees that elements are closed in order, and keeps text and attributes."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.attributes: list[tuple[str, str, str | None]] = []
        self.words: list[str] = []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.attributes += [(tag, name, value) for name, value in attrs]
        if tag not in _EMPTY_ELEMENTS - {"path", "line", "rect", "use"}:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.attributes += [(tag, name, value) for name, value in attrs]

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


@pytest.mark.parametrize("system", ["us", "metric"])
def test_it_stands_alone_and_reads_out(system: str) -> None:
    text = page(worked(), system)
    read = Reader(text)
    assert MARK in text[:1024]
    assert "<script" not in text
    assert "default-src 'none'" in text
    for tag, name, value in read.attributes:
        if name in ("href", "src", "xlink:href", "action", "data"):
            assert value is not None
            assert value.startswith("#") or value == "data:,", (tag, value)
    assert "url(http" not in text
    assert "@import" not in text
    drawings = re.findall(r"<svg .*?</svg>", text, re.DOTALL)
    assert len(drawings) == 4  # rate, share, hold, coefficient
    for drawing in drawings:
        (named,) = re.findall(r'aria-labelledby="([^"]+)"', drawing)
        for one in named.split():
            assert re.search(rf'id="{one}">[^<]{{10,}}<', drawing)
        assert not re.search(r"#[0-9a-fA-F]{6}", drawing), "colours are the page's, for light, dark and print"
    ids = [value for _, name, value in read.attributes if name == "id"]
    assert len(ids) == len(set(ids))


def test_it_says_what_the_season_says_in_both_units() -> None:
    found = worked()
    us, metric = (Reader(page(found, system)).text for system in ("us", "metric"))
    for text in (us, metric):
        assert "12 runs: 12 in tolerance" in text
        assert "Rate error (mean rate against its target) rose over 33 days by 5." in text
        assert "changed by +5.0 % from 2026-05-30 to 2026-06-20" in text
        assert "2026-06-20 catch 1" in text
        assert "torn.sqlite : is empty" in text
        assert "3 NMEA recordings: no run logs, so not scored" in text
        assert "The product label is the law" in text
    # 12 runs of 1 ha: 12 / 0.40468564 = 29.7 ac; 1200 L / 3.785412 = 317 gal
    assert "29.7 ac" in us
    assert "317 gal" in us
    assert not re.search(r"\bL/ha\b|\bkPa\b|\bha\b", us)
    assert "12.0 ha" in metric
    assert "1200 L" in metric
    assert not re.search(r"\bgal\b|\bpsi\b|\bac\b", metric)


def test_the_same_season_gives_the_same_bytes() -> None:
    assert page(worked()) == page(worked())


def test_names_are_text_and_nothing_else() -> None:
    nasty = "<script>alert(1)</script>"
    run = full(summary(0.0, path=f"runs/{nasty}", rig=nasty), notes=[nasty])
    text = page(season([run], left_out=[{"path": nasty, "why": nasty}]))
    assert nasty not in text
    assert text.count("&lt;script&gt;") >= 5


def test_one_run_no_run_and_runs_of_no_known_time() -> None:
    assert "too few runs of a known start" in page(season([full(summary(0.0))]))
    assert "no run of a known start" in page(season([full(summary(None))]))
    assert "No run logs that can be read in runs" in page(season([]))
    two = page(season([full(summary(day)) for day in (0.0, 0.1)]))
    assert two.count("<svg ") == 3


def test_figures_that_do_not_change_and_runs_within_an_hour_can_be_drawn() -> None:
    for step in (0.01, 1.0, 400.0):
        runs = [full(summary(step * n, rate_l_ha=0.0, k=0.4)) for n in range(7)]
        assert page(season(runs)).count("<svg ") == 4


def test_two_rigs_are_told_apart() -> None:
    runs = [full(summary(float(n), rig=rig)) for n in range(7) for rig in ("Creek rig", "Hill rig")]
    text = Reader(page(season(runs))).text
    assert "Season: Creek rig, Hill rig" in text
    assert "Hill rig: Share of the ground in tolerance" in text
