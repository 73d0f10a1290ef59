"""Questions for a small screen: each answer kept before the next is asked; taken back, skipped, resumed.

A flow of questions is a plain function that calls `ask`. To go back, or to resume, it is called again from
the top, and what is answered already is not asked again. So each flow is written once, without states.

Questions and remarks go to stderr: they are messages; the result alone goes to stdout.
"""

import io
import select
import shutil
import sys
import textwrap
from collections.abc import Callable
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

import click

from rigmon.cli.typed import Typed
from rigmon.errors import UsageError

if TYPE_CHECKING:
    from rigmon.calibration.result import System
    from rigmon.calibration.session import Session

T = TypeVar("T")

_LONGEST_ANSWER: Final = 500
#: how soon a signal is acted on at the latest while a question waits
_LOOK_S: Final = 0.2
#: narrower than this nothing is readable; wider than this no paragraph is
_NARROWEST, _WIDEST = 32, 80


class _AgainError(Exception):
    """Call the flow again from the top."""


class _EndedError(Exception):
    """No more input: Ctrl-D, or the end of what was piped in."""


class Skipped:
    """The answer of somebody who skips a question."""


SKIPPED: Final = Skipped()


def width() -> int:
    """Columns to write in."""
    return min(max(shutil.get_terminal_size().columns, _NARROWEST), _WIDEST)


def wrapped(text: str, indent: str = "") -> str:
    """`text` in lines that fit the terminal."""
    return textwrap.fill(text, width(), subsequent_indent=indent, break_on_hyphens=False)


class Dialogue:
    """Asks a flow's questions. `path` is where the answers are kept until they are a record; None: nowhere.

    `head` is what the session is about; a session of other things is not resumed. `resume` True goes on with
    what was kept, False sets it aside, None asks. `caution` is said once, before the first question.
    """

    def __init__(
        self,
        system: "System",
        what: str,
        path: Path | None = None,
        head: dict[str, Any] | None = None,
        resume: bool | None = None,
        caution: str = "",
    ) -> None:
        self.typed = Typed(system)
        self._system = system
        self._what = what
        self._path = path
        self._head = head or {}
        self._resume = resume
        self._caution = caution
        self._session: Session | None = None
        self._offer = False  # the session found is still to be offered
        self._looked = False
        self._answers: dict[str, str] = {}  # where nothing is kept
        self._given: dict[str, str] = {}
        self._asked: list[str] = []  # in this pass of the flow, those that back can go to
        self._live = False  # a question was really asked in this pass

    # -- a flow ------------------------------------------------------------------------------------------

    def run(self, flow: Callable[["Dialogue"], T]) -> T:
        """The flow's result. Raises click.Abort when it is stopped, UsageError when the input ends early."""
        try:
            while True:
                self.typed = Typed(self._system)
                self._asked.clear()
                self._given.clear()
                self._live = False
                try:
                    result = flow(self)
                    if self._offer:
                        self._make_offer("all answered")
                except _AgainError:
                    continue
                return result
        except (KeyboardInterrupt, click.Abort):
            self._echo("")
            if self._session is not None and self._session.answers:
                self.say("Your answers are kept. Start the same command again to go on.")
            raise click.Abort from None
        finally:
            if self._session is not None:
                self._session.close()

    def finish(self, dry_run: bool = False) -> None:
        """The answers are in the book now: forget them here. After a dry run they stay for the next start."""
        if self._session is not None and not dry_run:
            self._session.finish()
        elif self._session is not None:
            self.say("Your answers are kept. The same command without --dry-run records them.")

    # -- in a flow ---------------------------------------------------------------------------------------

    def ask(
        self,
        question: str,
        prompt: str,
        read: Callable[[str], T],
        *,
        option: str = "",
        given: str | None = None,
        place: str = "",
        about: str = "",
        default: str | None = None,
    ) -> T:
        """The answer to `question`, as `read` makes it of what is typed; what it refuses is asked again.

        `given` is an answer from the command line, by the option `option`: a UsageError says what is wrong
        with it. `place` is where in the whole we are; `about` answers '?'; `default` is for Enter alone.
        """
        if given is not None:
            try:
                value = read(given)
            except UsageError as error:
                raise UsageError(f"{option}: {error}") from error
            self._given[question] = given
            return value
        found = self._found(question, prompt, read, place)
        if found is not None:
            return found[0]
        return self._ask_now(question, prompt, read, option, about, default)

    def quantity(
        self,
        question: str,
        prompt: str,
        dimension: str,
        *,
        example: str,
        low: float | None = None,
        high: float | None = None,
        zero: bool = False,
        **more: Any,
    ) -> float:
        """The answer to a question for a quantity, in the carried unit. `more` as for `ask`."""
        unit = self.typed.unit(dimension)
        shown = f"{prompt} [{unit}]" if unit else f"{prompt}, e.g. {example}"
        if more.get("default"):
            shown = f"{prompt} [{more['default']}]"

        def read(text: str) -> float:
            return self.typed.read(text, dimension, low, high, zero, example)

        return self.ask(question, shown, read, **more)

    def whole(self, question: str, prompt: str, low: int, high: int, **more: Any) -> int:
        """The answer to a question for a whole number between `low` and `high`."""

        def read(text: str) -> int:
            if not text.isascii() or not text.isdigit() or not low <= int(text[:9]) <= high or len(text) > 9:
                raise UsageError(f"'{text[:40]}' must be a whole number, {low} to {high}")
            return int(text)

        return self.ask(question, prompt, read, **more)

    def yes(self, question: str, prompt: str, default: bool, **more: Any) -> bool:
        """The answer to a question for yes or no."""
        mark = "[Y/n]" if default else "[y/N]"
        return self.ask(question, f"{prompt} {mark}", _yes, default="y" if default else "n", **more)

    def made(self, question: str, make: Callable[[], str], read: Callable[[str], T], place: str = "") -> T:
        """An answer that is measured, not typed: `make` measures it, `read` reads it back when resumed.

        `make` may use `pause`; a UsageError of either is told, and it is made anew.
        """
        found = self._found(question, "", read, place)
        if found is not None:
            return found[0]
        while True:
            try:
                text = make()
                value = read(text)
            except UsageError as error:
                self.say(f"{error}.")
                continue
            self._keep(question, text)
            return value

    def pause(self, prompt: str, about: str = "") -> None:
        """Wait for Enter; 'back', 'quit' and '?' work as everywhere."""
        while True:
            word = self._typed(prompt, "").lower()
            if not self._is_word(word, about):
                return

    def check(self, make: Callable[[], T]) -> T:
        """What `make` makes of all answers. Where it refuses them on a terminal, they can be corrected.

        Raises what `make` raised when nothing was asked, or nobody is there to correct it.
        """
        try:
            return make()
        except UsageError as error:
            if not (self._asked and _terminal()):
                raise
            if self._offer:
                self._make_offer("all answered")
            self.say(f"{error}.")
            self.pause("'back' corrects, Enter stops")
            raise

    def tell(self, text: str) -> None:
        """A remark on the newest answer; not repeated when the flow is called again."""
        if self._live:
            self.say(text)

    def say(self, text: str) -> None:
        """A remark, in lines that fit the screen."""
        self._echo(wrapped(text))

    def _found(self, question: str, prompt: str, read: Callable[[str], T], place: str) -> tuple[T] | None:
        """What was answered before. None: it is to be asked now, and everything is ready for that."""
        self._open()
        kept = self._kept().get(question)
        if kept is not None:
            try:
                value = read(kept)
            except UsageError as error:
                self.say(f"{prompt}: {error}. Once more:" if prompt else f"{error}. Once more:")
                self._forget(question)
            else:
                self._asked.append(question)
                return (value,)
        if self._offer:
            self._make_offer(place or prompt or question)
        self._begin()
        self._live = True
        return None

    # -- asking ------------------------------------------------------------------------------------------

    def _ask_now(
        self,
        question: str,
        prompt: str,
        read: Callable[[str], T],
        option: str,
        about: str,
        default: str | None,
    ) -> T:
        while True:
            text = self._typed(prompt, option)
            if self._is_word(text.lower(), about):
                continue
            if not text and default is not None:
                text = default
            if not text:
                self.say("Type an answer, 'back' or '?'.")
                continue
            if len(text) > _LONGEST_ANSWER:
                self.say("That is too long for an answer. Once more:")
                continue
            try:
                value = read(text)
            except UsageError as error:
                self.say(f"{error}.")
                continue
            self._keep(question, text)
            return value

    def _typed(self, prompt: str, option: str) -> str:
        try:
            return self._line(f"{prompt}: ")
        except _EndedError:
            if _terminal():
                raise KeyboardInterrupt from None
            how = f"; answer it, or give {option}" if option else ""
            raise UsageError(f"the input ended at the question '{prompt}'{how}") from None

    def _is_word(self, word: str, about: str) -> bool:
        """Do what one of the words says that work everywhere; False for any other."""
        if word in ("q", "quit"):
            raise KeyboardInterrupt
        if word in ("b", "back"):
            self._back()
        elif word in ("?", "help", "h"):
            self.say(f"{about} " * bool(about) + "'back' asks the one before again, 'quit' stops.")
        else:
            return False
        return True

    def _kept(self) -> dict[str, str]:
        return self._answers if self._session is None else self._session.answers

    def _keep(self, question: str, text: str) -> None:
        if self._session is None:
            self._answers[question] = text
        else:
            self._session.add(question, text)
        self._asked.append(question)

    def _back(self) -> None:
        if not self._asked:
            self.say("This is the first question.")
            return
        question = self._asked[-1]
        self.say(f"It was: {self._kept().get(question, '')}")
        self._forget(question)
        raise _AgainError

    def _forget(self, question: str) -> None:
        if self._session is None:
            self._answers.pop(question, None)
        else:
            self._session.take_back(question)

    # -- the session -------------------------------------------------------------------------------------

    def _open(self) -> None:
        """Look once for a session that was left behind."""
        if self._looked or self._path is None:
            return
        self._looked = True
        from rigmon.calibration.session import Session

        self._session = Session.resume(self._path)
        if self._session is None:
            return
        if self._session.damaged:
            self.say(f"{self._path.name}: {self._session.damaged} lines cannot be read; asked again.")
        if self._resume is False:
            self._set_aside()
            return
        if self._session.head != self._head:
            raise UsageError(
                f"{self._path}: an unfinished {self._what} for {_about(self._session.head)}, not for "
                f"{_about(self._head)}; --fresh sets it aside and begins anew"
            )
        if not self._session.answers:
            return
        if self._resume is None and not _terminal():
            raise UsageError(
                f"{self._path}: an unfinished {self._what} is there; --resume goes on with it, "
                "--fresh sets it aside and begins anew"
            )
        self._offer = self._resume is None

    def _make_offer(self, place: str) -> None:
        """Ask whether to go on. Raises _AgainError when not."""
        assert self._session is not None
        self._offer = False
        self.say(f"Unfinished {self._what}, begun {_when(self._session.started_utc)}:")
        while True:
            try:
                answer = self._line(f"{place}; resume? [Y/n] ")
            except _EndedError:
                raise KeyboardInterrupt from None
            try:
                wanted = _yes(answer or "y")
            except UsageError as error:
                self.say(f"{error}.")
                continue
            break
        if wanted:
            self._live = True
            return
        self._set_aside()
        raise _AgainError

    def _set_aside(self) -> None:
        assert self._session is not None
        other = self._session.set_aside()
        self._session = None
        self.say(f"The old answers are kept in {other.name}.")

    def _begin(self) -> None:
        """From the first question that is really asked, all answers are kept, the given ones too."""
        if self._caution:
            self.say(self._caution)
            self._caution = ""
        if self._path is None:
            return
        if self._session is None:
            from rigmon.calibration.session import Session

            self._session = Session.begin(self._path, self._head)
        for question, text in self._given.items():
            if self._session.answers.get(question) != text:
                self._session.add(question, text)

    # -- the screen --------------------------------------------------------------------------------------

    def _line(self, prompt: str) -> str:
        """What is typed, without blanks around it. Raises _EndedError at the end of the input."""
        stdin: Any = sys.stdin
        if stdin is None:
            raise _EndedError
        if isinstance(stdin, io.TextIOWrapper) and stdin.errors == "strict":
            stdin.reconfigure(errors="replace")
        click.echo(prompt, nl=False, err=True)
        if _terminal():
            wait_for_a_line(stdin)
        text: str = stdin.readline()
        if not text:
            raise _EndedError
        if not _terminal():
            self._echo("")
        return text.strip()

    def _echo(self, text: str) -> None:
        click.echo(text, err=True)


def _yes(text: str) -> bool:
    if text.lower() in ("y", "yes"):
        return True
    if text.lower() in ("n", "no"):
        return False
    raise UsageError(f"'{text[:20]}': type y or n")


def wait_for_a_line(terminal: Any) -> None:
    """Return when a line was typed. A terminal hands over one line at a time, so none waits elsewhere.

    Python acts on a signal between two of its own steps. One that comes just before a read begins would be
    acted on after the next line only: Ctrl-C would seem to do nothing. So no wait here is long.
    """
    with suppress(OSError, ValueError):  # no file to wait for: the read that follows says what is wrong
        while not select.select([terminal], [], [], _LOOK_S)[0]:
            pass


def _terminal() -> bool:
    stdin: Any = sys.stdin
    return stdin is not None and bool(stdin.isatty())


def _when(utc: str) -> str:
    """As the board's clock has it, in local time."""
    try:
        return datetime.fromisoformat(utc).astimezone().strftime("%d %b %H:%M")
    except ValueError:
        return "earlier"


def _about(head: dict[str, Any]) -> str:
    return ", ".join(f"{key.replace('_', ' ')} {value}" for key, value in head.items()) or "something else"
