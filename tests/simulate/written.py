"""What a simulated recording says, read without rigmon's decoder or writer; and rigs for the tests."""

from dataclasses import replace
from functools import reduce
from operator import xor

from rigmon.rig import Rig
from rigmon.simulate import Scenario, Simulation, demo_rig

KNOT_M_S = 1852 / 3600


def checksum_holds(line: bytes) -> bool:
    """NMEA 0183: '*' and two hexadecimal digits, the XOR of the characters between '$' and '*'."""
    body, star, digits = line[line.rindex(b"$") + 1 :].rpartition(b"*")
    return star == b"*" and len(digits) == 2 and int(digits, 16) == reduce(xor, body, 0)


def fields(simulation: Simulation, kind: str) -> list[tuple[int, list[str]]]:
    """(ms from the start, comma-separated fields) of the intact sentences of one kind, such as 'RMC'."""
    out = []
    for ms, line in zip(simulation.times_ms, simulation.lines, strict=True):
        text = line[line.rindex(b"$") + 1 :].decode("latin-1").partition("*")[0].split(",")
        if text[0][2:] == kind:
            out.append((ms, text))
    return out


def degrees(text: str, letter: str) -> float:
    """ddmm.mmm and its letter as signed degrees."""
    whole, minutes = text[: text.index(".") - 2], text[text.index(".") - 2 :]
    return (int(whole) + float(minutes) / 60) * (1 if letter in "NE" else -1)


def sources(rig: Rig, *heard: str) -> Rig:
    """The rig with only these of flow, pressure, switch fitted as XDR."""
    source = {name: "xdr" if name in heard else "none" for name in ("flow", "pressure", "switch")}
    return replace(
        rig,
        flow=replace(rig.flow, source=source["flow"]),
        pressure=replace(rig.pressure, source=source["pressure"]),
        boom_switch=replace(rig.boom_switch, source=source["switch"]),
    )


def round_rig() -> Rig:
    """5 m swath, 200 L/ha at 2 m/s: that needs 200 x 2 x 5 x 60 / 1e4 = 12 L/min, here at 300 kPa."""
    rig = demo_rig()
    assert rig.calibration is not None
    return replace(
        rig,
        swath_m=5.0,
        target=replace(rig.target, rate_l_ha=200.0, speed_m_s=2.0),
        calibration=replace(rig.calibration, flow_l_min=12.0, pressure_kpa=300.0),
    )


def still_driver(**parameters: object) -> Scenario:
    """The round rig with a driver who holds the speed, a receiver without noise, and pressure at once."""
    quiet: dict[str, object] = {
        "rig": round_rig(),
        "headland_m": 6.0,  # 2 m/s takes 2 x 2 / (2 x 0.5) = 4 m to reach at 0.5 m/s2
        "wander_sd_m_s": 0.0,
        "white_noise_m_s": 0.0,
        "position_noise_m": 0.0,
        "flow_noise_pct": 0.0,
        "pressure_noise_pct": 0.0,
        "pressure_tau_s": 0.0,
        "speed_quantum_kn": 0.001,
    }
    return Scenario(**(quiet | parameters))  # type: ignore[arg-type]
