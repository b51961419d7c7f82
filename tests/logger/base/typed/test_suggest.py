"""What was probably meant."""

import pytest
from click.testing import CliRunner

from drawbench import cli


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        (["rundwon"], "'rundown'"),
        (["reports"], "'report'"),
        (["Rundown"], "'rundown'"),
        (["record"], "'log'"),
        (["flex", "lief"], "'life'"),
        (["rundown", "x", "--cutof", "3"], "'--cutoff'"),
        (["rundown", "x", "--need6h"], "'--need'"),
        (["flex", "life", "x", "--at", "elbo"], "'elbow'"),
        (["import", "x", "y", "--clock", "hhmm"], "'hh:mm'"),
    ],
)
def test_a_slip_gets_a_suggestion(typed: list[str], meant: str) -> None:
    result = CliRunner().invoke(cli, typed)
    assert result.exit_code == 2
    assert meant in result.output.partition("Did you mean")[2]


def test_nothing_near_is_suggested_for_nothing() -> None:
    assert "Did you mean" not in CliRunner().invoke(cli, ["xyzzy"]).output
