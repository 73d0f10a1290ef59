"""Stamps for the lines of a recording: when each one came, from TAG blocks or the sentences' own UTC."""

from typing import Final

from rigmon.core.nmea import Decoder, Gga, Rmc, Zda, tag_block_time_ms

_DAY_MS: Final = 86_400_000
#: times from a receiver without fix are believed when they advance by no more than this
_STEP_MS: Final = 10_000
#: a clock that went on steadily for so many times is believed, wherever it leapt to
_STEADY: Final = 5
_TIMED: Final = (b"RMC,", b"GGA,", b"ZDA,")
_FIXES: Final = (Rmc, Gga, Zda)


class Timeline:
    """Gives each framed line its stamp: ns since the first timed line, never running backwards.

    A line without time of its own belongs to the epoch it came in. Time runs on across midnight. A
    receiver without fix may tell any time, so a leap is believed only from a valid fix. A leap backwards, of
    half a day or more (recordings joined end to end, a clock set), or of a receiver that never says it has
    a fix, goes on from where the time stood.
    """

    __slots__ = ("_decoder", "_last_ms", "_now_ms", "_odd_ms", "_seen", "_steady", "_tag_ms", "_valid_seen")

    def __init__(self, decoder: Decoder) -> None:
        self._decoder = decoder
        self._now_ms = 0  # the stamp now
        self._last_ms: int | None = None  # newest believed time of day
        self._seen = b""  # its digits as printed
        self._valid_seen = False
        self._odd_ms = 0  # newest time of day that was not believed
        self._steady = 0  # how many of those followed one another
        self._tag_ms: int | None = None  # unix time of the stamp 0

    def stamp_ns(self, raw: bytes) -> int:
        """The stamp of one line, in ns."""
        tag_ms = tag_block_time_ms(raw) if raw[:1] == b"\\" else None
        if tag_ms:
            self._by_tag(tag_ms)
        elif self._tag_ms is None:
            self._by_sentence(raw)
        return self._now_ms * 1_000_000

    def _by_tag(self, tag_ms: int) -> None:
        if self._tag_ms is None:
            self._tag_ms = tag_ms - self._now_ms  # what came before the first TAG block came at its time
        step_ms = tag_ms - self._tag_ms - self._now_ms
        if 0 <= step_ms < _DAY_MS // 2:
            self._now_ms += step_ms
        elif not -_STEP_MS <= step_ms < 0:
            self._tag_ms = tag_ms - self._now_ms

    def _by_sentence(self, raw: bytes) -> None:
        start = raw.rfind(b"$")
        if start < 0 or raw[start + 3 : start + 7] not in _TIMED:
            return
        digits = raw[start + 7 : raw.find(b",", start + 7)]
        if not digits or digits == self._seen:
            return  # the same epoch goes on: no need to decode it twice
        fix = self._decoder.decode(raw)
        if not isinstance(fix, _FIXES) or fix.time_ms is None:
            return
        valid = not isinstance(fix, Zda) and fix.valid
        time_ms = fix.time_ms
        if self._last_ms is None:
            self._believe(time_ms, digits, 0)
        else:
            step_ms = (time_ms - self._last_ms + _DAY_MS // 2) % _DAY_MS - _DAY_MS // 2
            if 0 <= step_ms <= _STEP_MS:
                self._believe(time_ms, digits, step_ms)
            elif valid and not self._valid_seen:
                self._believe(time_ms, digits, 0)  # the first fix sets the receiver's clock
            elif valid and step_ms > 0:
                self._believe(time_ms, digits, step_ms)
            elif valid and step_ms < -_STEP_MS:
                self._believe(time_ms, digits, 0)
            else:
                self._doubt(time_ms, digits)
        self._valid_seen = self._valid_seen or valid

    def _believe(self, time_ms: int, digits: bytes, step_ms: int) -> None:
        self._now_ms += step_ms
        self._last_ms, self._seen = time_ms, digits
        self._steady = 0

    def _doubt(self, time_ms: int, digits: bytes) -> None:
        self._steady = self._steady + 1 if 0 < time_ms - self._odd_ms <= _STEP_MS else 1
        self._odd_ms = time_ms
        if self._steady > _STEADY:
            self._believe(time_ms, digits, 0)
