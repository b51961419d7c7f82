"""Yes and no in six languages."""

import click
import pytest
from click.testing import CliRunner

from logger.base.typed.answers import Answer, ask_yes


@pytest.mark.parametrize(
    ("yes", "words"),
    [
        (True, "y yes Yes! ja j JA oui o sí si s"),
        (False, "n no nein non nee NO."),
    ],
)
def test_answers(yes: bool, words: str) -> None:
    for word in words.split():
        assert Answer().convert(word, None, None) is yes


def test_anything_else_is_asked_again_and_safety_wants_a_clear_yes() -> None:
    @click.command()
    @click.option("--clear", is_flag=True)
    def asked(clear: bool) -> None:
        click.echo(f"-> {ask_yes('Sure?', default=True, clear=clear)}")

    shown = CliRunner().invoke(asked, input="maybe\nnein\n").output
    assert "neither yes nor no" in shown
    assert "-> False" in shown
    assert "-> True" in CliRunner().invoke(asked, input="\n").output
    assert "-> False" in CliRunner().invoke(asked, ["--clear"], input="\n").output
    assert "-> False" in CliRunner().invoke(asked, ["--clear"], input="o\ns\nno\n").output
    assert "-> True" in CliRunner().invoke(asked, ["--clear"], input="oui\n").output
    assert CliRunner().invoke(asked, input="").exit_code == 1, "nobody is there"
