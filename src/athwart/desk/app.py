"""The addresses of the page: files that never change, and questions answered as JSON."""

from __future__ import annotations

import json
from collections.abc import Awaitable, Callable
from functools import lru_cache
from importlib.resources import files
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp

from athwart.desk import checking, going, handing, held, holding, marks, pictures, running, seeing
from athwart.desk.guard import Guard
from athwart.desk.state import Desk
from athwart.errors import AthwartError, UsageError
from athwart.input_limits import most, over
from athwart.jsonable import plain

__all__ = ["desk_app"]

Answer = Callable[[Desk, dict[str, Any]], Any]

_PAGES = {
    "/": "pictures.html",
    "/pictures": "pictures.html",
    "/marks": "marks.html",
    "/hand-over": "hand-over.html",
    "/going-back": "going-back.html",
}
_TYPES = {
    ".html": "text/html; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".svg": "image/svg+xml",
}


def desk_app(desk: Desk, *, token: str, port: int) -> ASGIApp:
    """Return the guarded application.

    Parameters
    ----------
    desk : Desk
        Its state.
    token : str
        Secret of this run.
    port : int
        Port that it is served on.
    """
    routes = [Route(path, _page(name)) for path, name in _PAGES.items()]
    routes.append(Route("/static/{name}", _static))
    routes.append(Route("/api/book", _asked(_book), methods=["GET"]))
    routes.append(Route("/api/book", _asked(_choose_book), methods=["POST"]))
    routes.append(Route("/api/jobs/{key}", _asked(_job), methods=["GET"]))
    routes.append(Route("/api/jobs/{key}/stop", _asked(_stop), methods=["POST"]))
    for module in (marks, handing, going, held, holding, seeing, running, checking, pictures):
        for method, path, answer in module.ANSWERS:
            routes.append(Route(path, _asked(answer), methods=[method]))
    for path, take in pictures.UPLOADS:
        routes.append(Route(path, _uploaded(take), methods=["POST"]))
    app = Starlette(routes=routes)
    app.state.desk = desk
    return Guard(app, token, port)


@lru_cache(maxsize=64)
def _asset(name: str) -> bytes | None:
    if name in ("leaflet.js", "leaflet.css", "plan.js"):
        from athwart.review.assets import asset_text

        return asset_text(name).encode()
    if "/" in name or name.startswith("."):
        return None
    resource = files("athwart.desk") / "static" / name
    return resource.read_bytes() if resource.is_file() else None


def _page(name: str) -> Callable[[Request], Awaitable[Response]]:
    async def page(request: Request) -> Response:
        return Response(_asset(name) or b"", media_type=_TYPES[".html"])

    return page


async def _static(request: Request) -> Response:
    name = request.path_params["name"]
    ending = name[name.rfind(".") :] if "." in name else ""
    body = _asset(name) if ending in _TYPES and ending != ".html" else None
    if body is None:
        return Response("there is no such file", status_code=404, media_type="text/plain")
    return Response(body, media_type=_TYPES[ending])


def _asked(answer: Answer) -> Callable[[Request], Awaitable[Response]]:
    """Turn a function of desk and question into an address; refusals become sentences."""

    async def asked(request: Request) -> Response:
        question: dict[str, Any] = {**request.query_params, **request.path_params}
        if request.method == "POST":
            raw = await request.body()
            try:
                given = _read(raw, request.headers.get("content-type", ""))
            except UsageError as error:
                return _fault(error)
            question = {**given, **request.path_params}
        try:
            said = await run_in_threadpool(answer, request.app.state.desk, question)
        except AthwartError as error:
            return _fault(error)
        except (KeyError, TypeError, ValueError) as error:
            return _fault(UsageError(f"the question could not be understood ({error})"))
        if isinstance(said, Response):
            return said
        return JSONResponse(plain(said))

    return asked


def _read(raw: bytes, kind: str) -> dict[str, Any]:
    if not kind.startswith("application/json"):
        raise UsageError("the question must be JSON")
    if len(raw) > most("QUESTION_KB"):
        raise UsageError(f"the question {over('QUESTION_KB', len(raw))}")
    try:
        given = json.loads(raw or b"{}", parse_constant=_no_constant)
    except (ValueError, RecursionError) as error:
        raise UsageError("the question is not JSON") from error
    if not isinstance(given, dict):
        raise UsageError("the question must be one JSON object")
    return given


def _no_constant(name: str) -> None:
    raise ValueError(name)


def _fault(error: AthwartError) -> JSONResponse:
    return JSONResponse({"fault": str(error)}, status_code=400 if error.exit_code == 2 else 409)


def _uploaded(take: Callable[[Desk, str, bytes], Any]) -> Callable[[Request], Awaitable[Response]]:
    """Turn a function of desk, name and bytes into an address; the name comes in a header."""

    async def upload(request: Request) -> Response:
        from urllib.parse import unquote

        raw = await request.body()
        name = unquote(request.headers.get("x-name", ""))
        try:
            said = await run_in_threadpool(take, request.app.state.desk, name, raw)
        except AthwartError as error:
            return _fault(error)
        return JSONResponse(plain(said))

    return upload


def _book(desk: Desk, question: dict[str, Any]) -> Any:
    return {"book": desk.book.name if desk.book else None, "folder": desk.folder.name}


def _choose_book(desk: Desk, question: dict[str, Any]) -> Any:
    return {"book": desk.choose_book(str(question["name"])).name}


def _job(desk: Desk, question: dict[str, Any]) -> Any:
    return desk.job(question["key"]).as_record()


def _stop(desk: Desk, question: dict[str, Any]) -> Any:
    job = desk.job(question["key"])
    job.stopping = True
    return job.as_record()
