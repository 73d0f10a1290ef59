"""The XDR sentences of a sensor node: pressure, flow and boom switch, as they are now, with noise."""

import numpy as np

from rigmon.simulate.boom import Trace
from rigmon.simulate.noise import stream
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
    noise = {
        name: 1 + pct / 100 * stream(scenario.seed, name).standard_normal(len(at_ms))
        for name, pct in (("pressure", scenario.pressure_noise_pct), ("flow", scenario.flow_noise_pct))
    }
    bar = np.maximum(np.interp(at_s, trace.t_s, trace.pressure_kpa) / 100 * noise["pressure"], 0.0)
    litres_s = np.maximum(trace.cell_flow_l_min[cell] / 60 * noise["flow"], 0.0)
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
