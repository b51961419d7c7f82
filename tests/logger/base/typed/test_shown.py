"""What was not written in the usual form is shown as it was understood; what a script reads is not touched."""

import click
import pytest
from click.testing import CliRunner

from logger.base.command_options import Need, PackText
from logger.base.measures import MAH_ABOVE_0, VOLTS


@click.command()
@click.option("--need", type=Need())
@click.option("--pack", type=PackText())
@click.option("--capacity", type=MAH_ABOVE_0)
@click.option("--cutoff", type=VOLTS)
def asked(**given: object) -> None:
    click.echo("answer")


@pytest.mark.parametrize(
    ("typed", "shown"),
    [
        (["--need", "6h30"], "--need '6h30' is taken as 6 h 30 min.\n"),
        (["--pack", "3xLR6"], "--pack '3xLR6' is taken as 3x AA alkaline.\n"),
        (["--pack", "3 AA"], "--pack '3 AA' is taken as 3x AA alkaline (rechargeable: say nimh).\n"),
        (["--capacity", "1 000,5"], "--capacity '1 000,5' is taken as 1000.5 mAh.\n"),
        (["--cutoff", "2.700 V"], "--cutoff '2.700 V' is taken as 2.7 V.\n"),
        (["--need", "6h", "--pack", "3xAA alkaline", "--capacity", "2500mAh", "--cutoff", "2.7V"], ""),
    ],
)  # fmt: skip
def test_shown_as_understood(typed: list[str], shown: str) -> None:
    result = CliRunner().invoke(asked, typed)
    assert (result.stderr, result.stdout) == (shown, "answer\n")
