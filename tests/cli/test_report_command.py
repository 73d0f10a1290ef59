"""rigmon report: files, JSON, refusals, and the page as a real browser shows and prints it."""

import hashlib
import json
import re
import shutil
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest
from helpers.faulty import faulty_log
from invoking import Made, done, refused, rigmon
from terminal import Phone

from rigmon.analysis.report import pdf
from rigmon.log.reader import RunLog

BROWSER = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
needs_browser = pytest.mark.skipif(BROWSER is None, reason="needs Chromium, and none is installed")

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def pages(made: Made, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Pages of several runs: with all sensors, faults and the longest texts, GPS alone, idle, no places."""
    folder = tmp_path_factory.mktemp("pages")
    logs = ROOT / "replay_logs"
    lines = (logs / "all_sensors_10hz.nmea").read_text(encoding="utf-8").splitlines()
    nowhere = folder / "nowhere.nmea"
    nowhere.write_text("\n".join(line for line in lines if "XDR" in line), encoding="utf-8")

    def recorded(name: str) -> list[object]:
        return [logs / f"{name}.nmea", "--rig", logs / f"{name}.rig.toml"]

    runs: dict[str, list[object]] = {
        "run": [made.log, "--refill", "30 L", "--left", "2 L"],
        "crowded": [
            *recorded("faults_5hz"), "--refill", "10 L", "--units", "us", "--target", "140 L/ha",
            "--calibration", "7 L/min at 200 kPa", "--boundary", _field(folder, 29.99995, -50.0),
        ],
        "gps": recorded("gps_alone_1hz"),
        "faulty": [faulty_log(folder / "faulty.sqlite", cured_s=999.0), "--units", "us"],
        "nowhere": [nowhere, "--rig", logs / "all_sensors_10hz.rig.toml"],
    }  # fmt: skip
    found = {}
    for name, args in runs.items():
        found[name] = folder / f"{name}.html"
        done("report", *args, "-o", found[name])
    return found


def _field(folder: Path, lat: float, lon: float) -> Path:
    """A square of some 50 m, invented."""
    d = 0.00025
    ring = [
        [lon - d, lat - d],
        [lon + d, lat - d],
        [lon + d, lat + d],
        [lon - d, lat + d],
        [lon - d, lat - d],
    ]
    path = folder / "field.geojson"
    path.write_text(json.dumps({"type": "Polygon", "coordinates": [ring]}))
    return path


def digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


# -- files and JSON ------------------------------------------------------------------------------------------


def test_it_writes_a_page_and_never_writes_over_one(made: Made, tmp_path: Path) -> None:
    out, before = tmp_path / "run.html", digest(made.log)
    assert done("report", made.log, "-o", out) == f"Wrote {out}\n"
    kept = digest(out)
    refused("report", made.log, "-o", out, naming=out)
    refused("report", made.log, "-o", tmp_path, naming=tmp_path / "report.html")
    refused("report", made.log, "--pdf", out, naming=out)
    refused("report", made.log, "-o", tmp_path / "none" / "run.html", naming=f"no folder {tmp_path / 'none'}")
    assert digest(out) == kept
    assert digest(made.log) == before
    with RunLog.open(made.log) as log:
        assert log.header.run_id in out.read_text(encoding="utf-8")


def test_json_has_the_score_and_all_else(made: Made, tmp_path: Path) -> None:
    data = json.loads(done("report", made.log, "--json"))
    scored = json.loads(done("score", made.log, "--json"))
    for key, value in scored.items():
        if key != "stretches":
            assert data[key] == value
    assert data["html"] is data["pdf"] is None
    assert data["coverage"]["covered_m2"] == pytest.approx(scored["applied"]["area_m2"], rel=0.05)
    out = tmp_path / "run.html"
    assert json.loads(done("report", made.log, "--json", "-o", out))["html"] == str(out)
    for name, value in re.findall(r'value="([^"]+)" data-json="([^"]+)"', out.read_text(encoding="utf-8")):
        found: Any = data
        for part in value.split("."):
            found = found[int(part)] if isinstance(found, list) else found[part]
        assert repr(found) == name


def test_it_must_be_told_what_to_make(made: Made) -> None:
    message = refused("report", made.log, naming="-o run.html")
    assert "--json" in message


def test_volumes_typed_in(made: Made) -> None:
    """30 + 20 - 4 = 46 L; the second has the first's unit."""
    data = json.loads(done("report", made.log, "--refill", "30 L", "--refill", "20", "--left", "4", "--json"))
    assert data["closure"]["filled_l"] == pytest.approx(46)
    refused("report", made.log, "--json", "--refill", "20", naming="--refill")
    refused("report", made.log, "--json", "--refill", "20 acres", naming="--refill")
    refused("report", made.log, "--json", "--left", "2 gal", naming="--left needs --refill")
    refused(
        "report", made.log, "--json", "--refill", "2 gal", "--left", "3 gal", naming="more than was filled"
    )


def test_a_boundary_says_what_was_missed_and_what_fell_outside(made: Made, tmp_path: Path) -> None:
    data = json.loads(done("report", made.log, "--json"))
    gps = data["stretches"][0]
    near = _field(tmp_path, gps["start_lat_deg"], gps["start_lon_deg"])
    found = json.loads(done("report", made.log, "--boundary", near, "--json"))["coverage"]["boundary"]
    assert found["field_m2"] > 0
    assert found["outside_m2"] + found["inside_missed_m2"] > 0
    refused("report", made.log, "--json", "--boundary", made.rig, naming="is not GeoJSON")
    far = _field(tmp_path, 10.0, 10.0)
    refused("report", made.log, "--json", "--boundary", far, naming="away from the run")


def test_how_good_positions_are_can_be_said(made: Made) -> None:
    """Hand-worked: 10 in = 0.254 m."""
    coverage = json.loads(done("report", made.log, "--position-uncertainty", "10 in", "--json"))["coverage"]
    assert coverage["position_uncertainty_m"] == pytest.approx(0.254)
    assert coverage["position_uncertainty_basis"] == "given"
    for wrong in ("0 m", "-1 m", "1 mi", "10"):
        refused(
            "report", made.log, "--json", f"--position-uncertainty={wrong}", naming="position-uncertainty"
        )


def test_what_if_is_said_on_the_page_and_leaves_the_log_alone(made: Made, tmp_path: Path) -> None:
    before, out = digest(made.log), tmp_path / "run.html"
    done("report", made.log, "--target", "30 gal/ac", "-o", out)
    text = out.read_text(encoding="utf-8")
    assert "What if:</b> --target 30 gal/ac" in text
    assert "Out of tolerance" in text
    assert digest(made.log) == before
    refused("report", made.log, "--json", "--target", "30", naming="--target")


def test_without_a_browser_it_says_how_to_print(
    made: Made, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pdf, "browser", lambda: None)
    message = refused("report", made.log, "--pdf", tmp_path / "run.pdf", naming="chromium or google-chrome")
    assert "open the page in any browser and print it" in message
    assert list(tmp_path.iterdir()) == []


def test_a_browser_that_fails_is_told_of(made: Made, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    broken = tmp_path / "browser"
    broken.write_text("#!/bin/sh\necho 'no display here' >&2\nexit 3\n")
    broken.chmod(0o755)
    monkeypatch.setattr(pdf, "browser", lambda: str(broken))
    message = refused("report", made.log, "--pdf", tmp_path / "run.pdf", naming="did not print it")
    assert "no display here" in message


def test_without_the_libraries_it_says_what_to_install(
    made: Made, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("matplotlib", "jinja2"):
        with monkeypatch.context() as without:
            without.setitem(sys.modules, name, None)
            message = refused("report", made.log, "-o", tmp_path / "run.html", naming=f"needs {name}")
        assert "pip install 'rigmon[analysis]'" in message
    assert list(tmp_path.iterdir()) == []


def test_progress_is_shown_on_a_terminal_alone(made: Made, tmp_path: Path) -> None:
    with Phone("report", made.log, "-o", "run.html", cwd=tmp_path, columns=80) as phone:
        assert phone.end() == 0
    for part in (
        "score",
        "across the boom",
        "coverage",
        "stretches",
        "drawing the map",
        "drawing the graphs",
    ):
        assert re.search(rf"\r\[#*-+\] {part}", phone.screen), part
    assert phone.screen.endswith("Wrote run.html\r\n")


def test_a_damaged_source_is_refused(tmp_path: Path) -> None:
    (tmp_path / "a.sqlite").write_bytes(b"SQLite format 3\0" + bytes(200))
    result = rigmon("report", tmp_path / "a.sqlite", "--json")
    assert (result.code, result.out) == (2, "")
    assert "Traceback" not in result.err


# -- in a browser --------------------------------------------------------------------------------------------


def browser(profile: Path, *args: object) -> subprocess.CompletedProcess[str]:
    assert BROWSER is not None
    return subprocess.run(
        [
            BROWSER, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
            "--disable-background-networking", "--disable-component-update", "--disable-sync",
            f"--user-data-dir={profile}", *map(str, args),
        ],
        check=True, capture_output=True, text=True, timeout=120,
    )  # fmt: skip


#: what the browser itself asks of its maker when it starts, whatever page it shows
OWN = re.compile(r"\.(google|googleapis|gvt1)\.com(:443$|/)")


@contextmanager
def proxy(folder: Path) -> Iterator[tuple[int, list[str]]]:
    """A proxy for all that a browser asks of any host: serves the folder's files, writes down each request.

    Yields its port and the list of what was asked for.
    """
    asked: list[str] = []

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append(self.path)
            path = folder / self.path.rpartition("/")[2]
            found = self.path.startswith("http://page.test/") and path.is_file()
            self.send_response(200 if found else 404)
            self.send_header("Content-Type", "text/html; charset=utf-8")
            self.end_headers()
            if found:
                self.wfile.write(path.read_bytes())

        def do_CONNECT(self) -> None:
            asked.append(self.path)
            self.send_error(502)

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    try:
        yield server.server_address[1], asked
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


def opened(folder: Path, name: str) -> tuple[Any, list[str], list[str]]:
    """Open a page of the folder: what it leaves as its title, as JSON; the console; what was asked for."""
    with proxy(folder) as (port, asked):
        result = browser(
            folder / "profile", "--enable-logging=stderr", "--v=0", "--virtual-time-budget=5000",
            "--window-size=1300,900", f"--proxy-server=http://127.0.0.1:{port}", "--dump-dom",
            f"http://page.test/{name}",
        )  # fmt: skip
    title = re.findall(r"<title>(.*?)</title>", result.stdout)[0]
    console = [line for line in result.stderr.splitlines() if "CONSOLE" in line]
    return json.loads(title.replace("&amp;", "&")), console, [path for path in asked if not OWN.search(path)]


#: measures the page it is in, and tells the page round it
PROBE = """<script>
addEventListener("load", () => {
  const parse = text => { const n = text.match(/[\\d.]+/g).map(Number);
    return n.length < 4 ? [...n, 1] : n; };
  const light = rgb => { const [r, g, b] = rgb.map(c => { c /= 255;
    return c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4; }); return .2126*r + .7152*g + .0722*b; };
  const ratio = (a, b) => { const [x, y] = [light(a), light(b)].sort((p, q) => q - p);
    return (x + .05) / (y + .05); };
  const behind = element => { for (let e = element; e; e = e.parentElement) {
    const c = parse(getComputedStyle(e).backgroundColor); if (c[3] > 0) return c.slice(0, 3); }
    return [255, 255, 255]; };
  document.querySelectorAll("details").forEach(d => d.open = true);
  let worst = [99, ""], texts = 0;
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const node = walk.currentNode, e = node.parentElement;
    if (!node.data.trim() || ["SCRIPT", "title", "desc"].includes(e.tagName)) continue;
    const style = getComputedStyle(e);
    const ink = parse(e instanceof SVGElement ? style.fill : style.color).slice(0, 3);
    const found = ratio(ink, behind(e));
    texts += 1;
    if (found < worst[0]) worst = [found, node.data.trim().slice(0, 40)];
  }
  const wide = [...document.querySelectorAll("body *")].filter(e =>
    !(e instanceof SVGElement && e.tagName !== "svg") &&
    e.getBoundingClientRect().right > innerWidth + 0.5).map(e => e.tagName + "." + e.className);
  parent.postMessage(JSON.stringify({name: NAME, wide: wide.slice(0, 5), scroll:
    document.documentElement.scrollWidth, inner: innerWidth, texts, worst}), "*");
});
</script></main>"""
#: the page round them; without an icon the browser would ask for one
FRAME = '<!DOCTYPE html><title>[]</title><link rel="icon" href="data:,">'
GATHER = """<script>
const found = []; addEventListener("message", m => { found.push(JSON.parse(m.data));
  document.title = JSON.stringify(found); });
</script>"""


@pytest.fixture(scope="module")
def other_pages(made: Made, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The season's page and the records' page, of the same run, and a season with diagnoses."""
    folder = tmp_path_factory.mktemp("others")
    found = {name: folder / f"{name}.html" for name in ("season", "faulty-season", "records")}
    (folder / "faulty").mkdir()
    faulty_log(folder / "faulty" / "run.sqlite")
    done("season", folder / "faulty", "--no-cache", "-o", found["faulty-season"])
    done("season", made.log.parent, "--no-cache", "-o", found["season"])
    book = ["--book", folder / "book.sqlite"]
    done("record", made.log, *book, "--product", "Product A; 0000-000; 32 fl oz/ac")
    done("records", *book, "-o", found["records"])
    return found


@needs_browser
def test_a_browser_finds_no_fault_with_it(
    pages: dict[str, Path], other_pages: dict[str, Path], tmp_path: Path
) -> None:
    """Light and dark, as wide as a phone (360 px) and as a desk: nothing is cut off, nothing asked of anyone,
    no error on the console, and text stands out: WCAG 2.1, 1.4.3: 4.5 to 1 (from memory)."""
    frames = [GATHER]
    names = []
    for name, path in (pages | other_pages).items():
        for scheme in ("light", "dark"):
            for width in (360, 1200):
                text = path.read_text(encoding="utf-8")
                assert text.count("default-src 'none';") == 1
                text = text.replace("default-src 'none';", "default-src 'none'; script-src 'unsafe-inline';")
                if scheme == "dark":
                    text = text.replace("prefers-color-scheme: dark", "min-width: 1px")
                key = f"{name}-{scheme}-{width}"
                names.append(key)
                (tmp_path / f"{key}.html").write_text(
                    text.replace("</main>", PROBE.replace("NAME", json.dumps(key))), encoding="utf-8"
                )
                frames.append(
                    f'<iframe src="{key}.html" style="width:{width}px;height:600px;border:0"></iframe>'
                )
    (tmp_path / "all.html").write_text(f"{FRAME}{''.join(frames)}")
    told, console, asked = opened(tmp_path, "all.html")
    assert console == []
    assert sorted(asked) == sorted(f"http://page.test/{name}.html" for name in ("all", *names))
    found = {one["name"]: one for one in told}
    assert sorted(found) == sorted(names)
    for key, one in found.items():
        assert one["wide"] == [], key
        assert one["scroll"] <= one["inner"], key
        assert one["texts"] > 40, key
        assert one["worst"][0] >= 4.5, (key, one["worst"])


@needs_browser
def test_the_probe_itself_finds_faults(tmp_path: Path) -> None:
    """A check that cannot fail would be none: a page with each of the faults is found out."""
    page = (
        "<!DOCTYPE html><body style='margin:0'><main><p style='color:#aaa;width:900px'>pale and wide</p>"
        + PROBE.replace("NAME", '"bad"')
        + "<script>console.error('oops')</script><img src='http://elsewhere.test/a.png'></body>"
    )
    (tmp_path / "bad.html").write_text(page)
    frame = '<iframe src="bad.html" style="width:360px"></iframe>'
    (tmp_path / "all.html").write_text(f"{FRAME}{GATHER}{frame}")
    (one,), console, asked = opened(tmp_path, "all.html")
    assert any("oops" in line for line in console)
    assert "http://elsewhere.test/a.png" in asked
    assert one["wide"] != []
    assert one["scroll"] > one["inner"]
    assert one["worst"][0] == pytest.approx(2.32, abs=0.01)  # #aaa on white, 2.32 to 1 (from memory)


#: width and height in points: ISO 216 A4 is 210 x 297 mm, ANSI Letter 8.5 x 11 in
PAPERS = {"A4": (595.3, 841.9), "letter": (612.0, 792.0)}


def pages_of(path: Path) -> tuple[int, list[float]]:
    data = path.read_bytes()
    boxes = re.findall(rb"/MediaBox\s*\[([^\]]+)\]", data)
    return len(re.findall(rb"/Type\s*/Page\b", data)), [float(number) for number in boxes[0].split()[2:]]


@needs_browser
@pytest.mark.parametrize("paper", PAPERS)
def test_it_prints_on_two_sheets(paper: str, pages: dict[str, Path], tmp_path: Path) -> None:
    chosen = (
        pages if paper == "letter" else {name: pages[name] for name in ("run", "crowded", "faulty")}
    )  # it is longer
    for name, path in chosen.items():
        text = path.read_text(encoding="utf-8")
        html, printed = tmp_path / f"{name}.html", tmp_path / f"{name}.pdf"
        html.write_text(text.replace("@page {", f"@page {{ size: {paper};"), encoding="utf-8")
        browser(tmp_path / "profile", "--no-pdf-header-footer", f"--print-to-pdf={printed}", html.as_uri())
        count, size = pages_of(printed)
        assert count == 2, name
        assert size == pytest.approx(PAPERS[paper], abs=1.0)


@needs_browser
def test_the_browser_prints_a_pdf(made: Made, tmp_path: Path) -> None:
    us, metric = tmp_path / "us.pdf", tmp_path / "metric.pdf"
    assert done("report", made.log, "--pdf", us, "--units", "us") == f"Wrote {us}\n"
    done("report", made.log, "--pdf", metric, "--units", "metric")
    assert pages_of(us) == (2, pytest.approx(PAPERS["letter"], abs=1.0))
    assert pages_of(metric) == (2, pytest.approx(PAPERS["A4"], abs=1.0))
