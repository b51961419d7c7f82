"""The one error that is meant for the person at the bench."""


def spoken(error: Exception) -> str:
    """What an error of the system says, without its number."""
    return str((error.strerror if isinstance(error, OSError) else None) or error)


class BenchError(Exception):
    """Something the user can act on; the command ends with exit code 2.

    ``happened``: what went wrong, one sentence. ``evidence``: what was seen
    (the line, the bytes, the file). ``next_step``: what to do about it.
    """

    def __init__(self, happened: str, *, evidence: str = "", next_step: str = "") -> None:
        self.happened = happened
        self.evidence = evidence
        self.next_step = next_step
        super().__init__(str(self))

    def __str__(self) -> str:
        parts = [self.happened]
        if self.evidence:
            parts.append(f"  Seen: {self.evidence}")
        if self.next_step:
            parts.append(f"  Next: {self.next_step}")
        return "\n".join(parts)
