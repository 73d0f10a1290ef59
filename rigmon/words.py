"""What people read for each alert code, on the rig and afterwards. The most urgent first."""

from typing import Final, NamedTuple

ALERT_WORDS: Final[dict[str, str]] = {
    "pressure_loss": "pressure loss",
    "boom_leak": "leak or hose off",
    "nozzles_plugged": "nozzle plugged",
    "supply_weak": "weak supply",
    "gps_lost": "GPS lost",
    "gps_implausible": "odd GPS speed",
    "flow_silent": "no meter data",
    "flow_implausible": "odd flow",
    "pressure_silent": "no pressure data",
    "pressure_implausible": "odd pressure",
    "boom_switch_silent": "no switch data",
    "rate_high": "rate high",
    "rate_low": "rate low",
    "speed_fast": "too fast",
    "speed_slow": "too slow",
    "wind_high": "wind too strong",
    "gust_high": "gusts too strong",
    "wind_low": "wind too low",
    "temperature_high": "too warm",
    "temperature_low": "too cold",
    "humidity_low": "air too dry",
    "humidity_high": "air too damp",
    "wind_silent": "no wind data",
    "air_silent": "no air data",
    "start_mismatch": "not as calibrated",
    "nozzles_worn": "nozzles worn",
    "output_changed": "output changed",
    "flowmeter_unsteady": "unsteady meter",
    "flowmeter_drift": "meter drift",
    "pressure_drift": "pressure drift",
    "gps_frozen": "GPS speed frozen",
    "gps_late": "GPS speed late",
    "speed_creep": "speed creep",
    "input_lost": "input lost",
    "run_log_trouble": "run log trouble",
}


def act_words(kind: str, text: str, volume: str | None, full: bool | None) -> str:
    """What a person did, in words. `volume` is a refill's, with its unit; None: not measured."""
    if kind == "refill":
        added = volume or "an unmeasured volume"
        return f"refill: {added}, the tank is full" if full else f"refill: {added}"
    if kind == "acknowledge":
        return f"acknowledged: {alert_words(text)}"
    if kind == "begin_run":
        return "begun by a person"
    if kind == "end_run":
        return f"ended by a person: {text}" if text else "ended by a person"
    if kind == "retarget":
        return f"target chosen: {text}" if text else "target chosen: the rig file's"
    return f"{kind}: {text}"


class Diagnosis(NamedTuple):
    """What a diagnosis means: what it was seen by, what it most likely is, what to look at.

    Every check is done with the boom off and the pump stopped unless it says otherwise.
    """

    evidence: str
    cause: str
    check: str


#: Causes and checks are common practice; which evidence points where follows from the orifice law.
DIAGNOSES: Final[dict[str, Diagnosis]] = {
    "nozzles_plugged": Diagnosis(
        "flow fell against the root of the pressure, which stayed or rose",
        "plugged nozzles or their strainers",
        "stop the pump, let the pressure off, gloves on; look for the weak fans, clean with a soft brush",
    ),
    "boom_leak": Diagnosis(
        "flow rose against the root of the pressure; the total may look right",
        "a leak behind the meter: a hose off, a cracked body, a worn or missing nozzle tip",
        "boom off, pump stopped: look for wet ground and loose hoses; then clean water, clear of the spray",
    ),
    "supply_weak": Diagnosis(
        "flow and pressure fell together, the nozzles are as they were; a pressure set lower looks the same",
        "a plugged suction or line strainer, a failing pump, a relief valve that leaks, an empty tank",
        "boom off, pump stopped: tank level, then the strainers, then the relief valve and the pump's hoses",
    ),
    "start_mismatch": Diagnosis(
        "since the start the boom's output at this pressure is not the catch test's, or the earlier run's",
        "plugged or worn nozzles, another nozzle set, a stale catch test, or a meter that has drifted",
        "boom off, pump stopped: which set is fitted; then a catch test with clean water",
    ),
    "nozzles_worn": Diagnosis(
        "from run to run flow rose against the root of the pressure, since the first after the catch test",
        "worn nozzles; a meter or transducer that drifts over weeks can look the same",
        "boom off, pump stopped; catch test with clean water: renew nozzles that give 10 % more than new",
    ),
    "output_changed": Diagnosis(
        "the one sensor that is fitted shows another level than at the start",
        "nozzles, a leak, the supply, a pressure set anew, or the sensor: one sensor alone cannot tell",
        "read the gauge; then boom off, pump stopped: strainers, nozzles and hoses",
    ),
    "flowmeter_unsteady": Diagnosis(
        "the meter's reading jumps from moment to moment, the pressure does not",
        "air in the line from a low tank or a suction leak, or dirt in the meter",
        "boom off, pump stopped: tank level, suction hose and its clamps, then the meter's rotor and plug",
    ),
    "flowmeter_drift": Diagnosis(
        "the flow drifted over minutes while the pressure stayed; slow plugging can look the same",
        "a fouled or failing meter, or nozzles that plug slowly",
        "boom off, pump stopped: the meter's rotor; then catch one minute at a few nozzles with clean water",
    ),
    "pressure_drift": Diagnosis(
        "the pressure moved while the flow stayed, or it does not read zero with the boom off",
        "a transducer with an offset, a plugged gauge line, a poor supply or ground of the sensor",
        "boom off, pump stopped: it must read zero, and agree with a gauge when the pump runs",
    ),
    "gps_frozen": Diagnosis(
        "the receiver repeats one speed while its positions move faster or slower",
        "a receiver that holds its speed, or has lost its view of the sky",
        "boom off, rig stopped: the antenna's view and plug, static hold; till then drive by the watch",
    ),
    "gps_late": Diagnosis(
        "where the rig speeds up or slows down, the speed comes more than a second after the positions",
        "a receiver that smooths its speed heavily",
        "boom off, rig stopped: the receiver's dynamic model and smoothing; or another receiver",
    ),
    "speed_creep": Diagnosis(
        "the speed has been off the target for minutes, inside the tolerance",
        "the throttle or the gear has crept, slope, or the eye has got used to it",
        "set the throttle anew; boom off and pump stopped, look at the throttle's friction and cable",
    ),
}

#: what cannot be told without a sensor
CANNOT_TELL: Final[dict[str, str]] = {
    "flow": "without a flowmeter a plugged nozzle, a leak, the supply and a drifting transducer look alike",
    "pressure": "without a pressure transducer a plugged nozzle, the supply and a drifting meter look alike",
    "both": "without flowmeter and pressure transducer nothing of nozzles, leaks and supply can be told",
    "positions": "without positions a frozen or late speed cannot be told",
}

#: diagnoses that the receiver alone makes; those of one sensor on the boom; those of the flowmeter;
#: those that need a catch test
_OF_SPEED: Final = ("gps_frozen", "gps_late", "speed_creep")
_OF_ONE: Final = ("output_changed",)
_OF_START: Final = ("start_mismatch", "nozzles_worn")
_OF_FLOW: Final = ("flowmeter_unsteady",)


def diagnosable(flow: bool, pressure: bool, *, catch_test: bool = True) -> list[str]:
    """The codes of `DIAGNOSES` that a rig with these sensors can come to, in their order.

    `catch_test`: a flow at a pressure is known from before, which the start is compared with.
    """

    def can(code: str) -> bool:
        if code in _OF_SPEED:
            return True
        if code in _OF_ONE:
            return flow != pressure
        if code in _OF_FLOW:
            return flow
        return flow and pressure and (catch_test or code not in _OF_START)

    return [code for code in DIAGNOSES if can(code)]


def cannot_tell(flow: bool, pressure: bool, *, positions: bool = True) -> list[str]:
    """The keys of `CANNOT_TELL` that hold for a rig with these sensors; a receiver may give no positions."""
    missing = {(True, False): ["pressure"], (False, True): ["flow"], (False, False): ["both"]}
    return [*missing.get((flow, pressure), []), *([] if positions else ["positions"])]


def watched_words(flow: bool, pressure: bool) -> str:
    """In a line of at most 99 columns: what the sensors that are fitted watch over."""
    words = {
        (True, True): "nozzles, leaks, supply, meter, transducer, GPS speed, speed creep",
        (True, False): "flow, meter, GPS speed, speed creep; without a pressure transducer not what changed",
        (False, True): "pressure, GPS speed, speed creep; without a flowmeter not what changed",
        (False, False): "GPS speed, speed creep; not nozzles, leaks, supply: no flowmeter, no transducer",
    }
    return f"Watched: {words[flow, pressure]}"


def alert_words(code: str) -> str:
    """Words for a code; one that this version does not know is read as it is written."""
    return ALERT_WORDS.get(code, code.replace("_", " "))
