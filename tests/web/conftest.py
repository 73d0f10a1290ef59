"""One browser for all tests of a module."""

from collections.abc import Iterator
from typing import Any

import pytest
from browser import UNTRUSTED, chromium


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """Not for longer: while it runs, `asyncio.run` of other tests finds a loop that is already running."""
    with chromium(f"--host-resolver-rules=MAP {UNTRUSTED} 127.0.0.1") as running:
        yield running
