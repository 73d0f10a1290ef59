"""The pairing code: whoever stands at the rig can read it, and a phone that knows it may do things.

Eight digits; a wrong one costs the guesser a pause that doubles, and after a few the code is another. What
pairing gives is a random token in a cookie. Nothing outlives the process.
"""

import hashlib
import hmac
import json
import os
import re
import secrets
import tempfile
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from ipaddress import ip_address
from pathlib import Path
from typing import Any, Final, NamedTuple

DIGITS: Final = 8
#: wrong codes, by whomever, after which the code is another one
RENEW_AFTER: Final = 5
#: a pause after the first wrong code of an address, and the longest
FIRST_PAUSE_S: Final = 1.0
LONGEST_PAUSE_S: Final = 60.0
#: tries by everybody together, in a minute
TRIES_A_MINUTE: Final = 20
#: addresses whose wrong codes are remembered
_ADDRESSES: Final = 256
#: paired browsers at a time: the one paired first gives way
SESSIONS: Final = 16
SESSION_S: Final = 12 * 3600.0


class Wait(NamedTuple):
    """No try now; come again in `seconds`."""

    seconds: float


class _Wrong(NamedTuple):
    times: int
    until_s: float


class Pairing:
    """The code and the paired. `changed(code)` is called with each new code."""

    def __init__(
        self,
        changed: Callable[[str], None] = lambda code: None,  # noqa: ARG005
        *,
        monotonic_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._changed = changed
        self._monotonic_s = monotonic_s
        self._wrong: dict[str, _Wrong] = {}
        self._since_renewal = 0
        self._tries_s: list[float] = []
        self._sessions: dict[bytes, float] = {}  # hash of the token -> when it ends; the oldest first
        self.code = ""
        self._renew()

    def _renew(self) -> None:
        self.code = f"{secrets.randbelow(10**DIGITS):0{DIGITS}d}"
        self._since_renewal = 0
        self._changed(self.code)

    def pair(self, code: str, address: str) -> str | Wait | None:
        """A token for the right code, None for a wrong one. A code is good for one pairing."""
        now_s = self._monotonic_s()
        before = self._wrong.get(address, _Wrong(0, 0.0))
        if now_s < before.until_s:
            return Wait(before.until_s - now_s)
        self._tries_s = [at_s for at_s in self._tries_s if now_s - at_s < 60]
        if len(self._tries_s) >= TRIES_A_MINUTE:
            return Wait(60 - (now_s - self._tries_s[0]))
        self._tries_s.append(now_s)
        typed = "".join(code.split()).replace("-", "")[: 2 * DIGITS]
        if hmac.compare_digest(typed.encode(), self.code.encode()):
            self._wrong.pop(address, None)
            self._renew()
            return self._session(now_s)
        self._wrong.pop(address, None)
        if len(self._wrong) >= _ADDRESSES:
            del self._wrong[next(iter(self._wrong))]
        pause_s = min(LONGEST_PAUSE_S, FIRST_PAUSE_S * 2 ** min(before.times, 10))
        self._wrong[address] = _Wrong(before.times + 1, now_s + pause_s)
        self._since_renewal += 1
        if self._since_renewal >= RENEW_AFTER:
            self._renew()
        return None

    def _session(self, now_s: float) -> str:
        token = secrets.token_urlsafe(32)
        self._sessions = {key: end_s for key, end_s in self._sessions.items() if end_s > now_s}
        while len(self._sessions) >= SESSIONS:
            del self._sessions[next(iter(self._sessions))]
        self._sessions[_hash(token)] = now_s + SESSION_S
        return token

    def paired(self, token: str) -> bool:
        """Whether a token is one that was given out and still counts."""
        # looked up by its hash: how long that takes says nothing of the token
        end_s = self._sessions.get(_hash(token[:200]))
        return end_s is not None and self._monotonic_s() < end_s


def _hash(token: str) -> bytes:
    return hashlib.sha256(token.encode("utf-8", "replace")).digest()


# -- the file that `rigmon pair` reads -----------------------------------------------------------------


def code_folders(environment: Mapping[str, str] = os.environ) -> list[Path]:
    """Where codes are kept, in memory where the system offers that: the service's own folder first.

    A code is written to the first of them that is this process's to write; `rigmon pair` looks into all.
    """
    service = environment.get("RUNTIME_DIRECTORY", "").partition(":")[0]
    if service:
        return [Path(service)]
    user = environment.get("XDG_RUNTIME_DIR", "")
    own = Path(user) / "rigmon" if user else Path(tempfile.gettempdir()) / f"rigmon-{os.getuid()}"
    return [own, Path("/run/rigmon")]


_NAME: Final = re.compile(r"pair-[0-9]{1,5}\.json")


class CodeFile:
    """The file of one pages' process: its code, for the user it runs as and that user's group."""

    def __init__(self, folder: Path, address: str, port: int) -> None:
        self.path = folder / f"pair-{port}.json"
        self._address, self._port = address, port

    def write(self, code: str) -> None:
        """Replace the file at once. Raises OSError; the folder must be this user's own."""
        folder = self.path.parent
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        if folder.stat().st_uid != os.getuid():
            raise PermissionError(f"{folder} belongs to another user")
        made = self.path.with_suffix(f".{os.getpid()}")
        made.unlink(missing_ok=True)
        # to the group as well: under the service that is the people of the rig
        descriptor = os.open(made, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW, 0o640)
        with os.fdopen(descriptor, "w", encoding="ascii") as file:
            json.dump({"code": code, "address": self._address, "port": self._port, "pid": os.getpid()}, file)
        os.replace(made, self.path)

    def remove(self) -> None:
        """The code is good no longer."""
        with suppress(OSError):
            self.path.unlink()


def _anybodys(folder: Path) -> bool:
    """Whether somebody else may have made it to show us a code of his: one in the temporary folder."""
    return folder.parent == Path(tempfile.gettempdir()) and folder.lstat().st_uid != os.getuid()


def codes(folders: list[Path]) -> list[dict[str, Any]]:
    """The codes of the pages that run now: {"code", "address", "port", "pid"} each.

    Files of processes that are gone, and what is none of ours, are left out. Raises OSError for a folder that
    may not be read.
    """
    found = []
    for folder in folders:
        if not os.path.isdir(folder) or _anybodys(folder):
            continue
        for path in sorted(Path(folder, name) for name in os.listdir(folder) if _NAME.fullmatch(name)):
            try:
                data = json.loads(path.read_text(encoding="ascii"))
                code, address = str(data["code"]), str(ip_address(data["address"]))
                port, pid = int(data["port"]), int(data["pid"])
            except (FileNotFoundError, ValueError, KeyError, TypeError):
                continue  # its process has just ended, or it is none of ours
            if re.fullmatch(f"[0-9]{{{DIGITS}}}", code) and os.path.exists(f"/proc/{pid}"):
                found.append({"code": code, "address": address, "port": port, "pid": pid})
    return found
