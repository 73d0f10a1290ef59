"""A rig with known truth, which writes the recording that its receiver and sensors would have made.

`simulate(Scenario(...))` drives an invented rig along its passes; the result holds the recording (plain
NMEA 0183 text with XDR sentences) and the truth (distance, area, volume, rate as they really were). The
truth is worked out from the motion itself, never from what the receiver printed.

    scenario   what to simulate: Scenario, Event, parse_event
    motion     path and speed over time
    boom       boom state, pressure and flow over time
    receiver   the sentences of a GPS receiver, with its noise and its lateness
    sensors    the XDR sentences of a sensor node
    damage     lines garbled on the way
    ground     how often the boom went over the ground in truth, and the dose under each nozzle
    stretches  where the ground did not get its rate in truth, and why
    truth      what really happened, as a JSON object
    recording  all of it together, and the files
    shipped    the recordings that come with rigmon

The same parameters give the same bytes. numpy and pyproj are loaded here: no part of the daemon imports it.
"""

from rigmon.simulate.recording import SIMULATION_VERSION, Simulation, readings, simulate, write
from rigmon.simulate.scenario import (
    EVENT_KINDS,
    Event,
    Scenario,
    demo_rig,
    parse_event,
    scenario_as_dict,
    scenario_from_dict,
)

__all__ = [
    "EVENT_KINDS",
    "SIMULATION_VERSION",
    "Event",
    "Scenario",
    "Simulation",
    "demo_rig",
    "parse_event",
    "readings",
    "scenario_as_dict",
    "scenario_from_dict",
    "simulate",
    "write",
]
