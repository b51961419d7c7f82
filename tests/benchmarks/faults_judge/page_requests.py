"""Requests that mean harm to the bench page, as bytes, from a seed; and a plain client for them.

Written from RFC 9112 (how a request looks), RFC 6265 (cookies) and common practice in attacking small web servers
(no source): smuggling, rebinding, traversal, cross-site forms, bombs. Nothing of the tool is used here.
"""

import json
import random
import socket
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

HOST: Final = "127.0.0.1"
PATHS: Final = (
    "/", "/stream", "/act", "/enter", "/leave", "/code?for=act", "/code?for=look", "/page.js", "/page.css",
    "/../../../../etc/passwd", "/..%2f..%2fetc%2fpasswd", "/%2e%2e/%2e%2e/etc/passwd", "//etc/passwd", "/..\\..\\x",
    "/page.js%00.html", "/.git/config", "/samples.csv", "/stream?run=../../x", "/stream?run=%00", "/stream?run=r1&run=r2",
    "/" + "a" * 6000, "/" + "%41" * 3000, "http://elsewhere.example/", "*", "/?" + "x=1&" * 800, "/\u00e4", "/%ff%fe",
)  # fmt: skip
METHODS: Final = ("GET", "POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "HEAD", "CONNECT", "PROPFIND", "get", "G\u00cbT")  # fmt: skip
BODIES: Final = (
    b"", b"{", b"[" * 4000, b"null", b'"x"', b"\xff\xfe\x00", b'{"key": null}', b'{"key": {"$ne": 1}}', b"x" * 9000,
    b'{"run":"r1","what":"load-off","sure":true}', b'{"run":"r1","what":"mark","text":"hostile"}', b'{"run":["r1"],"what":"mark","text":"hostile"}',
    b'{"run":"r1","what":"load-off","text":"","sure":"AAAAAAAAAAAAAAAAAAAAAA"}', b'{"run":"r1","what":"__import__","text":"hostile"}',
    b'{"run":"r1","what":"mark","text":"hostile' + b"A" * 3000 + b'"}', b'{"run":"r1","what":"mark","text":"hostile\\u202e\\u001b[2J"}',
    b'{"run":"r1","what":"mark","text":"hostile","text":"hostile 2"}', b"run=r1&what=mark&text=hostile", b"1e999", b"NaN", b'{"key":"\\ud800"}',
)  # fmt: skip


@dataclass(frozen=True)
class Answer:
    """``status`` 0: the connection was ended without one."""

    status: int
    header: str
    body: bytes


@dataclass(frozen=True)
class Known:
    """What the attacker has: nothing, or the cookie and form token of somebody who may look."""

    port: int
    cookie: str = ""
    form: str = ""

    @property
    def host(self) -> str:
        return f"{HOST}:{self.port}"


def hostile(known: Known, count: int, seed: int) -> Iterator[tuple[str, bytes]]:
    """``count`` requests, each with its kind; the same for the same seed."""
    chance = random.Random(seed)
    kinds: list[Callable[[Known, random.Random], bytes]] = [
        _foreign_host, _foreign_site, _looker, _broken, _smuggled, _bomb, _any, _garbage, _guess, _upgrade,
    ]  # fmt: skip
    for number in range(count):
        kind = kinds[number % len(kinds)]
        yield kind.__name__.strip("_"), kind(known, chance)


def _built(
    method: str, path: str, headers: list[tuple[str, str]], body: bytes = b"", length: bool = True
) -> bytes:
    lines = [f"{method} {path} HTTP/1.1", *(f"{name}: {value}" for name, value in headers)]
    if length and (body or method == "POST"):
        lines.append(f"Content-Length: {len(body)}")
    return ("\r\n".join(lines) + "\r\n\r\n").encode("latin-1", "replace") + body


def _own(known: Known) -> list[tuple[str, str]]:
    """Headers as the page's own script sends them, with what the attacker has."""
    return [
        ("Host", known.host),
        ("Origin", f"http://{known.host}"),
        ("Content-Type", "application/json"),
        ("X-Drawbench", known.form),
        ("Cookie", known.cookie),
    ]


def _but(headers: list[tuple[str, str]], name: str, value: str) -> list[tuple[str, str]]:
    return [(known, value if known == name else kept) for known, kept in headers]


def _foreign_host(known: Known, chance: random.Random) -> bytes:
    """Another name that points here: DNS rebinding."""
    name = chance.choice(("elsewhere.example", f"elsewhere.example:{known.port}", "", "127.0.0.1", "127.1:80", f"127.0.0.1.elsewhere.example:{known.port}", f"localhost:{known.port + 1}", f"[::1]:{known.port}", f"0.0.0.0:{known.port}"))  # fmt: skip
    own = _but(_own(known), "Host", name)
    return _built("POST", "/act", _but(own, "Origin", f"http://{name}"), chance.choice(BODIES))


def _foreign_site(known: Known, chance: random.Random) -> bytes:
    origin = chance.choice(("http://elsewhere.example", "null", f"http://{HOST}:{known.port + 1}", f"https://{known.host}", "file://", "", known.host, f"http://{known.host}/"))  # fmt: skip
    own = _but(_own(known), "Origin", origin)
    if chance.random() < 0.3:
        own = [pair for pair in own if pair[0] != "Origin"]
        own.append(("Sec-Fetch-Site", chance.choice(("cross-site", "same-site"))))
    if chance.random() < 0.3:
        own = _but(own, "Content-Type", chance.choice(("text/plain", "multipart/form-data", "")))
    return _built("POST", chance.choice(("/act", "/enter", "/leave")), own, chance.choice(BODIES))


def _looker(known: Known, chance: random.Random) -> bytes:
    """Somebody who may look tries to act, with everything right but the right."""
    good = b'{"run":"r1","what":"mark","text":"hostile"}', b'{"run":"r1","what":"load-off"}'
    body = chance.choice(good) if chance.random() < 0.5 else chance.choice(BODIES)
    return _built("POST", "/act", _own(known), body)


def _broken(known: Known, chance: random.Random) -> bytes:
    good = _built("POST", "/act", _own(known), b'{"run":"r1","what":"mark","text":"hostile"}')
    spot = chance.randrange(len(good))
    return chance.choice((
        good[:spot] + bytes(chance.randrange(256) for _ in range(6)) + good[spot:],
        good.replace(b"\r\n", b"\n"), good.replace(b"HTTP/1.1", b"HTTP/9.9"), good.replace(b": ", b" : "),
        good.replace(b"Host", b"Host: a\r\nHost"), good[:spot], good.replace(b"\r\n\r\n", b"\r\n \r\n\r\n"),
    ))  # fmt: skip


def _smuggled(known: Known, chance: random.Random) -> bytes:
    """Two lengths for one body, and another request inside."""
    inner = _built("POST", "/act", _own(known), b'{"run":"r1","what":"mark","text":"hostile"}')
    more = chance.choice((
        [("Content-Length", "0"), ("Transfer-Encoding", "chunked")], [("Content-Length", "5"), ("Content-Length", "6")],
        [("Transfer-Encoding", "chunked, identity")], [("Transfer-Encoding", "xchunked")], [("Content-Length", "-1")], [("Content-Length", "1e3")],
    ))  # fmt: skip
    chunks = chance.choice((b"0\r\n\r\n", b"fffffffffffffffff\r\n", b"-1\r\n", b"5\r\nab", b""))
    return _built("POST", "/enter", _own(known) + more, chunks + inner, length=False)


def _bomb(known: Known, chance: random.Random) -> bytes:
    many = [(f"X-{n}", "y" * 50) for n in range(chance.choice((90, 400)))]
    return chance.choice((
        _built("GET", "/", [("Host", known.host), *many]),
        _built("GET", "/" + "a" * chance.choice((9000, 200_000)), [("Host", known.host)]),
        _built("POST", "/enter", _own(known), b'{"key":"' + b"A" * 300_000 + b'"}'),
        _built("GET", "/", [("Host", known.host), ("Cookie", "; ".join(f"a{n}=b" for n in range(700)))]),
        _built("GET", "/", [("Host", known.host)]) * 60,
    ))  # fmt: skip


def _any(known: Known, chance: random.Random) -> bytes:
    headers = [("Host", known.host)] if chance.random() < 0.7 else _own(known)
    return _built(chance.choice(METHODS), chance.choice(PATHS), headers, chance.choice(BODIES))


def _garbage(known: Known, chance: random.Random) -> bytes:
    noise = bytes(chance.randrange(256) for _ in range(chance.choice((1, 40, 3000))))
    tls = b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03"
    stream = _built("GET", "/stream", [("Host", known.host), ("Cookie", known.cookie)])
    return chance.choice((noise, tls, b"\r\n\r\n" * 50, b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n", stream + noise))  # fmt: skip


def _guess(known: Known, chance: random.Random) -> bytes:
    """Keys, sessions and form tokens by guessing."""
    word = "".join(chance.choice("abcdefghijklmnop-_0123456789") for _ in range(24))
    name = known.cookie.partition("=")[0] or "drawbench"
    own = _but(
        _own(known), "Cookie", f"{name}={chance.choice((word, '', known.form, 'act', name))}"
    )
    key = json.dumps(
        {"key": chance.choice((f"act-{word}", f"look-{word}", "act-", "", known.form))}
    )
    return chance.choice((
        _built("POST", "/enter", _own(known), key.encode()), _built("POST", "/act", own, BODIES[10]),
        _built("GET", "/stream", own), _built("POST", "/act", _but(_own(known), "X-Drawbench", word), BODIES[10]),
    ))  # fmt: skip


def _upgrade(known: Known, chance: random.Random) -> bytes:
    kind = chance.choice(("websocket", "h2c", "x"))
    more = [("Connection", "Upgrade"), ("Upgrade", kind), ("Sec-WebSocket-Key", "AAAAAAAAAAAAAAAAAAAAAA=="), ("Sec-WebSocket-Version", "13"), ("X-Forwarded-For", "127.0.0.1"), ("X-Forwarded-Host", "x"), ("X-HTTP-Method-Override", "POST")]  # fmt: skip
    return _built("GET", chance.choice(PATHS[:7]), [("Host", known.host), ("Cookie", known.cookie), *more])  # fmt: skip


def asked(port: int, data: bytes, patience_s: float = 3.0, most: int = 65_536) -> Answer:
    """What comes back for these bytes, as far as it comes in time; a stream is left after its first part."""
    got = b""
    end_s = time.monotonic() + patience_s
    try:
        with socket.create_connection((HOST, port), timeout=patience_s) as connection:
            try:
                connection.sendall(data)
                connection.shutdown(socket.SHUT_WR)
            except OSError:
                pass  # ended while we sent; there may be an answer
            while len(got) < most and (left_s := end_s - time.monotonic()) > 0:
                connection.settimeout(left_s)
                part = connection.recv(16_384)
                if not part:
                    break
                got += part
                if b"text/event-stream" in got and b"\n\n" in got.partition(b"\r\n\r\n")[2]:
                    break
    except OSError:
        pass
    header, _, body = got.partition(b"\r\n\r\n")
    words = header.split(b" ", 2)
    status = int(words[1]) if len(words) > 1 and words[1].isdigit() else 0
    return Answer(status, header.decode("latin-1").lower(), body)
