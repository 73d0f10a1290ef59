"""Publishing to an MQTT broker. The broker may be slow, or away: nobody here waits for it.

<topic>/now and <topic>/status carry the feed's messages, at most one a second and one in five; the newest
wins, and nothing is kept for later. <topic>/online is "online" or "offline", retained: the broker itself
says "offline" when the connection breaks. A client library's thread keeps the connection, another one sends.
"""

import threading
import time
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from rigmon.errors import UsageError
from rigmon.rig import Mqtt

#: seconds between two messages of a kind
EVERY_S: Final = {"now": 1.0, "status": 5.0}
#: the broker says "offline" after one and a half of these without a sign of life
KEEP_ALIVE_S: Final = 15
_LONGEST_RETRY_S: Final = 30
#: while one message is on its way it is looked this often whether there is still somebody to take it
_LOOK_S: Final = 0.5
_LONGEST_PASSWORD: Final = 1024


def password(path: Path) -> str:
    """The password in a file, without its line end. Raises UsageError."""
    try:
        with path.open("rb") as file:
            data = file.read(_LONGEST_PASSWORD + 1)
        text = data.decode("utf-8").rstrip("\r\n")
    except OSError as error:
        raise UsageError(f"mqtt.password_file = '{path}' cannot be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise UsageError(f"mqtt.password_file = '{path}' is not UTF-8 text") from error
    if not text or len(data) > _LONGEST_PASSWORD or "\n" in text:
        raise UsageError(f"mqtt.password_file = '{path}' must hold the password alone, on one line")
    return text


class Publisher:
    """Hands the feed's messages to a broker."""

    def __init__(self, mqtt: Mqtt) -> None:
        """Raises UsageError for a password file that cannot be used."""
        assert mqtt.host is not None
        self.connected = False
        self.sent = 0
        self._mqtt = mqtt
        self._slots: dict[str, bytes] = {}
        self._due_s = dict.fromkeys(EVERY_S, 0.0)
        self._wake = threading.Condition()
        self._stopping = False
        self._thread = threading.Thread(target=self._run, name="mqtt", daemon=True)
        client = self._client = paho.Client(CallbackAPIVersion.VERSION2)
        if mqtt.username is not None:
            secret = None if mqtt.password_file is None else password(Path(mqtt.password_file))
            client.username_pw_set(mqtt.username, secret)
        client.will_set(f"{mqtt.topic}/online", "offline", qos=1, retain=True)
        client.reconnect_delay_set(1, _LONGEST_RETRY_S)
        client.max_queued_messages_set(8)
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect

    def start(self) -> None:
        """Begin to connect; returns at once."""
        assert self._mqtt.host is not None
        self._client.connect_async(self._mqtt.host, self._mqtt.port, KEEP_ALIVE_S)
        self._client.loop_start()
        self._thread.start()

    def offer(self, kind: str, data: bytes) -> None:
        """Take a message, if it is time for one; an older one that still waits is gone. Never blocks."""
        if kind not in EVERY_S or not self.connected:
            return
        now_s = time.monotonic()
        if now_s < self._due_s[kind]:
            return
        self._due_s[kind] = now_s + EVERY_S[kind]
        with self._wake:
            self._slots[kind] = data
            self._wake.notify()

    def stop(self, timeout_s: float = 1.0) -> None:
        """Say "offline" if that can be said soon, and let go."""
        with self._wake:
            self._stopping = True
            self._wake.notify()
        if self.connected:
            farewell = self._client.publish(f"{self._mqtt.topic}/online", "offline", qos=1, retain=True)
            with suppress(RuntimeError, ValueError):  # not connected any more: the broker says it
                farewell.wait_for_publish(timeout_s)
            self._client.disconnect()
        if self._thread.is_alive():
            self._thread.join(timeout_s)

    # -- threads ---------------------------------------------------------------------------------------

    def _run(self) -> None:
        while True:
            with self._wake:
                while not self._slots and not self._stopping:
                    self._wake.wait()
                if self._stopping:
                    return
                slots, self._slots = self._slots, {}
            for kind, data in slots.items():
                info = self._client.publish(f"{self._mqtt.topic}/{kind}", data, qos=0)
                # one at a time: what a slow broker does not take is not piled up here
                with suppress(RuntimeError, ValueError):
                    while self.connected and not (self._stopping or info.is_published()):
                        info.wait_for_publish(_LOOK_S)
                    self.sent += info.is_published()

    def _on_connect(self, client: paho.Client, _data: Any, _flags: Any, reason: Any, _more: Any) -> None:
        if reason.is_failure:
            return
        client.publish(f"{self._mqtt.topic}/online", "online", qos=1, retain=True)
        self.connected = True

    def _on_disconnect(self, *_about: Any) -> None:
        self.connected = False
