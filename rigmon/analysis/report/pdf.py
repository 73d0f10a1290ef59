"""The page as PDF, printed by the browser that is on this computer."""

import os
import shutil
import subprocess
import tempfile
from pathlib import Path
from typing import Final

from rigmon.errors import UsageError

_BROWSERS: Final = (
    "chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome", "msedge",
    "microsoft-edge",
)  # fmt: skip
_PLACES: Final = (
    "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome",
    "/Applications/Chromium.app/Contents/MacOS/Chromium",
)
_PAPER: Final = {"us": "letter", "metric": "A4"}
_PATIENCE_S: Final = 120


def browser() -> str | None:
    """The first browser that can print without a window; None: there is none."""
    found = next(filter(None, map(shutil.which, _BROWSERS)), None)
    return found or next((place for place in _PLACES if os.access(place, os.X_OK)), None)


def print_pdf(html: str, out: Path, system: str) -> None:
    """Print `html` to `out`, on Letter for 'us' and on A4 for 'metric'. Nothing is overwritten.

    Raises UsageError where there is no browser, where it fails, or where `out` is there already.
    """
    found = browser()
    if found is None:
        raise UsageError(
            f"{out}: no browser that prints by itself was found (chromium or google-chrome); open the page "
            "in any browser and print it there, to a file: Ctrl-P, two sheets of A4 or Letter"
        )
    if out.exists():
        raise UsageError(f"{out}: is there already and is not overwritten; give another name")
    sized = html.replace("@page {", f"@page {{ size: {_PAPER[system]};", 1)
    with tempfile.TemporaryDirectory(prefix="rigmon-") as folder:
        page, printed = Path(folder) / "report.html", Path(folder) / "report.pdf"
        page.write_text(sized, encoding="utf-8")
        command = [
            found, "--headless", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-extensions",
            "--disable-background-networking", "--disable-component-update", "--disable-sync",
            f"--user-data-dir={Path(folder) / 'profile'}", "--no-pdf-header-footer",
            f"--print-to-pdf={printed}", page.as_uri(),
        ]  # fmt: skip
        if hasattr(os, "geteuid") and os.geteuid() == 0:  # its sandbox does not work for root
            command.insert(1, "--no-sandbox")
        try:
            ran = subprocess.run(command, capture_output=True, timeout=_PATIENCE_S, check=False)
        except (OSError, subprocess.TimeoutExpired) as error:
            raise UsageError(f"{out}: {found} did not print it: {error}; print the page by hand") from error
        if not printed.exists() or not printed.stat().st_size:
            last = ran.stderr.decode("utf-8", "replace").strip().splitlines()[-1:] or ["it said nothing"]
            raise UsageError(f"{out}: {found} did not print it: {last[0]}; print the page by hand")
        try:
            with out.open("xb") as file:
                file.write(printed.read_bytes())
        except FileExistsError:
            raise UsageError(f"{out}: is there already and is not overwritten; give another name") from None
        except OSError as error:
            raise UsageError(f"{out}: cannot be written: {error.strerror}") from error
