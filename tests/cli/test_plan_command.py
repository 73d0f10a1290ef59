"""rigmon plan: text, JSON, and the printable page as a real browser shows and prints it."""

# ruff: noqa: E501  (the tables read best one case a line)

import json
import re
import shutil
import subprocess
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from invoking import Made, done, refused, rigmon

BROWSER = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
needs_browser = pytest.mark.skipif(BROWSER is None, reason="needs Chromium, and none is installed")

JOB = ["--area", "7 ac", "--product", "Product A = 32 fl oz/ac", "--product", "Product B = 0.25 %"]


@pytest.fixture
def folder(made: Made, tmp_path: Path) -> Path:
    text = made.rig.read_text().replace('# set = "flat fan 02"', 'set = "flat fan 02"')
    (tmp_path / "rig.toml").write_text(text.replace("# volume = ", "volume = "))
    return tmp_path


def caught(folder: Path, *more: object, count: int = 12) -> None:
    volumes = ", ".join("11.2 oz" if n == 7 else "12.8 oz" for n in range(1, count + 1))
    done(
        "calibrate",
        "catch",
        "--pressure",
        "40 psi",
        "--time",
        "30 s",
        "--volumes",
        volumes,
        *more,
        cwd=folder,
    )


def page(folder: Path, *args: object) -> str:
    done("plan", *args, "-o", "plan.html", cwd=folder)
    return (folder / "plan.html").read_text(encoding="utf-8")


# -- text and JSON -------------------------------------------------------------------------------------------


def test_the_page_as_text_in_both_systems(folder: Path) -> None:
    """MPH = 495 x 2.4 / (17 x 20) = 3.494; 7 ac x 17 = 119 gal: 4 x 25 and 19; 1.4706 ac x 32 = 47.06 fl oz."""
    caught(folder, "--date", "2026-06-01")
    out = " ".join(done("plan", *JOB, "--date", "2026-06-10", cwd=folder).split())
    assert "HOLD 3.5 mph (3.2 to 3.9)" in out
    assert "4 full tanks and a last load of 19.0 gal" in out
    assert "Product A 47 fl oz" in out
    assert "! 7 0.175 gal/min" in out
    assert "Catch test, 9 days old" in out
    metric = " ".join(done("plan", *JOB, "--date", "2026-06-10", "--units", "metric", cwd=folder).split())
    assert "HOLD 5.6 km/h (5.1 to 6.2)" in metric
    assert " gal" not in metric


def test_ages_and_another_nozzle_set_are_warned_of(folder: Path) -> None:
    caught(folder, "--date", "2026-06-01", "--apply")
    assert (
        "31 days old" not in done("plan", "--date", "2026-07-01", cwd=folder).partition("Before you start")[2]
    )
    late = done("plan", "--date", "2026-07-02", cwd=folder)
    assert "Catch test: 31 days old, and 30 are allowed" in late
    rig = folder / "rig.toml"
    rig.write_text(rig.read_text().replace('set = "flat fan 02"', 'set = "flat fan 03"'))
    other = rigmon("plan", "--date", "2026-06-02", "--strict", cwd=folder)
    assert other.code == 1
    assert "'flat fan 03' is fitted" in " ".join(other.out.split())


def test_json_says_where_the_page_is(folder: Path) -> None:
    data = json.loads(done("plan", *JOB, "-o", "plan.html", "--json", cwd=folder))
    assert data["html"] == "plan.html"
    assert data["tank"]["last_load_l"] == pytest.approx(19 * 3.785412, rel=1e-5)
    assert json.loads(done("plan", "--json", cwd=folder))["html"] is None


def test_strict_is_no_until_all_is_done(folder: Path) -> None:
    rig = folder / "rig.toml"
    rig.write_text(rig.read_text().replace('source = "xdr"', 'source = "none"'))
    assert rigmon("plan", "--strict", cwd=folder).code == 1
    volumes = ", ".join(["12.8 oz"] * 12)
    done(
        "calibrate",
        "catch",
        "--pressure",
        "40 psi",
        "--time",
        "30 s",
        "--volumes",
        volumes,
        "--apply",
        cwd=folder,
    )
    result = rigmon("plan", "--strict", cwd=folder)
    assert result.code == 0, result.out


@pytest.mark.parametrize(
    ("args", "naming", "right"),
    [
        (["--area", "7"], "--area", "unit"),
        (["--area", "0 ac"], "0 ac", "above zero"),
        (["--rate", "20 psi"], "--rate", "gal/ac"),
        (["--field-efficiency", "0"], "field efficiency", "above zero"),
        (["--field-efficiency", "120"], "field efficiency", "at most 100"),
        (["--date", "soon"], "--date", "2026-05-30"),
        (["--product", "A"], "--product", "such as"),
        (["--products", "none.csv"], "none.csv", "CSV"),
        (["--job", "two\nlines"], "--job", "one line"),
        (["-o", "."], ".", "name of a file"),
        (["-o", "none/plan.html"], "none/plan.html", "cannot be written"),
        (["--book", "."], ".", "name of a file"),
    ],
)
def test_bad_plans_are_refused(args: list[str], naming: str, right: str, folder: Path) -> None:
    assert right in refused("plan", *args, naming=naming, cwd=folder)


def test_products_without_a_tank_are_refused(made: Made, tmp_path: Path) -> None:
    shutil.copy(made.rig, tmp_path / "rig.toml")
    message = refused("plan", "--product", "A = 1 pt/ac", naming="no tank", cwd=tmp_path)
    assert "tank.volume in rig.toml" in message


# -- the page ------------------------------------------------------------------------------------------------


class Tags(HTMLParser):
    """Every tag with its attributes, checked to be closed in order; and the text."""

    EMPTY = ("meta", "br", "hr")

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self._open: list[str] = []
        self.feed(text)
        self.close()
        assert not self._open

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))
        if tag not in self.EMPTY:
            self._open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self._open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self._open and self._open[-1] not in ("style", "title"):
            self.text += data


def test_the_page_needs_nothing_from_elsewhere(folder: Path) -> None:
    caught(folder)
    text = page(folder, *JOB)
    tags = Tags(text)
    assert not {tag for tag, _ in tags.found} & {
        "script",
        "link",
        "img",
        "iframe",
        "object",
        "form",
        "a",
        "svg",
    }
    for _, attributes in tags.found:
        assert not {"src", "href", "srcset", "onload", "onclick"} & set(attributes)
    assert not re.search(r"https?:|//|@import|url\(", text)
    assert "default-src 'none'" in text


def test_the_page_says_the_same_as_the_text(folder: Path) -> None:
    caught(folder, "--date", "2026-06-01")
    shown = " ".join(Tags(page(folder, *JOB, "--date", "2026-07-10", "--job", "South slope")).text.split())
    for words in ("South slope", "Creek rig, 2026-07-10", "3.5 mph", "3.2 to 3.9 mph", "17.0 gal/ac", "within 10 %",
                  "4 full tanks and a last load of 19.0 gal", "47 fl oz", "No. 7", "39 days old, and 30 are allowed",
                  "The product label is the law"):  # fmt: skip
        assert words in shown, words


def test_what_people_name_things_is_shown_and_never_run(folder: Path) -> None:
    rig = folder / "rig.toml"
    rig.write_text(
        rig.read_text().replace("Creek rig", "<b>Rig</b> & 'boom'").replace("flat fan 02", "<i>02</i>")
    )
    caught(folder)
    text = page(
        folder, "--job", "<script>alert(1)</script>", "--product", 'P<img src=x onerror="x"> = 1 pt/ac'
    )
    tags = Tags(text)
    assert not {tag for tag, _ in tags.found} & {"script", "img"}
    for words in ("<script>alert(1)</script>", "<b>Rig</b> & 'boom'", 'P<img src=x onerror="x">'):
        assert words in tags.text


def test_its_colours_are_greys_with_contrast(folder: Path) -> None:
    """So that it reads in grey print, light and dark. WCAG 2.1, 1.4.3: 4.5 to 1 for text (from memory)."""
    style = re.findall(r"<style>(.*)</style>", page(folder), re.DOTALL)[0]
    assert "prefers-color-scheme: dark" in style
    assert "@media print" in style
    colours = re.findall(r"#([0-9a-f]{3,6})\b", style)
    assert len(colours) > 10
    for colour in colours:
        digits = colour if len(colour) == 6 else "".join(2 * digit for digit in colour)
        assert digits[:2] == digits[2:4] == digits[4:], colour
    schemes = [
        dict(re.findall(r"--(\w+): #([0-9a-f]+)", block))
        for block in re.findall(r":root \{(.*?)\}", style, re.DOTALL)
    ]
    assert len(schemes) == 3
    for scheme in schemes:
        for ink in ("ink", "soft"):
            assert contrast(scheme[ink], scheme["page"]) >= 4.5
            assert contrast(scheme["bar"], scheme["page"]) >= 3


def contrast(a: str, b: str) -> float:
    def luminance(colour: str) -> float:
        part = int(colour[0] * 2 if len(colour) == 3 else colour[:2], 16) / 255
        return part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4

    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


# -- in a browser --------------------------------------------------------------------------------------------


def browser(tmp_path: Path, *args: object) -> None:
    assert BROWSER is not None
    subprocess.run(
        [
            BROWSER, "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run",
            "--disable-background-networking", f"--user-data-dir={tmp_path / 'profile'}", *map(str, args),
        ],
        check=True, capture_output=True, timeout=120,
    )  # fmt: skip


def printed_pages(tmp_path: Path, html: Path) -> tuple[int, list[float]]:
    """How many pages it prints on, and their size in points."""
    pdf = tmp_path / "printed.pdf"
    browser(tmp_path, "--no-pdf-header-footer", f"--print-to-pdf={pdf}", html.as_uri())
    data = pdf.read_bytes()
    boxes = re.findall(rb"/MediaBox\s*\[([^\]]+)\]", data)
    return len(re.findall(rb"/Type\s*/Page\b", data)), [float(number) for number in boxes[0].split()[2:]]


#: width and height in points: ISO 216 A4 is 210 x 297 mm, ANSI Letter 8.5 x 11 in
PAPERS = {"A4": (595.3, 841.9), "letter": (612.0, 792.0)}


@needs_browser
@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("job", ["plain", "crowded", "crammed"])
def test_it_prints_on_one_page(job: str, paper: str, folder: Path, tmp_path: Path) -> None:
    args: list[str] = list(JOB)
    if job != "plain":
        rig = folder / "rig.toml"
        text = (
            rig.read_text()
            .replace("nozzle_count = 12", "nozzle_count = 48")
            .replace('"2.4 gal/min"', '"9.6 gal/min"')
        )
        rig.write_text(text)
        volumes = ", ".join(f"{12.8 * (0.9 + n % 5 / 20):.2f} oz" for n in range(45))
        done(
            "calibrate",
            "catch",
            "--pressure",
            "40 psi",
            "--time",
            "30 s",
            "--volumes",
            volumes,
            "--date",
            "2026-01-05",
            cwd=folder,
        )
        done(
            "calibrate", "flowmeter", *["--run", "2.6 L, 2.8 L, 30 s"] * 3, "--date", "2026-01-05", cwd=folder
        )
        done(
            "calibrate",
            "transducer",
            "--point",
            "0 psi = 0 psi",
            "--point",
            "40 psi = 46 psi",
            "--date",
            "2026-01-05",
            cwd=folder,
        )
        done(
            "calibrate",
            "course",
            "--distance",
            "200 ft",
            "--times",
            "39 s out, 39 back",
            "--date",
            "2026-01-05",
            cwd=folder,
        )
        done("calibrate", "target", "--date", "2026-01-05", cwd=folder)
        args = ["--area", "70 ac", "--job", "A job with a name that is rather long, as names of fields are"]
        for n in range(8 if job == "crowded" else 16):
            args += ["--product", f"Product {chr(65 + n)}, a product with a long name = {n + 1}.37 fl oz/ac"]
    html = folder / "plan.html"
    text = page(folder, *args)
    html.write_text(text.replace("@page { margin", f"@page {{ size: {paper}; margin"))
    pages, size = printed_pages(tmp_path, html)
    assert size == pytest.approx(PAPERS[paper], abs=1.0)
    assert pages == 1


@needs_browser
def test_it_is_shown_light_and_dark_and_nothing_is_cut_off(folder: Path, tmp_path: Path) -> None:
    """The page measures itself in the browser: no element may be wider than a phone's screen."""
    caught(folder)
    text = page(folder, *JOB)
    probe = (
        "<script>document.title = JSON.stringify({wide: document.documentElement.scrollWidth, "
        "screen: window.innerWidth, ink: getComputedStyle(document.body).color, "
        "page: getComputedStyle(document.body).backgroundColor})</script></body>"
    )
    shown: dict[str, Any] = {}
    for scheme in ("light", "dark"):
        changed = text.replace("default-src 'none'", "default-src 'none'; script-src 'unsafe-inline'")
        if scheme == "dark":
            changed = changed.replace("prefers-color-scheme: dark", "min-width: 1px")
        html = folder / f"{scheme}.html"
        html.write_text(changed.replace("</body>", probe))
        result = subprocess.run(
            [str(BROWSER), "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run",
             "--disable-background-networking", f"--user-data-dir={tmp_path / 'profile'}", "--window-size=500,900",
             "--dump-dom", html.as_uri()],
            check=True, capture_output=True, text=True, timeout=120,
        )  # fmt: skip
        shown[scheme] = json.loads(re.findall(r"<title>(.*?)</title>", result.stdout)[0])
        assert shown[scheme]["wide"] <= shown[scheme]["screen"]
    assert shown["light"]["page"] == "rgb(255, 255, 255)"
    assert shown["dark"]["page"] == "rgb(22, 22, 22)"
    assert shown["light"]["ink"] == "rgb(17, 17, 17)"
    assert shown["dark"]["ink"] == "rgb(238, 238, 238)"
