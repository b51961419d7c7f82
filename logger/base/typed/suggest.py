"""Which command, option or value of a choice was probably meant?"""

import difflib
from collections.abc import Iterable
from typing import Any, Final

import click

_AS_NEAR: Final = 0.1
# Other words for what our commands do.
_SAME: Final = {
    "record": "log",
    "measure": "log",
    "analyse": "rundown",
    "analyze": "rundown",
    "result": "rundown",
    "predict": "forecast",
    "plot": "pictures",
    "print": "sheet",
    "pdf": "sheet",
    "bend": "flex",
    "estimate": "budget",
    "convert": "import",
    "find": "probe",
    "help": "--help",
}


def did_you_mean(typed: str, known: Iterable[str]) -> str:
    """A sentence that names what was probably meant, with a space before it; empty if nothing comes near."""
    words = {word.casefold(): word for word in known}
    small = typed.casefold()
    near = difflib.get_close_matches(small, words, n=3, cutoff=0.6)
    # The best, and what is nearly as near.
    near = [word for word in near if _alike(small, word) >= _alike(small, near[0]) - _AS_NEAR]
    same = _SAME.get(small, "")
    found = [words[word] for word in dict.fromkeys([*([same] if same in words else []), *near])]
    return f" Did you mean {' or '.join(map(repr, found))}?" if found else ""


def _alike(one: str, other: str) -> float:
    return difflib.SequenceMatcher(None, one, other).ratio()


class SuggestingGroup(click.Group):
    """A group that names the command that was probably meant."""

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        typed, known = args[0], self.list_commands(ctx)
        if typed not in known and typed[:1] != "-" and not ctx.resilient_parsing:
            raise click.UsageError(
                f"There is no command {typed!r}.{did_you_mean(typed, [*known, '--help'])}", ctx
            )
        return super().resolve_command(ctx, args)

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except click.NoSuchOption as error:
            command = error.ctx and error.ctx.command
            known = (
                [name for param in command.params for name in (*param.opts, *param.secondary_opts)]
                if command
                else []
            )
            raise click.UsageError(
                f"There is no option {error.option_name!r}.{did_you_mean(error.option_name, known)}",
                error.ctx,
            ) from None


class Choice(click.Choice[str]):
    """A choice that names the value that was probably meant."""

    def get_invalid_choice_message(self, value: object, ctx: click.Context | None) -> str:
        said = super().get_invalid_choice_message(value, ctx)
        return f"{said}{did_you_mean(str(value), map(str, self.choices))}"
