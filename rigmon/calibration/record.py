"""A calibration as the book keeps it, and its two JSON forms: an object, and the text a run log carries."""

import json
from dataclasses import asdict, dataclass
from datetime import date
from typing import Any, Final, Self

#: What can be calibrated. Names in the book: never change or reuse one.
KINDS: Final = ("catch", "course", "target", "flowmeter", "transducer", "pace")


@dataclass(frozen=True, slots=True)
class Record:
    """One dated, named calibration. `inputs` and `result` are plain JSON objects in carried units."""

    id: int  #: order of entry in its book
    name: str  #: such as '2026-11-25 catch 1'; no two in a book are alike
    kind: str  #: one of KINDS
    rig: str
    subject: str  #: what was calibrated: the nozzle set's name, 'flowmeter', 'pressure', or ''
    nozzle_set: str | None  #: that was fitted; None: unknown, or no matter
    taken_on: date
    recorded_utc: str  #: ISO 8601, by the board's clock, which may be wrong
    software: str
    inputs: dict[str, Any]
    result: dict[str, Any]
    supersedes: str | None = None  #: the record before it of the same kind, rig and subject

    @property
    def figures(self) -> dict[str, Any]:
        """The numbers of the result, whether `result` is a calibration's whole JSON object or that part."""
        inner = self.result.get("result")
        return inner if isinstance(inner, dict) else self.result

    @property
    def given(self) -> dict[str, Any]:
        """What the calibration was given: `inputs`, and those in its JSON object."""
        inner = self.result.get("inputs")
        return {**inner, **self.inputs} if isinstance(inner, dict) else self.inputs

    def to_json(self) -> dict[str, Any]:
        """The record as JSON can hold it; `from_json` gives it back unchanged, floats to the last bit."""
        values = asdict(self)
        values["taken_on"] = self.taken_on.isoformat()
        values["recorded_clock"] = "board"
        return values

    @classmethod
    def from_json(cls, values: dict[str, Any]) -> Self:
        """The record that `to_json` wrote. Raises KeyError, TypeError or ValueError for anything else."""
        fields = {name: values[name] for name in cls.__slots__}
        return cls(**{**fields, "taken_on": date.fromisoformat(fields["taken_on"])})

    def text(self) -> str:
        """One line of JSON, as the run log carries it."""
        return json_text(self.to_json())


def json_text(value: Any) -> str:
    """`value` as one line of ASCII JSON with exact floats. Raises ValueError for NaN and infinities, and
    TypeError for what JSON cannot hold."""
    return json.dumps(value, separators=(",", ":"), allow_nan=False)
