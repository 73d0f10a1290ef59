"""A season's diagnoses: counted and listed over its runs, from the cache too.

The runs are those of `helpers.faulty`, invented.
"""

import json
from pathlib import Path
from typing import Any

import pytest
from helpers.faulty import faulty_log
from season_made import summary
from test_season_page import Reader, full
from test_season_page import season as season_of

from rigmon.analysis.season import gather, page
from rigmon.analysis.season.diagnosed import count_words, counts, listed, row
from rigmon.analysis.season.text import season_text


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One whose nozzle was cured, one where it was not, one without a fault."""
    folder = tmp_path_factory.mktemp("faulty")
    faulty_log(folder / "cured.sqlite")
    faulty_log(folder / "open.sqlite", cured_s=999.0)
    faulty_log(folder / "sound.sqlite", fault_s=999.0)
    # the same run thrice would count once
    import sqlite3

    for name in ("cured", "open", "sound"):
        with sqlite3.connect(folder / f"{name}.sqlite") as connection:
            connection.execute("UPDATE run SET run_id = ?", (name,))
        connection.close()
    return folder


def test_they_are_listed_over_the_runs_and_come_from_the_cache(folder: Path) -> None:
    first = gather.season(folder, jobs=1)
    again = gather.season(folder, jobs=1)
    assert (first["cache"]["used"], again["cache"]["used"]) == (0, 3)
    assert again["diagnoses"] == first["diagnoses"]
    assert json.loads(json.dumps(again, allow_nan=False)) == again
    assert [(one["run_id"], one["code"], one["open"]) for one in first["diagnoses"]] == [
        ("cured", "nozzles_plugged", False),
        ("open", "nozzles_plugged", True),
    ]
    assert [len(run["score"]["diagnoses"]) for run in first["runs"]] == [1, 1, 0]
    # the words are not kept a thousand times
    assert "evidence" not in first["diagnoses"][0]
    (count,) = first["totals"]["diagnoses"]
    assert (count["code"], count["count"], count["runs"]) == ("nozzles_plugged", 2, 2)
    assert count["area_m2"] == pytest.approx(sum(one["area_m2"] for one in first["diagnoses"]))


@pytest.mark.parametrize(("system", "other"), [("us", " ha"), ("metric", " ac")])
def test_text_and_page_tell_of_them_in_either_system(folder: Path, system: str, other: str) -> None:
    found = gather.season(folder, jobs=1)
    # 6 m x 2 m/s for some 47 s and 69 s: 0.14 ha, 0.34 ac
    area = {"us": "0.34 ac", "metric": "0.14 ha"}[system]
    text = season_text(found, system)
    told = text[text.index("What the sensors said together") :]
    shown = Reader(page.page(found, system)).text
    for words in (" ".join(told.split()), shown):
        assert f"nozzle plugged: 2 times in 2 runs, {area} treated meanwhile" in words
        assert "1 of 12 nozzles (over 99 % sure), flow at one pressure -8." in words
        assert "2026-05-30 00:01 nozzle plugged" in words
        assert "open at the end" in words
        assert f"{other} " not in words.partition("What the sensors said together")[2].partition("Runs")[0]
    assert "cured.sqlite" in told


def test_a_season_without_any_says_nothing_of_them() -> None:
    found = season_of([full(summary(0.0))])
    assert "What the sensors said together" not in season_text(found, None)
    assert "What the sensors said together" not in page.page(found)


def one(code: str, path: str, **more: Any) -> dict[str, Any]:
    return {
        "path": path, "code": code, "found_s": 4000.0, "found_utc": None, "since_s": None, "since_utc": None,
        "open": None, "change_pct": None, "change_u_pct": None, "nozzles": None, "nozzle_count": 10,
        "nozzles_confidence_pct": None, "area_m2": None, **more,
    }  # fmt: skip


def test_counts_and_rows_of_what_little_is_known() -> None:
    """Hand-worked: 4000 s is 1 h 6 min; 4046.856 m2 is an acre."""
    found = [one("gps_late", "a"), one("boom_leak", "a", area_m2=4046.856), one("gps_late", "b")]
    told = counts(found)
    assert [(c["code"], c["count"], c["runs"]) for c in told] == [("gps_late", 2, 2), ("boom_leak", 1, 1)]
    assert count_words(told[1], "us") == "leak or hose off: once, 1.00 ac treated meanwhile"
    assert row(found[0], "us") == ["1:06 h into the run", "GPS speed late", "--", "--", "--"]
    assert row(one("from_a_later_version", "a"), "us")[1] == "from a later version"


def test_a_long_list_shows_the_newest() -> None:
    runs = [full(summary(float(n), path=f"runs/{n:03d}.sqlite")) for n in range(30)]
    for run in runs:
        run["score"]["diagnoses"] = [one("gps_late", run["path"])]
    found = season_of(runs)
    assert len(listed(runs)) == 30
    text = season_text(found, None)
    told = text[text.index("What the sensors said together") :]
    assert "and 10 before them: --json lists them" in told
    assert "029.sqlite" in told
    assert "009.sqlite" not in told
