"""What a person may do from a page: the words of a request, turned into a reading's payload.

Pure: whether it may be done now is judged by who has the newest sample (`rigmon.live.board.why_moving`).
"""

from collections.abc import Callable, Mapping
from typing import Any, Final

from rigmon import units
from rigmon.errors import UsageError
from rigmon.model import Note, Payload

#: a note is a sentence or two
LONGEST_NOTE: Final = 500


def payload_of(body: object) -> Payload:
    """The payload of a request such as {"act": "note", "text": "..."}. Raises UsageError that says what
    would be right, for whatever else comes.
    """
    if not isinstance(body, Mapping):
        raise UsageError(
            f'an act is a JSON object such as {{"act": "note", "text": "..."}}, not {_kind(body)}'
        )
    name = body.get("act")
    make = ACTS.get(name) if isinstance(name, str) else None
    if make is None:
        shown = units.quoted(name) if isinstance(name, str) else _kind(name)
        raise UsageError(f"act {shown} is not known; it must be one of: {', '.join(ACTS)}")
    keys, build = make
    for key in body:
        if key != "act" and key not in keys:
            raise UsageError(f"{name}: unknown key {units.quoted(str(key))}; it takes: {', '.join(keys)}")
    return build(body)


def _note(body: Mapping[str, Any]) -> Payload:
    text = body.get("text")
    if not isinstance(text, str):
        raise UsageError(f"note: text must be a text, not {_kind(text)}")
    text = " ".join(text.split())
    if not text or len(text) > LONGEST_NOTE or not text.isprintable():
        raise UsageError(
            f"note: {len(text)} characters; write 1 to {LONGEST_NOTE}, without control characters"
        )
    return Note(text)


def _kind(value: object) -> str:
    """What came instead, without repeating it."""
    names = {type(None): "nothing", bool: "true or false", int: "a number", float: "a number", str: "a text"}
    return names.get(type(value), "an object" if isinstance(value, Mapping) else "a list")


#: name -> (its keys, what makes the payload)
ACTS: Final[dict[str, tuple[tuple[str, ...], Callable[[Mapping[str, Any]], Payload]]]] = {
    "note": (("text",), _note),
}
