"""How does the board know which sensor it has, and what is said where it cannot be sure?"""

from typing import Final

# What the board sends of a sensor without identification registers, or of none.
NO_IDS: Final = "0000.0000"


def is_confirmed(kind: str, identity: str) -> bool:
    """Whether the kind is as sure as it can be: the INA219 has no identification; old boards do not say."""
    return identity in ("", "-", "number") or (kind == "INA219" and identity == "behaviour")


def identity_words(kind: str, identity: str, ids: str = "") -> str:
    """``Its identity is not confirmed: ...``; empty where it is."""
    if is_confirmed(kind, identity):
        return ""
    how = (
        f"the board was told that it is an {kind}"
        if identity == "told"
        else f"it behaves like an {kind} but {_says(ids)}"
    )
    return (
        f"The sensor's identity is not confirmed: {how}. Its doubt is that of an {kind} as bought; "
        "a calibration against a meter does not depend on it."
    )


def unknown_words(address: str, ids: str) -> str:
    """What answers though it is none of the sensors that the board knows; empty: nothing answers."""
    if address in ("", "00") or not ids:
        return ""
    return f"Something answers at {address}h, but it is no sensor that the board knows: it {_says(ids)}."


def _says(ids: str) -> str:
    if ids in ("", NO_IDS, "FFFF.FFFF"):
        return "has no identification"
    maker, _, die = ids.partition(".")
    return f"calls itself {maker}h, {die}h"
