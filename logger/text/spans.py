"""A time span in words."""

from logger.base.numbers import digits_text


def span_words(span_s: float) -> str:
    """A time span for people: ``12 min 3 s``, ``13 h 2 min``, ``0.50 s``."""
    if span_s < 10:
        return f"{digits_text(span_s, 3)} s"
    if span_s < 60:
        return f"{span_s:.0f} s"
    whole = round(span_s)
    if whole < 3600:
        return f"{whole // 60} min {whole % 60} s"
    minutes = round(span_s / 60)
    hours, minutes = divmod(minutes, 60)
    if hours < 72:
        return f"{hours} h {minutes} min"
    return f"{hours // 24} d {hours % 24} h"
