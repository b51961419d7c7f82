"""Text leaves without anything that acts, and with all that is read."""

import io
import json
import sys

import pytest

from logger.base.clean_text import (
    CleanStream,
    clean_console,
    clean_streams,
    trusted,
    visible,
    visible_in,
)

# Unicode's bidirectional controls (UAX 9, table of explicit formatting; from memory) and what drives a terminal.
ACTING = [
    *map(chr, range(0x09)), *map(chr, range(0x0B, 0x20)), *map(chr, range(0x7F, 0xA0)),
    *"\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u2028\u2029\udc80",
]  # fmt: skip
READ = "Ümläute, ½ µA, 🔋👩\u200d🔧, مصباح, נורה, ランプ, \u200c"


@pytest.mark.parametrize("sign", ACTING, ids=lambda sign: f"U+{ord(sign):04X}")
def test_what_acts_is_written_out(sign: str) -> None:
    assert visible(f"a{sign}b") == f"a\\u{ord(sign):04x}b"


def test_what_is_read_stays() -> None:
    assert visible(f"{READ}\n\t") == f"{READ}\n\t"


def test_inside_json_it_is_the_same_text() -> None:
    document = {"title": "x\u202e\x1b\x9b\x7f\u2028" + READ}
    text = json.dumps(document, ensure_ascii=False)
    assert visible(text) != text
    assert json.loads(visible(text)) == document


def test_a_document_is_cleaned_at_every_depth() -> None:
    assert visible_in({"a\x1b": [("\u202e", 1.5, None)]}) == {"a\\u001b": [["\\u202e", 1.5, None]]}


def test_the_programs_streams_are_cleaned_once(monkeypatch: pytest.MonkeyPatch) -> None:
    out = io.StringIO()
    monkeypatch.setattr(sys, "stdout", out)
    monkeypatch.setattr(sys, "stderr", out)
    clean_streams()
    clean_streams()
    sys.stdout.write("a\x1b[2J")
    print("b\u202e", file=sys.stderr)  # noqa: T201
    assert trusted(sys.stdout) is out
    assert out.getvalue() == "a\\u001b[2Jb\\u202e\n"


def test_bytes_find_no_way_past() -> None:
    stream = CleanStream(io.TextIOWrapper(io.BytesIO()))
    assert not hasattr(stream, "buffer")
    with pytest.raises(TypeError):
        stream.write(b"\x1b")  # type: ignore[arg-type]


def test_a_drawn_screen_keeps_its_own_escapes_only(monkeypatch: pytest.MonkeyPatch) -> None:
    out = io.StringIO()
    monkeypatch.setattr(sys, "stdout", CleanStream(out))
    from rich.text import Text

    console = clean_console()
    console._force_terminal = True
    console.print(Text("vest\x1b]0;mine\x07\u202e" + READ, "bold"))
    assert "mine" in out.getvalue()
    assert "\x1b]" not in out.getvalue()
    assert not {"\x07", "\u202e"} & set(out.getvalue())
    assert READ.split(",")[0] in out.getvalue()
