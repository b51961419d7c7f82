"""The page's addresses as words and QR codes: which one is for whom, on a terminal of 80 by 24."""

import io
from typing import Final

import segno

from logger.page.keys import Right

LAN_CAUTION: Final = (
    "Everyone in this network who has a key can use it; the page is not\n"
    "encrypted. Use it in a network that you trust."
)
_FOR: Final = {
    Right.ACT: "ACT, for you alone: sets marks, opens the load switch. Opens one browser.",
    Right.LOOK: "LOOK, for everybody else (the class): changes nothing. Opens any number.",
}


def first_text(look: str, act: str, lan: bool) -> str:
    """What the terminal says of a page that has come up: ``look``, ``act``: the two addresses.

    The code for the class comes last: the other one has left a terminal of 24 rows by then.
    """
    if not lan:
        return f"Page: {act}  (yours: marks, load switch; opens one browser)\nTo look only: {look}"
    return "\n".join(
        (
            f"{LAN_CAUTION}\n",
            f"{_FOR[Right.ACT]}\n{act}\n{qr_text(act)}\n",
            f"{_FOR[Right.LOOK]}\n{look}\n{qr_text(look)}",
        )
    )


def next_text(act: str, lan: bool) -> str:
    """What the terminal says when the act key was used. No code: the class may be looking by now."""
    doubt = " If that was not you, end the page with Ctrl-C." if lan else ""
    return f"A browser was opened that may act.{doubt} The next act key: {act}"


def qr_text(address: str) -> str:
    """The address as a QR code of half blocks for a terminal."""
    out = io.StringIO()
    segno.make(address, error="l", micro=False).terminal(out, compact=True, border=2)
    return out.getvalue().rstrip("\n")


def code_svg(address: str) -> bytes:
    """The address as a QR code for a browser; dark on light in any theme, as cameras want it."""
    out = io.BytesIO()
    segno.make(address, error="m", micro=False).save(
        out,
        kind="svg",
        border=4,
        dark="#000",
        light="#fff",
        scale=8,
        xmldecl=False,
        svgclass=None,
        lineclass=None,
    )
    return out.getvalue()
