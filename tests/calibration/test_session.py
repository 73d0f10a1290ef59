"""The answers of an interrupted calibration: every one that was kept is there again, whatever happened."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rigmon.calibration.session import Session, SessionError, TakenOverError, session_path

HEAD = {"kind": "catch", "nozzles": [1, 2, 3]}


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "book.creek-rig-catch.session"


def resumed(path: Path) -> Session:
    session = Session.resume(path)
    assert session is not None
    return session


def test_what_was_answered_is_there_again_in_its_order(path: Path) -> None:
    session = Session.begin(path, HEAD)
    session.add("pressure", "40 psi")
    session.add("nozzle 1", "148 mL")
    session.add("nozzle 2", "150")
    session.close()
    again = resumed(path)
    assert again.head == HEAD
    assert list(again.answers.items()) == [
        ("pressure", "40 psi"),
        ("nozzle 1", "148 mL"),
        ("nozzle 2", "150"),
    ]
    assert again.started_utc == session.started_utc
    assert again.damaged == 0


def test_an_answer_taken_back_does_not_hold_but_stays_in_the_file(path: Path) -> None:
    session = Session.begin(path, HEAD)
    session.add("nozzle 1", "148 mL")
    session.take_back("nozzle 1")
    session.add("nozzle 1", "184 mL")
    session.close()
    assert resumed(path).answers == {"nozzle 1": "184 mL"}
    assert "148 mL" in path.read_text()


def test_no_session_is_none(path: Path) -> None:
    assert Session.resume(path) is None


def test_a_new_session_never_overwrites_another(path: Path) -> None:
    Session.begin(path, HEAD).close()
    with pytest.raises(SessionError, match=r"session.*exists"):
        Session.begin(path, HEAD)


def test_set_aside_keeps_the_answers_under_another_name(path: Path) -> None:
    names = []
    for n in range(3):
        session = Session.begin(path, HEAD)
        session.add("nozzle 1", f"{n} mL")
        names.append(session.set_aside())
        assert not path.exists()
    assert len(set(names)) == 3
    for n, name in enumerate(names):
        assert f"{n} mL" in name.read_text()


def test_set_aside_without_hard_links_overwrites_nothing(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As on a card with a FAT file system."""

    def no_links(*_: object) -> None:
        raise PermissionError

    monkeypatch.setattr(os, "link", no_links)
    test_set_aside_keeps_the_answers_under_another_name(path)


def test_finish_removes_the_file(path: Path) -> None:
    session = Session.begin(path, HEAD)
    session.add("nozzle 1", "148 mL")
    session.finish()
    assert not path.exists()


@given(cut=st.integers(min_value=0, max_value=400))
def test_a_file_cut_anywhere_keeps_every_whole_answer(
    tmp_path_factory: pytest.TempPathFactory, cut: int
) -> None:
    path = tmp_path_factory.mktemp("cut") / "a.session"
    session = Session.begin(path, HEAD)
    sizes = [path.stat().st_size]
    for n in range(1, 4):
        session.add(f"nozzle {n}", f"{140 + n} mL")
        sizes.append(path.stat().st_size)
    session.close()
    os.truncate(path, min(cut, sizes[-1]))
    whole = sum(size <= cut for size in sizes) - 1
    again = Session.resume(path)
    if again is None:
        # only what was cut off before the first question
        assert whole <= 0
        return
    # a line whose end alone is missing is whole
    assert whole <= len(again.answers) <= whole + 1
    assert list(again.answers.values()) == [f"{140 + n} mL" for n in range(1, len(again.answers) + 1)]
    again.add("nozzle 9", "149 mL")
    again.close()
    third = resumed(path)
    assert third.answers == again.answers
    third.close()


def test_an_answer_is_on_the_card_before_add_returns(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    synced: list[int] = []
    real = os.fsync

    def fsync(fd: int) -> None:
        synced.append(os.fstat(fd).st_size)
        real(fd)

    session = Session.begin(path, HEAD)
    monkeypatch.setattr(os, "fsync", fsync)
    session.add("nozzle 1", "148 mL")
    assert synced == [path.stat().st_size]
    session.close()


def test_a_killed_process_loses_nothing(path: Path) -> None:
    code = (
        "import os, signal, sys; from pathlib import Path; from rigmon.calibration.session import Session\n"
        "session = Session.begin(Path(sys.argv[1]), {'kind': 'catch', 'nozzles': [1, 2, 3]})\n"
        "for n in range(1, 8): session.add(f'nozzle {n}', f'{n} mL')\n"
        "os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    done = subprocess.run([sys.executable, "-c", code, path], check=False, timeout=60)
    assert done.returncode == -9
    assert resumed(path).answers == {f"nozzle {n}": f"{n} mL" for n in range(1, 8)}


def test_two_terminals_cannot_write_into_each_other(path: Path) -> None:
    """A connection that died leaves its process waiting; somebody goes on in a new one."""
    old = Session.begin(path, HEAD)
    old.add("nozzle 1", "148 mL")
    new = resumed(path)
    new.add("nozzle 2", "150 mL")
    with pytest.raises(TakenOverError, match="goes on in another terminal"):
        old.add("nozzle 2", "151 mL")
    new.add("nozzle 3", "149 mL")
    assert new.answers == {"nozzle 1": "148 mL", "nozzle 2": "150 mL", "nozzle 3": "149 mL"}
    new.finish()
    with pytest.raises(TakenOverError, match="finished or set aside"):
        old.add("nozzle 2", "151 mL")
    assert not path.exists()


def test_a_session_set_aside_and_begun_anew_is_not_written_by_the_old_process(path: Path) -> None:
    old = Session.begin(path, HEAD)
    other = resumed(path)
    other.set_aside()
    new = Session.begin(path, HEAD)
    with pytest.raises(TakenOverError):
        old.add("nozzle 1", "148 mL")
    new.add("nozzle 1", "150 mL")
    assert resumed(path).answers == {"nozzle 1": "150 mL"}


@pytest.mark.parametrize(
    "text", ["something else\n", '{"rigmon_session": 99, "head": {}}\n', "[]\n{}\n", '{"a": 1}\n']
)
def test_what_is_no_session_is_refused_and_left_alone(path: Path, text: str) -> None:
    path.write_text(text)
    with pytest.raises(SessionError, match="not a session"):
        Session.resume(path)
    assert path.read_text() == text


def test_damaged_lines_are_counted_and_the_others_read(path: Path) -> None:
    session = Session.begin(path, HEAD)
    session.add("nozzle 1", "148 mL")
    session.close()
    with path.open("ab") as file:
        file.write(b'\xff\xfe garbage\n{"q": 5}\n[]\n')
        file.write(json.dumps({"q": "nozzle 2", "a": "150 mL"}).encode() + b"\n")
    again = resumed(path)
    assert again.answers == {"nozzle 1": "148 mL", "nozzle 2": "150 mL"}
    assert again.damaged == 3


def test_a_full_disk_is_told_and_what_was_kept_stays(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    session = Session.begin(path, HEAD)
    session.add("nozzle 1", "148 mL")
    real = os.write

    def full(fd: int, data: bytes) -> int:
        """Half of it fits."""
        if data.startswith(b'{"q": "nozzle 2"'):
            return real(fd, data[:10])
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "write", full)
    with pytest.raises(SessionError, match="No space left on device"):
        session.add("nozzle 2", "150 mL")
    monkeypatch.undo()
    session.add("nozzle 2", "150 mL")
    session.close()
    again = resumed(path)
    assert again.answers == {"nozzle 1": "148 mL", "nozzle 2": "150 mL"}
    assert again.damaged == 1


def test_a_folder_that_cannot_be_made_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(SessionError, match="--book"):
        Session.begin(tmp_path / "file" / "a.session", HEAD)


def test_each_rig_and_kind_has_a_file_of_its_own_beside_the_book() -> None:
    book = Path("season/calibration.sqlite")
    assert session_path(book, "catch", "Creek rig") == Path("season/calibration.creek-rig-catch.session")
    assert (
        session_path(book, "catch", "Creek rig", "nozzle 7").name
        == "calibration.creek-rig-catch-nozzle-7.session"
    )
    assert session_path(book, "course", "../../x").parent == Path("season")
    names = {session_path(book, "course", rig).name for rig in ("川 1", "山 1", "1")}
    assert len(names) == 3
    assert all(name.isascii() for name in names)
