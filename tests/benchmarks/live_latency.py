"""Live: the last byte of a sentence to the sample and the alert that it belongs to.

A daemon in a process of its own (hub, serial port, run log on the disk, terminal feedback) reads a real
pseudo-terminal. Whole epochs (RMC, VTG, GGA, XDR) are written to it at 5 and 10 Hz, sentence by sentence.
The clock starts just before the write that completes a sentence and stops when the daemon has handed the
output to the driver's feedback. By the monotonic clock, which both processes share:

closing fixes   RMC that end a sample, as every fix at 5 Hz and every second at 10 Hz does: to that sample
all fixes       to the first sample that covers the fix, less the sample step: how much later than promised
alerts          from the sentence that raised or cleared it; and until its line is on the terminal

The floor is a bare loop of select and os.read on a second pseudo-terminal, fed half an epoch later, in the
same run: what the machine itself takes. Other programs on the machine show in both.
"""

import json
import signal
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from statistics import median
from typing import Final

from rigmon.log.reader import RunLog
from rigmon.model import NmeaLine
from tests.benchmarks.epochs import SPEED_M_S, epoch
from tests.benchmarks.harness import Figure, percentile
from tests.benchmarks.inputs import rig_toml
from tests.benchmarks.ports import Port, finish, start

GOAL_MS: Final = 10.0
_STEP_S: Final = 0.2  # the default sample step
_WARM_S: Final = 2.0
#: the speed changes so often, far enough for an alert
_TOGGLE_S: Final = 1.0
#: alerts without delay, so that there are many
_EXTRA: Final = """
[alerts.speed_fast]
on_delay = "0 s"
off_delay = "0 s"
"""

_READER: Final = """
import json, os, select, sys, time
port = os.open(sys.argv[1], os.O_RDONLY | os.O_NOCTTY)
times, rest = [], b""
while True:
    select.select([port], [], [])
    data = os.read(port, 4096)
    now = time.monotonic_ns()
    *lines, rest = (rest + data).split(b"\\n")
    ended = b"$END\\r" in lines
    times += [now] * (len(lines) - ended)
    if ended:
        break
print(json.dumps(times))
"""


def run(quick: bool, folder: Path) -> list[Figure]:
    figures: list[Figure] = []
    for hz, seconds in ((5, 8.0 if quick else 50.0), (10, 6.0 if quick else 40.0)):
        figures += _measure(hz, seconds, folder)
    return figures


def _measure(hz: int, seconds: float, folder: Path) -> list[Figure]:
    port, plain = Port(), Port()
    rig_file, log_path, times_path = (folder / f"{hz}_hz.{end}" for end in ("toml", "sqlite", "json"))
    rig_file.write_text(rig_toml(port.name, _EXTRA), encoding="utf-8")
    child = start(["-m", "tests.benchmarks.live_child", str(rig_file), str(log_path), str(times_path)])
    reader = start(["-c", _READER, plain.name])
    lines = _Lines(child)
    sent: list[tuple[int, bytes]] = []
    sent_plain: list[int] = []
    try:
        time.sleep(1.0)
        for due_s, n, sentences in _schedule(hz, seconds):
            time.sleep(max(0.0, due_s - time.monotonic()))
            if n % 2:
                sent_plain += [plain.send(sentence) for sentence in sentences]
            else:
                sent += [(port.send(sentence), sentence) for sentence in sentences]
        plain.send(b"$END\r\n")
        time.sleep(0.5)
        child.send_signal(signal.SIGTERM)
        read_plain = json.loads(finish(reader))
        lines.join()
        finish(child)
    finally:
        for process in (child, reader):
            process.kill()
            process.wait()
        port.close()
        plain.close()
    times = json.loads(times_path.read_text(encoding="ascii"))
    floor = [(b - a) / 1e6 for a, b in zip(sent_plain, read_plain, strict=True)]
    return _figures(hz, _stamped(sent, log_path), times, lines.alerts_ns, floor[round(4 * _WARM_S * hz) :])


def _schedule(hz: int, seconds: float) -> Iterator[tuple[float, int, list[bytes]]]:
    """(when, number, sentences): even numbers for the daemon, odd ones for the floor."""
    begin_s = time.monotonic()
    for n in range(round(2 * hz * (seconds + _WARM_S))):
        k = n // 2
        fast = int(k / hz / _TOGGLE_S) % 2
        yield begin_s + n / (2 * hz), n, epoch(k, hz, SPEED_M_S * (1.3 if fast else 1.0))


class _Lines:
    """Reads the driver's lines from the daemon's standard output, and when those of alerts came."""

    def __init__(self, process: "subprocess.Popen[str]") -> None:
        self.alerts_ns: list[int] = []
        self._out = process.stdout
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        assert self._out is not None
        for line in self._out:
            now_ns = time.monotonic_ns()
            if "ALERT" in line or " over:" in line:
                self.alerts_ns.append(now_ns)

    def join(self) -> None:
        self._thread.join(20.0)


def _stamped(sent: list[tuple[int, bytes]], log_path: Path) -> list[tuple[int, int, bytes]]:
    """(when sent, stamp that the daemon gave it, sentence), from the run log, without the warm-up.

    Raises RuntimeError where a sentence did not arrive: there would be nothing to measure.
    """
    with RunLog.open(log_path) as log:
        stamps = [(r.t_ns, r.payload.raw) for r in log.readings() if isinstance(r.payload, NmeaLine)]
    count = min(len(stamps), len(sent))
    pairs = list(zip(sent[-count:], stamps[-count:], strict=True))
    if count < len(sent) / 2 or any(s[1].strip() != raw for s, (_, raw) in pairs):
        raise RuntimeError("the run log does not hold what was sent")
    warm_ns = sent[0][0] + round(_WARM_S * 1e9)
    return [(s[0], t_ns, raw) for s, (t_ns, raw) in pairs if s[0] > warm_ns]


def _figures(
    hz: int,
    stamped: list[tuple[int, int, bytes]],
    times: dict[str, list[tuple[int, int]]],
    lines_ns: list[int],
    floor_ms: list[float],
) -> list[Figure]:
    first_sent = {t_ns: sent for sent, t_ns, _ in reversed(stamped)}  # several can have one stamp
    samples, alerts = times["samples"], times["alerts"]
    closing = [(out - first_sent[t_ns]) / 1e6 for out, t_ns in samples if t_ns in first_sent]
    late, i = [], 0
    paced_until_ns = stamped[-1][0] - round(2 * _STEP_S * 1e9)  # after the last epoch comes silence
    for sent, t_ns, raw in stamped:
        if raw[3:6] == b"RMC" and sent < paced_until_ns:
            while i < len(samples) and samples[i][1] < t_ns:
                i += 1
            if i < len(samples):
                late.append((samples[i][0] - sent) / 1e6 - _STEP_S * 1e3)
    raised = [(out - first_sent[t_ns]) / 1e6 for out, t_ns in alerts if t_ns in first_sent]
    shown = [
        (line - first_sent[t_ns]) / 1e6
        for (_, t_ns), line in zip(alerts, lines_ns, strict=False)
        if t_ns in first_sent
    ]
    table: list[tuple[str, list[float], float | None]] = [
        (f"{hz} Hz, closing fix to its sample", closing, GOAL_MS),
        (f"{hz} Hz, any fix to its sample, beyond the step", late, GOAL_MS),
        (f"{hz} Hz, sentence to its alert", raised, GOAL_MS),
        (f"{hz} Hz, sentence to its alert's line on the terminal", shown, None),
    ]
    floor = percentile(floor_ms, 99)
    figures = []
    for what, values, goal in table:
        note = f"{len(values)} of them, median {median(values):.2f} ms, worst {max(values):.2f} ms"
        figures.append(Figure(f"{what}, p99", percentile(values, 99), "ms", floor, goal=goal, note=note))
    return figures
