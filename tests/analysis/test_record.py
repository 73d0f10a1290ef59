"""The application record: what the log fills in, what stays blank, and a book that only grows."""

import csv
import io
import json
import sqlite3
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hand_made import DEGREE_M, Track, run
from helpers import make_rig

from rigmon.analysis.frames import RunData, from_outputs
from rigmon.analysis.ground import Ground
from rigmon.analysis.record.answers import read_answer
from rigmon.analysis.record.book import SeasonBook
from rigmon.analysis.record.draft import Draft, Used, draft
from rigmon.analysis.record.elements import BY_KEY, ELEMENTS, RULES
from rigmon.analysis.record.forms import csv_text, html_text, json_text
from rigmon.analysis.score import score_of
from rigmon.errors import UsageError
from rigmon.model import Anchor
from rigmon.replay import replay
from rigmon.simulate import Scenario, readings, simulate

#: 2026-06-01 14:30:00 UTC
START_MS = 1_780_324_200_000
NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)


def driven() -> RunData:
    """600 s at 2 m/s and 6 L/min on a 5 m swath: hand-worked 6000 m2 = 0.6 ha, 60 L, 100 L/ha."""
    return run([*Track().go(600).samples, Anchor(0, START_MS)])


def drafted(data: RunData | None = None, **more: object) -> Draft:
    data = data or driven()
    ground = Ground(data)
    return draft(data, ground, score_of(data, ground), **more)  # type: ignore[arg-type]


def test_every_rule_asks_for_what_its_text_lists() -> None:
    asked = {rule: {e.key for e in ELEMENTS if rule in e.rules} for rule in RULES}
    # 7 CFR 110.3(a)(1) to (5), text of 2006: product and registration number; total amount; location, size
    # and crop or site; month, day, year; name and certification number
    assert asked["US-P"] == {
        "products", "product_totals", "place", "area_treated", "crop_or_site", "date", "applicator_name",
        "applicator_number",
    }  # fmt: skip
    # 40 CFR 171.303(b)(7): adds customer, time, and the noncertified applicators
    assert asked["US-C"] == asked["US-P"] | {"customer", "start_time", "helpers"}
    # (EU) 2023/564, article 1 and national guidance: type of use, user, date and time, product and number,
    # dose, treated area, crop with EPPO code, BBCH stage, plot size and position
    assert asked["EU"] == {
        "type_of_use", "applicator_name", "date", "start_time", "products", "area_treated", "crop_or_site",
        "eppo_code", "growth_stage", "plot_size", "position",
    }  # fmt: skip


def test_what_the_log_knows_is_filled_in() -> None:
    made = drafted()
    texts = {key: entry.text for key, entry in made.entries.items()}
    assert texts["date"] == "2026-06-01"
    assert (texts["start_time"], texts["end_time"]) == ("14:30 UTC", "2026-06-01 14:40 UTC")
    assert (texts["area_treated"], texts["spray_volume"]) == ("0.600 ha", "60.0 L")
    assert texts["rate"] == "100.0 L/ha on average; target 100.0 L/ha"
    # hand-worked: the first fix 2 m, the last 1200 m east of 0 degrees, so the centre lies at 601 m
    assert f"{601 / DEGREE_M:.5f}" in texts["position"]
    assert {entry.origin for entry in made.entries.values()} == {"log"}
    assert made.to_json()["elements"]["wind"] is None
    json.dumps(made.to_json(), allow_nan=False)


def test_the_other_units_and_the_places_time() -> None:
    made = drafted(system="us", zone=ZoneInfo("America/Denver"))
    # 0.6 ha = 1.4826 ac; 60 L / 3.785412 = 15.85 gal; 100 / 9.353956 = 10.69 gal/ac
    assert made.entries["area_treated"].text == "1.483 ac"
    assert made.entries["spray_volume"].text == "15.9 gal"
    assert made.entries["rate"].text.startswith("10.7 gal/ac")
    assert made.entries["start_time"].text == "08:30 MDT"
    late = run([*Track().go(60).samples, Anchor(0, START_MS + 12 * 3_600_000)])  # 02:30 UTC of the next day
    assert drafted(late, zone=ZoneInfo("America/Denver")).entries["date"].text == "2026-06-01"


def test_totals_are_what_went_out_with_the_spray() -> None:
    used = [
        Used.read("Product A; 0000-000; 2 L/ha"),
        Used.read("Product B;;0.5 %"),
        Used.read("Product C; 1; 30 g/ha"),
    ]
    made = drafted(products=used)
    # hand-worked: 60 L of a tank mixed for 100 L/ha: 60 x 2 / 100 = 1.2 L; 0.5 % of 60 L = 0.3 L;
    # 60 x 30 / 100 = 18 g
    assert made.entries["product_totals"].text == "Product A: 1.20 L; Product B: 300 mL; Product C: 18.0 g"
    assert made.entries["product_totals"].origin == "computed"
    assert "Product B, registration number ______, 0.5 % v/v" in made.entries["products"].text


def test_all_that_went_out_counts_also_where_no_rate_is_known() -> None:
    # hand-worked: 300 s at 2 m/s x 5 m = 3000 m2 and 30 L; 30 s without a receiver: 3 L by the meter and,
    # between known places, 300 m2; 30 s without a meter: 300 m2 and, by the mean flow, 3 L; 30 s more
    track = Track().go(300).go(30, gps=False).go(30).go(30, flow=None).go(30)
    used = [Used.read("Product A; 0000-000; 2 L/ha")]
    made = drafted(run(track), products=used)
    assert made.entries["area_treated"].text == "0.420 ha, of it about 0.030 ha estimated"
    assert made.entries["spray_volume"].text == "42.0 L, of it about 3.0 L estimated"
    assert made.figures["volume_l"] == pytest.approx(42)
    assert made.entries["product_totals"].text == "Product A: 840 mL"  # 42 x 2 / 100 L
    doubt = drafted(run(Track().go(300).go(30, boom=None).go(30)))
    assert doubt.entries["spray_volume"].text == (
        "33.0 L; without 30 s in which the boom's state was not known"
    )


def test_a_volume_that_the_person_states_is_what_totals_rest_on() -> None:
    used = [Used.read("Product A; 0000-000; 2 L/ha")]
    made = drafted(products=used, stated={"spray_volume": "50 L by the tank's marks"})
    assert made.entries["product_totals"].text == "Product A: 1.00 L"  # hand-worked: 50 x 2 / 100


@pytest.mark.parametrize(
    ("key", "text", "words"),
    [
        ("date", "2026-13-45", "must be a date"),
        ("date", "1 June", "must be a date"),
        ("start_time", "99:99", "must be a time of day"),
        ("end_time", "2026-06-31 10:00 UTC", "must be a date"),
        ("area_treated", "-5 ac", "above zero"),
        ("plot_size", "0 ha", "above zero"),
        ("spray_volume", "much", "above zero"),
        ("wind", "-5 mph", "from 0 to 100 mph"),
        ("wind", "500 km/h", "from 0 to 100 mph"),
        ("wind", "4 mph from 400 deg", "0 to 360 degrees"),
        ("weather", "620 F, clear", "620 F"),
        ("weather", "20 C, 140 %", "0 to 100 %"),
        ("growth_stage", "101", "00 to 99"),
        ("eppo_code", "1", "5 or 6 letters"),
        ("crop_or_site", "range\nland", "one line"),
        ("remarks", "a\x1b[2Jb", "control characters"),
        ("remarks", "x" * 501, "too long"),
    ],
)
def test_what_cannot_be_is_refused_by_name(key: str, text: str, words: str) -> None:
    with pytest.raises(UsageError, match=words) as refusal:
        drafted(stated={key: text})
    assert str(refusal.value).startswith(f"{key} = ")


def test_what_can_be_stays_as_it_was_written() -> None:
    stated = {
        "date": "2026-06-01", "start_time": "8:30", "end_time": "2026-06-01 11:15 MDT",
        "plot_size": "12 acres", "wind": "4-6 mph from 315 deg, gusts", "weather": "-2 C, 45-50 %, clear",
        "growth_stage": "12-14", "eppo_code": "ZEAMX", "customer": "A. Customer\nRoad 1",
    }  # fmt: skip
    made = drafted(stated=stated)
    assert {key: made.entries[key].text for key in stated} == stated


def test_the_persons_word_goes_before_the_logs() -> None:
    made = drafted(stated={"area_treated": "1.5 ac, measured", "wind": " 4 mph from N ", "remarks": "  "})
    assert (made.entries["area_treated"].text, made.entries["area_treated"].origin) == (
        "1.5 ac, measured",
        "person",
    )
    assert made.entries["wind"].text == "4 mph from N"
    assert "remarks" in made.blank
    with pytest.raises(UsageError, match=r"'windd' is no element of a record; elements are: .*wind"):
        drafted(stated={"windd": "x"})


def test_a_run_that_knows_nothing_leaves_all_blank() -> None:
    made = drafted(run(Track().go(60, gps=False)))
    for key in ("date", "start_time", "position", "area_treated", "rate", "in_tolerance"):
        assert key in made.blank
    assert "Date" in made.missing()["US-P"]
    assert set(made.blank) <= set(BY_KEY)


@pytest.mark.parametrize("text", ["Product A", "; 1; 2 L/ha", "A; 1", "A; 1; 2 L/ha; more", "A; 1; two"])
def test_a_product_that_cannot_be_read_is_refused(text: str) -> None:
    with pytest.raises(UsageError, match=r"such as|write"):
        Used.read(text)


# -- the book -----------------------------------------------------------------------------------------------


def test_the_book_only_grows_and_a_correction_keeps_both(tmp_path: Path) -> None:
    path = tmp_path / "season.sqlite"
    with SeasonBook(path) as book:
        first = book.add(drafted(), now=NOW)
        second = book.add(drafted(stated={"wind": "calm"}), corrects=first.name, now=NOW)
        assert (first.name, second.name) == ("2026-06-01 application 1", "2026-06-01 application 2")
        assert [kept.name for kept in book.records()] == [second.name]
        assert [kept.name for kept in book.records(everything=True)] == [first.name, second.name]
        with pytest.raises(UsageError, match="was corrected already, by '2026-06-01 application 2'"):
            book.add(drafted(), corrects=first.name)
        with pytest.raises(UsageError, match="holds no record 'nothing'"):
            book.add(drafted(), corrects="nothing")
    assert [file.name for file in tmp_path.iterdir()] == ["season.sqlite"]
    connection = sqlite3.connect(path)
    for statement in (
        "UPDATE application SET record = '{}'",
        "DELETE FROM application",
        f"INSERT OR REPLACE INTO application VALUES (1, '{first.name}', NULL, NULL, '', '', '{{}}')",
    ):
        with pytest.raises(sqlite3.IntegrityError, match="only grows"):
            connection.execute(statement)
    connection.close()
    with SeasonBook(path) as book:
        assert book.records(everything=True) == [first, second]


def test_what_is_no_season_book_is_refused_and_left_alone(tmp_path: Path) -> None:
    other = tmp_path / "other.sqlite"
    connection = sqlite3.connect(other)
    connection.execute("CREATE TABLE mine (x)")
    connection.commit()
    connection.close()
    text = tmp_path / "text.sqlite"
    text.write_text("not a database at all, but long enough to be looked at as one")
    newer = tmp_path / "newer.sqlite"
    with SeasonBook(newer):
        pass
    connection = sqlite3.connect(newer)
    connection.execute("PRAGMA user_version = 9")
    connection.close()
    for path, words in (
        (other, "is not a season book"),
        (text, "cannot be opened"),
        (newer, "version 9"),
        (tmp_path, "cannot be there"),
        (tmp_path / "no" / "a.sqlite", "cannot be there"),
    ):
        before = path.read_bytes() if path.is_file() else None
        with pytest.raises(UsageError, match=words):
            SeasonBook(path)
        assert (path.read_bytes() if path.is_file() else None) == before
    with pytest.raises(UsageError, match="no season book is there"):
        SeasonBook(tmp_path / "none.sqlite", must_exist=True)
    assert not (tmp_path / "none.sqlite").exists()


def test_the_three_forms_hold_the_same(tmp_path: Path) -> None:
    with SeasonBook(tmp_path / "s.sqlite") as book:
        book.add(drafted(stated={"remarks": '<b>gate, "west"</b>\nleft open'}), now=NOW)
        records = book.records()
    (row,) = csv.DictReader(io.StringIO(csv_text(records), newline=""))
    (told,) = json.loads(json_text(records))
    page = html_text(records)
    for element in ELEMENTS:
        text = told["elements"][element.key]
        assert row[element.key] == ("" if text is None else text["text"])
        assert element.label in page
    assert float(row["area_m2"]) == pytest.approx(6000)
    assert float(row["centre_lon_deg"]) == pytest.approx(601 / DEGREE_M, abs=1e-7)
    assert int(row["start_utc_ms"]) == START_MS + 1000  # the first sample ends a second after the start
    assert "<b>gate" not in page
    assert "&lt;b&gt;gate" in page
    assert "stays with the certified applicator" in page
    assert "http:" not in page
    assert "https:" not in page
    assert page.count("class='blank'") >= len(drafted().blank)
    assert "no record yet" in html_text([])


# -- the weather ------------------------------------------------------------------------------------------


def test_what_the_sensors_say_of_the_weather_is_a_draft() -> None:
    rig = make_rig(weather={"wind": "true", "air": "xdr", "height": "6 ft"}, flow={"source": "xdr"})
    made = simulate(
        Scenario(
            rig=rig, passes=2, wind_m_s=4.4704, gustiness_pct=0.0, wind_swing_deg=0.0, wind_from_deg=270.0
        )
    )
    result = replay(readings(made), rig)
    outputs = [*result.samples, *result.anchors, *result.weather]
    run = from_outputs(rig, outputs, run_id="r", source="live", ended_cleanly=True)
    draft = drafted(run, system="us")
    # 4.4704 m/s is 10 mph by definition; 18 C is 64.4 F
    assert draft.entries["wind"].origin == "log"
    assert draft.entries["wind"].text.startswith("at the start 10.0 mph")
    assert "; at the end 10.0 mph from W (270°), gusts to 10.0 mph" in draft.entries["wind"].text
    assert draft.entries["weather"].text == (
        "at the start 64 °F, 60 % humidity; at the end 64 °F, 60 % humidity; sky ______"
    )
    assert "6.0 ft above the ground" in draft.entries["weather_observed"].text
    assert draft.figures["wind_end_m_s"] == pytest.approx(4.4704, abs=0.01)
    assert draft.figures["air_temperature_start_c"] == 18.0
    for key in ("wind", "weather"):
        assert read_answer(key, draft.entries[key].text) == draft.entries[key].text
    own = drafted(run, system="us", stated={"wind": "calm"})
    assert (own.entries["wind"].text, own.entries["wind"].origin) == ("calm", "person")
