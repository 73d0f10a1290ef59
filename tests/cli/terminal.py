"""A person at a phone: the installed program on a real pseudo-terminal of 40 columns."""

import fcntl
import os
import pty
import re
import select
import signal
import struct
import subprocess
import termios
import time
from collections.abc import Callable
from pathlib import Path
from typing import Self

from invoking import INSTALLED, PATIENCE_S

COLUMNS = 40


class Phone:
    """One connection, with the program running on it. Everything that the screen showed is in `screen`."""

    def __init__(self, *args: object, cwd: Path, columns: int = COLUMNS) -> None:
        self._master, slave = pty.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
        env = {"PATH": f"{INSTALLED.parent}:/usr/bin:/bin", "LANG": "C.UTF-8", "TERM": "xterm"}
        self.process = subprocess.Popen(
            [INSTALLED, *map(str, args)], cwd=cwd, env=env, stdin=slave, stdout=slave, stderr=slave,
            start_new_session=True, preexec_fn=_own_terminal,  # noqa: PLW1509 - one call that is safe there
        )  # fmt: skip
        os.close(slave)
        self.screen = ""
        self._seen = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait(PATIENCE_S)
        if self._master >= 0:
            os.close(self._master)
            self._master = -1

    def wait_for(self, words: str, meanwhile: Callable[[], None] | None = None) -> str:
        """Read until `words` come after what was waited for before; returns what came with them."""
        give_up = time.monotonic() + PATIENCE_S
        while words not in self.screen[self._seen :]:
            assert time.monotonic() < give_up, f"{words!r} not in {self.screen[self._seen :]!r}"
            if meanwhile:
                meanwhile()
            if select.select([self._master], [], [], 0.05)[0]:
                assert self._read(), f"ended without {words!r}: {self.screen[self._seen :]!r}"
        start = self._seen
        self._seen = self.screen.index(words, self._seen) + len(words)
        return self.screen[start : self._seen]

    def types(self, text: str) -> None:
        os.write(self._master, f"{text}\n".encode())

    def answer(self, prompt: str, text: str) -> None:
        self.wait_for(prompt)
        self.types(text)

    def press(self, key: str) -> None:
        """Such as '\\x03', Ctrl-C."""
        os.write(self._master, key.encode())

    def end(self) -> int:
        """Read to the end; the exit code."""
        give_up = time.monotonic() + PATIENCE_S
        while not select.select([self._master], [], [], 0.05)[0] or self._read():
            assert time.monotonic() < give_up, f"still running: {self.screen[self._seen :]!r}"
        return self.process.wait(PATIENCE_S)

    def kill(self) -> None:
        """As when the board loses its power."""
        self.process.send_signal(signal.SIGKILL)
        self.process.wait(PATIENCE_S)

    def hang_up(self) -> int:
        """As when the connection dies; the exit code."""
        os.close(self._master)
        self._master = -1
        return self.process.wait(PATIENCE_S)

    def lines(self) -> list[str]:
        return self.screen.replace("\r", "").splitlines()

    def _read(self) -> bool:
        try:
            data = os.read(self._master, 65536)
        except OSError:  # the other end is closed
            return False
        self.screen += data.decode()
        return bool(data)


def plain(text: str) -> str:
    """In one line, without the screen's line ends."""
    return re.sub(r"\s+", " ", text)


def _own_terminal() -> None:
    fcntl.ioctl(0, termios.TIOCSCTTY, 0)
