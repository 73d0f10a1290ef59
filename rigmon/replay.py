"""Replay: a run log or an NMEA recording through the same pipeline as the live daemon."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

from rigmon import config
from rigmon.core.nmea import LineFramer, decoder_for
from rigmon.core.pipeline import Pipeline
from rigmon.core.timeline import Timeline
from rigmon.errors import UsageError
from rigmon.log.reader import RunLog, is_run_log
from rigmon.model import (
    Act,
    Alert,
    Anchor,
    Finding,
    NmeaLine,
    Output,
    Payload,
    Reading,
    Sample,
    Source,
    Tally,
    Tick,
    Weather,
)
from rigmon.rig import Rig

Item = tuple[int, Source, Payload]

_CHUNK_BYTES = 65536
_HASH = ord("#")


def recording(path: Path, rig: Rig, chunk_bytes: int = _CHUNK_BYTES) -> Iterator[Item]:
    """The lines of an NMEA recording as stamped items. Lines that start with '#' are comments.

    Raises UsageError when the file cannot be read.
    """
    framer = LineFramer()
    timeline = Timeline(decoder_for(rig))
    try:
        with path.open("rb") as file:
            while True:
                data = file.read(chunk_bytes)
                for raw in framer.feed(data) if data else framer.flush():
                    if raw[0] == _HASH and b"$" not in raw:
                        continue
                    yield timeline.stamp_ns(raw), Source.GPS, NmeaLine(raw)
                if not data:
                    return
    except OSError as error:
        raise UsageError(f"{path}: cannot be read: {error.strerror}") from error


def drive(
    pipeline: Pipeline,
    items: Iterable[Item],
    record: Callable[[Reading], None] | None = None,
    pace: Callable[[int], None] | None = None,
) -> Iterator[tuple[Reading, Sequence[Output]]]:
    """Number the items, put ticks where the core's deadline passes in silence, and feed the pipeline.

    `record` gets every reading before the pipeline does (raw first); `pace` is called with each stamp.
    """
    seq = 0
    for t_ns, source, payload in items:
        while t_ns > pipeline.deadline_ns:
            tick = Reading(seq, pipeline.deadline_ns, Source.HUB, Tick())
            seq += 1
            if pace:
                pace(tick.t_ns)
            if record:
                record(tick)
            yield tick, pipeline.feed(tick)
        reading = Reading(seq, t_ns, source, payload)
        seq += 1
        if pace:
            pace(t_ns)
        if record:
            record(reading)
        yield reading, pipeline.feed(reading)


def drive_log(
    pipeline: Pipeline,
    log: RunLog,
    record: Callable[[Reading], None] | None = None,
    pace: Callable[[int], None] | None = None,
) -> Iterator[tuple[Reading, Sequence[Output]]]:
    """Feed the pipeline a log's readings as they were numbered, its own ticks included."""
    for reading in log.readings():
        if pace:
            pace(reading.t_ns)
        if record:
            record(reading)
        yield reading, pipeline.feed(reading)


@dataclass
class Replayed:
    """What came out of a replay, kind by kind, in order."""

    samples: list[Sample] = field(default_factory=list)
    alerts: list[Alert] = field(default_factory=list)
    anchors: list[Anchor] = field(default_factory=list)
    tallies: list[Tally] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    acts: list[Act] = field(default_factory=list)
    weather: list[Weather] = field(default_factory=list)
    readings: int = 0
    last_ns: int = 0

    @property
    def sentences(self) -> int:
        """Sound sentences seen, used or not."""
        return sum(tally.n for tally in self.tallies if tally.name == "sentence")

    def take(self, outputs: Iterable[Output]) -> None:
        for output in outputs:
            if isinstance(output, Sample):
                self.samples.append(output)
            elif isinstance(output, Alert):
                self.alerts.append(output)
            elif isinstance(output, Anchor):
                self.anchors.append(output)
            elif isinstance(output, Finding):
                self.findings.append(output)
            elif isinstance(output, Act):
                self.acts.append(output)
            elif isinstance(output, Weather):
                self.weather.append(output)
            else:
                self.tallies.append(output)


def no_sentence(path: Path, result: Replayed) -> UsageError:
    """The refusal of a file without any sound sentence, with what was in it instead."""
    reasons: dict[str, int] = {}
    for tally in result.tallies:
        kind, _, reason = tally.name.partition(":")
        if kind == "rejected":
            reasons[reason] = reasons.get(reason, 0) + tally.n
    told = ", ".join(f"{reason}: {n}" for reason, n in reasons.items())
    refused = f" (rejected {told})" if told else ""
    return UsageError(f"{path}: holds no NMEA 0183 sentence{refused}; give a run log or an NMEA text file")


def collect(
    pipeline: Pipeline,
    driven: Iterable[tuple[Reading, Sequence[Output]]],
    ended_ns: int | None,
    progress: Callable[[int], None] | None = None,
    on_outputs: Callable[[Sequence[Output]], None] | None = None,
) -> Replayed:
    """Keep what a driven pipeline makes, finish it, and hand each batch of outputs on as it comes."""
    result = Replayed()
    count = newest_ns = 0
    for reading, outputs in driven:
        count += 1
        newest_ns = max(newest_ns, reading.t_ns)
        if outputs:
            result.take(outputs)
            if on_outputs:
                on_outputs(outputs)
            if progress:
                progress(reading.t_ns)
    result.readings, result.last_ns = count, newest_ns
    last = pipeline.finish(newest_ns if ended_ns is None else ended_ns)
    result.take(last)
    if on_outputs:
        on_outputs(last)
    return result


def replay(items: Iterable[Item], rig: Rig, progress: Callable[[int], None] | None = None) -> Replayed:
    """Run items flat out through a fresh pipeline. `progress` gets the stamp now and then."""
    pipeline = Pipeline(rig)
    return collect(pipeline, drive(pipeline, items), None, progress)


def replay_log(log: RunLog, rig: Rig, progress: Callable[[int], None] | None = None) -> Replayed:
    """Run a log's readings, ticks included, through a fresh pipeline."""
    pipeline = Pipeline(rig)
    return collect(pipeline, drive_log(pipeline, log), log.header.ended_ns, progress)


class Difference(NamedTuple):
    """The first place where a recomputed output is not the recorded one."""

    kind: str
    place: int  #: counted from 0 within its kind
    recorded: Output | None
    recomputed: Output | None


class Check(NamedTuple):
    same: bool
    compared: int
    difference: Difference | None
    complete: bool  #: False: the log was cut, or lost rows; what could be compared was


def check(log: RunLog) -> Check:
    """Recompute a log's outputs from its readings and compare them with ==.

    Outputs are numbered in the order of production, in the log too, so each is compared with its own. What
    the log says it lost may be missing; after a power cut so may the newest of each kind, which are a cache;
    nothing else. Where readings were lost, what came after the first of them cannot be computed again.
    """
    first_lost = min((gap.first for gap in log.gaps if gap.what == "readings"), default=None)
    lost = [range(gap.first, gap.last + 1) for gap in log.gaps if gap.what == "outputs"]
    recorded = list(log.numbered_outputs())
    recomputed = list(enumerate(_again(log, first_lost, recorded), 1))
    compared = 0
    complete = log.ended_cleanly and first_lost is None and not lost
    for kind, made in _KINDS.items():
        again = {n: output for n, output in recomputed if type(output) is made}
        kept = {n: output for n, output in recorded if type(output) is made}
        place, newest = 0, max(kept, default=0)
        for n in sorted({*again, *kept}):
            if n not in again and n > len(recomputed) and first_lost is not None:
                break
            if n not in kept and (any(n in some for some in lost) or (not log.ended_cleanly and n > newest)):
                continue
            if kept.get(n) != again.get(n):
                return Check(False, compared, Difference(kind, place, kept.get(n), again.get(n)), complete)
            place += 1
            compared += 1
    return Check(True, compared, None, complete)


_KINDS: dict[str, type[Output]] = {
    "sample": Sample,
    "alert": Alert,
    "anchor": Anchor,
    "tally": Tally,
    "finding": Finding,
    "act": Act,
    "weather": Weather,
}


def _again(log: RunLog, first_lost: int | None, recorded: Sequence[tuple[int, Output]]) -> list[Output]:
    """A log's outputs recomputed in order, up to the first reading that is known to be lost.

    An older log kept neither findings nor acts, and did not count them either.
    """
    outputs = _all_again(log, first_lost, recorded)
    return outputs if log.keeps_findings else [one for one in outputs if type(one) not in (Finding, Act)]


def _all_again(log: RunLog, first_lost: int | None, recorded: Sequence[tuple[int, Output]]) -> list[Output]:
    pipeline = Pipeline(rig_of(log))
    outputs: list[Output] = []
    newest_ns = 0
    for reading, made in drive_log(pipeline, log):
        if first_lost is not None and reading.seq > first_lost:
            return outputs
        newest_ns = max(newest_ns, reading.t_ns)
        outputs += made
    if first_lost is None:
        ended_ns = log.header.ended_ns
        if ended_ns is None:
            # Cut off while it was being ended, the last outputs may be there and the end's own row not. No
            # other output is newer than the newest reading.
            ended_ns = max((output.t_ns for _, output in recorded), default=0)
        outputs += pipeline.finish(max(ended_ns, newest_ns))
    return outputs


def rig_of(log: RunLog) -> Rig:
    """The rig that a log carries."""
    return config.parse(log.header.rig_toml, f"{log.path} (its rig)")


def _check_readable(path: Path) -> None:
    try:
        if path.is_dir():
            raise UsageError(f"{path}: is a folder; give a run log or an NMEA text file")
        if not path.exists():
            raise UsageError(f"{path}: is not there; give a run log or an NMEA text file")
        if not path.is_file():
            raise UsageError(f"{path}: is not a file; give a run log or an NMEA text file")
        with path.open("rb"):
            pass
    except OSError as error:
        raise UsageError(f"{path}: cannot be read: {error.strerror}") from error


class Opened:
    """A run log or an NMEA recording, opened for replay, with the rig to replay it on."""

    def __init__(self, path: Path, rig_file: Path | None) -> None:
        """Raises UsageError for a file that cannot be read, and for a recording without a rig."""
        _check_readable(path)
        self.path = path
        self.log: RunLog | None = None
        if rig_file is not None:
            self.rig, self.rig_toml = config.load(rig_file)
        if is_run_log(path):
            self.log = RunLog.open(path)
            if rig_file is None:
                self.rig, self.rig_toml = rig_of(self.log), self.log.header.rig_toml
        elif rig_file is None:
            raise UsageError(
                f"{path}: not a run log; if it is an NMEA recording, it carries no rig: add --rig FILE "
                "('rigmon init' writes one)"
            )

    def __enter__(self) -> "Opened":
        return self

    def __exit__(self, *_: object) -> None:
        if self.log is not None:
            self.log.close()

    @property
    def ended_ns(self) -> int | None:
        """Stamp of a log's clean end; None for a recording, and for a log that was cut."""
        return self.log.header.ended_ns if self.log is not None else None

    def drive(
        self,
        pipeline: Pipeline,
        record: Callable[[Reading], None] | None = None,
        pace: Callable[[int], None] | None = None,
    ) -> Iterator[tuple[Reading, Sequence[Output]]]:
        """See `drive` and `drive_log`."""
        if self.log is not None:
            return drive_log(pipeline, self.log, record, pace)
        return drive(pipeline, recording(self.path, self.rig), record, pace)

    def replay(self, progress: Callable[[int], None] | None = None) -> Replayed:
        """Flat out, everything kept. Raises UsageError when a recording holds no sentence at all."""
        pipeline = Pipeline(self.rig)
        result = collect(pipeline, self.drive(pipeline), self.ended_ns, progress)
        if self.log is None and result.sentences == 0:
            raise no_sentence(self.path, result)
        return result
