"""The page's routes, no other; nothing in a request names a file (see ``guard`` for what is refused before).

Everything with data needs a session (see ``keys``), every form a token of that session, every action the right to act.
"""

import asyncio
import contextlib
import json
import secrets
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Collection
from dataclasses import dataclass
from importlib.resources import files
from typing import Any, Final

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response, StreamingResponse
from starlette.routing import Route
from starlette.types import ASGIApp

from logger.page.bench import LOOK_ONLY, Bench, Known
from logger.page.codes import code_svg
from logger.page.door import UNKNOWN, Door
from logger.page.guard import ACTION_HEADER, Guard, refusal
from logger.page.keys import LOOK_S, SESSIONS_MAX, Keys, Right, Tries
from logger.page.photos import photo_asked

POLL_S: Final = 0.5
PUSH_S: Final = 1.0
BODY_MAX: Final = 4096
BODY_S: Final = 5.0
STREAMS_MAX: Final = 100
SURE_S: Final = 60.0
SURE_MAX: Final = 200
WRONG_MAX: Final = 20  # wrong keys of an address in WRONG_S
WRONG_S: Final = 60.0
ADDRESSES_MAX: Final = 1000
ACTS_MAX: Final = 120  # in ACTS_S
ACTS_S: Final = 60.0
FORM_PLACE: Final = b"FORM_TOKEN"
NO_SESSION: Final = "Open the page with a key that the terminal shows."
ASSETS: Final = {
    "/page.css": ("page.css", "text/css; charset=utf-8"),
    "/page.js": ("page.js", "text/javascript; charset=utf-8"),
    "/plot.js": ("plot.js", "text/javascript; charset=utf-8"),
}

Handler = Callable[[Request], Awaitable[Response]]


def build_app(
    bench: Bench,
    keys: Keys,
    hosts: Collection[str],
    door: Door,
    port: int,
    link: Callable[[str], str],
    *,
    shared: bool,
) -> ASGIApp:
    """The page as an ASGI application.

    ``hosts``: values of the Host header that are ours, with the port. ``link``: the page's address with this key.
    ``shared``: whether other devices can reach it.
    """
    page = _Page(bench, keys, f"drawbench-{port}-{keys.tag}", link, shared)
    routes = [
        Route("/", page.front, methods=["GET"]),
        *(
            Route(path, _asset(name, kind), methods=["GET"])
            for path, (name, kind) in ASSETS.items()
        ),
        Route("/enter", page.enter, methods=["POST"]),
        Route("/leave", page.leave, methods=["POST"]),
        Route("/stream", page.stream, methods=["GET"]),
        Route("/act", page.act, methods=["POST"]),
        Route("/code", page.code, methods=["GET"]),
        Route("/photo", page.photo, methods=["GET"]),
    ]

    @contextlib.asynccontextmanager
    async def lifespan(_: Starlette) -> AsyncIterator[None]:
        task = asyncio.create_task(page.poll_for_ever())
        try:
            yield
        finally:
            page.ending.set()
            task.cancel()

    app = Starlette(
        routes=routes,
        lifespan=lifespan,
        exception_handlers={HTTPException: _http_refusal, Exception: _own_fault},
    )
    app.router.redirect_slashes = False
    return Guard(app, hosts, door)


@dataclass(frozen=True)
class _Sure:
    """The page asked whether this is really wanted."""

    session: str
    run: str
    asked_s: float


class _Page:
    def __init__(
        self, bench: Bench, keys: Keys, cookie: str, link: Callable[[str], str], shared: bool
    ) -> None:
        self._bench = bench
        self._keys = keys
        self._cookie = cookie
        self._link = link
        self._shared = shared
        self._front = _read("page.html").replace(FORM_PLACE, keys.form_token("").encode())
        self._wrong = Tries(WRONG_MAX, WRONG_S, ADDRESSES_MAX)
        self._acted = Tries(ACTS_MAX, ACTS_S, SESSIONS_MAX)
        self._sure: dict[str, _Sure] = {}
        self._streams = 0
        self.ending = asyncio.Event()

    async def poll_for_ever(self) -> None:
        while True:
            await asyncio.to_thread(self._bench.poll)
            await asyncio.sleep(POLL_S)

    async def front(self, request: Request) -> Response:
        return Response(self._front, media_type="text/html; charset=utf-8")

    async def enter(self, request: Request) -> Response:
        """A key for a session."""
        if not self._is_own_form(request, ""):
            return refusal(403, "Load the page anew, then give the key again.")
        address = request.client.host if request.client else ""
        if self._wrong.too_many(address):
            return refusal(429, "Too many wrong keys from this device: wait a minute.")
        key = (await _json(request)).get("key")
        entered = self._keys.enter(key, self._session(request)) if isinstance(key, str) else None
        if entered is None:
            self._wrong.count(address)
            return refusal(403, "This key is not valid any more. The terminal shows the next one.")
        session, right = entered
        answer = JSONResponse({"right": right})
        # Not Secure: the page has no certificate, and browsers would not keep such a cookie.
        answer.set_cookie(
            self._cookie, session, httponly=True, samesite="strict", path="/", max_age=int(LOOK_S)
        )
        return answer

    async def leave(self, request: Request) -> Response:
        """The session ends, here and in the browser."""
        session = self._session(request)
        if not self._is_own_form(request, session):
            return refusal(403, "Load the page anew.")
        self._keys.leave(session)
        answer = JSONResponse({})
        answer.delete_cookie(self._cookie, path="/", httponly=True, samesite="strict")
        return answer

    async def act(self, request: Request) -> Response:
        session = self._session(request)
        right = self._keys.right(session)
        if right is not Right.ACT:
            return refusal(403, LOOK_ONLY) if right else refusal(401, NO_SESSION)
        if not self._is_own_form(request, session):
            return refusal(403, "Load the page anew, then try again.")
        if self._acted.too_many(session):
            return refusal(429, "That is more than a person does: wait a minute.")
        self._acted.count(session)
        body = await _json(request)
        run, what, text = (body.get(name, "") for name in ("run", "what", "text"))
        if not (isinstance(run, str) and isinstance(text, str) and what in ("mark", "load-off")):
            return refusal(400, "This request is not understood.")
        if what == "load-off":
            if "sure" not in body:
                return self._ask_again(session, run)
            if not self._is_sure(body["sure"], session, run):
                return refusal(409, "That was asked too long ago: press the button again.")
        refused = await asyncio.to_thread(self._bench.act, run, what, text)
        return refusal(409, refused) if refused else JSONResponse({})

    async def stream(self, request: Request) -> Response:
        session = self._session(request)
        if self._keys.right(session) is None:
            return refusal(401, NO_SESSION)
        asked = request.query_params.getlist("run") or [""]
        run = self._bench.run(asked[0]) if len(asked) == 1 else None
        if run is None:
            return refusal(404, "There is no such run.")
        if self._streams >= STREAMS_MAX:
            return refusal(503, "Too many pages are open.")
        return StreamingResponse(self._messages(run.key, session), media_type="text/event-stream")

    async def code(self, request: Request) -> Response:
        """A QR code for other devices: of the look key for everyone in here, of the act key for who may act."""
        right = self._keys.right(self._session(request))
        if right is None:
            return refusal(401, NO_SESSION)
        wanted = request.query_params.get("for")
        if wanted not in (Right.LOOK, Right.ACT) or (
            wanted == Right.ACT and right is not Right.ACT
        ):
            return refusal(403, LOOK_ONLY)
        key = self._keys.act if wanted == Right.ACT else self._keys.look
        return Response(code_svg(self._link(key)), media_type="image/svg+xml; charset=utf-8")

    async def photo(self, request: Request) -> Response:
        """A photo of a run, by its number."""
        if self._keys.right(self._session(request)) is None:
            return refusal(401, NO_SESSION)
        asked, number = (request.query_params.getlist(name) for name in ("run", "number"))
        run = self._bench.run(asked[0]) if len(asked) == len(number) == 1 else None
        if run is None:
            return refusal(404, "There is no such photo.")
        feed = run.feed
        data = await asyncio.to_thread(photo_asked, feed.folder, feed.description, number[0])
        return refusal(404, "There is no such photo.") if data is None else Response(data, media_type="image/jpeg")  # fmt: skip

    async def _messages(self, key: str, session: str) -> AsyncIterator[bytes]:
        """The newest state, again and again; a slow browser skips states, nothing is kept for it."""
        known = Known(form=self._keys.form_token(session), shared=self._shared)
        last = b""
        self._streams += 1
        self._bench.watch(key, 1)
        try:
            while not self.ending.is_set():
                run = self._bench.run(key)
                right = self._keys.right(session)
                if run is None or right is None:
                    return
                known.may_act = right is Right.ACT
                text = await asyncio.to_thread(self._bench.message, run, known)
                yield b": same\n\n" if text == last else b"data: " + text + b"\n\n"
                last = text
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(self.ending.wait(), PUSH_S)
        finally:
            self._streams -= 1
            self._bench.watch(key, -1)

    def _session(self, request: Request) -> str:
        return request.cookies.get(self._cookie, "")

    def _is_own_form(self, request: Request, session: str) -> bool:
        return self._keys.is_form_token(request.headers.get(ACTION_HEADER, ""), session)

    def _ask_again(self, session: str, run: str) -> Response:
        token = secrets.token_urlsafe(16)
        self._sure[token] = _Sure(session, run, time.monotonic())
        while len(self._sure) > SURE_MAX:
            del self._sure[next(iter(self._sure))]
        return JSONResponse({"sure": token})

    def _is_sure(self, token: object, session: str, run: str) -> bool:
        """Each answer counts once."""
        asked = self._sure.pop(token, None) if isinstance(token, str) else None
        if asked is None or time.monotonic() - asked.asked_s > SURE_S:
            return False
        return asked.session == session and asked.run == run


async def _http_refusal(request: Request, error: Exception) -> Response:
    code = error.status_code if isinstance(error, HTTPException) else 500
    words = {404: "There is no such page.", 405: UNKNOWN}
    return refusal(code, words.get(code, "This request is not understood."))


async def _own_fault(request: Request, error: Exception) -> Response:
    return refusal(500, "The page has a fault of its own; the recording goes on.")


def _read(name: str) -> bytes:
    return files("logger.page").joinpath("assets", name).read_bytes()


def _asset(name: str, kind: str) -> Handler:
    content = _read(name)

    async def answer(request: Request) -> Response:
        return Response(content, media_type=kind)

    return answer


async def _json(request: Request) -> dict[str, Any]:
    """Body as an object; empty for anything else. Raises HTTPException where it is too long or too slow."""
    body = b""
    try:
        async with asyncio.timeout(BODY_S):
            async for part in request.stream():
                body += part
                if len(body) > BODY_MAX:
                    raise HTTPException(413)
        document = json.loads(body)
    except TimeoutError as error:
        raise HTTPException(408) from error
    except (ValueError, ClientDisconnect, RecursionError):
        return {}
    return document if isinstance(document, dict) else {}
