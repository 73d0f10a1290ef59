"""From the start of the process to the first reading that the daemon accepts.

A real `rigmon run` on a pseudo-terminal, into which a numbered sentence is written every 2 ms from before
the start on; which of them came first into the run log tells when the port was open and read (the time of
the sentence after it is taken: at most 2 ms too late). Opening a port discards what waits in it, so the
first one accepted is never an old one. Floor: start of a bare Python to the end of its import of pyserial,
pynmea2 and gpiozero. Wall time, by the monotonic clock that all processes share; the first round, which
compiles what was changed, is left out.
"""

import signal
import time
from pathlib import Path
from typing import Final

from rigmon.log.reader import RunLog
from rigmon.model import NmeaLine
from tests.benchmarks.epochs import rmc
from tests.benchmarks.harness import Figure, Rounds, take_turns
from tests.benchmarks.inputs import rig_toml
from tests.benchmarks.ports import RIGMON, Port, bare, finish, start

GOAL: Final = 2.0
_EVERY_S: Final = 0.002
_LONGEST_S: Final = 10.0
#: sentences that go on after the start of the log is seen, so that the first one has a successor
_MORE: Final = 50


def run(quick: bool, folder: Path) -> list[Figure]:
    rounds = 4 if quick else 10
    logs = iter(range(100))
    took = take_turns(lambda: _daemon(folder, next(logs)), _bare, rounds)
    warm = Rounds(took.subject[1:], took.floor[1:])
    return [warm.figure("process start to the first reading accepted", "ms", GOAL)]


def _bare() -> float:
    begin = time.monotonic_ns()
    done = int(finish(start(bare("import time; print(time.monotonic_ns())"))))
    return (done - begin) / 1e6


def _daemon(folder: Path, n: int) -> float:
    port = Port()
    rig_file, log_path = folder / "start.toml", folder / f"start_{n}.sqlite"
    rig_file.write_text(rig_toml(port.name), encoding="utf-8")
    sentences = [rmc(k, 20) for k in range(round(_LONGEST_S / _EVERY_S))]
    times: list[int] = []
    begin = time.monotonic_ns()
    process = start([*RIGMON, "run", "--rig", str(rig_file), "--log", str(log_path), "--quiet"])
    try:
        more = _MORE
        for k, sentence in enumerate(sentences):
            time.sleep(max(0.0, begin / 1e9 + k * _EVERY_S - time.monotonic()))
            times.append(time.monotonic_ns())
            port.send(sentence)
            more -= log_path.exists()
            if more == 0:
                break
        time.sleep(0.3)
        process.send_signal(signal.SIGTERM)
        finish(process)
    finally:
        process.kill()
        process.wait()
        port.close()
    with RunLog.open(log_path) as log:
        for reading in log.readings():
            if isinstance(reading.payload, NmeaLine) and reading.payload.raw + b"\r\n" in sentences:
                k = sentences.index(reading.payload.raw + b"\r\n")
                return (times[k + 1] - begin) / 1e6
    raise RuntimeError("the daemon accepted no reading")
