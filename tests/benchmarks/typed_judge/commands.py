"""Misspelt commands and options, and the ones meant: slips of the finger drawn over words that the command line itself lists."""

import random
import re
from collections.abc import Callable, Sequence
from typing import Final

from tests.benchmarks.typed_judge.case import Answer, Typed

# Command line as typed, and the word that its answer has to suggest. Written by hand: transposed, left out, doubled,
# a neighbour on the keyboard, plural, another language.
COMMANDS: Final[dict[str, str]] = {
    "lgo": "log", "lg": "log", "logg": "log", "reprot": "report", "repport": "report", "raport": "report", "reports": "report",
    "foreacst": "forecast", "forcast": "forecast", "forcaste": "forecast", "buget": "budget", "budgets": "budget", "calibarte": "calibrate",
    "calibrat": "calibrate", "runndown": "rundown", "run-down": "rundown", "rundwon": "rundown", "comapre": "compare", "compair": "compare",
    "simualte": "simulate", "simulat": "simulate", "pictrues": "pictures", "picture": "pictures", "shet": "sheet", "sheets": "sheet", "lst": "list",
    "lists": "list", "watc": "watch", "wacth": "watch", "chek": "check", "imprt": "import", "porbe": "probe", "strat": "start", "demmo": "demo",
    "firmwear": "firmware", "flx": "flex",
}  # fmt: skip
OPTIONS: Final[dict[str, str]] = {
    "log --cutof 2.7": "--cutoff", "log --cut-off 2.7": "--cutoff", "log --cuttoff 2.7": "--cutoff", "log --pak x": "--pack", "log --packs x": "--pack",
    "log --needs 6h": "--need", "log --ned 6h": "--need", "log --titel x": "--title", "log --autor x": "--author", "log --capcity 2200": "--capacity",
    "log --temperatur 20": "--temperature", "log --prot x": "--port", "log --all-board": "--all-boards", "log --windw 1s": "--window", "log --notess x": "--notes",
    "report --buget x .": "--budget", "report --flex-cycle 3 .": "--flex-cycles", "report --outt x .": "--out", "forecast --detials .": "--details",
    "forecast --jsno .": "--json", "forecast --untill 2h .": "--until", "simulate --sede 3": "--seed", "simulate --shnt 0.1": "--shunt",
    "simulate --sensr ina219": "--sensor", "flex life --cycels 4800 x": "--cycles", "flex life --confidance 90 x": "--confidence",
    "flex plan --reliabilty 90": "--reliability", "flex plan --specimen 5": "--specimens", "sheet --hodl 10s .": "--hold", "flex plna": "plan", "flex lief x": "life",
}  # fmt: skip
# No word of ours: a suggestion would mislead.
NOTHING: Final = ("xyzzy", "qqqq", "log --zzzzzz 3")


def typed() -> list[Typed]:
    out = [Typed(text, "command", (word,)) for text, word in {**COMMANDS, **OPTIONS}.items()]
    return out + [Typed(text, "command", (), free=True) for text in NOTHING]


def slips(seed: int, many: int = 40) -> list[Typed]:
    """One slip of the finger in a command's name: letters swapped, left out, doubled or a neighbour's."""
    draw = random.Random(seed)
    names = sorted(set(COMMANDS.values()) - {"log", "list", "flex", "demo"})
    out: dict[str, Typed] = {}
    while len(out) < many:
        name = draw.choice(names)
        at = draw.randrange(1, len(name) - 1)
        shape = draw.randrange(4)
        text = (
            name[:at] + name[at + 1] + name[at] + name[at + 2 :]
            if shape == 0
            else name[:at] + name[at + 1 :]
            if shape == 1
            else name[:at] + name[at] + name[at:]
            if shape == 2
            else name[:at] + draw.choice("aeiou") + name[at + 1 :]
        )
        if text not in names and text not in COMMANDS:
            out.setdefault(text, Typed(text, "command", (name,)))
    return list(out.values())


SUGGESTED: Final = re.compile(
    r"(?:mean|possible options|perhaps|closest|nearest|try)\b([^\n]*)", re.IGNORECASE
)


def suggested(run: Callable[[Sequence[str]], tuple[int, str]]) -> Callable[[Typed], Answer]:
    """Asks the command line; of the first three words that it suggests the right one, else the first, is its answer."""

    def ask(one: Typed) -> Answer:
        words = one.text.split()
        code, output = run(words)
        if code != 2:
            return Answer(crash=f"exit code {code}: {output.strip()[-200:]}")
        told = [part for part in SUGGESTED.findall(output) if "--help" not in part]
        known = re.findall(r"--[a-z][a-z-]+|[a-z]{3,}", told[0]) if told else []
        known = [word for word in known if word not in {"drawbench", "you", "did", "one", "the"}]
        if not known:
            return Answer(words=output)
        right = one.readings and one.readings[0] in known[:3]
        return Answer(value=one.readings[0] if right else known[0])

    return ask
