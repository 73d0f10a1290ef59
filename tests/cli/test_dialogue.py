"""Questions, answers, taking back, units left out: the dialogue that every interactive command uses."""

import io
import sys
from pathlib import Path
from typing import Any

import click
import pytest

from rigmon.calibration.session import Session
from rigmon.cli.dialogue import Dialogue
from rigmon.cli.typed import Typed
from rigmon.errors import UsageError


class Typist(io.StringIO):
    """A terminal on which these lines are typed, then nothing more (Ctrl-D)."""

    def isatty(self) -> bool:
        return True


@pytest.fixture
def types(monkeypatch: pytest.MonkeyPatch) -> Any:
    def typing(*lines: str, terminal: bool = True) -> None:
        text = "".join(f"{line}\n" for line in lines)
        monkeypatch.setattr(sys, "stdin", Typist(text) if terminal else io.StringIO(text))

    return typing


def catches(d: Dialogue) -> dict[int, float]:
    found = {}
    for n in (1, 2, 3):
        found[n] = d.quantity(
            f"nozzle {n}", f"Nozzle {n} of 3", "volume", example="148 mL", high=20, place=f"nozzle {n} of 3",
            option="--volumes",
        )  # fmt: skip
        d.tell(f"kept {n}")
    return found


def dialogue(path: Path | None = None, **more: Any) -> Dialogue:
    return Dialogue("us", "catch test", path, {"nozzles": 3}, **more)


# -- units left out ------------------------------------------------------------------------------------------


def test_a_unit_may_be_left_out_after_the_first_of_its_kind_and_is_shown(
    types: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    """Hand-worked: 5 fl oz = 5 x 29.5735 mL = 0.14787 L."""
    types("5 oz", "5.1", "150 mL")
    assert dialogue().run(catches) == pytest.approx({1: 0.147868, 2: 0.150825, 3: 0.15}, rel=1e-5)
    out, err = capsys.readouterr()
    assert out == ""
    assert "Nozzle 1 of 3, e.g. 148 mL: " in err
    assert "Nozzle 2 of 3 [fl oz]: " in err


def test_the_first_of_a_kind_needs_its_unit(types: Any, capsys: pytest.CaptureFixture[str]) -> None:
    types("148", "148 mL", "149", "150")
    assert dialogue().run(catches) == pytest.approx({1: 0.148, 2: 0.149, 3: 0.15})
    assert "'148' has no unit; the first time give it one, such as '148 mL'" in " ".join(
        capsys.readouterr().err.split()
    )


def test_each_dimension_remembers_its_own_unit() -> None:
    typed = Typed("us")
    assert typed.read("30 s", "time") == 30
    assert typed.read("1:23", "time") == 83
    assert typed.read("40 psi", "pressure") == pytest.approx(275.79, abs=0.01)  # 40 x 6.894757
    assert typed.read("31.5", "time") == 31.5
    assert typed.unit("pressure") == "psi"
    assert typed.unit("volume") is None


@pytest.mark.parametrize("text", ["-1 s", "0 s"])
def test_what_must_be_above_zero_is(text: str) -> None:
    with pytest.raises(UsageError, match="above zero"):
        Typed("us").read(text, "time", zero=False)


def test_bounds_are_told_in_the_readers_units() -> None:
    """2 L = 0.528 gal, hand-worked by 3.785412 L/gal."""
    with pytest.raises(UsageError, match=r"148 L: must be at most 0\.528 gal; check number and unit"):
        Typed("us").read("148 L", "volume", high=2)
    with pytest.raises(UsageError, match=r"must be between 1 and 2 L|must be between 1 L and 2 L"):
        Typed("metric").read("148 L", "volume", 1, 2)


# -- asked again, taken back ---------------------------------------------------------------------------------


def test_a_wrong_answer_is_explained_and_asked_again(types: Any, capsys: pytest.CaptureFixture[str]) -> None:
    types("lots", "148 psi", "148 L", "", "148 mL", "1,5", "149", "150")
    assert dialogue().run(catches) == pytest.approx({1: 0.148, 2: 0.149, 3: 0.15})
    err = " ".join(capsys.readouterr().err.split())
    assert "'lots' is not a number with a unit of volume" in err
    assert "'psi' is not a unit of volume" in err
    assert "must be at most" in err
    assert "Type an answer" in err


def test_back_takes_the_last_answer_back(types: Any, capsys: pytest.CaptureFixture[str]) -> None:
    types("148 mL", "194", "back", "149", "150")
    assert dialogue().run(catches) == pytest.approx({1: 0.148, 2: 0.149, 3: 0.15})
    err = capsys.readouterr().err
    assert "It was: 194" in err
    assert err.count("kept 1") == 1, "remarks are not repeated"


def test_back_from_the_first_question_goes_nowhere(types: Any, capsys: pytest.CaptureFixture[str]) -> None:
    types("back", "148 mL", "b", "b", "1 oz", "2", "3")
    assert list(dialogue().run(catches)) == [1, 2, 3]
    assert capsys.readouterr().err.count("This is the first question.") == 2


def test_help_says_the_words(types: Any, capsys: pytest.CaptureFixture[str]) -> None:
    types("?", "148 mL", "149", "150")
    dialogue().run(catches)
    assert "'back' asks the one before again, 'quit' stops." in " ".join(capsys.readouterr().err.split())


# -- stopped, resumed ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("how", ["quit", "Ctrl-D"])
def test_what_is_stopped_is_offered_again_with_its_place(
    how: str, types: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "book.session"
    types(*["148 mL", "149", *(["quit"] if how == "quit" else [])])
    with pytest.raises(click.Abort):
        dialogue(path).run(catches)
    assert "Your answers are kept." in capsys.readouterr().err
    types("", "150")
    again = dialogue(path)
    assert again.run(catches) == pytest.approx({1: 0.148, 2: 0.149, 3: 0.15})
    err = capsys.readouterr().err
    assert "nozzle 3 of 3; resume? [Y/n] " in err
    assert "Nozzle 3 of 3 [mL]: " in err
    assert "Nozzle 1" not in err
    assert path.exists()
    again.finish()
    assert not path.exists()


def test_who_will_not_resume_begins_anew_and_loses_nothing(types: Any, tmp_path: Path) -> None:
    path = tmp_path / "book.session"
    types("148 mL")
    with pytest.raises(click.Abort):
        dialogue(path).run(catches)
    types("perhaps", "n", "5 oz", "5", "5")
    assert dialogue(path).run(catches)[1] == pytest.approx(0.147868, rel=1e-5)
    (aside,) = tmp_path.glob("*.aside*")
    assert "148 mL" in aside.read_text()


def test_a_session_with_every_answer_is_offered_too(
    types: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """As after a result that was only looked at."""
    path = tmp_path / "book.session"
    types("148 mL", "149", "150")
    first = dialogue(path).run(catches)
    types("y")
    assert dialogue(path).run(catches) == first
    assert "all answered; resume? [Y/n] " in capsys.readouterr().err


def test_resume_and_fresh_ask_nothing(types: Any, tmp_path: Path) -> None:
    path = tmp_path / "book.session"
    types("148 mL", "149")
    with pytest.raises(click.Abort):
        dialogue(path).run(catches)
    types("150", terminal=False)
    assert dialogue(path, resume=True).run(catches)[3] == pytest.approx(0.15)
    types("1 oz", "2", "3", terminal=False)
    assert dialogue(path, resume=False).run(catches)[3] == pytest.approx(3 * 0.0295735, rel=1e-5)


def test_without_a_terminal_a_session_is_neither_resumed_nor_dropped_by_itself(
    types: Any, tmp_path: Path
) -> None:
    path = tmp_path / "book.session"
    types("148 mL")
    with pytest.raises(click.Abort):
        dialogue(path).run(catches)
    types("148 mL", "149", "150", terminal=False)
    with pytest.raises(UsageError, match=r"--resume goes on with it, --fresh"):
        dialogue(path).run(catches)


def test_a_session_for_something_else_is_not_resumed(types: Any, tmp_path: Path) -> None:
    path = tmp_path / "book.session"
    types("148 mL")
    with pytest.raises(click.Abort):
        dialogue(path).run(catches)
    types("149")
    with pytest.raises(UsageError, match=r"for nozzles 3, not for nozzles 4; --fresh"):
        Dialogue("us", "catch test", path, {"nozzles": 4}).run(catches)


def test_the_end_of_piped_input_names_the_option(types: Any) -> None:
    types("148 mL", terminal=False)
    with pytest.raises(UsageError, match=r"input ended at the question 'Nozzle 2 of 3 \[mL\]'.*--volumes"):
        dialogue().run(catches)


def test_what_was_given_is_kept_with_the_first_answer(types: Any, tmp_path: Path) -> None:
    """So that whoever resumes need not give it again."""
    path = tmp_path / "book.session"

    def flow(d: Dialogue, given: str | None) -> tuple[float, float]:
        pressure = d.quantity(
            "pressure", "Pressure", "pressure", example="40 psi", given=given, option="--pressure"
        )
        return pressure, d.quantity("volume", "Volume", "volume", example="148 mL")

    types("quit")
    with pytest.raises(click.Abort):
        dialogue(path).run(lambda d: flow(d, "40 psi"))
    session = Session.resume(path)
    assert session is not None
    assert session.answers == {"pressure": "40 psi"}
    types("y", "148 mL")
    assert dialogue(path).run(lambda d: flow(d, None))[1] == 0.148


def test_a_given_answer_that_is_wrong_names_its_option() -> None:
    def flow(d: Dialogue) -> float:
        return d.quantity("p", "Pressure", "pressure", example="40 psi", given="40 mL", option="--pressure")

    with pytest.raises(UsageError, match=r"^--pressure: '40 mL': 'mL' is not a unit of pressure"):
        dialogue().run(flow)


def test_whole_numbers_and_yes(types: Any) -> None:
    types("three", "0", "13", "²", "99999999999999999999", "7", "maybe", "")

    def flow(d: Dialogue) -> tuple[int, bool]:
        return d.whole("n", "Nozzle", 1, 12), d.yes("sure", "Sure?", True)

    assert dialogue().run(flow) == (7, True)


def test_an_endless_answer_is_refused(types: Any, capsys: pytest.CaptureFixture[str]) -> None:
    types("9" * 600, "148 mL", "149", "150")
    dialogue().run(catches)
    assert "too long" in capsys.readouterr().err


def test_no_input_at_all_is_an_end(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", None)
    with pytest.raises(UsageError, match="input ended"):
        dialogue().run(catches)


def test_bytes_that_are_no_text_are_asked_again(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        sys, "stdin", io.TextIOWrapper(io.BytesIO(b"\xff\xfe\n148 mL\n1\n2\n"), encoding="utf-8")
    )
    assert list(dialogue().run(catches)) == [1, 2, 3]
