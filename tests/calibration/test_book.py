"""The calibration book: it only grows, survives a cut, takes two at once, gives back what it was given."""

# ruff: noqa: E501  (the table of statements reads best one case a line)

import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rigmon import config
from rigmon.calibration import book as module
from rigmon.calibration.book import APPLICATION_ID, Book, BookError, Record, book_path, records_in_use
from rigmon.log.writer import RunLogWriter
from rigmon.model import RunHeader

ROOT = Path(__file__).parents[2]
DAY = date(2026, 5, 30)
RIG = "Creek rig"  # invented


def add(book: Book, kind: str = "catch", day: date = DAY, **changes: Any) -> Record:
    values: dict[str, Any] = {
        "rig": RIG,
        "subject": "flat fan 02",
        "nozzle_set": "flat fan 02",
        "inputs": {"time_s": 45.5},
        # 2.4 gal/min at 40 psi
        "result": {"boom_flow_l_min": 9.0849882816, "pressure_kpa": 275.7902917267, "uncertainty_pct": 2.5},
    }
    return book.add(kind, taken_on=day, **{**values, **changes})


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "calibration.sqlite"


def refusal(path: Path) -> str:
    with pytest.raises(BookError) as error, Book(path) as book:
        book.history()
    message = str(error.value)
    assert message.startswith(f"{path}: ")
    assert "\n" not in message
    return message


# -- what it gives back ------------------------------------------------------------------------------------


def test_a_record_comes_back_as_it_went_in(path: Path) -> None:
    moment = datetime(2026, 5, 30, 14, 5, 9, 999, tzinfo=UTC)
    inputs = {"time_s": 0.1 + 0.2, "catches": [[1, -0.0, 5e-324], [2, 1.7976931348623157e308, None]]}
    with Book(path, now=lambda: moment) as book:
        made = add(book, inputs=inputs, nozzle_set=None, subject="Düse 02")
        assert made.name == "2026-05-30 catch 1"
        assert made.recorded_utc == "2026-05-30T14:05:09Z"
        assert made.software.startswith("rigmon ")
        assert made.inputs == inputs
        assert str(made.inputs["catches"][0][1]) == "-0.0"
        assert book.get(made.name) == made
    with Book(path) as book:
        assert book.history() == [made]
    assert Record.from_json(json.loads(made.text())) == made
    assert made.to_json()["recorded_clock"] == "board"


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(),
    lambda inside: st.lists(inside, max_size=4) | st.dictionaries(st.text(), inside, max_size=4),
    max_leaves=12,
)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    inputs=st.dictionaries(st.text(), json_values, max_size=4),
    day=st.dates(date(2000, 1, 1), date(2099, 12, 31)),
    # surrogates, which no file can hold, are not text
    rig=st.text(st.characters(exclude_categories=["Cs"])),
)
def test_any_record_comes_back_bit_for_bit(inputs: dict[str, Any], day: date, rig: str, path: Path) -> None:
    with Book(path) as book:
        made = add(book, day=day, rig=rig, inputs=inputs)
        assert book.get(made.name) == made
    assert json.dumps(made.inputs) == json.dumps(inputs)  # == alone takes 0.0 for -0.0
    assert Record.from_json(json.loads(made.text())) == made


@pytest.mark.parametrize(
    "value", [float("nan"), float("inf"), -float("inf"), {1, 2}, b"raw", date(2026, 1, 1)]
)
def test_what_json_cannot_hold_is_never_written(path: Path, value: object) -> None:
    with Book(path) as book:
        with pytest.raises((TypeError, ValueError)):
            add(book, result={"flow": value})
        assert not path.exists()


@pytest.mark.parametrize(
    "changes",
    [{"kind": "other"}, {"inputs": []}, {"result": None}, {"day": datetime(2026, 5, 30, 12, 0)}],
)
def test_a_wrong_record_is_never_written(path: Path, changes: dict[str, Any]) -> None:
    with Book(path) as book, pytest.raises((TypeError, ValueError)):
        add(book, **changes)
    assert not path.exists()


def test_bytes_that_are_not_text_are_refused(path: Path) -> None:
    with Book(path) as book, pytest.raises(BookError, match="not text"):
        add(book, subject=os.fsdecode(b"caf\xe9"))


# -- names, order, superseding -------------------------------------------------------------------------------


def test_names_count_within_a_day_and_a_kind(path: Path) -> None:
    with Book(path) as book:
        names = [
            add(book).name,
            add(book).name,
            add(book, rig="Other rig").name,
            add(book, "flowmeter", subject="flowmeter").name,
            add(book, day=date(2026, 6, 1)).name,
            *(add(book).name for _ in range(8)),
        ]
    assert names[:5] == [
        "2026-05-30 catch 1",
        "2026-05-30 catch 2",
        "2026-05-30 catch 3",
        "2026-05-30 flowmeter 1",
        "2026-06-01 catch 1",
    ]
    assert names[-1] == "2026-05-30 catch 11"


def test_a_record_supersedes_the_one_before_it_of_the_same_kind_rig_and_subject(path: Path) -> None:
    with Book(path) as book:
        first = add(book)
        other_rig = add(book, rig="Other rig")
        other_set = add(book, subject="flat fan 03")
        other_kind = add(book, "course", subject="")
        second = add(book, day=date(2026, 6, 20))
        assert [r.supersedes for r in (first, other_rig, other_set, other_kind)] == [None] * 4
        assert second.supersedes == first.name
        assert book.latest("catch", RIG, "flat fan 02") == second
        assert book.latest("catch", RIG, "flat fan 03") == other_set
        assert book.latest("catch", RIG) == second
        assert book.latest("pace", RIG) is None
        assert book.get(first.name) == first


def test_an_old_sheet_typed_in_late_supersedes_nothing_newer(path: Path) -> None:
    with Book(path) as book:
        spring = add(book, day=date(2026, 3, 1))
        summer = add(book, day=date(2026, 6, 1))
        late = add(book, day=date(2026, 4, 1))
        assert book.latest("catch", RIG, "flat fan 02").name == summer.name
        assert late.supersedes == spring.name
        assert book.get(summer.name).supersedes == late.name
        assert [record.name for record in book.history()] == [spring.name, late.name, summer.name]


def test_history_is_of_what_is_asked_for(path: Path) -> None:
    with Book(path) as book:
        a, b, c = add(book), add(book, rig="Other rig"), add(book, "pace", subject="")
        assert book.history() == [a, b, c]
        assert book.history("catch") == [a, b]
        assert book.history(rig=RIG) == [a, c]
        assert book.history("catch", RIG, "flat fan 02") == [a]
        assert book.history("course") == []


def test_a_name_that_is_not_there_is_refused_with_the_nearest(path: Path) -> None:
    with Book(path) as book:
        with pytest.raises(BookError, match="it is empty"):
            book.get("2026-05-30 catch 1")
        add(book)
        with pytest.raises(BookError, match="did you mean '2026-05-30 catch 1'"):
            book.get("2026-05-30 catch 2")
        with pytest.raises(BookError, match="'rigmon calibrate list' shows"):
            book.get("zzz")


# -- append only ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE record SET result = '{}'",
        "UPDATE record SET name = 'other' WHERE id = 1",
        "DELETE FROM record",
        "INSERT OR REPLACE INTO record SELECT * FROM record",
        "REPLACE INTO record SELECT 2, name, kind, rig, subject, nozzle_set, taken_on, recorded_utc, software, inputs, result FROM record",
        "INSERT INTO record SELECT * FROM record WHERE true ON CONFLICT (id) DO UPDATE SET result = '{}'",
    ],
)  # fmt: skip
def test_nobody_changes_a_record(path: Path, statement: str) -> None:
    with Book(path) as book:
        made = add(book)
    connection = sqlite3.connect(path)  # as any SQL tool
    with pytest.raises(sqlite3.IntegrityError, match="the calibration book only grows"):
        connection.execute(statement)
    connection.close()
    with Book(path) as book:
        assert book.history() == [made]


@pytest.mark.parametrize("column", ["inputs", "result"])
def test_the_table_takes_only_json(path: Path, column: str) -> None:
    with Book(path) as book:
        add(book)
    connection = sqlite3.connect(path)
    columns = {name: name for (_, name, *_) in connection.execute("PRAGMA table_info(record)")}
    columns |= {"id": "2", "name": "'other'", column: "'no json'"}
    with pytest.raises(sqlite3.IntegrityError, match="CHECK"):
        connection.execute(f"INSERT INTO record SELECT {', '.join(columns.values())} FROM record")
    connection.close()


def test_the_source_has_no_word_that_changes_a_row() -> None:
    source = Path(module.__file__).read_text(encoding="utf-8")
    code = "\n".join(line.partition("#")[0] for line in source.splitlines())
    assert "delete_where" not in code
    for verb in (
        "UPDATE record",
        "UPDATE OR",
        "DELETE FROM",
        ".update(",
        ".upsert",
        ".delete(",
        "REPLACE INTO",
        "DROP ",
    ):
        assert verb not in code, verb


# -- the file ------------------------------------------------------------------------------------------------


def test_reading_alone_makes_no_file(path: Path) -> None:
    with Book(path) as book:
        assert book.history() == []
        assert book.latest("catch", RIG) is None
    assert not path.exists()


def test_a_book_that_another_process_begins_meanwhile_is_seen(path: Path) -> None:
    with Book(path) as early:
        assert early.history() == []
        with Book(path) as other:
            made = add(other)
        assert early.history() == [made]


def test_the_file_says_what_it_is_and_stays_one_file(path: Path) -> None:
    with Book(path) as book:
        add(book)
        assert list(path.parent.iterdir()) == [path]
    connection = sqlite3.connect(path)
    assert connection.execute("PRAGMA application_id").fetchone() == (APPLICATION_ID,)
    assert APPLICATION_ID.to_bytes(4, "big") == b"RIGC"
    assert connection.execute("PRAGMA user_version").fetchone() == (1,)
    assert connection.execute("PRAGMA journal_mode").fetchone() == ("delete",)
    (strict,) = connection.execute("SELECT strict FROM pragma_table_list WHERE name = 'record'").fetchone()
    assert strict == 1
    connection.close()


def test_an_empty_file_left_by_a_cut_is_begun(path: Path) -> None:
    path.touch()
    with Book(path) as book:
        assert book.history() == []
        assert add(book).name == "2026-05-30 catch 1"


def test_a_text_file_is_refused(path: Path) -> None:
    path.write_text("catch test of 30 May: 24 oz in 45 s\n" * 30)
    assert "is not a calibration book (not a SQLite file)" in refusal(path)


def test_another_applications_database_is_refused_and_left_alone(path: Path) -> None:
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE record (id)")
    connection.close()
    before = path.read_bytes()
    assert "is a SQLite file, but not a calibration book" in refusal(path)
    with pytest.raises(BookError), Book(path) as book:
        add(book)
    assert path.read_bytes() == before


def test_a_run_log_is_refused(path: Path) -> None:
    header = RunHeader("id", "live", "[rig]", "rigmon 0", "host", None, "", None, None)
    RunLogWriter(path, header, lambda _: None).close(0, "done")
    assert "is a SQLite file, but not a calibration book" in refusal(path)


def test_a_newer_format_is_refused(path: Path) -> None:
    with Book(path) as book:
        add(book)
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA user_version = 2")
    connection.close()
    assert refusal(path).endswith("calibration book format 2 is not this rigmon's, 1; update rigmon")


def test_a_folder_and_a_missing_folder_are_refused(tmp_path: Path) -> None:
    assert "is a folder" in refusal(tmp_path)
    with (
        pytest.raises(BookError, match="its folder is not there; make it"),
        Book(tmp_path / "a" / "b") as book,
    ):
        add(book)
    assert "is not a file" in refusal(Path("/dev/zero"))


@pytest.mark.parametrize("where", [0.3, 0.6, 0.95])
def test_a_damaged_page_is_seen(path: Path, where: float) -> None:
    with Book(path) as book:
        for _ in range(40):
            add(book)
    data = bytearray(path.read_bytes())
    at = int(len(data) * where) // 4096 * 4096
    data[at : at + 4096] = b"\x5a" * 4096
    path.write_bytes(data)
    assert "the calibration book is damaged" in refusal(path)


def test_a_file_cut_short_is_seen(path: Path) -> None:
    with Book(path) as book:
        for _ in range(40):
            add(book)
    os.truncate(path, path.stat().st_size // 2)
    assert "the calibration book is damaged" in refusal(path)


def test_a_record_that_is_no_json_object_is_seen(path: Path) -> None:
    with Book(path) as book:
        add(book)
    connection = sqlite3.connect(path)
    connection.execute("DROP TRIGGER record_is_never_updated")
    connection.execute("UPDATE record SET taken_on = 'someday'")
    connection.commit()
    connection.close()
    assert "is damaged: record '2026-05-30 catch 1'" in refusal(path)


def test_a_file_that_may_not_be_written_is_still_read(path: Path, read_only: Callable[[Path], None]) -> None:
    with Book(path) as book:
        made = add(book)
    read_only(path)
    with Book(path) as book:
        assert book.history() == [made]
        with pytest.raises(BookError, match="cannot be written"):
            add(book)


def test_a_full_disk_keeps_what_was_there(path: Path) -> None:
    with Book(path) as book:
        made = add(book)
        pages = book._connection.execute("PRAGMA page_count").fetchone()[0]
        book._connection.execute(f"PRAGMA max_page_count = {pages}")
        with pytest.raises(BookError, match="the disk is full; the record was not taken"):
            add(book, inputs={"long": "x" * 100_000})
        assert book.history() == [made]
        assert add(book, inputs={}).name == "2026-05-30 catch 2"  # a row that still fits


# -- two at once, and a cut ----------------------------------------------------------------------------------

_CHILD = """
import sys
from datetime import date
from rigmon.calibration.book import Book

path, who, count = sys.argv[1], sys.argv[2], int(sys.argv[3])
print("ready", flush=True)
sys.stdin.readline()
for n in range(count):
    with Book(path) as book:
        made = book.add("catch", who, "", None, date(2026, 5, 30), {"n": n, "pad": "x" * 3000}, {})
    print(made.name, flush=True)
"""


def child(path: Path, who: str, count: int) -> "subprocess.Popen[str]":
    return subprocess.Popen(
        [sys.executable, "-c", _CHILD, path, who, str(count)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )


def test_two_processes_at_once_lose_nothing_and_share_no_name(path: Path) -> None:
    children = [child(path, who, 15) for who in ("one", "two")]
    for process in children:
        assert process.stdout.readline() == "ready\n"
    for process in children:  # neither has begun the file yet
        process.stdin.write("go\n")
        process.stdin.flush()
    told = [name for process in children for name in process.communicate(timeout=60)[0].split("\n") if name]
    assert [process.returncode for process in children] == [0, 0]
    with Book(path) as book:
        records = book.history()
    assert sorted(told) == sorted(record.name for record in records)
    assert len(set(told)) == 30
    for who in ("one", "two"):
        assert [record.inputs["n"] for record in records if record.rig == who] == list(range(15))


@pytest.mark.parametrize("after", [1, 4, 9])
def test_a_process_killed_while_adding_leaves_every_record_that_it_told_of(path: Path, after: int) -> None:
    process = child(path, "one", 100_000)
    process.stdin.write("go\n")
    process.stdin.flush()
    told: list[str] = []
    assert process.stdout.readline() == "ready\n"
    for line in process.stdout:
        told.append(line.strip())
        if len(told) == after:
            os.kill(process.pid, signal.SIGKILL)  # it is already at the next one
            break
    told += [line.strip() for line in process.stdout]
    assert process.wait() == -signal.SIGKILL
    process.stdin.close()
    process.stdout.close()
    with Book(path) as book:
        kept = [record.name for record in book.history()]
        assert kept == [f"2026-05-30 catch {n + 1}" for n in range(len(kept))]
        assert kept[: len(told)] == told
        assert len(kept) <= len(told) + 1
        assert add(book).name == f"2026-05-30 catch {len(kept) + 1}"
        assert book._connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]


def test_a_cut_at_any_moment_of_a_transaction_leaves_the_record_or_none(path: Path, tmp_path: Path) -> None:
    """The file and its rollback journal as they lie on the card at each step of adding a record."""
    with Book(path) as book:
        first = add(book)
    folder = tmp_path / "cuts"
    folder.mkdir()
    seen: list[Path] = []

    def snapshot() -> int:
        here = folder / str(len(seen))
        here.mkdir()
        for file in path.parent.glob(f"{path.name}*"):
            shutil.copyfile(file, here / file.name)
        seen.append(here / path.name)
        return 0

    before = path.read_bytes()
    with Book(path) as book:
        book._connection.execute("PRAGMA cache_size = 1")  # so that pages go to the file before the commit
        book._connection.set_progress_handler(snapshot, 1)
        second = add(book, inputs={"pad": "x" * 30_000})  # several pages
        book._connection.set_progress_handler(None, 0)
    torn = [cut for cut in seen if Path(f"{cut}-journal").exists() and cut.read_bytes() != before]
    assert torn
    for cut in [*seen[:: len(seen) // 20], *torn]:
        with Book(cut) as book:
            assert book.history() in ([first], [first, second])


def test_a_writer_that_holds_the_book_is_waited_for_then_named(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Book(path) as book:
        made = add(book)
    monkeypatch.setattr(module, "_BUSY_S", 0.05)
    holder = sqlite3.connect(path, isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    with Book(path) as book:
        assert book.history() == [made]
        with pytest.raises(BookError, match="another program has held the calibration book"):
            add(book)
    holder.execute("ROLLBACK")
    holder.close()
    with Book(path) as book:
        assert add(book).name == "2026-05-30 catch 2"


# -- the records that a rig uses -----------------------------------------------------------------------------

RIG_TOML = """
[rig]
name = "Creek rig"
nozzle_count = 12
nozzle_spacing = "20 in"
[target]
rate = "17 gal/ac"
[calibration]
flow = "2.4 gal/min"
pressure = "40 psi"
record = "2026-05-30 catch 1"
[flow]
source = "xdr"
record = "2026-05-30 flowmeter 1"
[book]
file = "books/creek.sqlite"
"""


def test_the_records_in_use_are_looked_up_beside_the_rig_file(tmp_path: Path) -> None:
    rig, rig_file = config.parse(RIG_TOML, "rig.toml"), tmp_path / "rig.toml"
    path = book_path(rig, rig_file)
    assert path == tmp_path / "books" / "creek.sqlite"

    records, troubles = records_in_use(rig, rig_file)
    assert records == []
    assert len(troubles) == 1
    assert troubles[0].startswith(f"{path}: the calibration book is not there")
    assert "2026-05-30 catch 1, 2026-05-30 flowmeter 1" in troubles[0]

    path.parent.mkdir()
    with Book(path) as book:
        catch = add(book)
        records, troubles = records_in_use(rig, rig_file)
        assert records == [catch]
        assert len(troubles) == 1
        assert "has no record '2026-05-30 flowmeter 1'" in troubles[0]
        meter = add(book, "flowmeter", subject="flowmeter", rig="Other rig")
    records, troubles = records_in_use(rig, rig_file)
    assert records == [catch, meter]
    assert troubles == [
        f"{rig_file}: 2026-05-30 flowmeter 1 is of the rig 'Other rig', and this rig file is of 'Creek rig'"
    ]

    edited = config.parse(RIG_TOML.replace("2.4 gal/min", "2.5 gal/min"), "rig.toml")
    assert records_in_use(edited, rig_file)[1][0] == (
        f"{rig_file}: calibration.flow is 2.5 gal/min in the rig file, but 2.4 gal/min in 2026-05-30 catch 1: "
        "it was changed since"
    )

    path.write_text("no book" * 100)
    records, troubles = records_in_use(rig, rig_file)
    assert records == []
    assert len(troubles) == 1
    assert "not a calibration book" in troubles[0]


def test_a_rig_that_names_no_record_needs_no_book(tmp_path: Path) -> None:
    text = RIG_TOML.replace('record = "2026-05-30 catch 1"', "").replace(
        'record = "2026-05-30 flowmeter 1"', ""
    )
    assert records_in_use(config.parse(text, "rig.toml"), tmp_path / "rig.toml") == ([], [])
