"""A season's work: whichever way it is spread the same, kept by content, and no broken log stops it."""

import json
import os
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from hand_made import Track, rig, run
from season_made import make_log

from rigmon import processes
from rigmon.analysis.ground import Ground
from rigmon.analysis.score import score
from rigmon.analysis.season import gather, pool, work
from rigmon.analysis.season.cache import NAME
from rigmon.analysis.season.coefficient import nozzle_coefficient
from rigmon.analysis.season.gather import season
from rigmon.analysis.season.scan import scan
from rigmon.analysis.season.version import SOURCES, analysis_version
from rigmon.analysis.source import load
from rigmon.errors import UsageError
from rigmon.rig import Rig

LOGS = ("b.sqlite", "a.sqlite", "sub/c.sqlite")  #: in order of their start


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("season")
    (folder / "sub").mkdir()
    for n, name in enumerate(LOGS):
        make_log(folder / name, day=3.5 * n)
    make_log(folder / "cut.sqlite", day=20, ended=False)
    return folder


@pytest.fixture
def folder(made: Path, tmp_path: Path) -> Path:
    """Three logs that ended cleanly, and room for more."""
    shutil.copytree(made, tmp_path / "runs", ignore=shutil.ignore_patterns("cut*"))
    return tmp_path / "runs"


def names(found: dict[str, Any], folder: Path) -> list[str]:
    return [Path(one["path"]).relative_to(folder).as_posix() for one in found["runs"]]


def figures(found: dict[str, Any]) -> str:
    """All that a season says, but for whether it knew it before."""
    return json.dumps({key: value for key, value in found.items() if key != "cache"})


def why(found: dict[str, Any], name: str) -> str:
    (reason,) = (one["why"] for one in found["left_out"] if Path(one["path"]).name == name)
    assert isinstance(reason, str)
    return reason


# -- whichever way ---------------------------------------------------------------------------------------


def test_one_process_two_processes_and_a_cluster_say_the_same(folder: Path, tmp_path: Path) -> None:
    distributed = pytest.importorskip("distributed")
    (folder / "torn.sqlite").write_bytes((folder / "a.sqlite").read_bytes()[:100_000])
    one = season(folder, jobs=1, keep=False)
    assert names(one, folder) == list(LOGS)
    assert figures(season(folder, jobs=2, keep=False)) == figures(one)
    with distributed.LocalCluster(
        n_workers=2,
        threads_per_worker=1,
        processes=True,
        host="127.0.0.1",
        dashboard_address=":0",
        local_directory=str(tmp_path),
        silence_logs=50,
    ) as cluster:
        on_cluster = season(folder, scheduler=cluster.scheduler_address, keep=False)
    assert figures(on_cluster) == figures(one)


def test_a_summary_is_the_score_and_more(folder: Path) -> None:
    path = folder / "a.sqlite"
    summary, scored = work.summarise(path), score(load(path, None))
    assert list(summary["score"]) == list(scored)
    for key, value in scored.items():
        if key == "stretches":
            told = {kind: of["count"] for kind, of in summary["score"][key].items()}
            assert sum(told.values()) == len(value)
        elif key != "alerts":
            assert summary["score"][key] == value, key
    assert summary["hold"]["hold_pct"] > 0
    assert summary["closure"]["metered_l"] > 0
    assert json.loads(json.dumps(summary, allow_nan=False)) == summary


def killer(text: str, told: str | None) -> str:
    """A unit of work that a log kills, as the kernel does when memory is out."""
    if "kill" in text:
        os._exit(1)
    return f"{text} {told}"


def test_a_log_that_kills_its_process_is_named_and_the_rest_goes_on() -> None:
    tasks = [("a", "1"), ("kill", None), ("b", "2"), ("c", None)]
    answers = {n: (answer, trouble) for n, answer, trouble in pool.spread(killer, tasks, 2, None)}
    assert {n: answer for n, (answer, _) in answers.items()} == {0: "a 1", 1: None, 2: "b 2", 3: "c None"}
    assert "died" in answers[1][1]


def test_processes_are_started_only_where_it_pays() -> None:
    assert processes.processors() >= 1
    few = [("a", str(n)) for n in range(2 * pool.WORTH_A_PROCESS - 1)]
    here = list(pool.spread(lambda text, told: f"{text}{told}{os.getpid()}", few, None, None))
    assert [answer for _, answer, _ in here] == [f"a{n}{os.getpid()}" for n in range(len(few))]


# -- a cluster that cannot be used -----------------------------------------------------------------------


def test_a_scheduler_that_is_not_there_is_refused(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pool, "_PATIENCE_S", 0.3)
    with pytest.raises(
        UsageError, match=r"--scheduler = 'tcp://127\.0\.0\.1:1': no scheduler can be reached"
    ):
        season(folder, scheduler="tcp://127.0.0.1:1", keep=False)
    with pytest.raises(UsageError, match="--scheduler = 'nonsense"):
        season(folder, scheduler="nonsense://x", keep=False)


def test_without_the_library_it_says_what_to_install(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(UsageError, match=r"pip install 'rigmon\[cluster\]'"):
        season(folder, scheduler="tcp://127.0.0.1:1", keep=False)


def test_workers_with_another_rigmon_are_refused() -> None:
    def client(run: Callable[[Any], Any], wait: Callable[..., None] = lambda *_, **__: None) -> Any:
        return SimpleNamespace(run=run, wait_for_workers=wait)

    def fails(*_: Any, **__: Any) -> Any:
        raise TimeoutError

    pool._check_workers(client(lambda ask: {"w1": ask(), "w2": ask()}), "x")
    with pytest.raises(UsageError, match=r"w2 has rigmon 0\.0\.1-0"):
        pool._check_workers(client(lambda ask: {"w1": ask(), "w2": "0.0.1-0"}), "x")
    with pytest.raises(UsageError, match="cannot run rigmon"):
        pool._check_workers(client(fails), "x")
    with pytest.raises(UsageError, match="no workers"):
        pool._check_workers(client(lambda _: {}, wait=fails), "x")


# -- kept by content -------------------------------------------------------------------------------------


def test_what_was_summarised_is_not_read_again(folder: Path) -> None:
    first, again = season(folder), season(folder)
    assert (first["cache"]["used"], again["cache"]["used"]) == (0, 3)
    assert again["cache"]["file"] == str(folder / NAME)
    assert figures(again) == figures(first)


def test_a_renamed_log_is_known_and_a_changed_one_is_not(folder: Path) -> None:
    season(folder)
    (folder / "a.sqlite").rename(folder / "z.sqlite")
    renamed = season(folder)
    assert renamed["cache"]["used"] == 3
    assert names(renamed, folder) == ["b.sqlite", "z.sqlite", "sub/c.sqlite"]
    with sqlite3.connect(folder / "b.sqlite") as connection:
        connection.execute("UPDATE run SET host = 'another'")
    connection.close()
    assert season(folder)["cache"]["used"] == 2
    assert season(folder)["cache"]["used"] == 3


def test_another_analysis_makes_its_own(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    season(folder)
    monkeypatch.setattr(gather, "analysis_version", lambda: "another")
    assert [season(folder)["cache"]["used"] for _ in range(2)] == [0, 3]
    assert "another" in (folder / NAME).read_text()
    assert analysis_version() not in (folder / NAME).read_text()


def damage_a_figure(cache: Path) -> None:
    """Still JSON, but another number."""
    cache.write_text(cache.read_text().replace('"duration_s": ', '"duration_s": 1', 1))


def tear_the_end(cache: Path) -> None:
    cache.write_bytes(cache.read_bytes()[:-100])


def make_garbage(cache: Path) -> None:
    cache.write_bytes(bytes(range(256)) * 20)


def empty(cache: Path) -> None:
    cache.write_bytes(b"")


def repeat_lines_of_nonsense(cache: Path) -> None:
    with cache.open("a") as file:
        file.write('[]\n{}\n"text"\n{"digest": 1, "crc": 2}\n\x00\n')


@pytest.mark.parametrize(
    ("damage", "known"),
    [(damage_a_figure, 2), (tear_the_end, 2), (make_garbage, 0), (empty, 0), (repeat_lines_of_nonsense, 3)],
)
def test_a_damaged_cache_is_made_again(damage: Callable[[Path], None], known: int, folder: Path) -> None:
    first = season(folder)
    damage(folder / NAME)
    again = season(folder)
    assert again["cache"]["used"] == known
    assert again["cache"]["trouble"] is None
    assert figures(again) == figures(first)
    assert season(folder)["cache"]["used"] == 3


def test_a_file_of_somebody_else_is_never_taken_for_a_cache(folder: Path, tmp_path: Path) -> None:
    notes = tmp_path / "notes.txt"
    notes.write_text("do not lose this\n")
    with pytest.raises(UsageError, match=r"notes\.txt: is no season cache"):
        season(folder, cache=notes)
    assert notes.read_text() == "do not lose this\n"


def test_the_cache_can_be_elsewhere_or_nowhere(folder: Path, tmp_path: Path) -> None:
    elsewhere = tmp_path / "mine.jsonl"
    season(folder, cache=elsewhere)
    assert season(folder, cache=elsewhere)["cache"]["used"] == 3
    assert season(folder, keep=False)["cache"] == {"file": None, "used": 0, "trouble": None}
    assert not (folder / NAME).exists()
    with pytest.raises(UsageError, match=r"--cache: .*no-folder"):
        season(folder, cache=tmp_path / "no-folder" / "mine.jsonl")


def test_a_folder_that_cannot_be_written_is_no_error(folder: Path, read_only: Callable[[Path], None]) -> None:
    read_only(folder)
    found = season(folder)
    assert len(found["runs"]) == 3
    assert "cannot be written" in found["cache"]["trouble"]


def test_nor_is_a_folder_in_the_caches_place(folder: Path) -> None:
    (folder / NAME).mkdir()
    found = season(folder)
    assert len(found["runs"]) == 3
    assert NAME in found["cache"]["trouble"]


# -- what is not a sound log -----------------------------------------------------------------------------


def test_broken_and_foreign_files_are_named_and_the_rest_goes_on(folder: Path) -> None:
    whole = (folder / "a.sqlite").read_bytes()
    (folder / "torn.sqlite").write_bytes(whole[:50_000])
    (folder / "empty.sqlite").write_bytes(b"")
    (folder / "text.sqlite").write_text("not a log")
    (folder / "a-link.sqlite").symlink_to("nowhere.sqlite")
    other = sqlite3.connect(folder / "other.sqlite")
    other.execute("CREATE TABLE a (b)")
    other.close()
    newer = sqlite3.connect(shutil.copy(folder / "b.sqlite", folder / "newer.sqlite"))
    newer.execute("PRAGMA user_version = 99")
    newer.close()
    found = season(folder)
    assert names(found, folder) == list(LOGS)
    expected = {
        "torn.sqlite": "damaged",
        "empty.sqlite": "is empty",
        "text.sqlite": "not a run log",
        "a-link.sqlite": "is not there",
        "other.sqlite": "not a run log of rigmon",
        "newer.sqlite": "format 99 is newer",
    }
    assert {Path(one["path"]).name for one in found["left_out"]} == set(expected)
    for name, words in expected.items():
        assert words in why(found, name)
        assert str(folder) not in why(found, name)


def test_a_locked_log_is_named(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    connect = sqlite3.connect
    monkeypatch.setattr(
        "rigmon.log.reader.sqlite3.connect", lambda *args, **more: connect(*args, **{**more, "timeout": 0.05})
    )
    script = (
        "import sqlite3, sys; c = sqlite3.connect(sys.argv[1], isolation_level=None);"
        "c.execute('BEGIN EXCLUSIVE'); print('locked', flush=True); sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", script, folder / "a.sqlite"], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == b"locked\n"
        found = season(folder, jobs=1)
        assert other.stdin is not None
        other.stdin.close()
    assert "another program has locked it" in why(found, "a.sqlite")
    assert len(found["runs"]) == 2
    assert len(season(folder)["runs"]) == 3  # what was only locked is not remembered as broken


def test_a_log_that_the_power_cut_off_counts_with_a_note(made: Path, folder: Path) -> None:
    for path in made.glob("cut.sqlite*"):
        shutil.copy(path, folder)
    found = season(folder)
    assert names(found, folder) == [*LOGS, "cut.sqlite"]
    assert any("not ended cleanly" in note for note in found["runs"][-1]["notes"])
    assert season(folder)["cache"]["used"] == 4, "reading may fold what lay beside it in; then it is known"


def test_trouble_that_nobody_thought_of_is_named_too(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = work.summarise

    def stumbles(path: Path) -> dict[str, Any]:
        if path.name == "b.sqlite":
            raise ZeroDivisionError("by nothing")
        if path.name == "a.sqlite":
            raise MemoryError
        return whole(path)

    monkeypatch.setattr(work, "summarise", stumbles)
    found = season(folder, jobs=1)
    assert names(found, folder) == ["sub/c.sqlite"]
    assert why(found, "b.sqlite") == "cannot be scored: ZeroDivisionError: by nothing"
    assert "not enough memory" in why(found, "a.sqlite")


def test_a_log_that_grows_while_it_is_read_is_not_kept(
    made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = shutil.copy(made / "cut.sqlite", tmp_path / "live.sqlite")
    growing = iter(range(100))
    monkeypatch.setattr(work, "digest", lambda _: f"state {next(growing)}")
    answer = json.loads(work.work(str(path), "state before"))
    assert answer["digest"] is None
    assert answer["summary"]["score"]["run"]["ended_cleanly"] is False


def test_copies_count_once(folder: Path) -> None:
    shutil.copy(folder / "a.sqlite", folder / "a-copy.sqlite")
    early = folder / "early.sqlite"  # of the same run, copied before it had ended
    shutil.copy(folder / "b.sqlite", early)
    with sqlite3.connect(early) as connection:
        connection.execute("DELETE FROM reading_block WHERE seq > (SELECT max(seq) / 2 FROM reading_block)")
        connection.execute("UPDATE run SET ended_ns = NULL, readings = NULL")
    connection.close()
    found = season(folder)
    assert len(found["runs"]) == 3
    assert {Path(one["path"]).name: one["why"] for one in found["left_out"]} == {
        "a.sqlite": f"a copy of {folder / 'a-copy.sqlite'}",
        "early.sqlite": f"the same run as {folder / 'b.sqlite'}, with no more readings",
    }


def test_what_else_lies_in_the_folder(folder: Path) -> None:
    from rigmon.analysis.record.book import APPLICATION_ID as RECORDS
    from rigmon.calibration.book import APPLICATION_ID as CALIBRATIONS

    for name, number in (("calibration.sqlite", CALIBRATIONS), ("applications.sqlite", RECORDS)):
        book = sqlite3.connect(folder / name)
        book.execute(f"PRAGMA application_id = {number}")
        book.execute("CREATE TABLE a (b)")
        book.close()
    (folder / "run.nmea").write_bytes(b"# a comment\r\n$GPRMC,,V,,,,,,,,,,N*53\r\n")
    (folder / "tagged.log").write_bytes(b"\\c:1700000000*5B\\$GPGGA,,,,,,0,,,,,,,,*66\r\n")
    (folder / "notes.txt").write_text("pay the $10 for the nozzles\n")
    (folder / ".hidden.sqlite").write_text("")
    found = season(folder)
    assert (len(found["runs"]), found["left_out"], found["recordings"]) == (3, [], 2)


def test_an_empty_folder_and_no_folder(tmp_path: Path) -> None:
    found = season(tmp_path)
    assert (found["runs"], found["left_out"], found["trends"], found["totals"]["runs"]) == ([], [], [], 0)
    with pytest.raises(UsageError, match="there is no such folder"):
        scan(tmp_path / "nothing")
    (tmp_path / "file").write_text("")
    with pytest.raises(UsageError, match="is not a folder"):
        scan(tmp_path / "file")


# -- the nozzles' coefficient ----------------------------------------------------------------------------


def with_pressure(track: Track, kpa: float) -> Track:
    track.samples = [sample._replace(pressure_kpa=kpa) for sample in track.samples]
    return track


def coefficient(track: Track, rig_: Rig | None = None) -> dict[str, Any] | None:
    return nozzle_coefficient(Ground(run(track, rig_)))


def test_the_coefficient_by_hand() -> None:
    # 6 L/min at 200 kPa: 6 / sqrt(200) = 0.424264; at the calibration's 200 kPa that is 6 L/min again
    found = coefficient(with_pressure(Track().go(300), 200.0))
    assert found is not None
    assert found["k_l_min_per_sqrt_kpa"] == pytest.approx(0.424264, rel=1e-6)
    assert found["against_calibration_pct"] == pytest.approx(0, abs=1e-9)
    assert found["random_u_pct"] == pytest.approx(0, abs=1e-9)
    # meter 2 %, half of the gauge's 3 %: 2 sqrt(4 + 2.25) = 5
    assert found["expanded_uncertainty_pct"] == pytest.approx(5)
    # at four times the pressure twice the flow is the same coefficient
    more = coefficient(with_pressure(Track().go(300, flow=12.0), 800.0))
    assert more is not None
    assert more["k_l_min_per_sqrt_kpa"] == pytest.approx(found["k_l_min_per_sqrt_kpa"])


def test_its_scatter_by_hand() -> None:
    # 3 s to settle, eight blocks of 30 s that are 1 % above and below in turn, one sample that may hold the
    # switching off: each block's r is 1 % of its share, so u = sqrt(8/7 x 8) / 8 % = 1 % / sqrt(7)
    track = Track().go(3)
    for _ in range(4):
        track.go(30, flow=6.06).go(30, flow=5.94)
    found = coefficient(with_pressure(track.go(1), 200.0))
    assert found is not None
    assert found["time_s"] == 240
    assert found["random_u_pct"] == pytest.approx(1 / 7**0.5)


def test_what_settles_after_switching_on_does_not_count() -> None:
    track = Track()
    for _ in range(10):
        track.go(2, flow=2.0).go(28, flow=6.0).go(5, boom=0)
    found = coefficient(with_pressure(track, 200.0))
    assert found is not None
    assert found["k_l_min_per_sqrt_kpa"] == pytest.approx(6 / 200**0.5)


def test_no_coefficient_without_both_sensors_or_enough_time() -> None:
    assert coefficient(Track().go(300)) is None  # no pressure
    assert coefficient(with_pressure(Track().go(300, flow=None), 200.0)) is None
    assert coefficient(with_pressure(Track().go(60), 200.0)) is None
    assert coefficient(Track()) is None


def test_worn_nozzles_show_in_a_simulated_run(tmp_path: Path) -> None:
    """Nozzles that give 4 % more than their calibration, with 1 % noise of flow and pressure."""
    summary = work.summarise(make_log(tmp_path / "worn.sqlite", worn=1.04, passes=3, length_m=80))
    found = summary["nozzle_coefficient"]
    assert found["against_calibration_pct"] == pytest.approx(4.0, abs=0.15)
    assert found["random_u_pct"] < 0.15
    assert rig().flow.source == "xdr"


def test_the_version_looks_at_all_the_code_that_a_summary_comes_from() -> None:
    script = (
        "import sys, rigmon.analysis.season.work, rigmon;"
        "print(*(m.__file__ for n, m in sys.modules.items() if n.startswith('rigmon.')), sep='\\n')"
    )
    loaded = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True).stdout
    root = Path(gather.__file__).parents[2]
    for path in map(Path, loaded.split()):
        name = path.relative_to(root).as_posix()
        assert name.startswith(SOURCES) or path.name == "__init__.py", name
    assert analysis_version() == analysis_version()
    assert len(analysis_version().rpartition("-")[2]) == 16
