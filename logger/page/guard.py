"""What stands before every route: whose request this may be, and what every answer carries.

A Host that is not ours is refused: another name that points here could read the answers otherwise. An Origin that is
not ours is refused, and so is what a browser says comes from another site (another port of this computer is one).
"""

import asyncio
from collections.abc import Collection
from typing import Final

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from logger.page.door import HEADER_MAX, SEND_S, UNKNOWN, Door

ACTION_HEADER: Final = "x-drawbench"
METHODS: Final = ("GET", "POST")
_NO_USE_OF: Final = (
    "accelerometer", "camera", "display-capture", "fullscreen", "geolocation", "gyroscope", "magnetometer", "microphone",
    "midi", "payment", "publickey-credentials-get", "screen-wake-lock", "serial", "usb", "xr-spatial-tracking",
)  # fmt: skip
HEADERS: Final = (
    (
        b"content-security-policy",
        b"default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
        b"base-uri 'none'; form-action 'none'; frame-ancestors 'none'; require-trusted-types-for 'script'",
    ),
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
    (b"referrer-policy", b"no-referrer"),
    (b"cache-control", b"no-store"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"permissions-policy", ", ".join(f"{name}=()" for name in _NO_USE_OF).encode()),
)
# Opened by itself, an answer for the page's script is no page.
ATTACHED: Final = (b"content-disposition", b'attachment; filename="answer.json"')
# Browsers heed it at a trustworthy address alone, and complain of it at others.
OPENER: Final = (b"cross-origin-opener-policy", b"same-origin")


class Guard:
    """Refuses what is not from the page itself; puts the headers on every answer; keeps the door informed."""

    def __init__(self, app: ASGIApp, hosts: Collection[str], door: Door) -> None:
        self._app = app
        self._hosts = frozenset(hosts)
        self._door = door

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return
        client = tuple(scope["client"] or ("", 0))
        request = Request(scope)
        local = request.headers.get("host", "").split(":")[0] in ("127.0.0.1", "localhost")
        headers = (*HEADERS, OPENER) if local else HEADERS

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                own = [*message.get("headers", ())]
                if any(name == b"content-type" and b"json" in kind for name, kind in own):
                    own.append(ATTACHED)
                message["headers"] = [*own, *headers]
                self._door.answered(client)
            try:
                async with asyncio.timeout(SEND_S):
                    await send(message)
            except TimeoutError:  # nobody reads it
                self._door.drop(client)

        self._door.asked(client)
        try:
            await (self._refused(request) or self._app)(scope, receive, send_guarded)
        finally:
            self._door.done(client)

    def _refused(self, request: Request) -> Response | None:
        # The server below looks at the size only while a header is not whole yet.
        size = sum(len(name) + len(value) for name, value in request.headers.raw)
        if size + len(request.scope.get("raw_path") or b"") > HEADER_MAX:
            return refusal(431, UNKNOWN)
        host = request.headers.get("host", "")
        if host not in self._hosts:
            return refusal(421, "This address is not the page's own.")
        if request.method not in METHODS:
            return refusal(405, UNKNOWN)
        origin = request.headers.get("origin")
        foreign = origin is not None and origin != f"http://{host}"
        if foreign or _from_elsewhere(request):
            return refusal(403, "Requests from another site are refused.")
        if request.method == "POST":
            if origin is None or ACTION_HEADER not in request.headers:
                return refusal(403, "Actions are taken from the page alone.")
            if request.headers.get("content-type", "").split(";")[0] != "application/json":
                return refusal(415, UNKNOWN)
        return None


def _from_elsewhere(request: Request) -> bool:
    """As the browser says, where it does. A link from elsewhere may open the page itself, which shows nothing yet."""
    site = request.headers.get("sec-fetch-site", "same-origin")
    opened = request.headers.get("sec-fetch-mode") == "navigate" and request.url.path == "/"
    return site not in ("same-origin", "none") and not opened


def refusal(code: int, words: str) -> JSONResponse:
    """A refusal in words that tell nothing of the inside."""
    return JSONResponse({"words": words}, status_code=code)


def allowed_hosts(names: Collection[str], port: int) -> set[str]:
    """Values of the Host header that are the page's own."""
    return {f"{name}:{port}" for name in names} | ({*names} if port == 80 else set())
