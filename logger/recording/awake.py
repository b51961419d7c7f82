"""Keep the computer from going to sleep while a run lasts; never fail a run over it."""


class KeepAwake:
    """Context manager; ``words`` says whether it worked and what to do if not."""

    def __init__(self) -> None:
        self.words = ""
        self.active = False

    def __enter__(self) -> "KeepAwake":
        try:
            from wakepy import keep

            self._mode = keep.running(on_fail="pass")
            self._mode.__enter__()
            self.active = bool(self._mode.active)
        except Exception as error:  # noqa: BLE001  # a desktop's power service may fail in any way
            self.words = (
                f"The computer may go to sleep ({error}): switch sleep off in its settings."
            )
            return self
        self.words = (
            "The computer is kept awake for the run (closing the lid may still send it to sleep)."
            if self.active
            else "Could not keep the computer awake: switch sleep off in its settings for this run."
        )
        return self

    def __exit__(self, *_: object) -> None:
        if self.active:
            try:
                self._mode.__exit__(None, None, None)
            except Exception:  # noqa: BLE001  # the run is over; nothing depends on it any more
                self.active = False
