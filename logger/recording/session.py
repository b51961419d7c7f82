"""One board recorded by two threads: one reads, decodes and writes; one syncs the disk.

The reading thread never waits for the disk's fsync, and never for the screen.
"""

import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Final

from logger.base.clock import Clock, read_clocks
from logger.base.errors import BenchError, spoken
from logger.base.holders import holders
from logger.board.port import Candidate, Link, LinkLostError, ask_all, candidates, is_url, open_link
from logger.recording.description_keeper import DescriptionKeeper
from logger.recording.machine import Recording
from logger.recording.terms import Phase
from logger.run.description import Description
from logger.run.open_file import FULL
from logger.run.request_channel import LOAD_OFF, RequestBox
from logger.run.writer import SYNC_INTERVAL_S, SampleWriter

READ_WAIT_S: Final = 0.1
BATCH_S: Final = 0.04  # let lines gather: fewer wake-ups, still far below a port's buffer
BATCH_BYTES: Final = 512
DESCRIPTION_INTERVAL_S: Final = 5.0
ANSWER_INTERVAL_S: Final = 1.0
REQUESTS_INTERVAL_S: Final = 1.0
DISK_PATIENCE_S: Final = 60.0
SEEK_INTERVAL_S: Final = 0.5
SEEK_PATIENCE_S: Final = 3.0
TOLD_MAX: Final = 20
LOOK_INTERVAL_S: Final = 10.0


class Session:
    """Runs a recording: ``start``, then ``stop`` or wait until ``done``. ``error`` holds what ended it wrongly."""

    def __init__(
        self,
        recording: Recording,
        writer: SampleWriter,
        link: Link | None,
        *,
        pattern: str | None,
        baud: int,
        usb_serial: str = "",
        clock: Clock = read_clocks,
        list_candidates: Callable[[str | None], list[Candidate]] = candidates,
    ) -> None:
        self.recording = recording
        self.writer = writer
        self.done = threading.Event()
        self._over = threading.Event()  # nothing comes any more; what is there is being put away
        self.hurry = threading.Event()  # a second Ctrl-C: do not wait for the disk
        self.error: BaseException | None = None
        self._link = link
        self._pattern = pattern
        self._baud = baud
        self._usb_serial = usb_serial
        self._clock = clock
        self._list_candidates = list_candidates
        self._requests: list[Callable[[], None]] = []
        self._box = RequestBox(writer.folder, clock())
        self._keeper_of_words = DescriptionKeeper()
        self._homes = writer.homes
        self._looked_s = float("-inf")
        self._description: Description | None = None
        self._written: Description | None = None
        self._description_trouble = ""
        self._words_lock = threading.Lock()
        self._joined = 0
        self._is_in_trouble = False  # of its rows, not of its description
        self._trouble_s = 0.0
        self._told: set[str] = set()
        self._noise_seen = 0
        self._last_look_s = float("-inf")
        self._reader = threading.Thread(target=self._run, name="reader", daemon=True)
        self._keeper = threading.Thread(target=self._keep, name="disk", daemon=True)
        self._last_seek_s = float("-inf")

    @property
    def folder(self) -> Path:
        """Where the run is now: it follows a folder that is moved."""
        return self.writer.folder.path

    def start(self) -> None:
        self._reader.start()
        self._keeper.start()

    def stop(self, reason: str, text: str) -> None:
        """Ask for the end; may be called from a signal handler or another thread."""
        self._requests.append(lambda: self.recording.finish(reason, text, self._clock()))

    def mark(self, text: str) -> None:
        self._requests.append(lambda: self.recording.mark(text, self._clock()))

    def note(self, kind: str, text: str) -> None:
        """Put an event of another kind down, at this moment."""
        self._requests.append(lambda: self.recording.note(kind, text, self._clock()))

    def open_load(self) -> None:
        """Have the board open its load switch; the recording goes on."""
        self._requests.append(lambda: self.recording.open_load(self._clock()))

    def join(self) -> None:
        """Wait for the end and write it down; nothing of the run is changed afterwards."""
        self._reader.join()
        if self._keeper.is_alive():
            self._keeper.join()

    # The reading thread

    def _run(self) -> None:
        try:
            if self._link is not None:
                self.recording.connected(self._clock(), self._link.port, self._usb_serial)
            while self.recording.phase is not Phase.ENDED:
                self._turn()
        except Exception as error:  # noqa: BLE001  # a fault of ours must not cost the night
            self.error = error
            text = f"a fault of the program, please report it: {error!r}"
            self.recording.abandon("error", text)
        finally:
            self._close()

    def _turn(self) -> None:
        """One round: read, decode, write, answer."""
        while self._requests:
            self._requests.pop(0)()
        recording = self.recording
        try:
            if self._link is None:
                self._seek()
            if self._link is not None:
                data = self._link.read(READ_WAIT_S)
                if data:
                    recording.feed(data, self._clock())
                recording.tick(self._clock())
                for command in recording.take_commands():
                    self._link.write(command)
                if recording.wants_reopen:
                    raise LinkLostError("no answer from the board")
                if 0 < len(data) < BATCH_BYTES:
                    time.sleep(BATCH_S)
        except LinkLostError as error:
            self._drop_link(str(error))
        self._store()

    def _drop_link(self, why: str) -> None:
        if self._link is not None:
            self._link.close()
            self._link = None
        self.recording.disconnected(self._clock(), why)

    def _store(self) -> None:
        recording, writer = self.recording, self.writer
        if recording.counters_changed:
            # Before the rows that count on it: a resumed run must know where counters stand.
            recording.counters_changed = False
            self._description = recording.description(self._clock())
            self._write_description()
        elif recording.changed:
            self._description = recording.description(self._clock())
        writer.append(recording.take_rows())
        self._note_disk()
        if writer.over and recording.ended_as is None:
            text = "the disk took no more, and the memory for rows that wait is full; what fitted is kept"
            recording.finish("disk-full", text, self._clock())

    def _note_disk(self) -> None:
        recording, writer = self.recording, self.writer
        while writer.notices:
            recording.events.add(recording.run_s(self._clock()), "disk", writer.notices.popleft())
        if writer.trouble and not self._is_in_trouble:
            self._trouble_s = recording.run_s(self._clock())
        self._is_in_trouble = bool(writer.trouble)
        joined = writer.rows_joined - self._joined
        if joined and (not writer.trouble or self._over.is_set()):
            self._joined += joined
            text = f"{joined} rows are joined with their neighbours: the disk took none, and the memory was full; charge and energy are exact"
            lost = {"rows": float(joined), "charge_mah": 0.0}
            recording.events.add(self._trouble_s, "gap", text, lost)
        rescued = (
            f"Rows that the disk did not take are in {writer.rescued}." if writer.rescued else ""
        )
        recording.disk_trouble = rescued or writer.words or self._description_trouble

    def _seek(self) -> None:
        """Look for our board again, also on other ports; the one with its USB serial number first."""
        recording = self.recording
        recording.tick(self._clock())
        now_s = time.monotonic()
        if now_s - self._last_seek_s < SEEK_INTERVAL_S:
            time.sleep(0.05)
            return
        self._last_seek_s = now_s
        found = self._list_candidates(self._pattern)
        if self._pattern is not None and self._usb_serial:
            # Named by its port, but it may come back under another name: the serial number tells.
            more = self._list_candidates(None)
            found += [item for item in more if item.usb_serial == self._usb_serial]
        found.sort(key=lambda item: item.usb_serial != self._usb_serial)
        for candidate in dict.fromkeys(found):
            if self._try(candidate) or self._requests:
                return

    def _try(self, candidate: Candidate) -> bool:
        self.recording.tick(self._clock())
        try:
            link = open_link(candidate.port, self._baud)
        except BenchError as error:
            self._note_once(f"{error.happened} {error.evidence}")
            return False
        wanted = self.recording.wishes.board
        boards, _ = ask_all([(candidate, link)], patience_s=SEEK_PATIENCE_S)
        if not boards or (wanted and boards[0].hello.board != wanted):
            link.close()
            return False
        self._link = link
        self._usb_serial = candidate.usb_serial or self._usb_serial
        self.recording.connected(self._clock(), candidate.port, candidate.usb_serial)
        return True

    def _close(self) -> None:
        if self._link is not None:
            self._link.close()
        try:
            self._store()
            self._over.set()
            self._keeper.join()
            self.writer.close(patience_s=DISK_PATIENCE_S, hurry=self.hurry)
            self._note_disk()
            self._description = self.recording.description(self._clock())
            self._write_description()
            self._note_disk()
            self._box.close()
            self.writer.folder.close()
        finally:
            self._over.set()
            self.done.set()

    # The disk thread

    def _keep(self) -> None:
        written_s = time.monotonic()
        interval_s = DESCRIPTION_INTERVAL_S
        while not self._over.wait(SYNC_INTERVAL_S):
            now_s = time.monotonic()
            try:
                self.writer.sync()
                self._look_for_sharers()
                if self._take_requests(now_s) or self.writer.notices:
                    interval_s = ANSWER_INTERVAL_S  # who asked, or looks on, waits for what it says
                if now_s - written_s >= interval_s or self._is_spoiled():
                    written_s, interval_s = now_s, DESCRIPTION_INTERVAL_S
                    self._write_description()
            except Exception as error:  # noqa: BLE001  # the disk thread must live as long as the run
                self.error = error

    def _take_requests(self, now_s: float) -> bool:
        """Carry out what other programs ask for; True if there was something."""
        if now_s - self._looked_s < REQUESTS_INTERVAL_S:
            return False
        self._looked_s = now_s
        requests = self._box.take(self._clock())
        for request in requests:
            if request.what == LOAD_OFF:
                self.open_load()
            else:
                self.mark(request.text)
        return bool(requests)

    def _look_for_sharers(self) -> None:
        """Lines go missing: does another program read from our port?"""
        noise, link, now_s = self.recording.noise_count, self._link, time.monotonic()
        if noise == self._noise_seen or link is None or is_url(link.port):
            return
        if now_s - self._last_look_s < LOOK_INTERVAL_S:
            return
        self._noise_seen, self._last_look_s = noise, now_s
        for who in holders(link.port):
            text = f"another program has the port open and takes lines away: {who}"
            self._requests.append(lambda text=text: self._note_once(text))  # type: ignore[misc]

    def _note_once(self, text: str) -> None:
        """A hindrance of the link: told the first time."""
        if text not in self._told and len(self._told) < TOLD_MAX:
            self._told.add(text)
            self.recording.events.add(self.recording.run_s(self._clock()), "link", text)

    def _is_spoiled(self) -> bool:
        """Another program has saved or removed the description, or the run got another folder."""
        folder = self.writer.twin()
        if folder is None:
            return False
        with folder:
            theirs = not self._keeper_of_words.is_ours(folder)
        return theirs or self._homes != self.writer.homes

    def _write_description(self) -> None:
        description, keeper = self._description, self._keeper_of_words
        with self._words_lock:
            folder = self.writer.twin()
            if description is None or folder is None:
                return
            with folder:
                try:
                    is_new = description is not self._written or self._homes != self.writer.homes
                    if not is_new and keeper.is_ours(folder):
                        return
                    keeper.write(folder, replace(description, **keeper.changes))
                    self._written, self._homes = description, self.writer.homes
                    self._description_trouble = ""
                except OSError as error:
                    self._description_failed(error)
            changes, keeper.changes = keeper.changes, {}
            if changes:
                self._requests.append(lambda: self.recording.take_over(changes))
            self.writer.notices.extend(keeper.notices)
            keeper.notices.clear()

    def _description_failed(self, error: OSError) -> None:
        if error.errno in FULL:
            self.writer.release_reserve()  # the next one may fit
        text = f"The description cannot be written: {spoken(error)}"
        if text != self._description_trouble:
            self._description_trouble = text
            self.writer.notices.append(text)
