"""One simulated recording, and the run log made of it, for all tests of the command line to read."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent.parent / "edge"))

from invoking import Made, assert_checks, done

from rigmon import config


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    folder = tmp_path_factory.mktemp("made")
    made = Made(
        folder / "rig.toml", folder / "run.nmea", folder / "run.truth.json", folder / "logs" / "run.sqlite"
    )
    # a port that no machine has: on a board with a receiver a test must not open that
    template = config.template().replace("/dev/serial0", "/dev/no-receiver")
    for section in ("flow", "pressure", "boom_switch"):
        template = template.replace(f'[{section}]\nsource = "none"', f'[{section}]\nsource = "xdr"')
    made.rig.write_text(template)
    done(
        "simulate", made.recording, "--rig", made.rig, "--passes", 2, "--pass-length", "60 m", "--wander",
        "0.02 m/s", "--event", "pressure_loss,12s,6s,35%",
    )  # fmt: skip
    made.log.parent.mkdir()
    done("replay", made.recording, "--rig", made.rig, "--to", made.log)
    assert_checks(made.log)
    return made
