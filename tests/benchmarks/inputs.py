"""What the benchmarks run on: invented simulated runs, and real receivers' recordings where they are."""

from functools import cache
from importlib import resources
from pathlib import Path
from typing import Final

from rigmon.core.nmea import LineFramer
from rigmon.simulate import Scenario, Simulation, simulate

#: recordings of real receivers, not part of the project
REAL: Final = Path(__file__).resolve().parents[3] / "shared" / "nmea"

#: one pass of 150 m at the demo rig's target speed, its headlands and its turn [s], roughly
_PASS_S: Final = 110.0


@cache
def demo_toml() -> str:
    """The rig file of the demo: flow, pressure and boom switch in XDR sentences."""
    return (resources.files("rigmon") / "data" / "demo.rig.toml").read_text(encoding="utf-8")


def rig_toml(port: str, extra: str = "") -> str:
    """The demo's rig file with its GPS at `port`, and more sections."""
    return demo_toml().replace('"/dev/serial0"', f'"{port}"') + extra


def demo_rig_file(folder: Path) -> Path:
    path = folder / "demo.rig.toml"
    path.write_text(demo_toml(), encoding="utf-8")
    return path


def gps_rig_file(folder: Path) -> Path:
    """The demo's rig without its sensors, for recordings of a receiver alone."""
    path = folder / "gps.rig.toml"
    path.write_text(demo_toml().replace('source = "xdr"', 'source = "none"'), encoding="utf-8")
    return path


def drive(hours: float, gps_hz: int, seed: int = 1, **parameters: object) -> Simulation:
    """An ordinary run of about so many hours: passes of 150 m, a driver who wanders, every sensor."""
    passes = max(1, round(hours * 3600 / _PASS_S))
    return simulate(
        Scenario(passes=passes, pass_length_m=150.0, gps_hz=gps_hz, seed=seed, **parameters)  # type: ignore[arg-type]
    )


def real_path(name: str) -> Path:
    return REAL / name


def real_sentences(name: str) -> list[str] | None:
    """The lines of a real recording, each from its last '$' on; None: the recording is not there."""
    path = real_path(name)
    if not path.is_file():
        return None
    framer = LineFramer()
    lines = framer.feed(path.read_bytes()) + framer.flush()
    return [line[max(0, line.rfind(b"$")) :].decode("latin-1").strip() for line in lines]
