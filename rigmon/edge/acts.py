"""The desk where people's deeds come in during a run: judged, answered, and put into the hub as readings.

Whoever shows a page or a prompt calls `ask` or `offer` from a thread of its own and gets an answer at once;
what was refused is counted and told, never lost silently. The daemon's loop tells the desk how things stand.
"""

import re
import threading
from collections import deque
from collections.abc import Mapping, Sequence
from typing import Any, Final, NamedTuple, Protocol

from rigmon import units
from rigmon.core.acts import RECORD_MAX, TEXT_MAX, VOLUME_MAX_L, act_of, may_act, why_not
from rigmon.edge.hub import Hub
from rigmon.errors import UsageError
from rigmon.model import (
    Acknowledge,
    Act,
    Alert,
    BeginRun,
    Deed,
    EndRun,
    Note,
    Output,
    Refill,
    Retarget,
    Sample,
    Source,
)
from rigmon.rig import Retargeted, Rig
from rigmon.words import alert_words

#: the core makes a sample at least each 1.1 s: an older one says nothing of whether the rig stands
_STALE_NS: Final = 2_000_000_000
#: so many deeds may come within so long: a person is slower, and a run log is not to be filled
_MOST: Final = 20
_WITHIN_NS: Final = 10_000_000_000

_BARE: Final = re.compile(r"[0-9]+(?:\.[0-9]*)?|\.[0-9]+")

#: what is wrong with a deed's content, by the core's reason
_WRONG: Final = {
    "empty": "it is empty; write something",
    "too_long": f"it is too long; at most {TEXT_MAX} characters",
    "control_character": "it holds a control character; write plain text",
    "no_text": "it must be a text",
    "volume": f"the volume must be above 0, at most {VOLUME_MAX_L:g} L; with a full tank it may be missing",
    "full": "full must be true or false",
    "record": f"it is no calibration record of at most {RECORD_MAX // 1024} kB",
}


class Answer(NamedTuple):
    """What became of a deed: done, refused (not now), invalid (wrong content) or busy (too many wait)."""

    outcome: str
    words: str  #: a sentence for the person

    @property
    def done(self) -> bool:
        return self.outcome == "done"

    def to_json(self) -> dict[str, Any]:
        """The answer for a page; `error` says what would be right."""
        return {
            "done": self.done,
            "outcome": self.outcome,
            "words" if self.done else "error": self.words,
        }


class Targets(Protocol):
    """The targets that may be chosen; see `rigmon.calibration.chosen`. Methods may read files."""

    def choices(self) -> list[dict[str, Any]]:
        """The targets in the book, newest first."""

    def record(self, name: str) -> str:
        """The JSON text of the record of that name; '' for ''. Raises UsageError."""

    def retargeted(self, choice: Retarget) -> Retargeted:
        """The rig with that target. Raises UsageError."""

    def remember(self, choice: Retarget) -> str | None:
        """Keep the choice for the next start; returns why that failed, None: it is kept."""


class Acts:
    """One desk a daemon. `ask`, `offer`, `why_not`, `choices`: from any thread but the daemon's loop."""

    def __init__(self, hub: Hub, rig: Rig, targets: Targets | None = None) -> None:
        self.refused = 0  #: deeds that were not taken
        self._hub = hub
        self._rig = rig
        self._targets = targets
        self._lock = threading.Lock()
        self._sample: Sample | None = None
        self._seen_ns = 0
        self._standing: dict[str, bool] = {}  # alerts that are up: acknowledged?
        self._run_going = False
        self._single = True
        self._taken_ns: deque[int] = deque(maxlen=_MOST)
        self._prepared: tuple[Retarget, Retargeted] | None = None

    # -- the daemon's loop -----------------------------------------------------------------------------

    def serves(self, *, single: bool, run_going: bool) -> None:
        """How runs come and go: a `single` one ends the program; whether one is under way now."""
        with self._lock:
            self._single, self._run_going = single, run_going

    def use(self, rig: Rig) -> None:
        """The rig from now on, for its units."""
        with self._lock:
            self._rig = rig

    def sees(self, outputs: Sequence[Output]) -> None:
        """What the core made."""
        with self._lock:
            for output in outputs:
                kind = type(output)
                if kind is Sample:
                    self._sample = output  # type: ignore[assignment]
                    self._seen_ns = self._hub.clock.now_ns()
                elif isinstance(output, Alert):
                    if output.raised:
                        self._standing[output.code] = False
                    else:
                        self._standing.pop(output.code, None)
                elif isinstance(output, Act) and output.kind == "acknowledge":
                    self._standing[output.text] = True

    def prepared(self, choice: Retarget) -> Retargeted:
        """The rig with the target that was chosen. Raises UsageError."""
        with self._lock:
            kept, self._prepared = self._prepared, None
        if kept is not None and kept[0] == choice:
            return kept[1]
        if self._targets is None:
            raise UsageError("no calibration book is at hand, so the target stays as it is")
        return self._targets.retargeted(choice)

    # -- people ----------------------------------------------------------------------------------------

    def why_not(self) -> str | None:
        """Why nothing may be done now, as a sentence; None: deeds are taken."""
        return why_not(self._newest())

    def choices(self) -> list[dict[str, Any]]:
        """The targets in the calibration book, newest first; [] without a book. Raises UsageError."""
        return [] if self._targets is None else self._targets.choices()

    def ask(self, request: object) -> Answer:
        """Do what a page's JSON object asks for, such as {"act": "note", "text": "..."}."""
        try:
            with self._lock:
                rig = self._rig
            deed = deed_of(request, rig)
            if isinstance(deed, Retarget):
                if self._targets is None:
                    raise UsageError("retarget: no calibration book is at hand")
                reason = may_act(self._newest(), Retarget("", ""))
                if reason is not None:  # before the book is opened
                    return self._no("refused", reason)
                deed = deed._replace(record=self._targets.record(deed.name))
        except UsageError as error:
            return self._no("invalid", str(error))
        return self.offer(deed)

    def offer(self, deed: Deed) -> Answer:
        """Do it, if it may be done now: put it into the hub. The answer says what becomes of it."""
        act = act_of(0, deed)
        if not isinstance(act, Act):
            wrong = "a calibration record is no note" if act is None else _WRONG[act]
            return self._no("invalid", f"{_NAMES.get(type(deed), 'act')}: {wrong}")
        reason = may_act(self._newest(), deed)
        if reason is not None:
            return self._no("refused", reason)
        with self._lock:
            reason = self._not_now(deed)
        if reason is not None:
            return self._no("refused", reason)
        if isinstance(deed, Retarget):
            try:
                return self._retarget(deed)
            except UsageError as error:
                return self._no("invalid", str(error))
        return self._put(deed, _DONE[type(deed)])

    def _newest(self) -> Sample | None:
        with self._lock:
            fresh = self._hub.clock.now_ns() - self._seen_ns <= _STALE_NS
            return self._sample if fresh else None

    def _not_now(self, deed: Deed) -> str | None:
        """With the lock held: what the state of run and alerts says against it."""
        if isinstance(deed, BeginRun):
            if self._single:
                return "this rigmon makes one run, from its start to its stop; it goes on already"
            return "a run is under way already; end it first" if self._run_going else None
        if isinstance(deed, EndRun):
            return None if self._run_going else "no run is under way"
        if isinstance(deed, Acknowledge):
            acknowledged = self._standing.get(deed.code)
            if acknowledged is None:
                return f"{alert_words(deed.code)}: that alert does not stand now"
            return f"{alert_words(deed.code)}: acknowledged already" if acknowledged else None
        if isinstance(deed, Retarget) and self._single:
            return (
                "this rigmon makes one run, which has one target; stop it, copy the target into the rig file "
                "with 'rigmon calibrate apply', and start it again"
            )
        return None

    def _retarget(self, choice: Retarget) -> Answer:
        if self._targets is None:
            raise UsageError("retarget: no calibration book is at hand")
        new = self._targets.retargeted(choice)
        with self._lock:
            self._prepared = choice, new
        what = choice.name or "the rig file's own"
        answer = self._put(choice, f"the target is {what} from now on")
        if not answer.done:
            return answer
        trouble = self._targets.remember(choice)
        if trouble is not None:
            return Answer("done", f"{answer.words}, but only until rigmon is started again: {trouble}")
        return answer

    def _put(self, deed: Deed, words: str) -> Answer:
        now_ns = self._hub.clock.now_ns()
        with self._lock:
            if len(self._taken_ns) == _MOST and now_ns - self._taken_ns[0] < _WITHIN_NS:
                self.refused += 1
                return Answer("busy", f"{_MOST} within {_WITHIN_NS // 10**9} s are enough; wait a moment")
            if not self._hub.put(now_ns, Source.PERSON, deed):
                self.refused += 1
                return Answer("busy", "too many readings wait, or rigmon is stopping; try again in a moment")
            self._taken_ns.append(now_ns)
            # until the loop says how it is: a second click is told at once
            if isinstance(deed, BeginRun):
                self._run_going = True
            elif isinstance(deed, EndRun):
                self._run_going = False
        return Answer("done", words)

    def _no(self, outcome: str, words: str) -> Answer:
        with self._lock:
            self.refused += 1
        return Answer(outcome, words)


_NAMES: Final[dict[type[Any], str]] = {
    Note: "note", Refill: "refill", Acknowledge: "acknowledge", BeginRun: "begin_run", EndRun: "end_run",
    Retarget: "retarget",
}  # fmt: skip
_DONE: Final[dict[type[Any], str]] = {
    Note: "noted", Refill: "the refill is noted", Acknowledge: "acknowledged: it stands, and sounds no more",
    BeginRun: "the run begins", EndRun: "the run ends",
}  # fmt: skip


# -- what a page asks for ------------------------------------------------------------------------------


#: act -> its keys
_KEYS: Final[dict[str, tuple[str, ...]]] = {
    "note": ("text",), "refill": ("volume", "volume_l", "full"), "acknowledge": ("code",), "begin_run": (),
    "end_run": ("why",), "retarget": ("record",),
}  # fmt: skip


def deed_of(request: object, rig: Rig) -> Deed:
    """The deed that a JSON object asks for; a bare volume is in the rig's unit. Of a target only the name.

    Raises UsageError that says what would be right, for whatever else comes.
    """
    if not isinstance(request, Mapping):
        raise UsageError('an act is a JSON object, such as {"act": "note", "text": "..."}')
    name = request.get("act")
    keys = _KEYS.get(name) if isinstance(name, str) else None
    if keys is None or not isinstance(name, str):
        shown = f" {units.quoted(name)}" if isinstance(name, str) else ""
        raise UsageError(f"act{shown} is not known; it must be one of: {', '.join(_KEYS)}")
    for key in request:
        if key != "act" and key not in keys:
            takes = f"takes: {', '.join(keys)}" if keys else "takes none"
            raise UsageError(f"{name}: unknown key {units.quoted(str(key))}; it {takes}")
    if name == "note":
        return Note(_text(request, name, "text"))
    if name == "refill":
        return _refill(request, rig)
    if name == "acknowledge":
        return Acknowledge(_text(request, name, "code"))
    if name == "begin_run":
        return BeginRun()
    if name == "end_run":
        return EndRun(_text(request, name, "why", ""))
    return Retarget(_text(request, name, "record"), "")


def _text(request: Mapping[str, Any], name: str, key: str, otherwise: str | None = None) -> str:
    text = request.get(key, otherwise)
    if not isinstance(text, str):
        raise UsageError(f"{name}: {key} must be a text")
    return text.strip()


def _refill(request: Mapping[str, Any], rig: Rig) -> Refill:
    full, volume_l, text = request.get("full", False), request.get("volume_l"), request.get("volume")
    if not isinstance(full, bool):
        raise UsageError("refill: full must be true or false")
    if volume_l is not None and text is not None:
        raise UsageError("refill: give volume or volume_l, not both")
    if text is not None:
        if not isinstance(text, str):
            raise UsageError('refill: volume must be a text such as "25 gal" or "95 L"')
        bare = _BARE.fullmatch(text.strip())
        typed = f"{bare[0]} {units.shown_unit('volume', rig.units)}" if bare else text
        volume_l = units.parse(typed, "volume")
    return Refill(volume_l, full)
