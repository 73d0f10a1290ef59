"""The whole simulation, and its two files: the recording and its truth."""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC
from pathlib import Path as FilePath
from typing import Any, Final

from rigmon.errors import UsageError
from rigmon.model import NmeaLine, Source
from rigmon.simulate import boom, damage, motion, receiver, sensors, truth, weather
from rigmon.simulate.boom import Trace
from rigmon.simulate.scenario import Scenario
from rigmon.simulate.sentences import tag_block

#: raised whenever the same scenario would give another recording than before
SIMULATION_VERSION: Final = 1


@dataclass(frozen=True, slots=True, eq=False)
class Recorded:
    """What receiver and sensors sent in one run, and the fine grid that it comes from, without the truth.

    `lines` are the recorded lines without line ends, `times_ms` when each was sent (ms from the start).
    """

    scenario: Scenario
    lines: tuple[bytes, ...]
    times_ms: tuple[int, ...]
    trace: Trace
    path: motion.Path
    fixes: receiver.Fixes
    sent: tuple[str, ...]  #: the sentences before damage
    damaged: dict[str, int]  #: lines by kind of damage


@dataclass(frozen=True, slots=True, eq=False)
class Simulation:
    """One simulated run.

    `lines` are the recorded lines without line ends, `times_ms` when each was sent (ms from the start);
    `header` are the comment lines that go first in the file. `truth` is what `truth_bytes` writes, `trace`
    the fine grid it was worked out from.
    """

    scenario: Scenario
    header: tuple[bytes, ...]
    lines: tuple[bytes, ...]
    times_ms: tuple[int, ...]
    truth: dict[str, Any]
    trace: Trace

    def recording_bytes(self) -> bytes:
        """The recording file: comments, then NMEA 0183 lines, each ended by CR LF."""
        return b"".join(line + b"\r\n" for line in self.header + self.lines)

    def truth_bytes(self) -> bytes:
        """The truth file: JSON."""
        return (json.dumps(self.truth, indent=1, allow_nan=False) + "\n").encode()


def record(scenario: Scenario) -> Recorded:
    """Drive the scenario and write down what was sent; the truth's figures are left out, which saves time.

    Raises UsageError for an event that starts after the run's end, or plugs more nozzles than there are.
    """
    path = motion.Path(scenario)
    drive = motion.drive(scenario, path)
    for event in scenario.events:
        if event.start_s >= drive.duration_s:
            raise UsageError(
                f"event {event.kind}: start {event.start_s:g} s is after the end of the run at "
                f"{drive.duration_s:.1f} s"
            )
    trace = boom.run_boom(scenario, path, drive)
    fixes = receiver.observe(scenario, path, drive)
    sent = receiver.sentences_of(scenario, fixes) + sensors.sentences_of(scenario, trace)
    sent += weather.sentences_of(scenario, path, drive)
    sent.sort(key=lambda timed: timed[0])  # stable: within an epoch the receiver speaks first
    start_ms = round(scenario.start_utc.astimezone(UTC).timestamp() * 1000)
    tagged = scenario.tagged
    lines = [(ms, ((tag_block(start_ms + ms) if tagged else "") + text).encode("ascii")) for ms, text in sent]
    lines, damaged = damage.garble(scenario, lines)
    return Recorded(
        scenario=scenario,
        lines=tuple(line for _, line in lines),
        times_ms=tuple(ms for ms, _ in lines),
        trace=trace,
        path=path,
        fixes=fixes,
        sent=tuple(text for _, text in sent),
        damaged=damaged,
    )


def simulate(scenario: Scenario) -> Simulation:
    """`record`, and work out what really happened. Raises UsageError as it does."""
    made = record(scenario)
    facts = truth.truth_of(scenario, made.path, made.trace)
    facts["input"] = truth.input_of(scenario, made.fixes, list(made.sent), len(made.lines), made.damaged)
    note = f"simulated by rigmon; rig, place and job are invented; simulation version {SIMULATION_VERSION}"
    return Simulation(
        scenario=scenario,
        header=_header(scenario),
        lines=made.lines,
        times_ms=made.times_ms,
        truth={"note": note, **facts},
        trace=made.trace,
    )


def _header(scenario: Scenario) -> tuple[bytes, ...]:
    name = scenario.rig.name.encode("ascii", "replace").decode()
    sent = ", ".join(scenario.sent) or "none"
    return tuple(
        f"# {line}".encode("ascii")
        for line in (
            "Simulated by rigmon: no rig and no receiver were there. Rig, place and job are invented.",
            f"Simulation version {SIMULATION_VERSION}, seed {scenario.seed}, rig {' '.join(name.split())!r}.",
            f"Receiver at {scenario.gps_hz} Hz; sensors in XDR: {sent}.",
        )
    )


def readings(simulation: Simulation | Recorded) -> Iterator[tuple[int, Source, NmeaLine]]:
    """(t_ns since the start, source, line) of each line, as a live rig would stamp it on the GPS port."""
    for ms, line in zip(simulation.times_ms, simulation.lines, strict=True):
        yield ms * 1_000_000, Source.GPS, NmeaLine(line)


def write(
    simulation: Simulation, recording_path: FilePath, truth_path: FilePath, *, overwrite: bool = False
) -> None:
    """Write both files. Raises UsageError when one exists (unless `overwrite`) or cannot be written."""
    if recording_path.absolute() == truth_path.absolute():
        raise UsageError(f"{recording_path}: recording and truth need two different files")
    if not overwrite:
        for path in (recording_path, truth_path):
            if path.exists():
                raise UsageError(f"{path}: exists already; choose another name or ask to overwrite it")
    for path, content in (
        (recording_path, simulation.recording_bytes()),
        (truth_path, simulation.truth_bytes()),
    ):
        try:
            with path.open("wb" if overwrite else "xb") as file:
                file.write(content)
        except OSError as error:
            raise UsageError(f"{path}: cannot be written: {error.strerror}") from error
