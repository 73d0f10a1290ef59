"""Pairing: what a guesser is up against, what a code and a token are good for, and where the code is kept."""

# ruff: noqa: E501  (tables of cases read best one a line)

import json
import os
import stat
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from helpers import rig_toml
from helpers.pages import Child, child, free_port
from hypothesis import given
from hypothesis import strategies as st

from rigmon.web import pairing as module
from rigmon.web.pairing import CodeFile, Pairing, Wait, code_folders, codes


class Time:
    s = 1000.0

    def __call__(self) -> float:
        return self.s


@pytest.fixture
def time() -> Time:
    return Time()


@pytest.fixture
def pairing(time: Time) -> Pairing:
    return Pairing(monotonic_s=time)


def _wrong(pairing: Pairing) -> str:
    return f"{(int(pairing.code) + 1) % 10**8:08d}"


def test_the_right_code_gives_a_token_that_counts(pairing: Pairing) -> None:
    token = pairing.pair(pairing.code, "a")
    assert isinstance(token, str)
    assert len(token) >= 43  # 32 bytes in base64: 256 bits
    assert pairing.paired(token)
    assert not pairing.paired(token + "x")
    assert not pairing.paired("")


def test_it_may_be_typed_in_groups(pairing: Pairing) -> None:
    code = pairing.code
    assert isinstance(pairing.pair(f" {code[:4]} - {code[4:]} ", "a"), str)


def test_a_code_is_good_once(pairing: Pairing) -> None:
    code = pairing.code
    assert isinstance(pairing.pair(code, "a"), str)
    assert pairing.code != code
    assert pairing.pair(code, "a") is None


def test_a_wrong_one_costs_a_pause_that_doubles(pairing: Pairing, time: Time) -> None:
    pauses = []
    for _ in range(8):
        assert pairing.pair(_wrong(pairing), "a") is None
        wait = pairing.pair(pairing.code, "a")
        assert isinstance(wait, Wait)  # the right one does not help before the pause is over
        pauses.append(round(wait.seconds))
        time.s += wait.seconds
    assert pauses == [1, 2, 4, 8, 16, 32, 60, 60]
    assert isinstance(pairing.pair(pairing.code, "a"), str)


def test_a_guesser_does_not_keep_others_out(pairing: Pairing) -> None:
    for _ in range(3):
        pairing.pair(_wrong(pairing), "guesser")
    assert isinstance(pairing.pair(pairing.code, "other"), str)


def test_after_some_wrong_ones_the_code_is_another(pairing: Pairing) -> None:
    before = pairing.code
    for n in range(module.RENEW_AFTER):
        pairing.pair(_wrong(pairing), f"address {n}")
    assert pairing.code != before


def test_many_addresses_together_are_slowed_too(pairing: Pairing, time: Time) -> None:
    """Hand-worked: 20 tries a minute are 28 800 a day, of 1e8 codes: 0.03 % a day."""
    answers = [pairing.pair(_wrong(pairing), f"address {n}") for n in range(200)]
    assert sum(answer is None for answer in answers) == module.TRIES_A_MINUTE
    assert isinstance(pairing.pair(pairing.code, "somebody"), Wait)
    time.s += 61
    assert isinstance(pairing.pair(pairing.code, "somebody"), str)


def test_nothing_grows_with_the_tries(pairing: Pairing, time: Time) -> None:
    for n in range(3000):
        time.s += 5
        pairing.pair(_wrong(pairing), f"address {n}")
    assert len(pairing._wrong) <= 256
    assert len(pairing._tries_s) <= module.TRIES_A_MINUTE


def test_sessions_are_few_and_end(pairing: Pairing, time: Time) -> None:
    tokens = []
    for _ in range(module.SESSIONS + 3):
        time.s += 10
        token = pairing.pair(pairing.code, "a")
        assert isinstance(token, str)
        tokens.append(token)
    assert [pairing.paired(token) for token in tokens] == [False] * 3 + [True] * module.SESSIONS
    time.s += module.SESSION_S
    assert not any(pairing.paired(token) for token in tokens)


def test_another_process_knows_no_token_of_this_one(pairing: Pairing, time: Time) -> None:
    token = pairing.pair(pairing.code, "a")
    assert isinstance(token, str)
    assert not Pairing(monotonic_s=time).paired(token)


@given(st.text(max_size=50))
def test_any_text_is_just_a_wrong_code(text: str) -> None:
    pairing = Pairing()
    if text != pairing.code:
        assert pairing.pair(text, "a") is None
    assert not pairing.paired(text)


# -- the file -----------------------------------------------------------------------------------------


def test_only_the_user_and_the_group_read_it(tmp_path: Path) -> None:
    file = CodeFile(tmp_path / "rigmon", "127.0.0.1", 8088)
    old = os.umask(0)
    try:
        file.write("12345678")
    finally:
        os.umask(old)
    assert stat.S_IMODE(file.path.stat().st_mode) == 0o640
    assert stat.S_IMODE(file.path.parent.stat().st_mode) == 0o700
    assert codes([tmp_path / "rigmon"]) == [{"code": "12345678", "address": "127.0.0.1", "port": 8088, "pid": os.getpid()}]  # fmt: skip
    file.remove()
    assert codes([tmp_path / "rigmon"]) == []


def test_a_link_in_its_place_is_not_followed(tmp_path: Path) -> None:
    victim = tmp_path / "victim"
    victim.write_text("kept")
    file = CodeFile(tmp_path, "127.0.0.1", 8088)
    file.path.symlink_to(victim)
    file.path.with_suffix(f".{os.getpid()}").symlink_to(victim)
    file.write("12345678")
    assert victim.read_text() == "kept"
    assert not file.path.is_symlink()


def test_the_code_of_a_process_that_is_gone_is_not_shown(tmp_path: Path) -> None:
    with subprocess.Popen([sys.executable, "-c", ""]) as gone:
        gone.wait()
    (tmp_path / "pair-1.json").write_text(
        json.dumps({"code": "1", "address": "a", "port": 1, "pid": gone.pid})
    )
    assert codes([tmp_path, tmp_path / "nothing"]) == []


@pytest.mark.parametrize(
    "text",
    [
        "", "[]", "{}", "7", "no JSON",
        '{"code": "\\u001b[2J1234", "address": "127.0.0.1", "port": 1, "pid": PID}',  # would clear the screen
        '{"code": "12345678", "address": "evil.example/", "port": 1, "pid": PID}',
        '{"code": "12345678", "address": "127.0.0.1", "port": "x", "pid": PID}',
        '{"code": "12345678", "address": "127.0.0.1", "port": 1, "pid": "../1"}',
    ],
)  # fmt: skip
def test_what_is_no_code_file_of_ours_is_not_shown(tmp_path: Path, text: str) -> None:
    (tmp_path / "pair-1.json").write_text(text.replace("PID", str(os.getpid())))
    assert codes([tmp_path]) == []


def test_a_folder_that_somebody_else_made_in_the_temporary_one_is_not_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module.tempfile, "gettempdir", lambda: str(tmp_path))
    folder = tmp_path / "rigmon-7"
    CodeFile(folder, "127.0.0.1", 8088).write("12345678")
    assert len(codes([folder])) == 1
    (tmp_path / "rigmon-8").symlink_to(folder)
    monkeypatch.setattr(module.os, "getuid", lambda: 4321)
    assert codes([folder, tmp_path / "rigmon-8"]) == []


def test_the_service_keeps_it_in_its_own_folder() -> None:
    assert code_folders({"RUNTIME_DIRECTORY": "/run/rigmon", "XDG_RUNTIME_DIR": "/run/user/7"}) == [
        Path("/run/rigmon")
    ]
    assert code_folders({"XDG_RUNTIME_DIR": "/run/user/7"})[0] == Path("/run/user/7/rigmon")
    assert code_folders({})[0].name == f"rigmon-{os.getuid()}"


# -- the real process ---------------------------------------------------------------------------------


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Child]:
    with child(rig_toml() + f"\n[web]\nport = {free_port()}\n", tmp_path) as one:
        yield one


def test_a_phone_is_paired_and_the_cookie_is_kept_from_scripts_and_other_sites(running: Child) -> None:
    assert running.get("/api/pair").json() == {"paired": False}
    code = running.code()
    answer = running.post("/api/pair", {"code": code})
    assert (answer.status, answer.json()) == (200, {"done": True})
    cookie = answer.headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=strict" in cookie
    assert "Path=/" in cookie
    assert running.get("/api/pair", Cookie=cookie.partition(";")[0]).json() == {"paired": True}
    assert running.code() != code


def test_guessing_is_answered_with_a_pause(running: Child) -> None:
    for _ in range(50):  # on a machine so slow that a pause of 1 s is over before the next request, again
        wrong = f"{(int(running.code()) + 1) % 10**8:08d}"
        assert running.post("/api/pair", {"code": wrong}).status == 403
        answer = running.post("/api/pair", {"code": running.code()})
        if answer.status == 429:  # not even the right one
            break
        assert answer.status == 200
    assert answer.status == 429
    assert int(answer.headers["retry-after"]) >= 1
    assert "wait" in answer.json()["error"]


@pytest.mark.parametrize(
    "data",
    [b"", b"[]", b"{", b"null", b'"1"', b'{"code": 12345678}', b'{"code": null}', b"\xff" * 99, b"[" * 4000],
)
def test_what_is_no_code_is_answered_as_such(running: Child, data: bytes) -> None:
    assert running.post("/api/pair", data).status == 422


def test_the_code_goes_with_the_process(running: Child) -> None:
    assert running.code_file.exists()
    assert running.hang_up() == 0
    assert not running.code_file.exists()


def test_nothing_is_done_unpaired(running: Child) -> None:
    for cookie in (None, "rigmon=", "rigmon=nonsense", "other=1", "rigmon=" + "x" * 3000):
        answer = running.post("/api/act", {"act": "note", "text": "x"}, cookie)
        assert answer.status == 403
        assert "rigmon pair" in answer.json()["error"]


def _answered(running: Child, status: int, answer: dict[str, Any]) -> dict[str, Any]:
    """Be the daemon for one act; returns what was asked."""
    asked: dict[str, Any] = running.line()
    running.send({"k": "answer", "id": asked["id"], "status": status, "answer": answer})
    return asked


@pytest.mark.parametrize(
    ("status", "answer"), [(200, {"done": True, "words": "noted"}), (409, {"error": "stop first"})]
)
def test_paired_an_act_goes_to_the_daemon_and_its_answer_to_the_page(
    running: Child, status: int, answer: dict[str, Any]
) -> None:
    cookie = running.pair()
    act = {"act": "note", "text": "dry ground"}
    with ThreadPoolExecutor(1) as pool:
        posted = pool.submit(running.post, "/api/act", act, cookie)
        assert _answered(running, status, answer)["act"] == act
        got = posted.result()
    assert (got.status, got.json()) == (status, answer)


def test_targets_are_read_from_the_book_once_in_a_while(running: Child) -> None:
    with ThreadPoolExecutor(1) as pool:
        first = pool.submit(running.get, "/api/targets")
        assert _answered(running, 200, {"targets": [{"name": "a"}]})["choices"] is True
        answer = first.result().json()
        assert [target["name"] for target in answer["targets"]] == ["a"]
    assert running.get("/api/targets").json() == answer  # nobody was asked again


def test_a_daemon_that_does_not_answer_is_told_of(running: Child) -> None:
    answer = running.post("/api/act", {"act": "note", "text": "x"}, running.pair())
    assert answer.status == 504
    assert "look whether it was done" in answer.json()["error"]


@pytest.mark.parametrize("number", ["NaN", "Infinity", "-Infinity", "1e999"])
def test_what_is_no_number_of_json_is_no_act_and_takes_no_place(running: Child, number: str) -> None:
    cookie = running.pair()
    body = f'{{"act": "refill", "volume": {number}}}'.encode()
    with ThreadPoolExecutor(1) as pool:
        for _ in range(20):  # more than may wait for their answer
            posted = pool.submit(running.post, "/api/act", body, cookie)
            # an empty act, which the daemon's desk refuses
            assert _answered(running, 422, {"error": "act is missing"})["act"] == {}
            assert posted.result().status == 422


def test_a_body_that_is_too_long_is_refused_before_it_is_read(running: Child) -> None:
    cookie = running.pair()
    assert running.post("/api/act", {"act": "note", "text": "x" * 5000}, cookie).status == 413
    head = (
        f"POST /api/act HTTP/1.1\r\nHost: 127.0.0.1:{running.port}\r\nOrigin: http://127.0.0.1:{running.port}\r\n"
        f"Content-Type: application/json\r\nCookie: {cookie}\r\nTransfer-Encoding: chunked\r\n\r\n"
    )
    with running.raw(head.encode()) as sock, sock.makefile("rb") as answer:
        chunk = b"3e8\r\n" + b"x" * 1000 + b"\r\n"
        try:
            for _ in range(10_000):  # 10 MB without an end
                sock.sendall(chunk)
        except OSError:
            pass  # it hung up on us
        else:
            pytest.fail("it took all of an endless body")
        line = answer.readline()
        assert line == b"" or line.split()[1] == b"413"
    assert running.get("/api/now").status == 200
