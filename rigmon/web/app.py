"""The routes: pages, feed, messages, pairing and acts."""

import asyncio
import json
import time
from collections.abc import Awaitable, Callable, Sequence
from math import ceil, isfinite
from typing import Any, Final, Protocol

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route
from starlette.types import ASGIApp, Receive, Scope, Send

from rigmon import units
from rigmon.web.guard import Guard, TooLongError, read_body
from rigmon.web.pairing import SESSION_S, Pairing, Wait
from rigmon.web.show import Show
from rigmon.web.static_files import table
from rigmon.web.stream import asked_for

COOKIE: Final = "rigmon"
#: points of the map in one answer
_POINTS: Final = 20_000

#: the calibration book is not read again sooner, whoever asks [s]
_TARGETS_S: Final = 5.0

#: acts that are known again when they are sent again, and the length of what they are known by
_REMEMBERED: Final = 64
_LONGEST_ONCE: Final = 64


class Desk(Protocol):
    """Where acts are done: (HTTP status, JSON answer)."""

    async def act(self, body: object) -> tuple[int, dict[str, Any]]: ...

    async def targets(self) -> tuple[int, dict[str, Any]]: ...


def build(
    show: Show,
    names: frozenset[str],
    pairing: Pairing | None,
    desk: Desk | None,
    further: Sequence[BaseRoute] = (),
) -> ASGIApp:
    """The app. `names`: see `guard.host_names`. `pairing` and `desk` None: nothing can be done here.

    `further` routes come before the general ones.
    """
    files = table()

    def static(request: Request) -> Response:
        file = files.get(request.url.path)
        if file is None:
            raise HTTPException(404)
        headers = {"etag": file.etag, "cache-control": "no-cache"}
        if request.headers.get("if-none-match") == file.etag:
            return Response(status_code=304, headers=headers)
        return Response(file.body, media_type=file.kind, headers=headers)

    def message(kind: str) -> Callable[[Request], Response]:
        def answer(_request: Request) -> Response:
            return Response(show.message(kind), media_type="application/json")

        return answer

    def track(request: Request) -> Response:
        asked = asked_for(request.scope["query_string"])
        return JSONResponse(show.points(asked.epoch, asked.points, _POINTS))

    async def pair(request: Request) -> Response:
        if pairing is None:
            return _error(404, "nothing is paired here: a logged run is being shown")
        code = (await read_object(request)).get("code")
        if not isinstance(code, str):
            return _error(422, "code must be a text: the digits that 'rigmon pair' shows")
        token = pairing.pair(code, request.client.host if request.client else "")
        if isinstance(token, Wait):
            seconds = ceil(token.seconds)
            return _error(
                429, f"too many tries: wait {seconds} s, then type the code", {"retry-after": str(seconds)}
            )
        if token is None:
            return _error(403, "this is not the code; 'rigmon pair' shows the one that is good now")
        answer = JSONResponse({"done": True})
        answer.set_cookie(COOKIE, token, max_age=int(SESSION_S), path="/", httponly=True, samesite="strict")
        return answer

    async def do(request: Request) -> Response:
        if desk is None or pairing is None:
            return _error(404, "nothing can be done here: a logged run is being shown")
        if not pairing.paired(request.cookies.get(COOKIE, "")):
            return _error(403, "this browser is not paired: type the code that 'rigmon pair' shows")
        status, answer = await once.act(desk, await read_object(request))
        return JSONResponse(answer, status)

    once = _Once()
    kept: dict[str, Any] = {"at_s": None}

    async def targets(_request: Request) -> Response:
        now_s = time.monotonic()
        if kept["at_s"] is None or now_s - kept["at_s"] >= _TARGETS_S:
            kept["at_s"] = now_s
            kept["answer"] = (200, {"targets": []}) if desk is None else await desk.targets()
        status, answer = kept.get("answer", (503, {"error": "the calibration book is being read; ask again"}))
        if status == 200:
            system = show.board.rig.units
            answer = {"targets": [{**row, "shown": _target_shown(row, system)} for row in answer["targets"]]}
        return JSONResponse(answer, status)

    def marks(_request: Request) -> Response:
        return JSONResponse(show.board.marks.to_json())

    def paired(request: Request) -> Response:
        known = pairing is not None and pairing.paired(request.cookies.get(COOKIE, ""))
        return JSONResponse({"paired": known})

    def metrics(_request: Request) -> Response:
        from rigmon.web.metrics import exposition

        body, kind = exposition(show)
        return Response(body, headers={"content-type": kind})

    app = Starlette(
        routes=[
            *further,
            Route("/feed", _Feed(show)),
            *(Route(f"/api/{kind}", _async(message(kind))) for kind in ("now", "status", "beat")),
            Route("/api/track", _async(track)),
            Route("/api/marks", _async(marks)),
            Route("/api/pair", pair, methods=["POST"]),
            Route("/api/pair", _async(paired), methods=["GET"]),
            Route("/api/act", do, methods=["POST"]),
            Route("/api/targets", targets),
            Route("/metrics", _async(metrics)),
            *(Route(path, _async(static)) for path in files),
        ],
        exception_handlers={HTTPException: _refused, TooLongError: _too_long},
    )
    app.router.redirect_slashes = False
    return Guard(app, names)


def _target_shown(row: dict[str, Any], system: str) -> dict[str, str]:
    """A target of the calibration book in the rig's units."""
    tolerance = row.get("tolerance_pct")
    return {
        "rate": units.show(row.get("rate_l_ha"), "rate", system),
        "speed": units.show(row.get("speed_m_s"), "speed", system),
        "tolerance": "-- %" if tolerance is None else f"{tolerance:g} %",
    }


def _async(answer: Callable[[Request], Response]) -> Callable[[Request], Awaitable[Response]]:
    """Starlette gives plain functions to threads, which the show is not made for."""

    async def endpoint(request: Request) -> Response:
        return answer(request)

    return endpoint


class _Once:
    """Does an act once, however often it is sent under one `once`.

    A browser may send a request again by itself when a connection is lost before the answer, POST or not.
    """

    def __init__(self) -> None:
        self._asked: dict[str, asyncio.Future[tuple[int, dict[str, Any]]]] = {}

    async def act(self, desk: Desk, body: dict[str, Any]) -> tuple[int, dict[str, Any]]:
        name = body.pop("once", None)
        if not isinstance(name, str) or not 0 < len(name) <= _LONGEST_ONCE:
            return await desk.act(body)
        asked = self._asked.get(name)
        if asked is None:
            while len(self._asked) >= _REMEMBERED:
                del self._asked[next(iter(self._asked))]
            asked = self._asked[name] = asyncio.ensure_future(desk.act(body))
        return await asyncio.shield(asked)  # who asked may be gone: it is done or not all the same


class _Feed:
    """The feed as a plain ASGI app: it writes each event itself."""

    def __init__(self, show: Show) -> None:
        self._show = show

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["method"] != "GET":
            await _error(405, "the feed is read with GET")(scope, receive, send)
            return
        client = self._show.fanout.join(asked_for(scope["query_string"]), (scope.get("client") or ("",))[0])
        if client is None:
            refusal = _error(503, "too many follow already: see web.max_clients", {"retry-after": "5"})
            await refusal(scope, receive, send)
            return
        await self._show.fanout.serve(client, receive, send, self._show.first())


def _error(status: int, why: str, headers: dict[str, str] | None = None) -> JSONResponse:
    return JSONResponse({"error": why}, status, headers=headers)


async def _refused(_request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    words = {404: "there is nothing here", 405: "this is not how it is asked for"}
    return _error(error.status_code, words.get(error.status_code, error.detail))


async def _too_long(_request: Request, _why: Exception) -> Response:
    return _error(413, "the body is too long", {"connection": "close"})


async def read_object(request: Request) -> dict[str, Any]:
    """A request's JSON object; anything else is an empty one, which whoever reads it refuses."""
    try:
        data = json.loads(await read_body(request.receive), parse_constant=_finite, parse_float=_finite)
    except (ValueError, RecursionError):
        return {}
    return data if isinstance(data, dict) else {}


def _finite(text: str) -> float:
    """A number of a request; NaN, Infinity and what is too large for any number of ours are no JSON."""
    value = float(text)
    if not isfinite(value):
        raise ValueError(f"{text} is no number")
    return value
