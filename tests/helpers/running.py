"""`rigmon run --pages` as a process of its own, with a receiver on a pseudo-terminal."""

import os
import subprocess
import sys
import threading
import time
import tty
from pathlib import Path
from typing import Any

from helpers import rig_toml, rmc
from helpers.pages import PATIENCE_S, Feed, free_port

RUN = [sys.executable, "-c", "from rigmon.cli import main; main()"]


class Rig:
    """A rig file with pages, started in a folder of its own."""

    def __init__(
        self, folder: Path, sections: dict[str, dict[str, Any]] | None = None, **web: object
    ) -> None:
        self.folder, self.port = folder, free_port()
        (folder / "rig.toml").write_text(
            rig_toml(
                gps={"port": str(folder / "no-receiver")},
                web={"port": self.port, **web},
                **(sections or {}),
            )
        )
        self.environment = {
            k: v for k, v in os.environ.items() if k not in ("RUNTIME_DIRECTORY", "NOTIFY_SOCKET")
        }
        self.environment["XDG_RUNTIME_DIR"] = str(folder)

    def start(self, *args: str, program: list[str] = RUN) -> "subprocess.Popen[str]":
        return subprocess.Popen(
            [*program, "run", "--rig", "rig.toml", *args],
            cwd=self.folder, env=self.environment, text=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        )  # fmt: skip

    def pair(self, *args: str) -> "subprocess.CompletedProcess[str]":
        return subprocess.run(
            [*RUN, "pair", *args],
            env=self.environment,
            capture_output=True,
            text=True,
            check=False,
            timeout=PATIENCE_S,
        )

    def feed(self) -> Feed:
        end_s = time.monotonic() + PATIENCE_S
        while True:
            try:
                return Feed(self.port)
            except OSError:
                assert time.monotonic() < end_s
                time.sleep(0.02)


class Receiver:
    """A receiver on a pseudo-terminal that says one speed five times a second."""

    def __init__(self, link: Path) -> None:
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        link.symlink_to(os.ttyname(self._slave))
        self.speed_m_s = 0.0
        self._done = threading.Event()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        n = 0
        while not self._done.wait(0.2):
            n += 1
            os.write(self._master, rmc(36_000 + n / 5, self.speed_m_s) + b"\r\n")

    def close(self) -> None:
        self._done.set()
        self._thread.join()
        os.close(self._master)
        os.close(self._slave)
