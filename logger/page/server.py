"""The page's web server: six routes, no other; nothing in a request names a file.

Everything with data needs a session (see ``keys``). Actions need, besides, an Origin that is the
page's own and a header that a foreign site cannot send. A Host that is not ours is refused: another
name that points here could read the answers otherwise.
"""

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator, Awaitable, Callable, Collection, Sequence
from importlib.resources import files
from typing import Any, Final

from starlette.applications import Starlette
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response, StreamingResponse
from starlette.routing import Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from logger.page.bench import Bench, Known
from logger.page.keys import Keys

COOKIE: Final = "drawbench"
ACTION_HEADER: Final = "x-drawbench"
POLL_S: Final = 0.5
PUSH_S: Final = 1.0
BODY_MAX: Final = 4096
STREAMS_MAX: Final = 100
ASSETS: Final = {
    "/": ("page.html", "text/html; charset=utf-8"),
    "/page.css": ("page.css", "text/css; charset=utf-8"),
    "/page.js": ("page.js", "text/javascript; charset=utf-8"),
    "/plot.js": ("plot.js", "text/javascript; charset=utf-8"),
}
HEADERS: Final = (
    (
        b"content-security-policy",
        b"default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
        b"base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    ),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cache-control", b"no-store"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
)

Handler = Callable[[Request], Awaitable[Response]]


def build_app(bench: Bench, keys: Keys, hosts: Collection[str]) -> ASGIApp:
    """The page as an ASGI application. ``hosts``: values of the Host header that are ours, with the port."""
    page = _Page(bench, keys)
    routes = [
        *(
            Route(path, _asset(name, kind), methods=["GET"])
            for path, (name, kind) in ASSETS.items()
        ),
        Route("/enter", page.enter, methods=["POST"]),
        Route("/stream", page.stream, methods=["GET"]),
        Route("/act", page.act, methods=["POST"]),
    ]

    @contextlib.asynccontextmanager
    async def lifespan(_: Starlette) -> AsyncIterator[None]:
        task = asyncio.create_task(page.poll_for_ever())
        try:
            yield
        finally:
            page.ending.set()
            task.cancel()

    app = Starlette(routes=routes, lifespan=lifespan)
    app.router.redirect_slashes = False
    return _Guard(app, frozenset(hosts))


class _Guard:
    """Refuses foreign hosts and cross-site requests; puts the headers on every answer."""

    def __init__(self, app: ASGIApp, hosts: Collection[str]) -> None:
        self._app = app
        self._hosts = hosts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message.get("headers", ()), *HEADERS]
            await send(message)

        refused = self._refused(Request(scope))
        await (refused or self._app)(scope, receive, send_with_headers)

    def _refused(self, request: Request) -> Response | None:
        host = request.headers.get("host", "")
        if host not in self._hosts:
            return _no(421, "This address is not the page's own.")
        origin = request.headers.get("origin")
        if origin is not None and origin != f"http://{host}":
            return _no(403, "Requests from another site are refused.")
        if request.method == "POST" and (origin is None or ACTION_HEADER not in request.headers):
            return _no(403, "Actions are taken from the page alone.")
        return None


class _Page:
    def __init__(self, bench: Bench, keys: Keys) -> None:
        self._bench = bench
        self._keys = keys
        self._streams = 0
        self.ending = asyncio.Event()

    async def poll_for_ever(self) -> None:
        while True:
            await asyncio.to_thread(self._bench.poll)
            await asyncio.sleep(POLL_S)

    async def enter(self, request: Request) -> Response:
        body = await _json(request)
        key = body.get("key")
        session = self._keys.enter(key) if isinstance(key, str) else None
        if session is None:
            return _no(403, "This key is not valid any more. The terminal shows the next one.")
        answer = JSONResponse({})
        answer.set_cookie(COOKIE, session, httponly=True, samesite="strict", path="/")
        return answer

    async def act(self, request: Request) -> Response:
        if not self._keys.knows(request.cookies.get(COOKIE)):
            return _no(401, "Open the page with the key that the terminal shows.")
        body = await _json(request)
        run, what, text = (body.get(name, "") for name in ("run", "what", "text"))
        if not (isinstance(run, str) and isinstance(text, str) and what in ("mark", "load-off")):
            return _no(400, "This request is not understood.")
        if what == "load-off" and body.get("sure") is not True:
            return _no(400, "Opening the load switch needs a confirmation.")
        refused = await asyncio.to_thread(self._bench.act, run, what, text)
        return _no(409, refused) if refused else JSONResponse({})

    async def stream(self, request: Request) -> Response:
        if not self._keys.knows(request.cookies.get(COOKIE)):
            return _no(401, "Open the page with the key that the terminal shows.")
        run = self._bench.run(request.query_params.get("run", ""))
        if run is None:
            return _no(404, "There is no such run.")
        if self._streams >= STREAMS_MAX:
            return _no(503, "Too many pages are open.")
        return StreamingResponse(self._messages(run.key), media_type="text/event-stream")

    async def _messages(self, key: str) -> AsyncIterator[bytes]:
        """The newest state, again and again; a slow browser skips states, nothing is kept for it."""
        known, last = Known(), b""
        self._streams += 1
        self._bench.watch(key, 1)
        try:
            while not self.ending.is_set():
                run = self._bench.run(key)
                if run is None:
                    return
                text = await asyncio.to_thread(self._bench.message, run, known)
                yield b": same\n\n" if text == last else b"data: " + text + b"\n\n"
                last = text
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(self.ending.wait(), PUSH_S)
        finally:
            self._streams -= 1
            self._bench.watch(key, -1)


def _asset(name: str, kind: str) -> Handler:
    content = files("logger.page").joinpath("assets", name).read_bytes()

    async def answer(request: Request) -> Response:
        return Response(content, media_type=kind)

    return answer


async def _json(request: Request) -> dict[str, Any]:
    """Body as an object; anything else, or too much of it, counts as empty."""
    body = b""
    try:
        async for part in request.stream():
            body += part
            if len(body) > BODY_MAX:
                return {}
        document = json.loads(body)
    except (ValueError, ClientDisconnect, RecursionError):
        return {}
    return document if isinstance(document, dict) else {}


def _no(code: int, words: str) -> JSONResponse:
    return JSONResponse({"words": words}, status_code=code)


def allowed_hosts(names: Sequence[str], port: int) -> set[str]:
    return {f"{name}:{port}" for name in names} | ({*names} if port == 80 else set())
