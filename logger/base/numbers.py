"""Numbers in words: so many digits, never a power of ten."""


def digits_text(number: float, digits: int) -> str:
    """``0.3``, ``19``, ``2400``: rounded to so many significant digits, noughts at the end left out."""
    rounded = f"{number:.{digits}g}"
    if "e" not in rounded:
        return rounded
    places = max(0, digits - 1 - int(f"{number:.{digits - 1}e}".split("e")[1]))
    text = f"{float(rounded):.{places}f}"
    return text.rstrip("0").rstrip(".") if places else text
