"""A thing typed, put to the functions that the tool is asked by. A refusal is whatever has ``words``."""

from collections.abc import Callable

from tests.benchmarks.typed_judge.case import Answer, Typed
from tests.benchmarks.typed_judge.spellings import TIMES


def asker(
    time_s: Callable[..., object],
    pack: Callable[..., object],
    amount: Callable[..., object],
    answer: Callable[..., object],
) -> Callable[[Typed], Answer]:
    def ask(one: Typed) -> Answer:
        try:
            if one.question in TIMES:
                told = time_s(one.text, one.question)
            elif one.question == "pack":
                told = pack(one.text)
            elif one.question == "answer":
                told = answer(one.text)
            else:
                told = amount(one.text, one.question)
        except Exception as error:  # noqa: BLE001 - a fault of the tool is a verdict
            return Answer(crash=f"{type(error).__name__}: {error}")
        words = getattr(told, "words", None)
        if words is not None:
            return Answer(words=str(words))
        if one.question == "pack" and isinstance(told, tuple) and len(told) == 4:
            cells, chemistry, capacity_mah, shown = told
            return Answer((cells, str(chemistry), capacity_mah), shown=str(shown))
        return Answer(told)

    return ask
