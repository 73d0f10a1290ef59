"""What people do during a run, as the core takes it: what may be in a deed, and when one may be done."""

from typing import Final

from rigmon.model import Acknowledge, Act, BeginRun, Deed, EndRun, Note, Payload, Refill, Retarget, Sample

#: characters of a note, and of why a run was ended
TEXT_MAX: Final = 1000
#: of a name: an alert's code, a record's name
NAME_MAX: Final = 120
#: of a calibration record's JSON text; the longest that rigmon writes are a few thousand
RECORD_MAX: Final = 65_536
#: the rig file's tank.volume ends there too [L]
VOLUME_MAX_L: Final = 50_000.0
#: begins the notes that carry a calibration record: they are no words of a person's
RECORD_NOTE: Final = "calibration record "

#: begin the names of tallies: of deeds that were not taken, and of acknowledgements without effect
REFUSED: Final = "act_refused:"
NO_EFFECT: Final = "acknowledged_not_standing"

#: of these no note is made: control characters but tab and newline, what turns the line's direction, halves
#: of characters, and what is none. Ranges, for the character tables differ from Python to Python.
_UNFIT: Final = (
    *((0x00, 0x08), (0x0B, 0x1F), (0x7F, 0x9F), (0x2028, 0x202E), (0x2066, 0x2069)),
    *((0xD800, 0xDFFF), (0xFEFF, 0xFEFF), (0xFFF9, 0xFFFB), (0xFFFE, 0xFFFF)),
)


def act_of(t_ns: int, deed: Payload) -> Act | str | None:
    """The act that a person's deed makes, or what is wrong with its content, as a tally's reason.

    None: it is none, as a note that carries a calibration record. Never raises, whatever is in the deed.
    """
    text: object
    if isinstance(deed, Note):
        text = deed.text
        if type(text) is str and text.startswith(RECORD_NOTE):
            return None
        return _plain(text, 1, TEXT_MAX) or Act(t_ns, "note", deed.text)
    if isinstance(deed, Refill):
        return _refill(t_ns, *deed)
    if isinstance(deed, Acknowledge):
        return _plain(deed.code, 1, NAME_MAX) or Act(t_ns, "acknowledge", deed.code)
    if isinstance(deed, BeginRun):
        return Act(t_ns, "begin_run", "")
    if isinstance(deed, EndRun):
        return _plain(deed.why, 0, TEXT_MAX) or Act(t_ns, "end_run", deed.why)
    if isinstance(deed, Retarget):
        text = deed.record
        fits = type(text) is str and len(text) <= RECORD_MAX and (text == "") == (deed.name == "")
        return (
            _plain(deed.name, 0, NAME_MAX) or ("" if fits else "record") or Act(t_ns, "retarget", deed.name)
        )
    return None


def _refill(t_ns: int, volume_l: object, full: object) -> Act | str:
    if type(full) is not bool:
        return "full"
    if volume_l is None:
        return Act(t_ns, "refill", "", None, True) if full else "volume"
    # a comparison takes any whole number, however long, and is false for NaN
    if (
        isinstance(volume_l, bool)
        or not isinstance(volume_l, float | int)
        or not 0 < volume_l <= VOLUME_MAX_L
    ):
        return "volume"
    return Act(t_ns, "refill", "", float(volume_l), full)


def _plain(text: object, shortest: int, longest: int) -> str:
    """What is wrong with a text, '' nothing: it is no text, its length, or what no page and file can show."""
    if type(text) is not str:
        return "no_text"
    if len(text) > longest:
        return "too_long"
    if shortest and not text.strip(" \t\n"):
        return "empty"
    for character in text:
        code = ord(character)
        if code < 0x20 or code >= 0x7F:
            for first, last in _UNFIT:
                if first <= code <= last:
                    return "control_character"
    return ""


def why_not(sample: Sample | None) -> str | None:
    """Why nothing may be done now, as a sentence; None: the rig stands, as the newest sample says."""
    if sample is None:
        return "nothing is known of the speed yet, so nobody can tell that the rig stands; wait for the GPS"
    if sample.speed_m_s is None:
        return "the speed is unknown, so nobody can tell that the rig stands; wait for the GPS"
    if sample.speed_m_s > 0:  # below speed.stationary the core says 0
        return "the rig moves: stop first, and keep your eyes on the ground"
    return None


def may_act(sample: Sample | None, deed: Deed) -> str | None:
    """Why this may not be done now, as a sentence; None: it may. The same for every deed of a person's.

    `sample` is the newest; None: there is none.
    """
    if type(act_of(0, deed)) is str:
        return "what was asked for holds what a run log cannot keep"
    return why_not(sample)
