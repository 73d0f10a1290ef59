"""Messages for the driver's page as the real board makes them, for states of an invented rig."""

from collections.abc import Sequence
from typing import Any, Final

from rigmon import config
from rigmon.core.rate import application_rate_l_ha, flow_for_rate_l_min
from rigmon.live.board import Board
from rigmon.model import Act, Alert, Basis, Flag, Sample
from rigmon.rig import Rig

_US: Final = config.template()
RIGS: Final[dict[str, Rig]] = {
    "us": config.parse(_US, "template"),
    "metric": config.parse(_US.replace('units = "us"', 'units = "metric"'), "template"),
}


def sample(rig: Rig, speed_share: float | None = 1.0, **changes: Any) -> Sample:
    """A sample at this share of the target speed; the flow is the one that gives the target rate there."""
    speed = None if speed_share is None else rig.target.speed_m_s * speed_share
    flow = flow_for_rate_l_min(rig.target.rate_l_ha, rig.target.speed_m_s, rig.swath_m)
    boom_on = changes.get("boom_on", 1)
    flow = changes.get("flow_l_min", flow if boom_on else 0.0)
    rate = application_rate_l_ha(flow, speed, rig.swath_m) if flow and speed else None
    made = Sample(
        t_ns=60_000_000_000, dt_ns=200_000_000, lat_deg=None, lon_deg=None, track_deg=None, speed_m_s=speed,
        speed_sd_m_s=0.05, flow_l_min=flow, pressure_kpa=275.0, boom_on=boom_on, rate_l_ha=rate,
        rate_u_pct=5.0, basis=int(Basis.FLOWMETER), distance_m=0.3, area_m2=1.8, volume_l=0.03, flags=0,
    )  # fmt: skip
    return made._replace(**changes)


def message(
    units: str = "us",
    speed_share: float | None = 1.0,
    *,
    alerts: Sequence[str] = (),
    seen: Sequence[str] = (),
    live: bool = True,
    **changes: Any,
) -> dict[str, Any]:
    """What the server sends for `sample` with these alerts up, of which those in `seen` are acknowledged."""
    rig = RIGS[units]
    board = Board(rig)
    board.live = live
    board.begin("invented")
    up = [
        Alert(t_ns=50_000_000_000, code=code, raised=True, value=None, limit=None, unit="") for code in alerts
    ]
    acts = [Act(55_000_000_000, "acknowledge", code, None, 0) for code in seen]
    board.take([*up, *acts, sample(rig, speed_share, **changes)])
    return board.now()


#: name -> (what the board is told, word on the page)
STATES: Final[dict[str, tuple[dict[str, Any], str]]] = {
    "hold": ({}, "HOLD"),
    "hold_fastish": ({"speed_share": 1.08}, "HOLD"),
    "hold_slowish": ({"speed_share": 0.93}, "HOLD"),
    "slower": ({"speed_share": 1.3}, "SLOWER"),
    "faster": ({"speed_share": 0.7}, "FASTER"),
    "stopped": ({"speed_share": 0.0, "flow_l_min": 0.0, "boom_on": 0}, "STOPPED"),
    "stopped_boom_on": ({"speed_share": 0.0}, "STOPPED"),
    "boom_off": ({"boom_on": 0}, "BOOM OFF"),
    "no_flow": ({"flow_l_min": 0.0}, "NO FLOW"),
    "flow_unknown": ({"flow_l_min": None, "flags": int(Flag.FLOW_STALE), "basis": 0}, "FLOW ?"),
    "speed_unknown": ({"speed_share": None, "flags": int(Flag.GPS_STALE)}, "SPEED ?"),
    "by_catch": ({"basis": int(Basis.CALIBRATION)}, "HOLD"),
    "fast_12": ({"speed_share": 2.6}, "SLOWER"),
    "replay": ({"live": False}, "HOLD"),
}
