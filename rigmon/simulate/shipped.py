"""The recordings that come with rigmon, made again: python -m rigmon.simulate.shipped

Rewrites rigmon/data/demo.* and replay_logs/* of a source tree, byte for byte the same each time.
"""

import argparse
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from rigmon import config
from rigmon.errors import UsageError
from rigmon.simulate.events import Event
from rigmon.simulate.recording import simulate
from rigmon.simulate.scenario import Scenario

#: recording (without suffix, from the top of the source tree) -> its scenario; its rig is <name>.rig.toml
SHIPPED: Final[dict[str, dict[str, Any]]] = {
    "rigmon/data/demo": {
        "seed": 7,
        "passes": 4,
        "pass_length_m": 70.0,
        "start_utc": datetime(2026, 6, 1, 14, 30, 0, tzinfo=UTC),
        "sentences": ("RMC",),
        "gps_hz": 5,
        "wander_sd_m_s": 0.05,
        "white_noise_m_s": 0.03,
        "correlated_noise_m_s": 0.03,
        "latency_s": 0.2,
        "events": (
            Event("underspeed", 82.0, 9.0, 0.22),
            Event("garbled", 100.0, 8.0, 0.1),
            Event("pressure_loss", 138.0, 12.0, 0.35),
            Event("gps_dropout", 205.0, 6.0),
        ),
    },
    "replay_logs/gps_alone_1hz": {
        "seed": 11,
        "passes": 4,
        "pass_length_m": 80.0,
        "origin_lat_deg": 45.0,
        "origin_lon_deg": -30.0,
        "heading_deg": 75.0,
        "start_utc": datetime(2026, 4, 18, 8, 0, 0, tzinfo=UTC),
        "gps_hz": 1,
        "wander_sd_m_s": 0.06,
        "white_noise_m_s": 0.05,
        "latency_s": 0.5,
        "speed_quantum_kn": 0.1,
        "position_decimals": 4,
        "events": (Event("overspeed", 140.0, 15.0, 0.25),),
    },
    "replay_logs/all_sensors_10hz": {
        "seed": 12,
        "passes": 2,
        "pass_length_m": 55.0,
        "origin_lat_deg": -40.0,
        "origin_lon_deg": 100.0,
        "heading_deg": 310.0,
        "start_utc": datetime(2026, 12, 31, 23, 59, 20, tzinfo=UTC),
        "gps_hz": 10,
        "talker": "GN",
        "nmea41": True,
        "speed_quantum_kn": 0.001,
        "sensor_hz": 10,
        "wander_sd_m_s": 0.04,
        "correlated_noise_m_s": 0.03,
        "events": (Event("overspeed", 22.0, 8.0, 0.25), Event("pressure_loss", 70.0, 10.0, 0.3)),
    },
    "replay_logs/faults_5hz": {
        "seed": 13,
        "passes": 3,
        "pass_length_m": 80.0,
        "origin_lat_deg": 30.0,
        "origin_lon_deg": -50.0,
        "heading_deg": 180.0,
        "start_utc": datetime(2026, 7, 9, 12, 0, 0, tzinfo=UTC),
        "sentences": ("RMC", "GGA"),
        "wander_sd_m_s": 0.05,
        "events": (
            Event("gps_dropout", 18.0, 6.0),
            Event("garbled", 30.0, 25.0, 0.15),
            Event("void_fix", 78.0, 8.0, 0.5),
            Event("flow_silent", 95.0, 8.0),
            Event("stuck_zero_speed", 108.0, 3.0),
            Event("pressure_silent", 150.0, 8.0),
            Event("gps_dropout", 165.0, 1.0),
            Event("switch_silent", 170.0, 9.0),
        ),
    },
    "replay_logs/tag_blocks_2hz": {
        "seed": 14,
        "passes": 3,
        "pass_length_m": 80.0,
        "origin_lat_deg": -20.0,
        "origin_lon_deg": -20.0,
        "heading_deg": 0.0,
        "start_utc": datetime(2026, 9, 30, 6, 0, 0, tzinfo=UTC),
        "gps_hz": 2,
        "talker": "GN",
        "sentences": ("RMC", "VTG"),
        "sensor_hz": 2,
        "tag_blocks": True,
        "wander_sd_m_s": 0.05,
        "latency_s": 0.2,
        "events": (Event("underspeed", 25.0, 12.0, 0.25),),
    },
}


def contents(root: Path) -> dict[Path, bytes]:
    """Every file that this module writes into the source tree at `root`, and what it holds.

    Raises UsageError when a recording's rig file is not there.
    """
    files = {}
    for name, parameters in SHIPPED.items():
        rig, _ = config.load(root / f"{name}.rig.toml")
        simulation = simulate(Scenario(rig=rig, **parameters))
        files[root / f"{name}.nmea"] = simulation.recording_bytes()
        files[root / f"{name}.truth.json"] = simulation.truth_bytes()
    return files


def main(arguments: Sequence[str] | None = None) -> int:
    """Write them. Returns the exit code."""
    parser = argparse.ArgumentParser(prog="python -m rigmon.simulate.shipped", description=__doc__)
    parser.add_argument(
        "--root",
        type=Path,
        default=Path(__file__).resolve().parents[2],
        help="top of the source tree (default: the one that this code lies in)",
    )
    root = parser.parse_args(arguments).root
    try:
        for path, content in contents(root).items():
            path.write_bytes(content)
            sys.stdout.write(f"{path.relative_to(root)}  {len(content)} bytes\n")
    except (UsageError, OSError) as error:
        sys.stderr.write(f"{error}\n")
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
