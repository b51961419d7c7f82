"""Yes or no, as people of six languages type it (English, German, French, Spanish, Dutch, Italian)."""

from typing import Final

import click

from logger.base.typed.signs import plain_signs
from logger.base.typed.words import word_set

_YES: Final = word_set("y yes yeah yep sim j ja jawohl jo o oui s si sí sì")
_NO: Final = word_set("n no nope nein nee non nej nei não nao")
# One letter that means yes in one language only is no clear yes where cells may burn.
_CLEAR: Final = _YES - {"o", "s", "jo"}


class Answer(click.ParamType[bool]):
    """``clear``: whether only a clear yes counts."""

    name = "ANSWER"

    def __init__(self, *, clear: bool = False) -> None:
        self.clear = clear

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> bool:
        if isinstance(value, bool):
            return value
        word = plain_signs(str(value)).casefold().rstrip(".!")
        if word in (_CLEAR if self.clear else _YES):
            return True
        if word not in _NO:
            self.fail(f"{value!r} is neither yes nor no: type yes or no.", param, ctx)
        return False


def ask_yes(question: str, *, default: bool, clear: bool = False, err: bool = False) -> bool:
    """Asks until it is answered; Enter is ``default``. Raises click.Abort where nobody answers.

    ``clear``: of safety: Enter is never a yes.
    """
    assumed = default and not clear
    return bool(
        click.prompt(
            f"{question} [{'Y/n' if assumed else 'y/N'}]",
            type=Answer(clear=clear),
            default=assumed,
            show_default=False,
            err=err,
        )
    )
