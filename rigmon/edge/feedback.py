"""What the driver sees on a terminal, from samples and alerts alone, never from sensors.

The words are pure functions; the thread around them has one slot for the newest sample and a bounded list
of alert changes, so a slow or stuck terminal can never hold up the core: it only misses lines.
"""

import errno
import os
import threading
import time
from collections import deque
from collections.abc import Callable, Container, Iterable, Sequence
from typing import Final, TextIO

from rigmon import units
from rigmon.edge.guide import Do, advise, alert_figures, figure, rate_off_pct
from rigmon.model import Act, Alert, Basis, Flag, Output, Sample, Weather
from rigmon.rig import Rig
from rigmon.words import ALERT_WORDS, act_words, alert_words

#: a line stays below this, so that it never wraps on a terminal of 100 columns
WIDTH: Final = 99

#: over the columns of `driver_line`
HEADER: Final = (
    f"{'time':>7}  {'speed':>8}  {'do, at speed (from-to)':<23}  {'rate, off target, from':<24}  {'boom':<7}"
    "  ! what is wrong"
)

#: below it air is called calm, 3 mph: common practice of labels
CALM_M_S: Final = 3 * 0.44704
_URGENCY: Final = {code: place for place, code in enumerate(ALERT_WORDS)}
#: what the flow was worked out from: flowmeter, pressure, or the catch test alone
_BASIS: Final[dict[int, str]] = {
    Basis.FLOWMETER: "meter",
    Basis.PRESSURE: "gauge",
    Basis.CALIBRATION: "catch",
}
_DO: Final[dict[Do, str]] = {
    "hold": "hold",
    "faster": "FASTER to",
    "slower": "SLOWER to",
    "stopped": "stopped",
    "boom_off": "boom off",
    "no_flow": "no flow",
    "flow_unknown": "flow unknown",
    "speed_unknown": "speed unknown",
}


# -- words ---------------------------------------------------------------------------------------------


def run_clock(t_ns: int) -> str:
    """Time since the run's start as h:mm:ss: the board's own clock may be wrong."""
    seconds = t_ns // 1_000_000_000
    return f"{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"


def advice(sample: Sample, rig: Rig) -> tuple[str, str]:
    """What to do, and the speed to do it at with its band, in the rig's units; '--' where unknown.

    The speed to hold is the one that gives the target rate at the flow now; with the boom off there is
    no flow, and it is the target speed.
    """
    told = advise(sample, rig)
    at = figure(told.hold_m_s, "speed", rig.units)
    if told.low_m_s is not None:
        at += f" ({figure(told.low_m_s, 'speed', rig.units)}-{figure(told.high_m_s, 'speed', rig.units)})"
    return _DO[told.do], at


def driver_line(
    sample: Sample,
    rig: Rig,
    alerts_active: Iterable[str],
    clock_text: str,
    width: int = WIDTH,
    acknowledged: Container[str] = (),
    weather: Weather | None = None,
) -> str:
    """One line of at most `width` columns, in the rig's units. What is unknown reads '--'.

    Time; speed now; what to do and the speed to hold (its band at the flow now); rate now, how far off
    the target, and what its flow rests on; boom ('?': not from a switch); what is wrong, most urgent first,
    and in brackets what was `acknowledged` and is wrong still. With a wind sensor also the wind in the unit
    of the speed: 2 min mean, from where, gust.
    Where there is no room for that, the wind, what the flow rests on, the boom and the rate give way, in this
    order.
    """
    do, at = advice(sample, rig)
    speed = f"{figure(sample.speed_m_s, 'speed', rig.units)} {units.shown_unit('speed', rig.units)}"
    boom = "boom " + ("--" if sample.boom_on is None else "on" if sample.boom_on else "off")
    if sample.boom_on is not None and sample.flags & (Flag.BOOM_INFERRED | Flag.BOOM_ASSUMED):
        boom += "?"
    # One field for both, so that a long word of advice uses the room of an unknown rate.
    head = f"{clock_text:>7}  {speed:>8}  "
    do_at = f"{do:<9} {at}"
    rate = _rate(sample, rig)
    basis = "" if sample.rate_l_ha is None else f" {_BASIS.get(sample.basis, '--')}"
    full = f"{head}{f'{do_at:<23}  {rate}{basis}':<49}  {boom}"
    codes = sorted(
        alerts_active, key=lambda code: (code in acknowledged, _URGENCY.get(code, len(_URGENCY)), code)
    )
    winds = [f"{full}  {words}" for words in wind_words(weather, rig)]
    if not codes:
        return next((line for line in winds if len(line) <= width), full)[:width]
    wrong = [f"({alert_words(code)})" if code in acknowledged else alert_words(code) for code in codes]
    room = len(f"  ! {wrong[0]}") + (len(f" +{len(wrong) - 1}") if len(wrong) > 1 else 0)
    shorter = (
        full,
        f"{head}{f'{do_at:<23}  {rate}':<43}  {boom}",
        f"{head}{do_at:<23}  {rate}",
        head + do_at,
    )
    line = next((line for line in (*winds, *shorter) if len(line) + room <= width), shorter[-1])
    return _with_alerts(line, wrong, width)


def wind_words(weather: Weather | None, rig: Rig) -> list[str]:
    """The wind in the unit of the speed, the fullest first: 'wind 7.2 WSW g 9.8', 'calm 0.9', 'wind --'."""
    if rig.weather.wind == "none":
        return []
    if weather is None or weather.wind_2min_m_s is None:
        return ["wind --"]
    mean = weather.wind_2min_m_s
    text = f"{'calm' if mean < CALM_M_S else 'wind'} {figure(mean, 'speed', rig.units)}"
    if weather.wind_2min_from_deg is not None:
        text += f" {units.compass_point(weather.wind_2min_from_deg)}"
    if weather.gust_m_s is None:
        return [text]
    return [f"{text} g {figure(weather.gust_m_s, 'speed', rig.units)}", text]


def alert_line(alert: Alert, rig: Rig, clock_text: str) -> str:
    """One line for an alert that was raised or cleared, with its value and limit in the rig's units."""
    what = "ALERT" if alert.raised else "over: "
    line = f"{clock_text:>7}  {what} {alert_words(alert.code)}"
    figures = alert_figures(alert, rig.units)
    return f"{line}: {figures}" if figures else line


def act_line(act: Act, rig: Rig, clock_text: str) -> str:
    """One line for what a person did, in the rig's units; a note's line ends are spaces."""
    volume = None if act.volume_l is None else units.show(act.volume_l, "volume", rig.units)
    return f"{clock_text:>7}  {' '.join(act_words(act.kind, act.text, volume, act.full).split())}"


def _rate(sample: Sample, rig: Rig) -> str:
    unit = units.shown_unit("rate", rig.units)
    text = f"{figure(sample.rate_l_ha, 'rate', rig.units):>5} {unit}"
    off_pct = rate_off_pct(sample, rig)
    if off_pct is None:
        return text
    # adding zero turns a rounded -0 into 0
    text += f" {min(round(off_pct), 999) + 0:+4d}%"
    return text


def _with_alerts(line: str, words: Sequence[str], width: int) -> str:
    """Add what is wrong, as much of it as fits, and how many more there are."""
    for shown in range(len(words), 0, -1):
        more = f" +{len(words) - shown}" if shown < len(words) else ""
        full = f"{line}  ! {', '.join(words[:shown])}{more}"
        if len(full) <= width:
            return full
    more = f" +{len(words) - 1}" if len(words) > 1 else ""
    return f"{line}  ! {words[0]}"[: width - len(more)] + more


# -- the thread ----------------------------------------------------------------------------------------


class TerminalFeedback:
    """Writes the driver's lines to `out`: about one per `every_s`, and at once when an alert changes.

    On a terminal the newest line is rewritten in place; elsewhere lines follow one another. `trouble`
    says why nothing is written any more, if `out` failed: the run goes on without it.
    """

    def __init__(
        self,
        rig: Rig,
        out: TextIO,
        every_s: float = 1.0,
        *,
        stale_s: float | None = None,
        monotonic_s: Callable[[], float] = time.monotonic,
    ) -> None:
        """With `stale_s`, a line says so when no sample has come for so long after one that was shown."""
        self.trouble: str | None = None
        self._stale_s = stale_s
        self._rig = rig
        self._out = out
        self._every_s = every_s
        self._monotonic_s = monotonic_s
        self._fd = _descriptor(out)
        self._in_place = self._fd is not None and os.isatty(self._fd) and os.environ.get("TERM") != "dumb"
        self._lock = threading.Condition()
        self._sample: Sample | None = None  # the slot: newest wins
        self._weather: Weather | None = None
        self._changes: deque[Alert | Act | str] = deque(maxlen=50)  # a text is told as it is
        self._missed = 0
        self._active: dict[str, None] = {}
        self._acknowledged: set[str] = set()
        self._done = False
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Write the heading and start the thread."""
        self._out.flush()
        self._done = False
        self._active.clear()
        self._acknowledged.clear()
        self._weather = None
        self._thread = threading.Thread(target=self._run, name="feedback", daemon=True)
        self._thread.start()

    def publish(self, outputs: Sequence[Output]) -> None:
        """Take what the core made. Returns at once, whatever the terminal does."""
        wake = False
        with self._lock:
            for output in outputs:
                kind = type(output)
                if kind is Sample:
                    wake = wake or self._sample is None
                    self._sample = output  # type: ignore[assignment]
                elif kind is Alert:
                    self._change(output)  # type: ignore[arg-type]
                    wake = True
                elif kind is Weather:
                    self._weather = output  # type: ignore[assignment]
                elif kind is Act:
                    if output.kind == "acknowledge":  # type: ignore[union-attr]
                        self._acknowledged.add(output.text)  # type: ignore[union-attr]
                    self._queue(output)  # type: ignore[arg-type]
                    wake = True
            if wake:
                self._lock.notify()

    def tell(self, t_ns: int, text: str) -> None:
        """Show a line of text at once, such as why a port is silent. Returns at once, like `publish`."""
        with self._lock:
            self._queue(f"{run_clock(t_ns):>7}  {text}")
            self._lock.notify()

    def use(self, rig: Rig) -> None:
        """Show by this rig from now on: the target was changed."""
        with self._lock:
            self._rig = rig

    def _change(self, alert: Alert) -> None:
        self._acknowledged.discard(alert.code)  # what comes again was not acknowledged
        if alert.raised:
            self._active[alert.code] = None
        else:
            self._active.pop(alert.code, None)
        self._queue(alert)

    def _queue(self, change: Alert | Act | str) -> None:
        if len(self._changes) == self._changes.maxlen:
            self._missed += 1
        self._changes.append(change)

    def stop(self, timeout_s: float = 1.0) -> None:
        """Write what is left and end the thread; a stuck terminal is left alone after `timeout_s`."""
        if self._thread is None:
            return
        with self._lock:
            self._done = True
            self._lock.notify()
        self._thread.join(timeout_s)
        if self._thread.is_alive():
            self.trouble = self.trouble or "the terminal takes no output"
        self._thread = None

    def _run(self) -> None:
        due_s = self._monotonic_s()
        stale_at_s: float | None = None
        self._write(HEADER[: self._width()].rstrip() + "\n")
        while True:
            with self._lock:
                stale = False
                while not self._done and not self._changes:
                    at_s = due_s if self._sample is not None else stale_at_s
                    wait_s = None if at_s is None else at_s - self._monotonic_s()
                    if wait_s is not None and wait_s <= 0:
                        stale = self._sample is None
                        break
                    self._lock.wait(wait_s)
                done = self._done
                sample, self._sample = self._sample, None
                changes, missed = tuple(self._changes), self._missed
                self._changes.clear()
                self._missed = 0
                active, acknowledged = tuple(self._active), frozenset(self._acknowledged)
                weather = self._weather
            if stale:
                stale_at_s = None
                self._write(self._stale_text())
                continue
            self._write(self._text(sample, weather, changes, missed, active, acknowledged, done))
            if sample is not None:
                due_s = self._monotonic_s() + self._every_s
                stale_at_s = None if self._stale_s is None else self._monotonic_s() + self._stale_s
            if done:
                return

    def _stale_text(self) -> str:
        """In place of the last line: it must not pose as live."""
        start, end = ("\r\x1b[K", "") if self._in_place else ("", "\n")
        return f"{start}{'--':>7}  no data for {self._stale_s:g} s{end}"

    def _text(
        self,
        sample: Sample | None,
        weather: Weather | None,
        changes: Sequence[Alert | Act | str],
        missed: int,
        active: Sequence[str],
        acknowledged: Container[str],
        done: bool,
    ) -> str:
        start, end = ("\r\x1b[K", "") if self._in_place else ("", "\n")
        width = self._width()
        text = ""
        if missed:
            text += f"{start}{missed} changes not shown\n"
        for change in changes:
            if isinstance(change, Alert):
                change = alert_line(change, self._rig, run_clock(change.t_ns))  # noqa: PLW2901
            elif isinstance(change, Act):
                change = act_line(change, self._rig, run_clock(change.t_ns))  # noqa: PLW2901
            text += f"{start}{change[:width]}\n"
        if sample is not None:
            clock = run_clock(sample.t_ns)
            line = driver_line(sample, self._rig, active, clock, width, acknowledged, weather)
            text += f"{start}{line}{end}"
        return text + "\n" if done and self._in_place else text

    def _width(self) -> int:
        """On a narrow terminal a line that wraps could not be rewritten."""
        if not self._in_place or self._fd is None:
            return WIDTH
        try:
            columns = os.get_terminal_size(self._fd).columns
        except OSError:
            return WIDTH
        return min(columns - 1, WIDTH) if columns else WIDTH  # 0: the terminal does not know

    def _write(self, text: str) -> None:
        if self.trouble is not None or not text:
            return
        try:
            if self._fd is None:
                self._out.write(text)
                self._out.flush()
                return
            # Past the buffered writer: this thread may be stuck here, and the interpreter cannot end
            # while a thread holds that writer's lock.
            data = text.encode("ascii", "replace")
            while data:
                data = data[os.write(self._fd, data) :]
        except (OSError, ValueError) as error:
            if getattr(error, "errno", None) != errno.EAGAIN:
                self.trouble = f"the live lines ended: {error}"


def _descriptor(out: TextIO) -> int | None:
    try:
        return out.fileno()
    except (AttributeError, OSError, ValueError):
        return None
