"""Budgets and mappings are UTF-8; another text is refused with the line and what to do."""

from pathlib import Path

import pytest

from logger.base.errors import BenchError
from logger.base.typed.utf8 import utf8_text


def test_other_letters_are_named_with_their_line() -> None:
    path = Path("a.toml")
    assert utf8_text("ü".encode("utf-8-sig"), path, "budget file") == "ü"
    with pytest.raises(BenchError, match="not saved as UTF-8") as refused:
        utf8_text("one\nfür zwei\n".encode("latin-1"), path, "budget file")
    assert "line 2" in refused.value.evidence
    assert "für zwei" in refused.value.evidence
    with pytest.raises(BenchError) as refused:  # both counted lines of another kind
        utf8_text(b"\xef\xbb\xbfone\rtwo\n" + "ü".encode("latin-1"), path, "budget file")
    assert refused.value.evidence == "line 2, which would be in Latin-1: ü"
    with pytest.raises(BenchError) as refused:
        utf8_text("ü".encode("utf-16"), path, "budget file")
    assert "UTF-16" in refused.value.evidence
