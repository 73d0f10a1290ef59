"""The XDR sentences of a sensor node: pressure, flow and boom switch, as the meters read them."""

import numpy as np

from rigmon.simulate import meters
from rigmon.simulate.boom import Trace
from rigmon.simulate.receiver import during, epochs_ms
from rigmon.simulate.scenario import Scenario
from rigmon.simulate.sentences import sentence


def sentences_of(scenario: Scenario, trace: Trace) -> list[tuple[int, str]]:
    """(ms from the start, sentence) in the order of sending."""
    sent = scenario.sent
    if not sent:
        return []
    rig = scenario.rig
    at_ms = epochs_ms(scenario.sensor_hz, float(trace.t_s[-1]))
    at_s = np.array(at_ms) / 1000
    cell = trace.cell_at(at_s)
    bar = meters.pressure_kpa(scenario, trace, at_s) / 100
    litres_s = meters.flow_l_min(scenario, trace, at_s) / 60
    quiet = {name: scenario.of_kind(f"{name}_silent") for name in sent}
    columns = zip(at_ms, bar.tolist(), litres_s.tolist(), trace.boom_on[cell].tolist(), strict=True)
    out = []
    for ms, pressure, flow, on in columns:
        parts = []
        if "pressure" in sent and not during(quiet["pressure"], ms):
            parts.append(f"P,{pressure:.4f},B,{rig.pressure.xdr_name}")
        if "flow" in sent and not during(quiet["flow"], ms):
            parts.append(f"R,{flow:.5f},l,{rig.flow.xdr_name}")
        if "switch" in sent and not during(quiet["switch"], ms):
            parts.append(f"S,{int(on)},,{rig.boom_switch.xdr_name}")
        if parts:
            out.append((ms, sentence("YXXDR," + ",".join(parts))))
    return out
