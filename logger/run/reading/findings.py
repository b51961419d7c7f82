"""What was wrong with a samples file: sentences, and rows left out by reason."""

from collections import Counter
from dataclasses import dataclass, field
from typing import Final, Self

_EXAMPLES_SHOWN: Final = 3


@dataclass
class Findings:
    """What was wrong so far: sentences, and rejected rows by reason with examples."""

    sentences: list[str] = field(default_factory=list)
    reasons: Counter[str] = field(default_factory=Counter)
    examples: dict[str, list[str]] = field(default_factory=dict)

    def reject(self, reason: str, example: str, count: int = 1) -> None:
        self.reasons[reason] += count
        shown = self.examples.setdefault(reason, [])
        if len(shown) < _EXAMPLES_SHOWN:
            shown.append(example)

    @property
    def rejected(self) -> int:
        return sum(self.reasons.values())

    def problems(self) -> tuple[str, ...]:
        told = [
            f"{_rows(count)} left out: {reason} ({'; '.join(self.examples[reason])}"
            f"{', ...' if count > len(self.examples[reason]) else ''})"
            for reason, count in self.reasons.items()
        ]
        return (*self.sentences, *told)

    def take(self, later: Self) -> None:
        """What was found further down in the file."""
        self.sentences.extend(later.sentences)
        for reason, count in later.reasons.items():
            self.reasons[reason] += count
            shown = self.examples.setdefault(reason, [])
            shown.extend(later.examples[reason][: _EXAMPLES_SHOWN - len(shown)])


def _rows(count: int) -> str:
    return "1 row" if count == 1 else f"{count} rows"
