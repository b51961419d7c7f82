"""Yes and no. Words and first letters as glibc's locales have them (``LC_MESSAGES``: yesstr, nostr, yesexpr, noexpr)."""

from typing import Final

from tests.benchmarks.typed_judge.case import Typed

# SOURCES.md G2.
YES_NO: Final = {
    "de": ("ja", "nein", "jy", "n"), "fr": ("oui", "non", "oy", "n"), "es": ("sí", "no", "sy", "n"),
    "nl": ("ja", "nee", "jy", "n"), "it": ("sì", "no", "sy", "n"), "sv": ("ja", "nej", "jy", "n"),
    "en": ("yes", "no", "y", "n"), "da": ("ja", "nej", "jy", "n"), "nb": ("ja", "nei", "jy", "n"),
    "fi": ("kyllä", "ei", "ky", "en"), "pl": ("tak", "nie", "ty", "n"), "pt": ("sim", "não", "sy", "n"),
}  # fmt: skip
MAIN: Final = ("de", "fr", "es", "nl", "it", "sv", "en")

# The rest of what a person may say: plain language, no source. True, False, or None: neither.
SAID: Final[tuple[tuple[str, str, bool | None], ...]] = (
    ("1", "", True), ("0", "", False), ("true", "en", True), ("false", "en", False), ("on", "en", True),
    ("off", "en", False), ("ok", "en", True), ("yep", "en", True), ("nope", "en", False), ("sure", "en", True),
    ("si", "es", True), ("d'accord", "fr", True), ("vale", "es", True), ("jawohl", "de", True), ("klar", "de", True),
    ("oui, bien sûr", "fr", True), ("ja, bitte", "de", True), ("no, gracias", "es", False), ("yes please", "en", True),
    ("nein danke", "de", False), ("oh no", "en", False), ("sicher nicht", "de", False), ("jamais", "fr", False),
    ("kein", "de", False), ("keine", "de", False), ("of course not", "en", False), ("so nicht", "de", False),
    ("jein", "de", None), ("not sure", "en", None), ("no sé", "es", None), ("yes and no", "en", None),
    ("ja nein", "de", None), ("yn", "en", None), ("y/n", "en", None), ("yesterday", "en", None), ("maybe", "en", None),
    ("vielleicht", "de", None), ("november", "en", None), ("occupied", "en", None), ("2", "", None), ("?", "", None),
    ("6h", "", None), ("3 AA", "", None), ("nine", "en", None), ("son", "fr", None), ("jour", "fr", None),
)  # fmt: skip


def plain() -> list[Typed]:
    """Every language's own words, its first letters, and with another case or a full stop."""
    out = []
    for language, (yes, no, yes_letters, no_letters) in YES_NO.items():
        free = language not in MAIN
        for word, meant in ((yes, True), (no, False)):
            for text in (word, word.upper(), word.capitalize() + "."):
                rare = free or text.endswith(".")
                out.append(Typed(text, "answer", (meant,), language, free=rare))
        for letters, meant in ((yes_letters, True), (no_letters, False)):
            out += [Typed(sign, "answer", (meant,), language, free=free) for sign in letters]
    return list({typed.text: typed for typed in reversed(out)}.values())[::-1]


def said() -> list[Typed]:
    return [
        Typed(text, "answer", () if meant is None else (meant,), language, free=True)
        for text, language, meant in SAID
    ]


def typed() -> list[Typed]:
    return [*plain(), *said()]
