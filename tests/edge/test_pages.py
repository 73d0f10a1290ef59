"""The link to the pages' process, with stand-ins for the child that misbehave as a real one might."""

# ruff: noqa: E501  (scripts of stand-ins read best one a line)

import json
import os
import signal
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from helpers import make_rig, rig_toml
from hypothesis import given
from hypothesis import strategies as st

from rigmon.edge import pages
from rigmon.edge.hub import Hub, MonotonicClock
from rigmon.edge.pages import PagesLink
from rigmon.live.state import LiveState, from_wire
from rigmon.model import Alert, Note, Output, Sample, Source, Tally

RIG, TOML = make_rig(), rig_toml()
SAMPLE = Sample(
    1_000_000_000, 200_000_000, 40.0, -40.0, 0.0, 2.0, 0.03, 6.0, 200.0, 1, 100.0, 5.0, 1, 0.4, 2.0, 0.02, 0
)
RAISED = Alert(1_000_000_000, "flow_silent", True, None, None, "")

#: keeps every line in a file of its own, and does what else the test wants
KEEPER = """
import os, socket, sys
link = socket.socket(fileno=os.dup(0))
kept = open(sys.argv[1] + "." + str(os.getpid()), "wb", buffering=0)
%s
while True:
    data = link.recv(65536)
    if not data:
        break
    kept.write(data)
"""
PATIENCE_S = 30


class Desk:
    """Takes whatever is asked for."""

    class Answer:
        def __init__(self, outcome: str) -> None:
            self.outcome = outcome

        def to_json(self) -> dict[str, Any]:
            return {"done": self.outcome == "done"}

    def __init__(self) -> None:
        self.asked: list[object] = []
        self.outcome = "done"

    def ask(self, request: object) -> "Desk.Answer":
        self.asked.append(request)
        return self.Answer(self.outcome)

    def choices(self) -> list[dict[str, Any]]:
        return [{"name": "a"}]


class Linked:
    """A link whose child is a script, and what the child got."""

    def __init__(self, folder: Path, script: str = "", desk: Desk | None = None) -> None:
        self.folder = folder
        self.hub = Hub(MonotonicClock())
        command = [sys.executable, "-c", KEEPER % script, str(folder / "kept")]
        self.link = PagesLink(RIG, TOML, self.hub, desk, command=command)

    def lines(self, pid: int | None = None) -> list[dict[str, Any]]:
        path = self.folder / f"kept.{pid or self.link.child_pid}"
        whole = path.read_bytes().rpartition(b"\n")[0] if path.exists() else b""
        return [json.loads(line) for line in whole.split(b"\n") if line]

    def wait(self, until: Callable[[], bool]) -> None:
        """Until it holds: a process has its own pace."""
        import time

        end_s = time.monotonic() + PATIENCE_S
        while not until():
            assert time.monotonic() < end_s, self.lines()
            time.sleep(0.005)

    def started(self) -> int:
        """The child's pid, when it has said hello."""
        self.wait(lambda: self.link.child_pid is not None and len(self.lines()) > 0)
        assert self.link.child_pid is not None
        return self.link.child_pid

    def notes(self) -> list[str]:
        found = []
        self.hub.close()
        while (reading := self.hub.next(1 << 62)) is not None:
            if isinstance(reading.payload, Note):
                assert reading.source is Source.HUB
                found.append(reading.payload.text)
        return found


@pytest.fixture
def make(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., Linked]]:
    monkeypatch.setattr(pages, "_SHORTEST_PAUSE_S", 0.01)
    made: list[Linked] = []

    def build(script: str = "", desk: Desk | None = None) -> Linked:
        made.append(Linked(tmp_path, script, desk))
        made[-1].link.start()
        return made[-1]

    yield build
    for one in made:
        one.link.stop()


def _alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True


def test_the_child_is_told_everything_in_order(make: Callable[..., Linked]) -> None:
    linked = make()
    linked.started()
    linked.link.began("run 1", [SAMPLE])
    linked.link.publish([SAMPLE, RAISED])
    linked.link.use(RIG)
    linked.link.ended()
    linked.wait(lambda: len(linked.lines()) == 5)
    hello, begin, outputs, target, end = linked.lines()
    assert (hello["k"], hello["rig_toml"], hello["state"]["run"]) == ("hello", TOML, None)
    assert (begin["run"], from_wire(begin["o"])) == ("run 1", [SAMPLE])
    assert from_wire(outputs["o"]) == [SAMPLE, RAISED]
    assert (target["k"], target["target"]["rate_l_ha"], end) == ("target", 100.0, {"k": "end"})


def test_what_no_page_shows_is_not_sent(make: Callable[..., Linked]) -> None:
    linked = make()
    linked.started()
    linked.link.publish([Tally(1, "sentence", 3)])
    linked.link.publish([])
    linked.link.publish([SAMPLE])
    linked.wait(lambda: len(linked.lines()) == 2)
    assert from_wire(linked.lines()[1]["o"]) == [SAMPLE]


def test_a_killed_child_is_started_again_and_told_the_state(make: Callable[..., Linked]) -> None:
    linked = make()
    first = linked.started()
    linked.link.began("run 1", [SAMPLE])
    linked.link.publish([RAISED])
    os.kill(first, signal.SIGKILL)
    linked.wait(lambda: linked.link.child_pid != first)
    linked.started()
    state = LiveState(RIG)
    state.restore(linked.lines()[0]["state"])
    assert (state.run, state.totals.area_m2, list(state.alerts)) == ("run 1", 2.0, ["flow_silent"])
    assert linked.link.trouble is None
    assert "was ended by signal 9; it is started again" in linked.notes()[0]


def test_a_child_that_always_ends_is_told_of_a_few_times_only(
    make: Callable[..., Linked], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pages, "_LONGEST_PAUSE_S", 0.05)
    linked = make("sys.exit(3)")
    linked.wait(lambda: linked.link.starts >= 8)
    linked.link.publish([SAMPLE])
    linked.link.stop()
    notes = linked.notes()
    assert 1 <= len(notes) <= 4  # pauses of 10, 20 and 40 ms are told; the longest go on in silence
    assert "ended with exit code 3" in notes[0]


def test_a_command_that_does_not_exist_costs_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pages, "_SHORTEST_PAUSE_S", 0.01)
    linked = Linked(tmp_path)
    linked.link = PagesLink(RIG, TOML, linked.hub, command=[str(tmp_path / "nothing")])
    linked.link.start()
    linked.wait(lambda: linked.hub._queue.qsize() > 0)
    linked.link.publish([SAMPLE])
    linked.link.stop()
    assert "could not be started" in linked.notes()[0]


def test_a_child_that_reads_nothing_never_holds_up_the_loop(make: Callable[..., Linked]) -> None:
    """Far more than any buffer holds; when it reads again, it gets the state as it is."""
    go = "kept.write(link.recv(100000).partition(b'\\n')[0] + b'\\n'); open(sys.argv[1] + '.up', 'w').close()\nwhile not os.path.exists(sys.argv[1] + '.go'): __import__('time').sleep(0.01)"
    linked = make(go)
    linked.wait((linked.folder / "kept.up").exists)
    linked.link.began("run 1", [RAISED])
    for n in range(5000):  # 5000 x about 150 bytes: 750 kB
        linked.link.publish([SAMPLE._replace(t_ns=n)])
    assert linked.link.skipped > 100
    assert len(linked.link._waiting) < 2 * pages._WAITING_BYTES
    (linked.folder / "kept.go").touch()

    def caught_up() -> bool:
        linked.link.publish([SAMPLE])
        return any(line["k"] == "state" for line in linked.lines())

    linked.wait(caught_up)
    state = LiveState(RIG)
    lines = linked.lines()
    at = next(n for n, line in enumerate(lines) if line["k"] == "state")
    state.restore(lines[at]["state"])
    assert lines[at]["skipped"] == linked.link.skipped
    assert list(state.alerts) == ["flow_silent"]
    assert state.totals.area_m2 >= 5000 * 2.0  # 2 m2 each, those that were skipped among them


def test_a_stuck_child_is_ended_and_another_started(
    make: Callable[..., Linked], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pages, "_STUCK_S", 0.1)
    monkeypatch.setattr(pages, "_ENDS_S", 0.1)
    linked = make("kept.write(b'{}\\n')\nwhile True: __import__('time').sleep(60)")
    first = linked.started()
    for _ in range(5000):
        linked.link.publish([SAMPLE])
    linked.wait(lambda: linked.link.starts >= 2)
    assert not _alive(first)
    assert "took nothing" in linked.notes()[0]


def test_an_act_goes_to_the_desk_and_its_answer_back(make: Callable[..., Linked]) -> None:
    desk = Desk()
    linked = make(
        r"""link.sendall(b'{"id": 7, "act": {"act": "note", "text": "x"}}\n{"id": 8, "choices": true}\n')""",
        desk,
    )
    linked.wait(lambda: sum(line["k"] == "answer" for line in linked.lines()) == 2)
    first, second = (line for line in linked.lines() if line["k"] == "answer")
    assert first == {"k": "answer", "id": 7, "status": 200, "answer": {"done": True}}
    assert second == {"k": "answer", "id": 8, "status": 200, "answer": {"targets": [{"name": "a"}]}}
    assert desk.asked == [{"act": "note", "text": "x"}]


@pytest.mark.parametrize(("outcome", "status"), [("refused", 409), ("invalid", 422), ("busy", 503)])
def test_what_is_not_done_says_so(make: Callable[..., Linked], outcome: str, status: int) -> None:
    desk = Desk()
    desk.outcome = outcome
    linked = make(r"""link.sendall(b'{"id": 1, "act": 5}\n')""", desk)
    linked.wait(lambda: any(line["k"] == "answer" for line in linked.lines()))
    (answer,) = (line for line in linked.lines() if line["k"] == "answer")
    assert (answer["status"], desk.asked) == (status, [5])


def test_a_desk_that_fails_costs_that_act_alone(make: Callable[..., Linked]) -> None:
    class Failing(Desk):
        def ask(self, request: object) -> Desk.Answer:
            if request == "bad":
                raise RuntimeError("a fault of ours")
            return super().ask(request)

    linked = make(r"""link.sendall(b'{"id": 1, "act": "bad"}\n{"id": 2, "act": "good"}\n')""", Failing())
    linked.wait(lambda: sum(line["k"] == "answer" for line in linked.lines()) == 2)
    assert [line["status"] for line in linked.lines() if line["k"] == "answer"] == [500, 200]
    assert linked.notes() == ["an act on the pages went wrong inside rigmon: RuntimeError: a fault of ours"]
    assert linked.link.starts == 1


def test_without_a_desk_nothing_is_done(make: Callable[..., Linked]) -> None:
    linked = make(r"""link.sendall(b'{"id": 1, "act": {}}\n')""")
    linked.wait(lambda: any(line["k"] == "answer" for line in linked.lines()))
    assert linked.lines()[-1]["status"] == 404


def test_nonsense_from_the_child_is_no_act(make: Callable[..., Linked]) -> None:
    desk = Desk()
    linked = make(
        r"""link.sendall(b'\n\xff\n[]\n"a"\n{}\n{"act": 1}\n' + b'[' * 5000 + b'\n{"id": 3, "act": "last"}\n')""",
        desk,
    )
    linked.wait(lambda: any(line["k"] == "answer" for line in linked.lines()))
    assert desk.asked == ["last"]


def test_a_line_without_an_end_ends_the_child(make: Callable[..., Linked]) -> None:
    linked = make("link.sendall(b'x' * 200000)")
    linked.wait(lambda: linked.link.starts >= 2)
    assert "a line without an end" in linked.notes()[0]


def test_stopping_leaves_nothing(make: Callable[..., Linked]) -> None:
    linked = make()
    pid = linked.started()
    linked.link.stop()
    assert not _alive(pid)
    linked.link.publish([SAMPLE])  # and what still comes does no harm
    linked.link.began("run 2")
    assert linked.link.starts == 1


def test_a_child_that_will_not_end_is_ended(
    make: Callable[..., Linked], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pages, "_ENDS_S", 0.1)
    linked = make("kept.write(b'{}\\n')\nwhile True: __import__('time').sleep(60)")
    pid = linked.started()
    linked.link.stop()
    assert not _alive(pid)


@given(st.lists(st.sampled_from([SAMPLE, RAISED, RAISED._replace(raised=False)]), max_size=20))
def test_without_a_child_the_state_is_kept_all_the_same(outputs: list[Output]) -> None:
    link = PagesLink(RIG, TOML, Hub(MonotonicClock()))
    link.publish(outputs)
    known = LiveState(RIG)
    known.take(outputs)
    assert link._state.to_json() == known.to_json()
