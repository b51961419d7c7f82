"""Nothing lost, whatever happens: real processes, pseudo-terminals, signals and file systems."""

import json
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from itertools import pairwise
from pathlib import Path

import pytest

from firmware_probe.twin.faults import Fault, FaultPlayer, FaultRates
from firmware_probe.twin.links import TcpLink
from firmware_probe.twin.serve import BoardServer
from firmware_probe.twin.vest import vest_board
from logger.base.clock import read_clocks
from logger.base.pack import parse_pack
from logger.run.format import DESCRIPTION_NAME, SAMPLES_NAME
from logger.run.reader import read_run
from logger.run.request_channel import ask
from tests.support.forker import Forker, is_alive
from tests.support.line_feeder import Feeder, FeederBoard
from tests.support.log_process import LogProcess, count_rows, read_described, read_table, run_log
from tests.support.places import ROOT

pytestmark = [
    pytest.mark.real_time,
    pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals"),
]

SEQUENCE, BOOT, CHARGE = 1, 2, 10
KILLS = 200
LANES = 8


def recorded_share(folder: Path, board: FeederBoard) -> float:
    """Charge in the run over the truth from its first row to its last."""
    table = read_table(folder)
    per_row_mah = board.current_e4 * board.window_us / 36_000_000 / 1e6
    rows = table[-1][SEQUENCE] - table[0][SEQUENCE] + 1
    return table[-1][CHARGE] / (rows * per_row_mah)


class Lane:
    """One board and one run, killed again and again."""

    def __init__(self, number: int, folder: Path, forker: Forker, lock: threading.Lock) -> None:
        folder.mkdir()
        self.run = folder / "run"
        self.output = folder / "output"
        self.rng = random.Random(number)
        self.forker, self.lock = forker, lock
        self.feeder = Feeder(FeederBoard(window_us=20_000), folder)
        self.kept = b""
        self.resumed = 0
        self.lost: list[int] = []

    def start(self, *more: str) -> int:
        how = [str(self.run)]
        if (self.run / DESCRIPTION_NAME).exists():
            how = ["--resume", str(self.run)]
            self.resumed += 1
        with self.lock:
            return self.forker.start(self.output, *how, "--port", str(self.feeder.port), *more)

    def kill_once(self, *, when_recording: bool) -> None:
        """At a random moment of starting, or of recording however long the start took."""
        rows_at_start = count_rows(self.run)
        process = self.start()
        if when_recording:
            self.wait_rows(rows_at_start + 1)
        time.sleep(self.rng.uniform(0.0, 0.8))
        is_recording = count_rows(self.run) > rows_at_start
        sent = self.feeder.board.sequence
        os.kill(process, signal.SIGKILL)
        while is_alive(process):
            time.sleep(0.005)
        self.check(sent if is_recording else None)

    def wait_rows(self, count: int) -> None:
        end_s = time.monotonic() + 30
        while count_rows(self.run) < count and time.monotonic() < end_s:
            time.sleep(0.02)

    def check(self, sent: int | None) -> None:
        """``sent``: lines that the board had sent when the kill came, None if none was recorded yet."""
        path = self.run / SAMPLES_NAME
        if not path.exists():
            return
        content = path.read_bytes()
        # Whole rows that stood there before are there still, to the byte.
        assert content.startswith(self.kept)
        self.kept = content[: content.rfind(b"\n") + 1]
        table = read_table(self.run) if self.kept else []
        if sent is not None:
            self.lost.append(max(int(sent - 1 - table[-1][SEQUENCE]), 0))


@pytest.mark.slow
def test_two_hundred_kills(tmp_path: Path) -> None:
    """kill -9 at random moments, also while starting: every run loads and goes on, no row is damaged."""
    lock = threading.Lock()
    with Forker() as forker, ExitStack() as stack:
        lanes = [Lane(number, tmp_path / f"lane{number}", forker, lock) for number in range(LANES)]
        for lane in lanes:
            stack.enter_context(lane.feeder)

        def live(lane: Lane) -> None:
            for number in range(KILLS // LANES):
                lane.kill_once(when_recording=number % 2 == 1)
            process = lane.start("--for", "1000h")
            lane.wait_rows(count_rows(lane.run) + 20)
            os.kill(process, signal.SIGINT)
            while is_alive(process):
                time.sleep(0.01)

        with ThreadPoolExecutor(LANES) as pool:
            list(pool.map(live, lanes))
        for lane in lanes:
            output = lane.output.read_text()
            assert "Traceback" not in output
            assert lane.resumed >= KILLS // LANES // 2
            table = read_table(lane.run)
            times, sequences = [row[0] for row in table], [row[SEQUENCE] for row in table]
            assert all(a < b for a, b in pairwise(times))
            assert all(a < b for a, b in pairwise(sequences))
            assert {row[BOOT] for row in table} == {17}
            assert recorded_share(lane.run, lane.feeder.board) == pytest.approx(1.0, abs=1e-3)
            loaded = read_run(lane.run)
            assert (loaded.rows_rejected, loaded.problems) == (0, ())
            assert len(loaded.samples) == len(table)
            described = read_described(lane.run)
            assert (described.state, described.end_reason) == ("ended", "user")
            assert not [event for event in described.events if event.kind == "boot"]
        lost = sorted(row for lane in lanes for row in lane.lost)
        assert len(lost) > KILLS // 4
        # At most a second of rows, of 20 ms each, was not in the file when the kill came; a machine
        # with too much to do may keep a logger from its turn for longer, now and then.
        assert lost[len(lost) * 9 // 10] <= 50


def wait_all(log: LogProcess, folders: list[Path], more: int, returns: int = 0) -> None:
    """Until every run has so many rows more, and the logger has said so many times that the link is
    back: no board is played a trick before the last one is over. Rows alone do not tell, since they
    come as soon as the port is open, before the board has answered who it is."""
    wanted = [count_rows(folder) + more for folder in folders]

    def is_over(folder: Path, rows: int) -> bool:
        if count_rows(folder) < rows:
            return False
        said = log.output.read_text() if log.output else ""
        return len(re.findall(rf"^{folder.name} .*link back", said, re.MULTILINE)) >= returns

    end_s = time.monotonic() + 60.0
    while not all(is_over(folder, rows) for folder, rows in zip(folders, wanted, strict=True)):
        assert log.process.poll() is None, log.end()
        assert time.monotonic() < end_s, (wanted, [count_rows(folder) for folder in folders])
        time.sleep(0.02)


class RememberingBoard(FeederBoard):
    """Knows the true charge at the end of every window that it sent, by boot and sequence."""

    def _begin(self) -> None:
        super()._begin()
        self.true_at: dict[tuple[int, int], float] = getattr(self, "true_at", {})

    def window(self) -> bytes:
        sequence, line = self.sequence, super().window()
        if self.running:
            self.true_at[self.boot, sequence] = self.true_mah
        return line


@pytest.mark.slow
def test_five_boards_unplugged_and_reset_fifty_times_each(tmp_path: Path) -> None:
    """One logger, five boards side by side, each back under another port name every time."""
    rng = random.Random(5)
    with ExitStack() as stack:
        boards, feeders = [], []
        for number in range(5):
            folder = tmp_path / f"hub{number}"
            folder.mkdir()
            board = RememberingBoard(f"0000000{number}", window_us=20_000, current_ma=50.0 + number)
            boards.append(board)
            feeders.append(stack.enter_context(Feeder(board, folder, "tty-a")))
        ports = [f"--port={tmp_path}/hub{number}/tty-*" for number in range(5)]
        said = tmp_path / "said"
        log = LogProcess(tmp_path / "run" / "00000000", tmp_path / "run", *ports, output=said)
        folders = [tmp_path / "run" / feeder.board.board for feeder in feeders]
        wait_all(log, folders, 10)
        for turn in range(10):
            for feeder in feeders:
                feeder.unplug()
            time.sleep(rng.uniform(0.05, 0.3))
            for feeder in feeders:
                feeder.plug(f"tty-{turn}")
            wait_all(log, folders, 5, returns=turn + 1)
        lived = [recorded_share(tmp_path / "run" / f.board.board, f.board) for f in feeders]
        assert lived == pytest.approx([1.0] * 5, abs=1e-3)
        for _ in range(10):
            time.sleep(rng.uniform(0.0, 0.2))
            for feeder in feeders:
                feeder.reset("watchdog", dead_us=rng.randrange(0, 200_000))
            wait_all(log, folders, 2)
        assert log.process.poll() is None
        text = log.end()
        assert log.process.returncode == 0, text
        for board in boards:
            folder = tmp_path / "run" / board.board
            described = read_described(folder)
            kinds = [event.kind for event in described.events]
            assert kinds.count("link") == 20
            boots = [event for event in described.events if event.kind == "boot"]
            assert len(boots) == 10
            table = read_table(folder)
            assert all(a[0] < b[0] for a, b in pairwise(table))
            upper = sum(event.lost["charge_upper_mah"] for event in boots)
            per_row_mah = board.current_e4 * 20_000 / 36_000_000 / 1e6
            # From the first row to the last: how long the logger takes to start and to end is no loss.
            first, last = (
                board.true_at[int(row[BOOT]), int(row[SEQUENCE])] for row in (table[0], table[-1])
            )
            missing = last - (first - per_row_mah) - table[-1][CHARGE]
            assert -2 * per_row_mah <= missing <= upper + 2 * per_row_mah
            assert upper < 10 * 1.0 / 3600 * (board.current_e4 / 1e4)


def test_stopped_for_hours_and_continued(tmp_path: Path) -> None:
    """SIGSTOP for six simulated hours: lines are lost in between, no charge is."""
    board = FeederBoard(window_us=10_000_000)
    with Feeder(board, tmp_path, factor=3600.0) as feeder:
        log = LogProcess(tmp_path / "run", tmp_path / "run", "--port", feeder.port)
        log.wait_rows(200)
        log.signal(signal.SIGSTOP)
        time.sleep(6.0)
        log.signal(signal.SIGCONT)
        log.wait_rows(count_rows(log.folder) + 700)
        text = log.end()
    assert log.process.returncode == 0, text
    assert feeder.bytes_lost > 0
    assert recorded_share(log.folder, board) == pytest.approx(1.0, abs=1e-3)
    events = read_described(log.folder).events
    stall = next(event for event in events if event.kind == "clock")
    assert stall.lost["stall_s"] == pytest.approx(6.0, abs=1.5)
    rows_lost = sum(event.lost["rows"] for event in events if event.kind in ("gap", "noise"))
    table = read_table(log.folder)
    assert table[-1][SEQUENCE] - table[0][SEQUENCE] + 1 - len(table) == rows_lost > 1000


@pytest.mark.skipif(
    sys.platform != "linux" or shutil.which("cc") is None, reason="compiles a library to preload"
)
def test_the_computers_clock_is_set_forward_and_back(tmp_path: Path) -> None:
    """Summer time, and NTP after a week without a network: noted, and no row is any different."""
    library, offset = tmp_path / "stepped_clock.so", tmp_path / "offset"
    source = ROOT / "tests" / "support" / "stepped_clock.c"
    subprocess.run(["cc", "-shared", "-fPIC", "-o", str(library), str(source), "-ldl"], check=True)
    offset.write_text("0")
    preload = {"LD_PRELOAD": str(library), "STEPPED_CLOCK": str(offset)}
    with Feeder(FeederBoard(window_us=20_000), tmp_path) as feeder:
        log = LogProcess(
            tmp_path / "run", tmp_path / "run", "--port", feeder.port, variables=preload
        )
        rows = log.wait_rows(10)
        for seconds in ("3600", "0", "-604800"):
            fresh = offset.with_suffix(".new")
            fresh.write_text(seconds)
            fresh.replace(offset)
            rows = log.wait_rows(rows + 20)
        text = log.end()
        assert log.process.returncode == 0, text
    described = read_described(log.folder)
    steps = [event.lost["step_s"] for event in described.events if event.kind == "clock"]
    assert steps == pytest.approx([3600.0, -3600.0, -604800.0], abs=0.5)
    assert recorded_share(log.folder, feeder.board) == pytest.approx(1.0, abs=1e-3)
    table = read_table(log.folder)
    assert all(b[0] - a[0] == pytest.approx(0.02) for a, b in pairwise(table))
    hosts = [host_s for _, host_s, _ in described.clock]
    assert hosts == sorted(hosts)


@pytest.mark.parametrize(
    ("number", "words"), [(signal.SIGINT, "Ctrl-C"), (signal.SIGTERM, "SIGTERM")]
)
def test_ended_from_outside(tmp_path: Path, number: int, words: str) -> None:
    with Feeder(FeederBoard(window_us=20_000), tmp_path) as feeder:
        log = LogProcess(tmp_path / "run", tmp_path / "run", "--port", feeder.port)
        log.wait_rows(5)
        log.signal(number)
        text = log.process.communicate(timeout=20)[0]
        assert log.process.returncode == 0
        assert "rows in" in text
        assert "drawbench rundown" in text.splitlines()[-1]
        described = read_described(log.folder)
        assert (described.state, described.end_reason) == ("ended", "user")
        assert words in described.end_text
        assert not feeder.board.running
        assert sorted(item.name for item in log.folder.iterdir()) == [
            "samples.csv",
            "samples.csv-metadata.json",
        ]


def test_a_closed_terminal_does_not_end_the_run(tmp_path: Path) -> None:
    with Feeder(FeederBoard(window_us=20_000), tmp_path) as feeder:
        log = LogProcess(tmp_path / "run", tmp_path / "run", "--port", feeder.port)
        rows = log.wait_rows(5)
        assert log.process.stdout is not None
        log.process.stdout.close()
        log.signal(signal.SIGHUP)
        log.wait_rows(rows + 60)
        log.signal(signal.SIGTERM)
        assert log.process.wait(20) == 0
    assert "terminal closed" in read_described(log.folder).events[0].text


def test_two_loggers_on_one_run(tmp_path: Path) -> None:
    with Feeder(FeederBoard(window_us=20_000), tmp_path) as feeder:
        log = LogProcess(tmp_path / "run", tmp_path / "run", "--port", feeder.port)
        log.wait_rows(5)
        other = run_log("--resume", tmp_path / "run", "--port", feeder.port)
        assert other.returncode == 2
        assert "Another logger is recording" in other.stderr
        assert f"process {log.process.pid}" in other.stderr
        log.wait_rows(count_rows(log.folder) + 5)
        log.kill()
        # The lock of a killed logger is no lock.
        again = run_log("--resume", tmp_path / "run", "--port", feeder.port, "--for", "3s")
        assert again.returncode == 0, again.stdout + again.stderr
        assert "Going on after" in again.stdout


def test_a_second_program_that_reads_our_port(tmp_path: Path) -> None:
    """It opened the port later and takes lines away: the run names it."""
    code = "import sys, time\nwith open(sys.argv[1], 'rb', 0) as f:\n while 1: f.read(200), time.sleep(0.05)"
    with Feeder(FeederBoard(window_us=10_000), tmp_path) as feeder:
        log = LogProcess(tmp_path / "run", tmp_path / "run", "--port", feeder.port)
        log.wait_rows(5)
        with subprocess.Popen([sys.executable, "-c", code, str(feeder.port)]) as thief:
            named, end_s = f"process {thief.pid}", time.monotonic() + 40.0
            while named not in (log.folder / DESCRIPTION_NAME).read_text():
                assert time.monotonic() < end_s
                time.sleep(0.1)
            thief.kill()
        log.wait_rows(count_rows(log.folder) + 20)
        log.end()
    events = read_described(log.folder).events
    assert any(named in event.text for event in events if event.kind == "link")
    assert recorded_share(log.folder, feeder.board) == pytest.approx(1.0, abs=1e-3)


def test_resume_asks_for_the_same_board(tmp_path: Path) -> None:
    with Feeder(FeederBoard(window_us=20_000), tmp_path) as feeder:
        run_log(tmp_path / "run", "--port", feeder.port, "--for", "500ms")
    rows = count_rows(tmp_path / "run")
    with Feeder(FeederBoard("0BADCAFE"), tmp_path) as feeder:
        result = run_log("--resume", tmp_path / "run", "--port", feeder.port, "--for", "1h")
    assert result.returncode == 2
    assert "7F3A91C2 that recorded this run did not answer" in result.stderr
    assert "0BADCAFE on" in result.stderr
    assert count_rows(tmp_path / "run") == rows


def wait_said(log: LogProcess, words: str) -> None:
    assert log.output is not None
    end_s = time.monotonic() + 30.0
    while words not in log.output.read_text():
        assert log.process.poll() is None, log.end()
        assert time.monotonic() < end_s, log.output.read_text()
        time.sleep(0.05)


def test_a_full_disk_is_waited_for(tmp_path: Path) -> None:
    """RLIMIT_FSIZE, as a disk that takes 100 KiB of samples until somebody makes room."""
    import resource

    limit = 100 * 1024
    with Feeder(FeederBoard(window_us=20_000), tmp_path, factor=20.0) as feeder:
        log = LogProcess(
            tmp_path / "run", tmp_path / "run", "--port", feeder.port, output=tmp_path / "said"
        )
        log.wait_rows(5)
        resource.prlimit(log.process.pid, resource.RLIMIT_FSIZE, (limit, resource.RLIM_INFINITY))
        wait_said(log, "! run  The disk is full (File too large): make room on it.")
        assert limit - 20_000 < (log.folder / SAMPLES_NAME).stat().st_size <= limit
        resource.prlimit(
            log.process.pid, resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY)
        )
        log.wait_rows(3000)
        text = log.end()
    assert log.process.returncode == 0, text
    assert "the disk takes rows again; none was lost" in text
    sequence = [row[SEQUENCE] for row in read_table(log.folder)]
    assert sequence == list(range(int(sequence[0]), int(sequence[0]) + len(sequence)))
    assert recorded_share(log.folder, feeder.board) == pytest.approx(1.0, abs=1e-3)


def test_a_disk_that_stays_full_has_its_rows_rescued(tmp_path: Path) -> None:
    import resource

    limit = 40 * 1024  # of the rescued file as well
    with Feeder(FeederBoard(window_us=20_000), tmp_path, factor=4.0) as feeder:
        log = LogProcess(
            tmp_path / "run", tmp_path / "run", "--port", feeder.port, output=tmp_path / "said",
            variables={"TMPDIR": str(tmp_path)},
        )  # fmt: skip
        log.wait_rows(5)
        resource.prlimit(log.process.pid, resource.RLIMIT_FSIZE, (limit, resource.RLIM_INFINITY))
        wait_said(log, "make room on it")
        log.signal(signal.SIGINT)
        time.sleep(0.3)
        log.signal(signal.SIGINT)  # does not wait for the disk
        log.process.wait(30)
        text = log.end()
    assert log.process.returncode == 3, text
    rescued = next(tmp_path.glob("drawbench-run-*.csv"))
    assert f"Rows that the disk did not take are in {rescued}." in text
    stored = [row[SEQUENCE] for row in read_table(log.folder)]
    there = [float(line.split(",")[1]) for line in rescued.read_text().splitlines()[1:]]
    assert stored + there == list(range(int(stored[0]), int(there[-1]) + 1))
    assert read_described(log.folder).end_reason == "user"


@pytest.mark.skipif(sys.platform == "win32", reason="an open folder cannot be moved there")
def test_the_runs_folder_is_moved(tmp_path: Path) -> None:
    """Samples, description, requests and the last words follow it; a run under the old name is another one."""
    with Feeder(FeederBoard(window_us=20_000), tmp_path) as feeder:
        log = LogProcess(
            tmp_path / "run", tmp_path / "run", "--port", feeder.port, output=tmp_path / "said"
        )
        log.wait_rows(10)
        there = tmp_path / "vest at night"
        log.folder.rename(there)
        log.folder.mkdir()
        (log.folder / "samples.csv-metadata.json").write_text("another run's")
        wait_said(log, f"the recording goes on in {there}")
        ask(there, "mark", "after the move", read_clocks())
        wait_said(log, "after the move")
        text = log.end()
    assert log.process.returncode == 0, text
    assert f"drawbench rundown '{there}'" in text
    assert [item.name for item in log.folder.iterdir()] == ["samples.csv-metadata.json"]
    assert (log.folder / "samples.csv-metadata.json").read_text() == "another run's"
    described = read_described(there)
    assert described.state == "ended"
    assert {"after the move"} <= {event.text for event in described.events}
    assert sorted(item.name for item in there.iterdir()) == [SAMPLES_NAME, DESCRIPTION_NAME]
    assert recorded_share(there, feeder.board) == pytest.approx(1.0, abs=1e-3)


def test_somebody_edits_the_description_meanwhile(tmp_path: Path) -> None:
    with Feeder(FeederBoard(window_us=20_000), tmp_path) as feeder:
        log = LogProcess(
            tmp_path / "run", tmp_path / "run", "--port", feeder.port, output=tmp_path / "said"
        )
        log.wait_rows(10)
        path = log.folder / DESCRIPTION_NAME
        document = json.loads(path.read_text())
        document["urn:drawbench:run"]["title"] = "vest, blue"
        path.write_text(json.dumps(document))
        theirs = path.read_text()
        wait_said(log, "taken over from it: title")
        text = log.end()
    assert log.process.returncode == 0, text
    described = read_described(log.folder)
    assert (described.title, described.state) == ("vest, blue", "ended")
    kept = log.folder / "samples.csv-metadata.saved-by-another-1.json"
    assert kept.read_text() == theirs


def test_results_for_a_command_of_ones_own(tmp_path: Path) -> None:
    with Feeder(FeederBoard(window_us=20_000), tmp_path, factor=20.0) as feeder:
        told = tmp_path / "told"
        result = run_log(
            *(tmp_path / "run", "--port", feeder.port, "--charge", "0.1"),
            *("--then", f"env | grep DRAWBENCH_ > {told}"),
            typed="battery two\n",
        )
        assert result.returncode == 0, result.stdout + result.stderr
        failed = run_log(
            *(tmp_path / "again", "--port", feeder.port, "--for", "1s", "--then", "exit 7")
        )
        assert failed.returncode == 3
    results = dict(line.split("=", 1) for line in told.read_text().splitlines())
    assert results["DRAWBENCH_END_REASON"] == "charge"
    assert results["DRAWBENCH_RUN"] == str(tmp_path / "run")
    assert float(results["DRAWBENCH_CHARGE_MAH"]) == pytest.approx(0.1, rel=0.01)
    assert results["DRAWBENCH_EXIT_CODE"] == "0"
    marks = [event for event in read_described(tmp_path / "run").events if event.kind == "mark"]
    assert [mark.text for mark in marks] == ["battery two"]


@pytest.mark.slow
def test_a_whole_simulated_night_on_a_bad_line(tmp_path: Path) -> None:
    """The vest's night with 5 % of the lines dropped, noise and unpluggings, over a socket.

    The board's running counters, which the run keeps, against the host's own integration of the
    rows that arrived, and against the simulated pack itself (sensor error of a percent at most).
    The cable comes out once an hour, but not in the last hours: flat out the board lives through an hour while
    the logger waits a second for a greeting that was dropped, and a run that ends before it ends with 4.
    """
    rates = FaultRates(garble=0.01, drop=0.05, half=0.005, noise=0.01)
    unplugs = [Fault(round((hour + 0.6) * 3.6e9), "unplug", 10.0 + 40 * hour) for hour in range(7)]
    board = vest_board(7, window_us=1_000_000, faults=FaultPlayer(unplugs, rates, 7))
    pack = board.pack
    with BoardServer(board, TcpLink(), time_factor=0.0) as server:
        result = run_log(
            *(tmp_path / "run", "--port", server.port, "--pack", "3x AA alkaline"),
            *("--cutoff", "2.7", "--hold", "60s"),
            timeout_s=200.0,
        )
    assert result.returncode == 0, result.stdout + result.stderr
    assert server.unplugged > 2
    assert board.faults.counts["drop"] > 100
    described = read_described(tmp_path / "run")
    assert described.end_reason == "cutoff"
    table = read_table(tmp_path / "run")
    assert len(table) < 0.97 * (table[-1][SEQUENCE] + 1)
    own_mah = counted_mah = 0.0
    for row, later in pairwise(table):
        span_s = later[0] - row[0]
        if span_s > 10.0:  # unplugged: nobody can integrate what did not arrive
            continue
        # Where rows are missing, the mean of both sides.
        whole = later[SEQUENCE] == row[SEQUENCE] + 1
        own_mah += span_s * (later[7] if whole else (row[7] + later[7]) / 2) / 3600
        counted_mah += later[CHARGE] - row[CHARGE]
    assert counted_mah > 0.3 * table[-1][CHARGE]
    assert own_mah == pytest.approx(counted_mah, rel=1e-3)
    assert table[-1][CHARGE] == pytest.approx(pack.charge_out_mah, rel=0.01)
    assert described.pack == parse_pack("3x AA alkaline")
    # Every missing row is accounted for by an event.
    lost = sum(event.lost.get("rows", 0) for event in described.events)
    assert lost == table[-1][SEQUENCE] - table[0][SEQUENCE] + 1 - len(table)
