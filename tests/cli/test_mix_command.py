"""rigmon mix: loads and products from options, files and prompts, in both unit systems."""

import io
import json
import sys
from pathlib import Path
from typing import Any

import pytest
from invoking import Made, done, refused, rigmon
from terminal import Phone

from rigmon.cli.products import product_from
from rigmon.errors import UsageError


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(sys, "stdin", io.StringIO())
    return tmp_path


def as_json(*args: object, cwd: Path) -> Any:
    return json.loads(done("mix", *args, "--json", cwd=cwd))


def test_product_per_tank_as_published(folder: Path) -> None:
    """County mixing sheet (B, seen): 100 GPA, 50-gal tank, 7 oz/ac -> 3.5 oz per tank."""
    args = ["--tank", "50 gal", "--rate", "100 gal/ac", "--product", "Product A = 7 fl oz/ac"]
    result = as_json(*args, cwd=folder)
    (item,) = result["result"]["full_load"]["products"]
    assert item["measured_l"] == pytest.approx(3.5 * 29.5735295625e-3)
    assert "Product A  3.5 fl oz" in done("mix", *args, cwd=folder)


def test_loads_as_published(folder: Path) -> None:
    """Canadian provincial factsheet (A, seen): 200 L/ha x 20 ha = 4000 L; a 1000-L tank: 4 loads."""
    args = [
        "--units",
        "metric",
        "--tank",
        "1000 L",
        "--rate",
        "200 L/ha",
        "--area",
        "20 ha",
        "--product",
        "A = 2 L/ha",
    ]
    result = as_json(*args, cwd=folder)
    assert (result["result"]["loads"], result["result"]["last_load"]) == (4, None)
    out = done("mix", *args, cwd=folder)
    assert "4 full tanks" in out
    assert "gal" not in out


def test_tank_and_rate_come_from_the_rig(folder: Path, made: Made) -> None:
    (folder / "rig.toml").write_text(made.rig.read_text().replace("# volume = ", "volume = "))
    result = as_json("--product", "A = 0.5 %", cwd=folder)
    assert result["inputs"]["rate_l_ha"] == pytest.approx(17 * 9.353956, rel=1e-6)
    assert result["inputs"]["tank_l"] == pytest.approx(25 * 3.785412, rel=1e-6)


@pytest.mark.parametrize("name", ["products.toml", "products.csv"])
def test_products_from_a_file(name: str, folder: Path) -> None:
    (folder / "products.toml").write_text(
        '[[product]]\nname = "Product A"\ndose = "32 fl oz/ac"\nmax = "64 fl oz/ac"\n\n'
        '[[product]]\nname = "Product B"\ndose = "1.5 oz wt/ac"\n'
    )
    (folder / "products.csv").write_text(
        "name,dose,max\nProduct A,32 fl oz/ac,64 fl oz/ac\nProduct B,1.5 oz wt/ac,\n"
    )
    both = ["--product", "Product A = 32 fl oz/ac max 64 fl oz/ac", "--product", "Product B = 1.5 oz wt/ac"]
    tank = ["--tank", "25 gal", "--rate", "20 gal/ac", "--area", "7 ac"]
    assert as_json(*tank, "--products", name, cwd=folder) == as_json(*tank, *both, cwd=folder)


def test_spot_treatment_by_percent_solution(folder: Path) -> None:
    """2 % of 3 gal: 3 x 128 x 0.02 = 7.68 fl oz, rounded down to the cup's tenths."""
    out = done("mix", "--spot", "3 gal", "--product", "Product A = 2 %", cwd=folder)
    assert "7.6 fl oz" in out
    assert "Spot mix, 3.00 gal:" in out


def test_amounts_are_rounded_down_to_the_cup_at_hand(folder: Path) -> None:
    """7 fl oz/ac on 1.25 ac are 8.75 fl oz."""
    args = ["--tank", "25 gal", "--rate", "20 gal/ac", "--product", "A = 7 fl oz/ac"]
    assert "A      8 fl oz (8.6 % under)" in done("mix", *args, "--cup", "1 fl oz", cwd=folder)
    assert "A      8.7 fl oz" in done("mix", *args, cwd=folder)


def test_cautions_come_once_and_only_with_a_product(folder: Path) -> None:
    tank = ["mix", "--tank", "25 gal", "--rate", "20 gal/ac"]
    out = done(*tank, "--product", "A = 1 pt/ac", "--product", "B = 1 pt/ac", cwd=folder)
    assert out.count("The label is the law") == out.count("PPE") == 1


def test_what_is_missing_is_asked(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    answers = "25 gal\n20 gal/ac\n7 ac\nProduct A = 3 oz/ac\nProduct A = 3 fl oz/ac\n\n"
    monkeypatch.setattr(sys, "stdin", io.StringIO(answers))
    result = rigmon("mix", cwd=folder)
    assert result.code == 0
    assert "5 full tanks and a last load of 15.0 gal" in " ".join(result.out.split())  # 140 / 25
    assert "'fl oz/ac' or 'oz wt/ac'" in " ".join(result.err.split())


@pytest.mark.parametrize("columns", [40, 80])
def test_lines_fit_the_screen(columns: int, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    products = [
        "--product",
        "A product with a name as long as a line of it = 1 pt/ac",
        "--product",
        "B = 2 lb/ac",
    ]
    out = done("mix", "--tank", "25 gal", "--rate", "20 gal/ac", "--area", "7 ac", *products, cwd=folder)
    for line in out.splitlines():
        assert len(line) <= columns, line


@pytest.mark.parametrize(
    ("args", "naming", "right"),
    [
        (["--product", "A"], "--product 'A'", "such as 'Product A = 32 fl oz/ac'"),
        (["--product", "= 3 pt/ac"], "--product", "such as"),
        (["--product", "A = 3"], "--product 'A'", "2 pt/ac"),
        (["--product", "A = 3 oz/ac"], "--product 'A'", "'fl oz/ac' or 'oz wt/ac'"),
        (["--product", "A = 3 pt/ac max 1 pt/ac"], "stated maximum", "lower the dose"),
        (["--product", "A = 3 pt/ac max 1 lb/ac"], "--product 'A'", "both by volume"),
        (["--product", "A = 60 gal/ac"], "A: ", "more than it holds"),
        (["--product", "A = 1 pt/ac", "--product", "a = 2 pt/ac"], "a: given twice", "once"),
        (["--product", "A = 1 pt/ac", "--area", "7"], "--area", "unit"),
        (["--product", "A = 1 pt/ac", "--area", "1000000 ha"], "area of the job", "at most"),
        (["--product", "A = 1 pt/ac", "--cup", "1 in"], "--cup", "fl oz"),
        (["--products", "none.toml"], "none.toml", "TOML"),
        (["--products", "none.csv"], "none.csv", "CSV"),
        (["--products", "broken.toml"], "broken.toml", "[[product]]"),
        (["--products", "empty.toml"], "empty.toml", "[[product]]"),
        (["--products", "key.toml"], "key.toml, product 1", "known are name, dose, max"),
        (["--products", "type.toml"], "type.toml, product 1", "in quotes"),
        (["--products", "dose.csv"], "dose.csv, line 2", "2 pt/ac"),
        (["--spot", "3 gal", "--product", "A = 1 pt/ac"], "A: ", "such as 2 %"),
    ],
)
def test_bad_mixes_are_refused(args: list[str], naming: str, right: str, folder: Path) -> None:
    (folder / "broken.toml").write_text("[[product]\n")
    (folder / "empty.toml").write_text("")
    (folder / "key.toml").write_text('[[product]]\nname = "A"\ndose = "1 pt/ac"\nrate = "2"\n')
    (folder / "type.toml").write_text('[[product]]\nname = "A"\ndose = 3\n')
    (folder / "dose.csv").write_text("name,dose\nA,3\n")
    tank = [] if "--spot" in args else ["--tank", "25 gal", "--rate", "20 gal/ac"]
    message = refused("mix", *tank, *args, naming=naming, cwd=folder)
    assert right in message


def test_spot_and_boom_exclude_each_other(folder: Path) -> None:
    refused("mix", "--spot", "3 gal", "--area", "2 ac", "--product", "A = 2 %", naming="--area", cwd=folder)


def test_without_input_the_option_is_named(folder: Path) -> None:
    result = rigmon("mix", "--rate", "20 gal/ac", cwd=folder)
    assert result.code == 2
    assert "give --tank" in result.err


def test_a_name_must_be_one_line() -> None:
    with pytest.raises(UsageError, match="one line"):
        product_from("A\x1b[2J = 1 pt/ac", "--product")


def test_on_a_phone_what_cannot_be_is_told_at_once(tmp_path: Path) -> None:
    with Phone("mix", "--tank", "25 gal", "--rate", "20 gal/ac", cwd=tmp_path) as phone:
        phone.answer("Area, e.g. 7.5 ac (Enter: unknown): ", "7.5 ac")
        phone.answer("Product, e.g. A = 32 fl oz/ac: ", "A = 32 oz/ac")
        phone.wait_for("'oz wt/ac'")
        phone.answer("Product, e.g. A = 32 fl oz/ac: ", "A = 32 fl oz/ac")
        phone.answer("Next product (Enter: done): ", "B = 0.5 % max 0.25 %")
        phone.wait_for("more than")
        phone.answer("Next product (Enter: done): ", "A = 1 %")
        phone.wait_for("given twice")
        phone.answer("Next product (Enter: done): ", "")
        assert phone.end() == 0
    # 32 fl oz/ac x 25 gal / 20 gal/ac = 40 fl oz, hand-worked
    assert "A      40 fl oz" in phone.screen
