"""A run in which a nozzle is plugged for a while, through the pipeline and into a run log.

Invented: 12 nozzles 50 cm apart, due east at 2 m/s from the start on; the boom is on from 5 s to 70 s and
again from 75 s, 7.2 L/min at 200 kPa; white noise of 1 %. One of twelve nozzles is plugged from `fault_s` to
`cured_s`.
"""

import random
from functools import cache
from pathlib import Path
from typing import Any

from helpers import ALL_XDR, Run, clock, rig_toml, sentence
from rigmon import config
from rigmon.log.writer import RunLogWriter
from rigmon.model import RunHeader

LAT_DEG, LON_DEG = 38.9, -94.7
SPEED_M_S, SWATH_M = 2.0, 6.0
#: metres of a degree of longitude there: pi/180 x a cos(lat) / sqrt(1 - e2 sin2(lat)), WGS 84
METRES_PER_DEG = 86_748.2
_STEP_S = 0.2


def toml(**sections: Any) -> str:
    """The rig as text; sections as for `rig_toml`."""
    return rig_toml(
        **{
            **ALL_XDR,
            "rig": {"nozzle_count": 12},
            "calibration": {"flow": "7.2 L/min", "pressure": "200 kPa"},
            **sections,
        }
    )


def rmc_at(t_s: float, east_m: float, speed_m_s: float) -> bytes:
    lon = abs(LON_DEG + east_m / METRES_PER_DEG)
    place = f"{int(LAT_DEG):02d}{60 * (LAT_DEG % 1):09.6f},N,{int(lon):03d}{60 * (lon % 1):09.6f},W"
    return sentence(f"GPRMC,{clock(t_s)},A,{place},{speed_m_s / 0.514444:.5f},90.0,300526,,,A")


@cache
def _driven(text: str, fault_s: float, cured_s: float, end_s: float, positions: bool) -> Run:
    run, rng = Run(config.parse(text, "faulty rig")), random.Random(3)
    for k in range(round(end_s / _STEP_S)):
        t = _STEP_S * k
        on = 5 <= t < 70 or t >= 75
        flow = 7.2 * (11 / 12 if fault_s <= t < cured_s else 1) * (1 + 0.01 * rng.gauss(0, 1)) * on
        pressure = 200 * (1 + 0.01 * rng.gauss(0, 1)) * on
        speed = SPEED_M_S + 0.03 * rng.gauss(0, 1)
        run.xdr(t, flow_l_min=flow, pressure_kpa=pressure, boom=int(on))
        if positions:
            run.line(t, rmc_at(t, SPEED_M_S * t, speed))
        else:
            run.line(t, sentence(f"GPVTG,90.0,T,,M,{speed / 0.514444:.5f},N,,K,A"))
    run.finish(end_s)
    return run


def faulty_run(
    fault_s: float = 100.0, cured_s: float = 140.0, end_s: float = 170.0, *, positions: bool = True,
    **sections: Any,
) -> Run:  # fmt: skip
    """The finished run. One object for all who ask for the same: do not feed it further."""
    return _driven(toml(**sections), fault_s, cured_s, end_s, positions)


def faulty_log(path: Path, *, end_s: float = 170.0, **options: Any) -> Path:
    """`faulty_run` as a run log that ended cleanly. Options are `faulty_run`'s."""
    run = faulty_run(end_s=end_s, **options)
    sections = {key: value for key, value in options.items() if isinstance(value, dict)}
    header = RunHeader(
        "20260530-0000", "live", toml(**sections), "rigmon test", "bench", None, "", None, None
    )
    with RunLogWriter(path, header, commit_by_time_ns=10**10) as log:
        for reading in run.readings:
            log.reading(reading)
        log.outputs(run.outputs)
        log.close(round(end_s * 1e9), "done")
    return path


def as_of_version_1(path: Path) -> None:
    """Make a log one from before findings and acts were kept: they are not in it, nor counted."""
    import sqlite3

    connection = sqlite3.connect(path)
    kept = "SELECT n FROM finding UNION SELECT n FROM act ORDER BY n DESC"
    numbers = [n for (n,) in connection.execute(kept)]
    for n in numbers:
        for table in ("sample", "alert", "anchor", "tally"):
            after = connection.execute(f"SELECT n FROM {table} WHERE n > ? ORDER BY n", (n,)).fetchall()
            connection.executemany(f"UPDATE {table} SET n = n - 1 WHERE n = ?", after)
    connection.executescript(
        "DROP VIEW finding_list; DROP TABLE finding; DROP VIEW act_list; DROP VIEW alert_list;"
        "DROP TABLE act; PRAGMA user_version = 1"
    )
    connection.close()
