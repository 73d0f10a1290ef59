"""One browser for all tests of a process."""

from collections.abc import Iterator
from typing import Any

import pytest
from browser import UNTRUSTED, chromium


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    with chromium(f"--host-resolver-rules=MAP {UNTRUSTED} 127.0.0.1") as running:
        yield running
