"""A rig with known truth, which writes the recording that its receiver and sensors would have made.

`simulate(Scenario(...))` drives an invented rig along its passes; the result holds the recording (plain
NMEA 0183 text with XDR sentences) and the truth (distance, area, volume, rate as they really were). The
truth is worked out from the motion itself, never from what the receiver printed.

    scenario   what to simulate: Scenario
    events     what may go wrong: Event, parse_event
    motion     path and speed over time
    hydraulics pump, relief valve, lines and nozzles in balance
    faults     how events change that balance over time
    boom       boom state, pressure and flow over time
    receiver   the sentences of a GPS receiver, with its noise and its lateness
    meters     what flowmeter and transducer read
    typical    noise as it commonly is
    sensors    the XDR sentences of a sensor node
    weather    wind and air over time, and the sentences of a weather sensor
    damage     lines garbled on the way
    ground     how often the boom went over the ground in truth, and the dose under each nozzle
    stretches  where the ground did not get its rate in truth, and why
    truth      what really happened, as a JSON object
    recording  all of it together, and the files
    shipped    the recordings that come with rigmon

The same parameters give the same bytes. numpy and pyproj are loaded here: no part of the daemon imports it.
"""

from rigmon.simulate.events import EVENT_KINDS, Event, EventKind, parse_event
from rigmon.simulate.recording import (
    SIMULATION_VERSION,
    Recorded,
    Simulation,
    readings,
    record,
    simulate,
    write,
)
from rigmon.simulate.scenario import (
    LONGEST_RUN_S,
    Scenario,
    demo_rig,
    scenario_as_dict,
    scenario_from_dict,
)
from rigmon.simulate.typical import TYPICAL, typical_noise

__all__ = [
    "EVENT_KINDS",
    "LONGEST_RUN_S",
    "SIMULATION_VERSION",
    "TYPICAL",
    "Event",
    "EventKind",
    "Recorded",
    "Scenario",
    "Simulation",
    "demo_rig",
    "parse_event",
    "readings",
    "record",
    "scenario_as_dict",
    "scenario_from_dict",
    "simulate",
    "typical_noise",
    "write",
]
