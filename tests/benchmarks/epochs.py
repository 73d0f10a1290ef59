"""Sentences of an invented rig at a steady or changing speed, epoch by epoch, without numpy.

For processes whose memory is measured, and for input that is paced in real time.
"""

from typing import Final

from pynmea2 import NMEASentence

_KNOT_M_S: Final = 1852 / 3600
#: the demo rig's target speed, 3.5 mph
SPEED_M_S: Final = 1.56464
#: flow and pressure of its calibration: 2.4 gal/min in L/s, 40 psi in bar
_XDR: Final = "YXXDR,P,2.7579,B,BOOM,R,0.15142,l,FLOW,S,1,,BOOM"


def _line(body: str) -> bytes:
    return f"${body}*{NMEASentence.checksum(body):02X}\r\n".encode()


#: a rig at rest on a steady boom says the same each time
XDR: Final = _line(_XDR)


def rmc(k: int, hz: int, speed_m_s: float = SPEED_M_S) -> bytes:
    """The RMC of epoch number `k`: it moves north over the open ocean, its clock runs on past midnight."""
    return _line(f"GPRMC,{_clock(k, hz)},A,{_place(k, hz)},{speed_m_s / _KNOT_M_S:.2f},0.0,010626,,,A")


def epoch(k: int, hz: int, speed_m_s: float = SPEED_M_S) -> list[bytes]:
    """RMC, VTG, GGA and the sensors' XDR of epoch number `k`, as sent, in this order."""
    knots = speed_m_s / _KNOT_M_S
    return [
        rmc(k, hz, speed_m_s),
        _line(f"GPVTG,0.0,T,,M,{knots:.2f},N,{knots * 1.852:.2f},K,A"),
        _line(f"GPGGA,{_clock(k, hz)},{_place(k, hz)},1,10,0.9,20.0,M,0.0,M,,"),
        XDR,
    ]


def _clock(k: int, hz: int) -> str:
    hundredths = 12 * 360_000 + k * 100 // hz
    seconds, part = divmod(hundredths, 100)
    return f"{seconds // 3600 % 24:02d}{seconds // 60 % 60:02d}{seconds % 60:02d}.{part:02d}"


def _place(k: int, hz: int) -> str:
    minutes = k * SPEED_M_S / hz / 1852
    return f"40{minutes % 60:08.5f},N,04000.00000,W"
