"""Attacks by whoever is on the network, or wrote something that the pages show: against the real process."""

import json
import os
import shutil
import socket
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browser import Watched
from helpers import ALL_XDR, rig_toml
from helpers.pages import Child, Served, child, free_port

sys.path.append(str(Path(__file__).parents[1] / "live"))
from samples import sample

from rigmon import config
from rigmon.live.board import Board
from rigmon.model import Alert
from rigmon.web.runs import Runs, routes
from rigmon.web.show import Show

#: would run in HTML, in an attribute and in a script; a single-quoted TOML text can hold it
HOSTILE = '<img src=x onerror=document.title=`hit`><script>document.title="hit"</script>">{{7*7}}'


def named(port: int, folder: Path) -> str:
    """A rig whose every name is hostile."""
    toml = rig_toml(**ALL_XDR, log={"folder": str(folder)}, web={"port": port}, tank={"volume": "100 L"})
    toml = toml.replace('name = "Round rig"', f"name = '{HOSTILE}'")
    assert HOSTILE in toml
    return toml + f"\n[nozzles]\nset = '{HOSTILE}'\n"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory, demo_log: Path) -> Path:
    """A run folder into which somebody has put what does not belong there."""
    runs = tmp_path_factory.mktemp("hostile") / "runs"
    runs.mkdir()
    secret = runs.parent / "secret.sqlite"
    shutil.copy(demo_log, secret)
    (runs / "link.sqlite").symlink_to(secret)
    (runs / "folder.sqlite").mkdir()
    os.mkfifo(runs / "fifo.sqlite")  # whoever opened it would wait for ever
    (runs / f"{HOSTILE.replace('/', '')}.sqlite").write_bytes(demo_log.read_bytes())
    (runs / "--help.sqlite").write_bytes(b"SQLite format 3\0 but nothing that follows")
    return runs


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory, folder: Path) -> Iterator[Child]:
    port = free_port()
    record = {"name": HOSTILE, "kind": "catch", "note": HOSTILE}
    with child(named(port, folder), tmp_path_factory.mktemp("runtime"), records=[record]) as one:
        yield one


# -- the run folder ------------------------------------------------------------------------------------


def test_only_run_logs_that_lie_in_the_folder_are_listed(running: Child) -> None:
    assert [run["id"] for run in running.get("/api/runs").json()["runs"]] == ["--help"]


@pytest.mark.parametrize(
    "name",
    [
        "link",
        "folder",
        "fifo",
        "..",
        "%2e%2e",
        "..%2fsecret",
        "%2fetc%2fpasswd",
        "fifo%00",
        "x" * 5000,
        "%ff",
    ],
)
def test_no_name_leads_out_of_it(running: Child, name: str) -> None:
    for kind in ("score", "report"):
        assert running.get(f"/api/runs/{name}/{kind}").status == 404


def test_a_file_named_like_an_option_is_none(running: Child) -> None:
    while (answer := running.get("/api/runs/--help/score")).status == 202:
        pass
    assert answer.status == 422
    assert "Usage" not in answer.json()["error"]


@pytest.mark.parametrize(
    "path",
    [
        "/static/../app.py",
        "/static/%2e%2e/app.py",
        "//etc/passwd",
        "/static/driver.js%00",
        "/static/",
        "/crew/",
    ],
)
def test_no_path_is_joined(running: Child, path: str) -> None:
    assert running.get(path).status == 404


# -- what is shown -------------------------------------------------------------------------------------


def test_names_records_and_findings_are_text_on_the_crews_page(browser: Any, running: Child) -> None:
    with Watched(browser, f"http://127.0.0.1:{running.port}/crew", width=1000, height=800) as watched:
        running.send({"k": "begin", "run": HOSTILE, "o": []})
        running.publish(sample(), Alert(1_000_000_000, HOSTILE, True, 1.0, 2.0, HOSTILE))
        watched.open()
        watched.wait(f"document.getElementById('rig-name').textContent === {json.dumps(HOSTILE)}")
        watched.wait("document.getElementById('calibration').textContent.includes('onerror')")
        watched.wait("document.getElementById('run-list').textContent.includes('--help')")
        assert watched.page.locator("img, main script").count() == 0
        assert "hit" not in watched.page.title()
        watched.no_fault()


def test_a_reports_script_does_not_run_and_reaches_nothing(
    browser: Any, tmp_path: Path, demo_log: Path
) -> None:
    """A report escapes what it is told. Were there a hole in that, its page could still do nothing."""
    shutil.copy(demo_log, tmp_path)
    report = (
        f"<!doctype html><title>report</title>{HOSTILE}<link rel=stylesheet href=/static/crew.css>"
        "<script>fetch('/api/now')</script><iframe src=/crew></iframe><p id=end>end</p>"
    )
    writes = (sys.executable, "-c", f"import sys; open(sys.argv[3], 'w').write({report!r})")
    rig = config.parse(rig_toml(), "rig.toml")
    show = Show(Board(rig), 4)
    served = Served(show, further=routes(Runs(tmp_path, "us", lambda: None, command=writes)))
    asked = []
    try:
        url = f"http://127.0.0.1:{served.port}/api/runs/{demo_log.stem}/report"
        context = browser.new_context()
        page = context.new_page()
        while page.goto(url).status == 202:
            pass
        page.on("response", lambda response: asked.append(response.url))
        page.reload()
        assert page.locator("#end").inner_text() == "end"
        assert page.title() == "report"
        assert asked == [url]  # whatever else it wanted was blocked before it was sent
        context.close()
    finally:
        served.close()


# -- the code ------------------------------------------------------------------------------------------


def test_guessing_from_many_addresses_is_slowed_as_from_one(running: Child) -> None:
    """All of 127.0.0.0/8 is this machine: each guess comes from another address."""
    first = running.code()
    statuses = []
    for k in range(30):
        body = json.dumps({"code": "00000000" if first != "00000000" else "11111111"}).encode()
        head = (
            f"POST /api/pair HTTP/1.1\r\nHost: 127.0.0.1:{running.port}\r\n"
            f"Origin: http://127.0.0.1:{running.port}\r\nContent-Type: application/json\r\n"
            f"Content-Length: {len(body)}\r\nConnection: close\r\n\r\n"
        )
        with socket.socket() as sock:
            sock.bind((f"127.0.1.{k + 1}", 0))
            sock.connect(("127.0.0.1", running.port))
            sock.sendall(head.encode() + body)
            with sock.makefile("rb") as answer:
                statuses.append(int(answer.readline().split()[1]))
    assert set(statuses) == {403, 429}
    # 20 tries a minute by all together, where five wrong ones make another code
    assert statuses.count(403) <= 20
    assert running.code() != first


# -- requests that two readers might read differently --------------------------------------------------


@pytest.mark.parametrize(
    "lines",
    [
        "Content-Length: 5\r\nContent-Length: 6",
        "Content-Length: -5",
        "Content-Length: 5, 6",
        "Content-Length: +5",
        "Transfer-Encoding: chunked, identity",
        "Transfer-Encoding: gzip",
        "X: a\r\n folded\r\nContent-Length: 0x5",
    ],
)
def test_what_has_no_clear_length_is_not_taken(running: Child, lines: str) -> None:
    head = (
        f"POST /api/pair HTTP/1.1\r\nHost: 127.0.0.1:{running.port}\r\nOrigin: http://127.0.0.1:{running.port}\r\n"
        f"Content-Type: application/json\r\n{lines}\r\n\r\n"
    )
    with running.raw(head.encode()) as sock, sock.makefile("rb") as answer:
        assert answer.readline().split()[1] in (b"400", b"413", b"501")
        rest = answer.read()
    assert rest.count(b"HTTP/1.1") == 0  # and it hung up: nothing behind it is taken for a request


def test_a_second_request_hidden_in_a_body_is_none(running: Child) -> None:
    head = (
        f"POST /api/pair HTTP/1.1\r\nHost: 127.0.0.1:{running.port}\r\nContent-Length: 5\r\n"
        "Transfer-Encoding: chunked\r\n\r\n0\r\n\r\n"
        f"GET /api/now HTTP/1.1\r\nHost: 127.0.0.1:{running.port}\r\n\r\n"
    )
    with running.raw(head.encode()) as sock, sock.makefile("rb") as answer:
        assert answer.readline().split()[1] in (b"400", b"403")
        assert b"200 OK" not in answer.read()


def test_a_host_with_a_port_of_another_service_is_no_origin(running: Child) -> None:
    for origin in (f"http://127.0.0.1:{running.port}.evil.example", "http://127.0.0.1", "file://", "null"):
        assert running.post("/api/pair", {"code": "1"}, Origin=origin).status == 403


def test_a_websocket_is_not_spoken(running: Child) -> None:
    """Browsers let pages of strangers open one without asking; here it is an ordinary GET."""
    head = (
        f"GET /api/now HTTP/1.1\r\nHost: 127.0.0.1:{running.port}\r\n"
        "Connection: Upgrade\r\nUpgrade: websocket\r\nSec-WebSocket-Version: 13\r\n"
        "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n"
    )
    with running.raw(head.encode()) as sock, sock.makefile("rb") as answer:
        assert answer.readline().split()[1] == b"200"
