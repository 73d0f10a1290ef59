"""One browser for all tests of a module."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browser import UNTRUSTED, chromium


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """Not for longer: while it runs, `asyncio.run` of other tests finds a loop that is already running."""
    with chromium(f"--host-resolver-rules=MAP {UNTRUSTED} 127.0.0.1") as running:
        yield running


@pytest.fixture(scope="session")
def demo_log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's run as a run log. Copy it before it is changed."""
    from rigmon import config, replay
    from rigmon.core.pipeline import Pipeline
    from rigmon.log.header import run_header
    from rigmon.log.writer import RunLogWriter
    from tests.helpers.served import DATA

    name = "20260601-143000-abcdef"
    path = tmp_path_factory.mktemp("made") / f"{name}.sqlite"
    rig, rig_toml = config.load(DATA / "demo.rig.toml")
    pipeline = Pipeline(rig)
    with RunLogWriter(path, run_header(name, "demo", rig_toml)) as writer:
        last_ns = 0
        driven = replay.drive(pipeline, replay.recording(DATA / "demo.nmea", rig), writer.reading)
        for reading, outputs in driven:
            writer.outputs(outputs)
            last_ns = reading.t_ns
        writer.outputs(pipeline.finish(last_ns))
        writer.close(last_ns, "invented for the demo")
    return path
