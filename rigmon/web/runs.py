"""The last runs of the run folder, with their scores and reports, for the crew's page.

Scores and reports are made by the command line's own `rigmon score` and `rigmon report`, in a process of the
lowest priority: one at a time, for a limited time, when somebody asks. So neither their memory nor their work
is the pages'. What was made is kept beside the run logs, in `.pages`, under the log's size and times.

A run is named by its file's name; only a name that is in the folder's own list leads to a file.
"""

import asyncio
import hashlib
import json
import os
import re
import sys
import tempfile
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any, Final, NamedTuple

from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import BaseRoute, Route

from rigmon import __version__, units
from rigmon.errors import LogError
from rigmon.log.marks import kept_score
from rigmon.log.reader import RunLog
from rigmon.log.schema import SUFFIX

#: runs in the list, the newest first
MOST: Final = 20
#: a score or a report may take so long; eight hours take a slow board a few minutes
LIMIT_S: Final = 900.0
#: scores and reports that wait for their turn
_WAITING: Final = 4
#: files that are kept in the cache
_KEPT: Final = 40
_LONGEST_WORDS: Final = 2000
_NAME: Final = re.compile(r"[A-Za-z0-9_-][A-Za-z0-9._-]{0,119}")
_KINDS: Final = {"score": ".json", "report": ".html"}

#: A report is one page that needs nothing else. In a sandbox it has no origin, so it can ask this server
#: for nothing, whatever is in it.
REPORT_CSP: Final = (
    "sandbox; default-src 'none'; style-src 'unsafe-inline'; img-src data:; font-src data:; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'"
)

#: starts `rigmon` with the same Python, without a script on the path
RIGMON: Final = (sys.executable, "-c", "import sys; from rigmon.cli import main; sys.exit(main())")


class _Making(NamedTuple):
    task: "asyncio.Task[str | None]"  #: None: it is made; else why not


class Runs:
    """The runs of one folder. Everything but reading files happens on the event loop."""

    def __init__(
        self,
        folder: Path,
        system: str,
        going_on: Callable[[], str | None],
        *,
        command: tuple[str, ...] = RIGMON,
        limit_s: float = LIMIT_S,
        last: bool = True,
    ) -> None:
        """`system`: the units of what is shown. `going_on` gives the run that is being written now.

        `last`: what is made here comes after everybody else's work.
        """
        self.folder = folder
        self._system = system
        self._going_on = going_on
        self._command = command
        self._limit_s = limit_s
        self._last = last
        self._turn = asyncio.Lock()  # one process at a time
        self._listing = asyncio.Lock()
        self._entries: dict[str, tuple[str, dict[str, Any]]] = {}  # name -> (mark of the file, row)
        self._making: dict[str, _Making] = {}  # by the name of what is being made
        self._why_not: dict[str, str] = {}  # what could not be made, by its name
        self._cache: Path | None = None

    # -- the list --------------------------------------------------------------------------------------

    async def newest(self) -> dict[str, Any]:
        """{"runs": [...], "more": runs that are not in the list, "error": why there is none | None}."""
        async with self._listing:
            try:
                return await asyncio.to_thread(self._newest)
            except OSError as error:
                why = f"the run folder {self.folder} cannot be read: {error.strerror or error}"
                return {"runs": [], "more": 0, "error": why}

    def _newest(self) -> dict[str, Any]:
        paths = self._paths()
        newest = sorted(paths.items(), key=lambda item: (_stamp(item[1]), item[0]), reverse=True)
        shown = newest[:MOST]
        rows = [self._row(name, path) for name, path in shown]
        self._entries = {name: self._entries[name] for name, _ in shown if name in self._entries}
        return {"runs": rows, "more": len(newest) - len(shown), "error": None}

    def _paths(self) -> dict[str, Path]:
        """The folder's run logs by name: real files in it, no links out of it. Raises OSError."""
        if not self.folder.exists():
            return {}
        found = {}
        with os.scandir(self.folder) as entries:
            for entry in entries:
                path = self.folder / entry.name
                if (
                    path.suffix == SUFFIX
                    and _NAME.fullmatch(path.stem)
                    and entry.is_file(follow_symlinks=False)
                ):
                    found[path.stem] = path
        return found

    def _row(self, name: str, path: Path) -> dict[str, Any]:
        if name == self._going_on():  # it is the daemon's, and grows
            return {**_blank(name), "state": "going_on"}
        mark = _mark(path)
        kept = self._entries.get(name)
        if kept is None or kept[0] != mark:
            kept = mark, _read(name, path)
            self._entries[name] = kept
        row = dict(kept[1])
        score = row.pop("kept_score")
        made = self._made_score(name, path) if score is None else score
        making = self._making.get(_made_name(name, mark, "score"))
        row["score"] = None if made is None else self._summary(made)
        row["scoring"] = making is not None and not making.task.done()
        return row

    def _made_score(self, name: str, path: Path) -> Mapping[str, Any] | None:
        file = self._file(_made_name(name, _mark(path), "score"))
        if file is None:
            return None
        try:
            made = json.loads(file.read_bytes())
        except (OSError, ValueError, RecursionError):
            return None
        return made if isinstance(made, dict) else None

    def _summary(self, score: Mapping[str, Any]) -> dict[str, Any]:
        """What the list shows of a score; a figure that is not there is unknown."""

        def number(part: str, key: str) -> float | None:
            value = score.get(part)
            found = value.get(key) if isinstance(value, Mapping) else None
            return float(found) if isinstance(found, int | float) and not isinstance(found, bool) else None

        inside = number("rate", "in_tolerance_area_pct")
        mean, area = number("rate", "mean_l_ha"), number("applied", "area_m2")
        return {
            "verdict": str(score.get("verdict", "unknown")),
            "in_tolerance_area_pct": inside,
            "mean_l_ha": mean,
            "area_m2": area,
            "shown": {
                "in_tolerance": "-- %" if inside is None else f"{inside:.0f} %",
                "rate": units.show(mean, "rate", self._system),
                "area": units.show(area, "area", self._system, 2),
            },
        }

    # -- what is made of a run -------------------------------------------------------------------------

    async def score(self, name: str) -> Response:
        """The score as `rigmon score --json` prints it; 202 while it is being made."""
        return await self._get(name, "score")

    async def report(self, name: str) -> Response:
        """The report's page; 202 while it is being made."""
        return await self._get(name, "report")

    async def _get(self, name: str, kind: str) -> Response:
        path = None if _NAME.fullmatch(name) is None else (await asyncio.to_thread(self._known)).get(name)
        if path is None:
            return _error(404, "there is no such run in the run folder")
        if name == self._going_on():
            return _error(409, "this run goes on: its score and report can be made when it has ended")
        made = _made_name(name, _mark(path), kind)
        file = self._file(made)
        if file is not None:
            if kind == "score":
                return Response(file.read_bytes(), media_type="application/json")
            headers = {"content-security-policy": REPORT_CSP}
            return FileResponse(file, media_type="text/html; charset=utf-8", headers=headers)
        if made in self._why_not:
            # said once; whoever asks again has it tried again
            return _error(422, self._why_not.pop(made))
        going = self._making.get(made)
        if going is None:
            if len(self._making) >= _WAITING:
                return _error(503, "other scores and reports are being made; ask again when they are done")
            task = asyncio.get_running_loop().create_task(self._make(path, made, kind))
            self._making[made] = _Making(task)
            task.add_done_callback(lambda done: self._done(made, done))
        return JSONResponse({"working": True, "waiting": len(self._making) - 1}, 202)

    def _known(self) -> dict[str, Path]:
        try:
            return self._paths()
        except OSError:
            return {}

    def _done(self, made: str, task: "asyncio.Task[str | None]") -> None:
        del self._making[made]
        if task.cancelled():
            return
        error = task.exception()
        why = f"it could not be made: {error}" if error is not None else task.result()
        if why is not None:
            if len(self._why_not) >= MOST:
                self._why_not.clear()
            self._why_not[made] = why

    async def _make(self, path: Path, made: str, kind: str) -> str | None:
        """Make it; returns why that failed."""
        async with self._turn:
            cache = self._cache_folder()
            with tempfile.TemporaryDirectory(dir=cache, prefix="making-") as folder:
                target = Path(folder) / f"made{_KINDS[kind]}"
                if kind == "score":
                    arguments = ["score", "--json", "--no-mark", str(path.absolute())]
                else:
                    arguments = ["report", "-o", str(target), str(path.absolute())]
                said = Path(folder) / "said"
                code = await self._run(arguments, target if kind == "score" else Path(os.devnull), said)
                if code is None:
                    return f"it took longer than {self._limit_s:g} s, and was ended"
                if code != 0 or not target.exists():
                    return _last_words(said)
                os.replace(target, cache / made)
            self._forget_old(cache, made)
        return None

    async def _run(self, arguments: list[str], out: Path, said: Path) -> int | None:
        """The exit code of `rigmon` with these arguments; None: it took too long."""
        with out.open("wb") as stdout, said.open("wb") as stderr:
            process = await asyncio.create_subprocess_exec(
                *self._command,
                *arguments,
                stdin=asyncio.subprocess.DEVNULL,
                stdout=stdout,
                stderr=stderr,
                env={**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"},
            )
        if self._last:
            _after_everybody(process.pid)
        try:
            return await asyncio.wait_for(process.wait(), self._limit_s)
        except TimeoutError:
            return None
        finally:
            if process.returncode is None:
                with suppress(ProcessLookupError):
                    process.kill()
                await process.wait()

    # -- the cache -------------------------------------------------------------------------------------

    def _cache_folder(self) -> Path:
        """Beside the run logs; where that folder cannot be written, in the temporary one. Raises OSError."""
        if self._cache is None:
            cache = self.folder / ".pages"
            try:
                cache.mkdir(exist_ok=True)
                with tempfile.TemporaryFile(dir=cache):
                    pass
            except OSError:
                cache = Path(tempfile.mkdtemp(prefix="rigmon-pages-"))
            self._cache = cache
        return self._cache

    def _file(self, made: str) -> Path | None:
        folders = [self.folder / ".pages"] if self._cache is None else [self._cache]
        for folder in folders:
            if (folder / made).is_file():
                return folder / made
        return None

    def _forget_old(self, cache: Path, newest: str) -> None:
        with suppress(OSError):
            files = [path for path in cache.iterdir() if path.is_file() and path.name != newest]
            files.sort(key=_stamp, reverse=True)
            for path in files[_KEPT - 1 :]:
                path.unlink(missing_ok=True)

    async def end(self) -> None:
        """End what is being made."""
        tasks = [making.task for making in self._making.values()]
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


def routes(runs: Runs) -> list[BaseRoute]:
    """/api/runs, and score and report of each."""

    async def listed(_request: Request) -> Response:
        return JSONResponse(await runs.newest())

    async def score(request: Request) -> Response:
        return await runs.score(request.path_params["name"])

    async def report(request: Request) -> Response:
        return await runs.report(request.path_params["name"])

    return [
        Route("/api/runs", listed),
        Route("/api/runs/{name}/score", score),
        Route("/api/runs/{name}/report", report),
    ]


def _after_everybody(pid: int) -> None:
    """It gets what the others leave of the processors, and is the first to go for want of memory."""
    with suppress(OSError):
        os.setpriority(os.PRIO_PROCESS, pid, 19)
    with suppress(OSError, AttributeError):
        os.sched_setscheduler(pid, os.SCHED_IDLE, os.sched_param(0))
    with suppress(OSError):
        Path(f"/proc/{pid}/oom_score_adj").write_text("1000", encoding="ascii")


def _blank(name: str) -> dict[str, Any]:
    return {
        "id": name,
        "started_utc": None,
        "duration_s": None,
        "state": "unreadable",
        "error": None,
        "score": None,
        "scoring": False,
    }


def _read(name: str, path: Path) -> dict[str, Any]:
    row = {**_blank(name), "kept_score": None}
    try:
        with RunLog.open(path) as log:
            return {
                **row,
                "started_utc": log.started_utc,
                "duration_s": log.duration_s,
                "state": "ended" if log.ended_cleanly else "cut_off",
                "kept_score": kept_score(log),
            }
    except LogError as error:
        return {**row, "error": str(error).removeprefix(f"{path}: ")}


def _stamp(path: Path) -> int:
    try:
        return path.stat().st_mtime_ns
    except OSError:
        return 0


def _mark(path: Path) -> str:
    """What changes when a run log, its end beside it or its score does."""
    parts = [__version__]
    for end in (path.name, f"{path.name}-wal", f"{path.stem}.scored.json"):
        try:
            status = path.with_name(end).stat()
        except OSError:
            parts.append("-")
        else:
            parts.append(f"{status.st_ino} {status.st_size} {status.st_mtime_ns}")
    return hashlib.sha256("|".join(parts).encode()).hexdigest()[:16]


def _made_name(name: str, mark: str, kind: str) -> str:
    return f"{name}.{mark}.{kind}{_KINDS[kind]}"


def _last_words(said: Path) -> str:
    """The last line that a command said, which is its error."""
    with said.open("rb") as file:
        file.seek(max(0, said.stat().st_size - _LONGEST_WORDS))
        lines = file.read().decode("utf-8", "replace").strip().splitlines()
    return lines[-1].removeprefix("rigmon: ") if lines else "it could not be made, and nothing was said why"


def _error(status: int, why: str) -> JSONResponse:
    return JSONResponse({"error": why}, status)
