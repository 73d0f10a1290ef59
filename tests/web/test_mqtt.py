"""Publishing to a real broker, started here; and to one that is away, slow, or refuses us: nothing happens.

The broker is mosquitto as Debian has it; without it these tests are skipped.
"""

import json
import shutil
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from helpers import rig_toml
from helpers.pages import PATIENCE_S, child, free_port
from paho.mqtt.enums import CallbackAPIVersion

sys.path.append(str(Path(__file__).parents[1] / "live"))
from samples import sample

from rigmon.errors import UsageError
from rigmon.rig import Mqtt
from rigmon.web import mqtt as module
from rigmon.web.mqtt import Publisher, password

#: Debian keeps it where users do not look
BROKER = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")

needs_broker = pytest.mark.skipif(
    BROKER is None, reason="no mosquitto on this machine: sudo apt install mosquitto"
)


def _until(condition: Callable[[], Any]) -> Any:
    end_s = time.monotonic() + PATIENCE_S
    while not (found := condition()):
        assert time.monotonic() < end_s, "it never came"
        time.sleep(0.01)
    return found


class Broker:
    def __init__(self, folder: Path, settings: str = "allow_anonymous true", port: int | None = None) -> None:
        self.port = port or free_port()
        file = folder / "mosquitto.conf"
        file.write_text(f"listener {self.port} 127.0.0.1\n{settings}\n")
        assert BROKER is not None
        self.process = subprocess.Popen(
            [BROKER, "-c", str(file)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        _until(self._answers)

    def _answers(self) -> bool:
        with socket.socket() as sock:
            return sock.connect_ex(("127.0.0.1", self.port)) == 0

    def close(self) -> None:
        self.process.terminate()
        self.process.wait(PATIENCE_S)


class Listener:
    """Another of the broker's clients: keeps what comes."""

    def __init__(self, port: int, username: str | None = None, secret: str | None = None) -> None:
        self.got: list[tuple[str, bytes, bool]] = []
        self.client = paho.Client(CallbackAPIVersion.VERSION2)
        if username is not None:
            self.client.username_pw_set(username, secret)
        self.client.on_connect = lambda client, *_: client.subscribe("#", 1)
        self.client.on_message = lambda _client, _data, message: self.got.append(
            (message.topic, message.payload, message.retain)
        )
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()

    def wait(self, topic: str, where: Callable[[bytes], bool] = lambda data: True) -> bytes:  # noqa: ARG005
        found: bytes = _until(lambda: [data for name, data, _ in self.got if name == topic and where(data)])[
            0
        ]
        return found

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    one = Broker(tmp_path)
    yield one
    one.close()


@pytest.fixture
def every(monkeypatch: pytest.MonkeyPatch) -> None:
    """No pause between messages."""
    monkeypatch.setattr(module, "EVERY_S", {"now": 0.0, "status": 0.0})


@needs_broker
def test_the_pages_process_publishes_what_it_shows(broker: Broker, tmp_path: Path) -> None:
    listener = Listener(broker.port)
    toml = rig_toml(
        web={"port": free_port()}, mqtt={"host": "127.0.0.1", "port": broker.port, "topic": "farm/rig 1"}
    )
    with child(toml, tmp_path) as running:
        assert listener.wait("farm/rig 1/online") == b"online"
        t_s = 0.0

        def published() -> bool:
            nonlocal t_s
            t_s += 1
            running.publish(sample(t_s))
            return any(name == "farm/rig 1/now" and json.loads(data)["t_s"] for name, data, _ in listener.got)

        _until(published)
        assert json.loads(listener.wait("farm/rig 1/status"))["rig"] == "Round rig"
        running.hang_up()
        assert listener.wait("farm/rig 1/online", lambda data: data == b"offline")
    later = Listener(broker.port)
    assert later.wait("farm/rig 1/online") == b"offline"  # retained: whoever comes later knows
    assert later.got[0][2] is True
    listener.close()
    later.close()


@needs_broker
def test_when_the_process_is_killed_the_broker_says_offline(broker: Broker, tmp_path: Path) -> None:
    listener = Listener(broker.port)
    toml = rig_toml(web={"port": free_port()}, mqtt={"host": "127.0.0.1", "port": broker.port})
    with child(toml, tmp_path) as running:
        listener.wait("rigmon/online")
        running.process.kill()
        assert listener.wait("rigmon/online", lambda data: data == b"offline")  # the last will
    listener.close()


@needs_broker
@pytest.mark.usefixtures("every")
def test_a_broker_that_comes_back_is_found_again(broker: Broker, tmp_path: Path) -> None:
    publisher = Publisher(Mqtt(host="127.0.0.1", port=broker.port))
    publisher.start()
    _until(lambda: publisher.connected)
    broker.close()
    _until(lambda: not publisher.connected)
    publisher.offer("now", b"lost")  # and nobody waits
    again = Broker(tmp_path, port=broker.port)
    _until(lambda: publisher.connected)
    listener = Listener(broker.port)
    listener.wait("rigmon/online")

    def arrived() -> bool:
        publisher.offer("now", b'{"n": 1}')
        return any(data == b'{"n": 1}' for _, data, _ in listener.got)

    _until(arrived)
    assert not any(data == b"lost" for _, data, _ in listener.got)
    listener.close()
    publisher.stop()
    again.close()


@needs_broker
def test_the_password_is_in_a_file_of_its_own(tmp_path: Path) -> None:
    keeper = shutil.which("mosquitto_passwd") or shutil.which("mosquitto_passwd", path="/usr/bin:/usr/sbin")
    if keeper is None:
        pytest.skip("no mosquitto_passwd on this machine")
    passwords = tmp_path / "passwords"
    subprocess.run(
        [keeper, "-c", "-b", str(passwords), "rig", "invented secret"], check=True, capture_output=True
    )
    passwords.chmod(0o644)
    tmp_path.chmod(0o755)
    one = Broker(
        tmp_path,
        f"allow_anonymous false\npassword_file {passwords}\nuser root"
        if _root()
        else f"allow_anonymous false\npassword_file {passwords}",
    )
    secret = tmp_path / "secret"
    for text, right in (("invented secret\n", True), ("wrong\n", False)):
        secret.write_text(text)
        publisher = Publisher(Mqtt("127.0.0.1", one.port, "rigmon", "rig", str(secret)))
        refusals: list[Any] = []
        publisher._client.on_connect_fail = lambda *about: refusals.append(about)  # noqa: B023
        publisher.start()
        if right:
            _until(lambda: publisher.connected)  # noqa: B023
        else:
            listener = Listener(one.port, "rig", "invented secret")
            listener.wait("rigmon/online", lambda data: data == b"offline")
            assert not publisher.connected
            listener.close()
        publisher.stop()
    one.close()


def _root() -> bool:
    import os

    return os.geteuid() == 0


@pytest.mark.usefixtures("every")
def test_a_broker_that_is_away_or_says_nothing_costs_nobody_anything() -> None:
    """Nobody listens; or somebody listens who never says a word."""
    with socket.socket() as mute:
        mute.bind(("127.0.0.1", 0))
        mute.listen()
        for port in (free_port(), mute.getsockname()[1]):
            publisher = Publisher(Mqtt(host="127.0.0.1", port=port))
            publisher.start()
            for n in range(10_000):
                publisher.offer("now", b"%d" % n)
            assert publisher._slots == {}
            assert not publisher.connected
            publisher.stop()


@pytest.mark.usefixtures("every")
def test_a_broker_that_stops_reading_piles_nothing_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """It takes our connection, says yes, and then never reads again."""
    monkeypatch.setattr(module, "_LOOK_S", 0.01)
    with socket.socket() as deaf:
        deaf.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        deaf.bind(("127.0.0.1", 0))
        deaf.listen()
        taken: list[socket.socket] = []

        def take() -> None:
            sock, _ = deaf.accept()
            sock.recv(1000)
            sock.sendall(b"\x20\x02\x00\x00")  # CONNACK, accepted: MQTT 3.1.1, 3.2
            taken.append(sock)

        thread = threading.Thread(target=take)
        thread.start()
        publisher = Publisher(Mqtt(host="127.0.0.1", port=deaf.getsockname()[1]))
        publisher.start()
        _until(lambda: publisher.connected)
        thread.join()
        message = b"x" * 100_000
        for _ in range(200):
            publisher.offer("now", message)
            publisher.offer("status", message)
            time.sleep(0)
        _until(lambda: publisher._slots.keys() == {"now", "status"} or publisher.offer("now", message))
        assert len(publisher._client._out_packet) <= 2  # of 400 that were offered, 40 MB
        publisher.stop()
        taken[0].close()


def test_messages_come_no_more_often_than_they_should() -> None:
    publisher = Publisher(Mqtt(host="127.0.0.1", port=1))
    publisher.connected = True
    for n in range(100):
        publisher.offer("now", b"%d" % n)
    assert publisher._slots == {"now": b"0"}
    publisher.offer("beat", b"1")
    assert "beat" not in publisher._slots


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (None, "cannot be read: No such file"),
        (b"", "must hold the password alone"),
        (b"\n", "must hold the password alone"),
        (b"a\nb\n", "must hold the password alone"),
        (b"x" * 2000, "must hold the password alone"),
        (b"\xff\xfe", "is not UTF-8 text"),
    ],
)
def test_a_password_file_that_cannot_be_used_is_told(tmp_path: Path, data: bytes | None, words: str) -> None:
    path = tmp_path / "secret"
    if data is not None:
        path.write_bytes(data)
    with pytest.raises(UsageError) as error:
        password(path)
    assert f"mqtt.password_file = '{path}' {words}" in str(error.value)


def test_pages_go_on_without_the_broker_when_its_password_cannot_be_read(tmp_path: Path) -> None:
    toml = rig_toml(
        web={"port": free_port()},
        mqtt={"host": "127.0.0.1", "username": "rig", "password_file": "/nowhere/secret"},
    )
    with child(toml, tmp_path) as running:
        assert running.get("/api/now").status == 200
        assert (
            "nothing is published to the broker: mqtt.password_file = '/nowhere/secret'"
            in running.errors.read_text()
        )
