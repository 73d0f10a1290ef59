"""`rigmon record` and `rigmon records`: by options, by file, asked on a terminal, and what they refuse."""

import csv
import json
import sys
from pathlib import Path
from typing import Any

import pytest
from invoking import Made, done, refused, rigmon
from terminal import Phone, plain


@pytest.fixture(autouse=True)
def nobody_types(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", None)


def as_json(*args: object, cwd: Path) -> Any:
    return json.loads(done(*args, "--json", cwd=cwd))


def test_a_record_is_kept_shown_listed_and_exported(made: Made, tmp_path: Path) -> None:
    (tmp_path / "me.toml").write_text('applicator_name = "A. Applicator"\nwind = "calm"\n')
    screen = done(
        "record", made.log, "--from", "me.toml", "--set", "wind=4 mph from N", "--product",
        "Product A; 0000-000; 32 fl oz/ac", cwd=tmp_path,
    )  # fmt: skip
    assert "Certified applicator: A. Applicator\n" in screen
    assert "Wind as observed: speed, from where: 4 mph from N\n" in screen
    assert "Customer, name and address: ______\n" in screen
    assert "fl oz (worked out)" in screen
    assert screen.endswith("application 1' in applications.sqlite\n")
    assert max(map(len, screen.splitlines())) <= 80
    told = as_json(
        "record", made.recording, "--rig", made.rig, "--correct", "2026-06-01 application 1", cwd=tmp_path
    )
    assert told["name"] == "2026-06-01 application 2"
    assert done("records", cwd=tmp_path).count("\n") == 1
    assert len(as_json("records", "--all", cwd=tmp_path)) == 2
    for name in ("a.csv", "a.json", "a.html"):
        done("records", "--all", "-o", name, cwd=tmp_path)
    with (tmp_path / "a.csv").open(newline="") as file:
        assert [row["wind"] for row in csv.DictReader(file)] == ["4 mph from N", ""]
    assert (tmp_path / "a.html").read_text().count("<section class='sheet'>") == 2


def test_a_second_record_of_the_same_run_is_told(made: Made, tmp_path: Path) -> None:
    first = rigmon("record", made.log, cwd=tmp_path)
    assert first.err == ""
    second = rigmon("record", made.log, cwd=tmp_path)
    assert "is in applications.sqlite already, as '2026-06-01 application 1'" in second.err
    third = rigmon("record", made.log, "--correct", "2026-06-01 application 2", cwd=tmp_path)
    assert "already, as '2026-06-01 application 1'" in third.err


def test_a_dry_run_keeps_nothing(made: Made, tmp_path: Path) -> None:
    assert "Nothing was kept" in done("record", made.log, "--dry-run", cwd=tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_what_the_log_cannot_know_is_asked_for_on_a_terminal(made: Made, tmp_path: Path) -> None:
    with Phone("record", made.log, "--set", "helpers=none", cwd=tmp_path) as phone:
        phone.answer("Certified applicator [blank]:", "A. Applicator")
        phone.answer("Certification number [blank]:", "")
        for _ in range(2):
            phone.answer("[blank]:", "")
        phone.answer("Size of the plot or field [blank]:", "-5 ac")
        phone.wait_for("above zero")
        phone.answer("[blank]:", "12 ac")
        assert "Noncertified" not in plain(phone.screen)
        for _ in range(4):
            phone.answer("[blank]:", "")
        phone.answer("Product 1: ", "Product A; 0000-000; 32 fl oz/ac")
        phone.answer("Product 2: ", "Product B")
        phone.wait_for("left empty")
        phone.answer("Product 2: ", "")
        for _ in range(4):
            phone.answer("[blank]:", "")
        assert phone.end() == 0
    (kept,) = as_json("records", cwd=tmp_path)
    assert kept["elements"]["applicator_name"] == {"text": "A. Applicator", "from": "person"}
    assert kept["elements"]["applicator_number"] is None
    assert kept["elements"]["products"]["text"] == "Product A, registration 0000-000, 32 fl oz/ac"
    assert kept["elements"]["product_totals"]["from"] == "computed"
    assert [file.name for file in tmp_path.iterdir()] == ["applications.sqlite"]


def test_an_interruption_loses_nothing_that_was_typed(made: Made, tmp_path: Path) -> None:
    with Phone("record", made.log, cwd=tmp_path) as phone:
        phone.answer("Certified applicator [blank]:", "A. Applicator")
        phone.wait_for("Certification number")
        phone.press("\x03")
        assert phone.end() == 130
        assert "Your answers are kept" in plain(phone.screen)
    with Phone("record", made.log, cwd=tmp_path) as phone:
        phone.answer("resume?", "y")
        phone.answer("Certification number [blank]:", "000-000")
        phone.wait_for("Noncertified")
        phone.kill()
    with Phone("record", made.log, cwd=tmp_path) as phone:
        phone.answer("resume?", "y")
        for _ in range(13):
            phone.answer("[blank]:", "")
        assert phone.end() == 0
    (kept,) = as_json("records", cwd=tmp_path)
    assert kept["elements"]["applicator_name"]["text"] == "A. Applicator"
    assert kept["elements"]["applicator_number"]["text"] == "000-000"
    assert [file.name for file in tmp_path.iterdir()] == ["applications.sqlite"]


def test_refusals(made: Made, tmp_path: Path) -> None:
    (tmp_path / "bad.toml").write_text("wind = 4")
    (tmp_path / "worse.toml").write_text("wind = calm")
    for words, naming in (
        (["--set", "windd=x"], "'windd' is no element"),
        (["--set", "wind"], "KEY=TEXT"),
        (["--set", "wind=-5 mph"], "wind = '-5 mph' cannot be"),
        (["--from", "bad.toml"], "bad.toml: wind must be text"),
        (["--from", "worse.toml"], "worse.toml: not valid TOML"),
        (["--from", "no.toml"], "no.toml: cannot be read"),
        (["--zone", "Mars/Crater"], "--zone 'Mars/Crater'"),
        (["--zone", "../../etc/passwd"], "--zone"),
        (["--product", "Product A"], "Product A"),
        (["--correct", "nothing"], "holds no record 'nothing'"),
        (["--book", "bad.toml"], "bad.toml"),
    ):
        refused("record", made.log, *words, naming=naming, cwd=tmp_path)
    refused("records", "--book", "none.sqlite", naming="none.sqlite", cwd=tmp_path)
    done("record", made.log, cwd=tmp_path)
    refused("records", "-o", "a.doc", naming="a.doc", cwd=tmp_path)
    (tmp_path / "a.csv").write_text("mine")
    refused("records", "-o", "a.csv", naming="is there already", cwd=tmp_path)
