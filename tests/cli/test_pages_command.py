"""rigmon run --pages and rigmon pair, as typed: real processes, a real page, the code that is shown."""

# ruff: noqa: E501  (messages read best in one line)

import json
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from helpers.pages import PATIENCE_S, Feed, post
from helpers.running import RUN, Receiver, Rig
from invoking import refused

from rigmon.log.reader import RunLog
from rigmon.model import Note, Refill, Source

#: hides what the extra installs, as where it is not installed
WITHOUT = """
import sys
class Hidden:
    def find_spec(self, name, path=None, target=None):
        if name.partition(".")[0] in ("starlette", "uvicorn", "prometheus_client", "paho"):
            raise ModuleNotFoundError(name)
sys.meta_path.insert(0, Hidden())
from rigmon.cli import main
main()
"""


@pytest.fixture
def rig(tmp_path: Path) -> Rig:
    return Rig(tmp_path)


@pytest.fixture
def running(rig: Rig) -> Iterator["subprocess.Popen[str]"]:
    process = rig.start("--pages")
    yield process
    if process.poll() is None:
        process.kill()
    process.communicate()


def test_the_pages_of_a_live_run(rig: Rig, running: "subprocess.Popen[str]") -> None:
    feed = rig.feed()
    now = feed.first("now", lambda now: now["run"] is not None and now["t_s"] is not None)
    assert (now["advice"], now["speed_m_s"]) == ("speed_unknown", None)
    assert now["live"] is True
    running.send_signal(signal.SIGINT)
    out, err = running.communicate(timeout=PATIENCE_S)
    assert running.returncode == 0, err
    assert (
        f"Pages: http://127.0.0.1:{rig.port}/ for the driver, http://127.0.0.1:{rig.port}/crew for the crew"
        in out
    )
    assert " pair' shows" in out
    assert "Traceback" not in err
    assert len(list((rig.folder / "runs").glob(f"{now['run']}.sqlite"))) == 1
    feed.close()


def test_what_is_done_on_a_page_is_in_the_run_log(rig: Rig) -> None:
    receiver = Receiver(rig.folder / "no-receiver")
    process = rig.start("--pages", "--quiet")
    try:
        feed = rig.feed()
        status = feed.first("status", lambda status: status["may_act"])
        assert status["why_not"] is None
        (one,) = json.loads(rig.pair("--json").stdout)
        cookie = post(rig.port, "/api/pair", {"code": one["code"]}).headers["set-cookie"].partition(";")[0]
        done = post(rig.port, "/api/act", {"act": "note", "text": "wet corner"}, cookie)
        assert (done.status, done.json()["done"]) == (200, True)
        filled = post(rig.port, "/api/act", {"act": "refill", "volume": "95 L", "full": True}, cookie)
        assert filled.status == 200
        assert (
            feed.first("status", lambda status: status["tank"]["level_l"] is not None)["tank"]["level_l"]
            == 95.0
        )
        assert post(rig.port, "/api/act", {"act": "note"}, cookie).status == 422
        assert post(rig.port, "/api/act", {"act": "acknowledge", "code": "rate_high"}, cookie).status == 409
        receiver.speed_m_s = 2.0
        feed.first("status", lambda status: not status["may_act"])
        moving = post(rig.port, "/api/act", {"act": "note", "text": "on the move"}, cookie)
        assert moving.status == 409
        assert "stop first" in moving.json()["error"]
        process.terminate()
        _, err = process.communicate(timeout=PATIENCE_S)
        assert process.returncode == 0, err
    finally:
        process.kill()
        process.communicate()
        receiver.close()
    (path,) = (rig.folder / "runs").glob("*.sqlite")
    with RunLog.open(path) as log:
        said = [reading.payload for reading in log.readings() if reading.source is Source.PERSON]
    assert Note("wet corner") in said
    assert Refill(95.0, True) in said
    assert Note("on the move") not in said
    check = subprocess.run(
        [*RUN, "check", str(path)],
        env=rig.environment,
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert check.returncode == 0, check.stdout + check.stderr
    feed.close()


def test_the_code_is_shown_to_who_may_see_it_while_pages_run(
    rig: Rig, running: "subprocess.Popen[str]"
) -> None:
    feed = rig.feed()
    feed.first("beat")
    (one,) = json.loads(rig.pair("--json").stdout)
    assert (len(one["code"]), one["port"], one["address"]) == (8, rig.port, "127.0.0.1")
    shown = rig.pair().stdout
    assert shown == f"{one['code'][:4]} {one['code'][4:]}   type it at http://127.0.0.1:{rig.port}/crew\n"
    running.terminate()
    running.communicate(timeout=PATIENCE_S)
    after = rig.pair()
    assert after.returncode == 2
    assert "no live pages run here that you may pair with; start 'rigmon run --pages'" in after.stderr
    feed.close()


def test_the_rig_file_alone_switches_them_on(tmp_path: Path) -> None:
    rig = Rig(tmp_path, enabled=True)
    process = rig.start("--quiet")
    rig.feed().first("beat")
    process.terminate()
    out, _ = process.communicate(timeout=PATIENCE_S)
    assert "Pages:" not in out


def test_without_being_asked_nothing_listens(rig: Rig) -> None:
    process = rig.start("--for", "1")
    out, _ = process.communicate(timeout=PATIENCE_S)
    assert "Pages:" not in out
    assert not (rig.folder / "rigmon").exists()
    with pytest.raises(ConnectionRefusedError):
        Feed(rig.port)


def test_without_the_extra_the_option_says_what_to_install(rig: Rig) -> None:
    process = rig.start("--pages", program=[sys.executable, "-c", WITHOUT])
    out, err = process.communicate(timeout=PATIENCE_S)
    assert (process.returncode, out) == (2, "")
    assert (
        "the pages need starlette, uvicorn, prometheus_client, not installed here; install the extra: pip install 'rigmon[web]'"
        in err
    )
    assert "Traceback" not in err


def test_without_the_extra_a_rig_file_with_pages_still_guides_the_driver(tmp_path: Path) -> None:
    rig = Rig(tmp_path, enabled=True)
    process = rig.start("--for", "0.5", program=[sys.executable, "-c", WITHOUT])
    out, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 0
    assert "rigmon: no pages: the pages need starlette" in err
    assert "speed unknown" in out


def test_without_paho_a_broker_is_told(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    path = tmp_path / "rig.toml"
    path.write_text(path.read_text() + '\n[mqtt]\nhost = "127.0.0.1"\n')
    code = WITHOUT.replace('("starlette", "uvicorn", "prometheus_client", "paho")', '("paho",)')
    process = rig.start("--pages", program=[sys.executable, "-c", code])
    _, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 2
    assert "mqtt.host = '127.0.0.1' needs paho-mqtt" in err


def test_a_folder_that_may_not_be_read_is_named(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    def shut(_path: object) -> list[str]:
        raise PermissionError(13, "Permission denied", "/run/rigmon")

    (tmp_path / "rigmon").mkdir()
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    monkeypatch.delenv("RUNTIME_DIRECTORY", raising=False)
    monkeypatch.setattr("rigmon.web.pairing.os.listdir", shut)
    assert "the code cannot be read: Permission denied" in refused("pair", naming="/run/rigmon")


def test_the_daemons_process_never_imports_what_serves_the_pages(rig: Rig) -> None:
    """With pages on: it is the child's to import."""
    code = (
        "import sys\nfrom rigmon.cli import group\n"
        "group.main(['run', '--rig', 'rig.toml', '--pages', '--for', '1', '--quiet'], standalone_mode=False)\n"
        "print(*sorted({name.partition('.')[0] for name in sys.modules}))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=rig.folder,
        env=rig.environment,
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    loaded = set(done.stdout.splitlines()[-1].split())
    assert "rigmon" in loaded
    assert not loaded & {
        "starlette",
        "uvicorn",
        "anyio",
        "h11",
        "paho",
        "prometheus_client",
        "asyncio",
        "http",
    }
