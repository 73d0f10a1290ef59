"""Whose names and whose pages are let in: pure rules, then the real process."""

import socket
from collections.abc import Iterator
from pathlib import Path

import pytest
from helpers import rig_toml
from helpers.pages import Child, child, free_port
from hypothesis import given
from hypothesis import strategies as st

from rigmon.web.guard import CSP, host_allowed, host_names

NAMES = frozenset({"localhost", "rig", "rig.local", "rig.lan"})


@pytest.mark.parametrize(
    ("host", "local"),
    [
        ("localhost", "127.0.0.1"),
        ("localhost:8088", "127.0.0.1"),
        ("LOCALHOST:9000", "127.0.0.1"),
        ("rig.local:8088", "192.168.4.1"),
        ("rig.local.:8088", "192.168.4.1"),
        ("192.168.4.1:8088", "192.168.4.1"),
        ("127.0.0.1", "127.0.0.1"),
        ("[::1]:8088", "::1"),
        ("[fe80::1]", "fe80::1%wlan0"),
        ("192.168.4.1", "::ffff:192.168.4.1"),
    ],
)
def test_this_boards_own_names(host: str, local: str) -> None:
    assert host_allowed(host, NAMES, local)


@pytest.mark.parametrize(
    ("host", "local"),
    [
        ("evil.example", "127.0.0.1"),
        ("evil.example:8088", "127.0.0.1"),
        ("localhost.evil.example", "127.0.0.1"),
        ("127.0.0.1.evil.example", "127.0.0.1"),
        ("evil.example#localhost", "127.0.0.1"),
        ("localhost@evil.example", "127.0.0.1"),
        ("192.168.4.2", "192.168.4.1"),
        ("8.8.8.8:8088", "192.168.4.1"),
        ("2130706433", "127.0.0.1"),  # 127.0.0.1 as one number
        ("0x7f.1", "127.0.0.1"),
        ("::1", "::1"),  # RFC 9110: an IPv6 address stands in brackets
        ("[127.0.0.1]", "127.0.0.1"),
        ("localhost:99999", "127.0.0.1"),
        ("localhost:٣", "127.0.0.1"),
        ("", "127.0.0.1"),
        (":8088", "127.0.0.1"),
        ("127.0.0.1", None),
    ],
)
def test_any_other_is_refused(host: str, local: str | None) -> None:
    assert not host_allowed(host, NAMES, local)


@given(st.text(max_size=60), st.text(max_size=20))
def test_no_host_whatever_makes_it_fail(host: str, local: str) -> None:
    assert host_allowed(host, frozenset(), local) in (True, False)


def test_the_names_are_the_hosts_and_the_rig_files() -> None:
    names = host_names(("rig.lan",))
    own = socket.gethostname().lower()
    assert names == {"localhost", own, f"{own}.local", "rig.lan"}


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Child]:
    port = free_port()
    toml = rig_toml() + f'\n[web]\nport = {port}\nhosts = ["rig.lan"]\n'
    runtime: Path = tmp_path_factory.mktemp("runtime")
    with child(toml, runtime) as one:
        yield one


@pytest.mark.parametrize(
    "path", ["/", "/crew", "/feed", "/api/now", "/metrics", "/static/driver.js", "/nothing"]
)
def test_a_rebound_name_reaches_nothing(running: Child, path: str) -> None:
    answer = running.get(path, Host="evil.example")
    assert answer.status == 421
    assert "web.hosts" in answer.json()["error"]


def test_the_rig_files_further_names_are_let_in(running: Child) -> None:
    assert running.get("/api/now", Host="rig.lan:1234").status == 200
    assert running.get("/api/now", Host="rig.wan").status == 421


def test_two_hosts_or_none_are_refused(running: Child) -> None:
    for head in (
        b"GET /api/now HTTP/1.1\r\nHost: localhost\r\nHost: evil.example\r\n\r\n",
        b"GET /api/now HTTP/1.1\r\n\r\n",
        b"GET /api/now HTTP/1.0\r\n\r\n",
    ):
        with running.raw(head) as sock, sock.makefile("rb") as answer:
            assert answer.readline().split()[1] in (b"400", b"421")


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Origin": "http://evil.example"}, 403),
        ({"Origin": "null"}, 403),
        ({"Origin": "http://localhost:1"}, 403),  # another program of the same machine
        ({"Origin": ""}, 403),
        ({"Content-Type": "text/plain"}, 415),  # what a form may send without asking
        ({"Content-Type": "application/x-www-form-urlencoded"}, 415),
        ({"Content-Type": "multipart/form-data; boundary=x"}, 415),
    ],
)
@pytest.mark.parametrize("path", ["/api/act", "/api/pair"])
def test_what_does_something_comes_from_our_own_page(
    running: Child, path: str, headers: dict[str, str], status: int
) -> None:
    assert running.post(path, {"code": running.code(), "act": "note"}, **headers).status == status


def test_without_an_origin_nothing_is_done(running: Child) -> None:
    answer = running.request("POST", "/api/pair", b"{}", {"Content-Type": "application/json"})
    assert answer.status == 403


@pytest.mark.parametrize("method", ["PUT", "DELETE", "OPTIONS", "TRACE", "PATCH", "CONNECT", "FROB"])
def test_other_methods_are_refused(running: Child, method: str) -> None:
    with (
        running.raw(f"{method} / HTTP/1.1\r\nHost: localhost\r\n\r\n".encode()) as sock,
        sock.makefile("rb") as answer,
    ):
        assert answer.readline().split()[1] in (b"405", b"400")


@pytest.mark.parametrize("path", ["/", "/api/now", "/api/pair", "/nothing", "/metrics"])
def test_every_answer_says_what_a_page_may_load(running: Child, path: str) -> None:
    for answer in (running.get(path), running.get(path, Host="evil.example"), running.post(path, {})):
        assert answer.headers["content-security-policy"] == CSP
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["referrer-policy"] == "no-referrer"
        assert answer.headers["cross-origin-resource-policy"] == "same-origin"
        assert "access-control-allow-origin" not in answer.headers
        assert "server" not in answer.headers


def test_the_policy_lets_nothing_in_from_elsewhere() -> None:
    rules = dict(rule.split(" ", 1) for rule in CSP.split("; "))
    assert rules["default-src"] == "'none'"
    assert {rules[key] for key in ("script-src", "style-src", "connect-src")} == {"'self'"}
    assert rules["frame-ancestors"] == rules["base-uri"] == rules["form-action"] == "'none'"
    assert "unsafe" not in CSP
    assert "*" not in CSP


@pytest.mark.parametrize(
    "path",
    [
        "/static/../child.py", "/static/%2e%2e/child.py", "/static/..%2fchild.py", "/static/%2e%2e%2fapp.py",
        "/static//etc/passwd", "/static/..\\child.py", "/..%2f..%2f..%2fetc%2fpasswd", "/static/%00driver.js",
        "//etc/passwd", "/static/driver.js/", "/static/", "/static", "/static/./driver.js", "/Static/a.js",
        "/%2e/static/driver.js", "/static/%252e%252e/child.py", "/api/runs/../../etc/passwd", "/crew/..",
    ],
)  # fmt: skip
def test_no_path_reaches_a_file_that_is_not_in_the_table(running: Child, path: str) -> None:
    request = f"GET {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n"
    with running.raw(request.encode()) as sock, sock.makefile("rb") as answer:
        whole = answer.read()
    assert whole.split()[1] in (b"404", b"400")
    assert b"root:" not in whole
    assert b"import" not in whole


def test_every_file_is_served_as_what_it_is_and_known_again(running: Child) -> None:
    from rigmon.web.static_files import table

    files = table()
    for path, file in files.items():
        answer = running.get(path)
        assert (answer.status, answer.body, answer.headers["content-type"]) == (200, file.body, file.kind)
        again = running.get(path, **{"If-None-Match": answer.headers["etag"]})
        assert (again.status, again.body) == (304, b"")
        assert again.headers["content-security-policy"] == CSP


@pytest.mark.parametrize(("address", "hosts"), [("::1", ["[::1]"]), ("::", ["[::1]", "127.0.0.1"])])
def test_over_ipv6_too(address: str, hosts: list[str], tmp_path: Path) -> None:
    try:
        with socket.socket(socket.AF_INET6) as tried:
            tried.bind((address, 0))
    except OSError:
        pytest.skip("this machine has no IPv6")
    port = free_port()
    with child(rig_toml(web={"port": port, "address": address}), tmp_path):
        for host in hosts:
            with socket.create_connection((host.strip("[]"), port), timeout=30) as sock:
                head = f"GET /api/beat HTTP/1.1\r\nHost: {host}:{port}\r\nConnection: close\r\n\r\n"
                sock.sendall(head.encode())
                assert sock.makefile("rb").readline().split()[1] == b"200"
