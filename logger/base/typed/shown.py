"""How was it understood? Said where something was not written in the usual form."""

import click


def show_understood(
    typed: str, meant: str, param: click.Parameter | None, ctx: click.Context | None
) -> None:
    """``--need '6h30': 6 h 30 min.``, on the error output: what a script reads stays as it is."""
    if param is None or ctx is None or ctx.resilient_parsing:
        return
    name = param.opts[0] if isinstance(param, click.Option) else param.make_metavar(ctx)
    click.echo(f"{name} {typed!r} is taken as {meant}.", err=True)
