"""The sealed set: the same truths in spellings drawn by a seed, from CLDR's formats and names and people's habits."""

import random
from collections.abc import Callable
from typing import Final

from babel.numbers import format_decimal, get_decimal_symbol

from tests.benchmarks.typed_judge import answers, open_set, packs
from tests.benchmarks.typed_judge.case import Meant, Typed
from tests.benchmarks.typed_judge.figures import MAIN, SPACES, readings
from tests.benchmarks.typed_judge.spellings import FACTORS, HABITS, TIMES, of_cldr, read

EACH: Final = {"need": 90, "hold": 30, "duration": 40, "V": 50, "mA": 60, "mAh": 50, "ohm": 50, "cycles": 40, "%": 30, "C": 30}  # fmt: skip
ANDS: Final = {
    "de": "und",
    "fr": "et",
    "es": "y",
    "nl": "en",
    "it": "e",
    "en_US": "and",
    "en_GB": "and",
    "sv": "och",
}
FULL_WIDTH: Final = str.maketrans("0123456789", "０１２３４５６７８９")
GAPS: Final = ("", "", " ", " ", "\u00a0", "\u202f", "  ")


def number(value: float, name: str, draw: random.Random) -> str:
    """As CLDR writes it in that language, or without groups, or with more zeros, or in digits of full width."""
    text = format_decimal(
        value, format="#,##0.######", locale=name, group_separator=draw.random() < 0.6
    )
    if name.endswith("_CH") and value >= 1000 and draw.random() < 0.6:
        text = _swiss(value, name, draw)
    if value == int(value) and draw.random() < 0.1:
        text += get_decimal_symbol(name) + "0"
    for sign in SPACES:
        text = text.replace(sign, draw.choice((" ", sign)))
    return text.translate(FULL_WIDTH) if draw.random() < 0.05 else text


def _swiss(value: float, name: str, draw: random.Random) -> str:
    english = format_decimal(value, format="#,##0.######", locale="en_US")
    point, sign = get_decimal_symbol(name), draw.choice("'’")
    return english.translate({ord(","): sign, ord("."): point})


def _cased(text: str, draw: random.Random) -> str:
    chance = draw.random()
    return text.upper() if chance < 0.08 else text.title() if chance < 0.14 else text


def time(question: str, draw: random.Random) -> tuple[str, str]:
    """Text and language of a length of time."""
    name = draw.choice(MAIN)
    large, small = ("minute", "second") if question == "hold" else ("hour", "minute")
    shape = draw.choice(("decimal", "decimal", "both", "both", "clock", "joined", "one", "bare"))
    whole, part = draw.choice((1, 2, 4, 6, 8, 11, 26)), draw.choice((5, 10, 15, 30, 45))
    if shape == "clock":
        tail = draw.choice(("", "", ":00", " h", "h")) if question != "hold" else ""
        return f"{whole}:{part:02d}{tail}", name
    if shape == "joined":
        unit = draw.choice(("h", "H")) if large == "hour" else "min"
        return f"{whole}{unit}{part:02d}{draw.choice(('', '', ' ', 'min' if large == 'hour' else 's'))}".strip(), name  # fmt: skip
    if shape == "bare":
        return number(whole + draw.choice((0.0, 0.5)), name, draw), name
    names = [
        draw.choice(sorted(of_cldr(f"duration-{unit}", name, width)))
        for unit in (large, small)
        for width in (draw.choice(("long", "short", "narrow")),)
    ]
    gap = draw.choice(GAPS)
    if shape == "one":
        return _cased(f"{number(whole * 60 + part, name, draw)}{gap}{names[1]}", draw), name
    if shape == "decimal":
        value = whole + draw.choice((0.0, 0.25, 0.5, 0.75, 0.125))
        return _cased(f"{number(value, name, draw)}{gap}{names[0]}", draw), name
    between = draw.choice((" ", ", ", f" {ANDS[name.removesuffix('_CH')]} "))
    return _cased(f"{whole}{gap}{names[0]}{between}{part}{gap}{names[1]}", draw), name


def amount(question: str, draw: random.Random) -> tuple[str, str]:
    name = draw.choice(MAIN)
    values = {
        "V": (0.9, 2.7, 3.0, 3.35, 4.5, 12.0, 2.755), "mA": (0.5, 1.5, 20.0, 85.25, 500.0, 1250.0, 1.125), "mAh": (220.0, 850.0, 2200.0, 2450.0, 10000.0),
        "ohm": (0.1, 0.05, 1.0, 22.0, 470.0, 4700.0, 1500.0), "cycles": (400.0, 4800.0, 12500.0, 100000.0, 1250000.0), "%": (5.0, 12.5, 80.0, 90.0, 99.9), "C": (-5.0, 0.0, 20.0, 21.5, 36.6),
    }[question]  # fmt: skip
    value = draw.choice(values)
    units = {"%": ("%", ""), "C": ("", "°C", "C", "° C"), "cycles": ("", "", "cycles")}.get(
        question
    )
    if units is None:
        factors = {u: f for u, f in FACTORS[question].items() if 0.05 <= value / f < 1e5}
        unit = draw.choice(["", *factors])
        value = value / factors.get(unit, 1.0)
        long = {h for h, s in HABITS[question].items() if s == unit and len(h) > 1}
        unit = draw.choice([unit, unit, *sorted(long)]) if unit else ""
    else:
        unit = draw.choice(units)
    text = number(round(value, 9), name, draw).replace("-", draw.choice("-\u2212"))
    if unit.startswith("µ"):
        unit = draw.choice("uµμ") + unit[1:]
    gap = draw.choice(GAPS) if unit else ""
    return f"{text}{gap}{unit.lower() if draw.random() < 0.1 else unit}", name


def spoiled(text: str, draw: random.Random) -> tuple[str, bool]:
    """The same with one thing too many or too few, and whether that is a mark that a reader may pass over."""
    at = draw.randrange(len(text) + 1)
    sign, instead = draw.choice(".,-:'  x5½"), draw.random() < 0.5
    before, after = text[at - 1 : at], text[at + instead : at + instead + 1]
    between = after.isdecimal() and (before.isdecimal() or not before.strip())
    lost = instead and text[at : at + 1].strip(SPACES + ".,") != ""
    return text[:at] + sign + text[at + instead :], sign in ".,:' " and not between and not lost


def of_question(question: str, draw: random.Random) -> Typed:
    text, name = (time if question in TIMES else amount)(question, draw)
    bad = draw.random() < 0.2
    meant: tuple[Meant, ...] = read(text, question)
    if bad:
        text, passed_over = spoiled(text, draw)
        meant = read(text, question) or (meant if passed_over else ())
    if draw.random() < 0.15:
        text = draw.choice((" ", "\t", "\u00a0")) + text + " "
    several = len(meant) == 1 and question not in TIMES and len(readings(text.strip())) > 1
    bare = question in TIMES and not any(s.isalpha() or s in ":'\"" for s in text)
    asked_too = question == "hold" and ":" in text
    rare = bad or several or bare or asked_too or _grouped(text) or "ω" in text
    return Typed(text, question, meant, name, free=rare, why="spoiled" if bad else "")


def _grouped(text: str) -> bool:
    """Where a sign of thousands may stand, refusing is what the order asks for."""
    digits = "".join(sign if sign.isdecimal() or sign in ".," else "" for sign in text)
    return len(readings(digits)) > 1


def pack(draw: random.Random) -> Typed:
    """Count, size, chemistry and capacity in another order, with other signs, in another language."""
    count = draw.choice((1, 2, 3, 4, 6, 8))
    size = draw.choice(("AA", "AAA", "aa", "AAA"))
    words = draw.choice((
        ("", packs.ALKALINE), ("alkaline", packs.ALKALINE), ("Alkaline", packs.ALKALINE), ("alcalines", packs.ALKALINE), ("alcalinas", packs.ALKALINE),
        ("NiMH", packs.NIMH), ("nimh", packs.NIMH), ("Ni-MH", packs.NIMH), ("NIMH", packs.NIMH), ("lithium", packs.LITHIUM_AA), ("Lithium", packs.LITHIUM_AA),
    ))  # fmt: skip
    word, chemistry = words
    times = draw.choice((" ", "x", "x ", " x ", "×", " × ", "*", "X ", "", " X "))
    noun, before = draw.choice((("", ""), ("", ""), ("", ""), ("", "piles"), ("", "pilas"), ("Batterien", ""), ("batteries", ""), ("cells", ""), ("batterijen", "")))  # fmt: skip
    mah = draw.choice((None, None, 800.0, 1900.0, 2500.0))
    name = draw.choice(MAIN)
    capacity = ""
    if mah:
        in_ah = draw.random() < 0.4
        figure = number(mah / 1000 if in_ah else mah, name, draw)
        capacity = f"{figure}{draw.choice(('', ' '))}{'Ah' if in_ah else draw.choice(('mAh', 'mAh', 'mah'))}"
    parts = [f"{count}{times}{before + ' ' if before else ''}{size}", noun, word, capacity]
    if before and not times.strip():
        parts[0] = f"{count} {before} {size}"
    if draw.random() < 0.15 and word and not before:
        parts = [word, parts[0], noun, capacity]
    text = draw.choice((" ", " ", "  ", ", ")).join(part for part in parts if part)
    rare = (
        ", " in text
        or (mah is not None and _grouped(capacity))
        or (before != "" and times.strip() != "")
    )
    return Typed(text, "pack", ((count, chemistry, mah),), name, free=rare)


def answer(draw: random.Random) -> Typed:
    one = draw.choice(answers.plain())
    shape: Callable[[str], str] = draw.choice((str.upper, str.lower, str.title, str.strip))
    text = draw.choice(("", "", " ")) + shape(one.text) + draw.choice(("", "", " ", "!", "\r"))
    return Typed(
        text, "answer", one.readings, one.language, free=one.free or "!" in text or "\r" in text
    )


def typed(seed: int) -> list[Typed]:
    """About 600 things typed; the same seed makes the same ones, none stands in the open set."""
    draw = random.Random(seed)
    known = {(one.text, one.question) for one in open_set.typed()}
    out = [of_question(question, draw) for question, many in EACH.items() for _ in range(many)]
    out += [pack(draw) for _ in range(80)] + [answer(draw) for _ in range(40)]
    return [
        one
        for one in {(t.text, t.question): t for t in out}.values()
        if (one.text, one.question) not in known
    ]
