"""``drawbench start``: a few questions, then the night's run with the page."""

import sys
import textwrap
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import click

from logger.base.clock import read_clocks
from logger.base.command_options import (
    PAGE_PORT,
    USUAL_SPAN,
    Need,
    PackText,
    close_load_option,
    fresh_option,
    is_usual_pack,
    mode_draw_option,
)
from logger.base.durations import HOLD_DEFAULT_S, duration_text, span_words
from logger.base.errors import BenchError
from logger.base.measures import MAH_ABOVE_0, VOLTS_ABOVE_0
from logger.base.next_step import command_line
from logger.base.pack import PACK_DEFAULT, USED_HELP, Pack, parse_pack
from logger.base.typed.answers import ask_yes
from logger.base.typed.number import number_text
from logger.board.port import Found, find_boards, one_board
from logger.board.probe_check import judge, listen
from logger.board.stream import Hello, LineDecoder
from logger.board.switch_trial import keep, last_test, tests_folder, try_switch
from logger.board.wiring_check import pack_doubts
from logger.board.wiring_sense import senses_of
from logger.commands.log import run_plan
from logger.recording.plan import Plan
from logger.recording.safety import (
    HARDWARE_CUTOFF_NEEDED,
    RELIES_ON_CELLS,
    RELIES_ON_YOU,
    check_cutoff,
    unattended,
)

TEXT_WIDTH: Final = 79
WINDOW_S: Final = 1.0
LISTEN_S: Final = 1.0
# A run that ends by itself well after the wanted time, should the cutoff never come.
LONGER: Final = 3.0
_NEED: Final = Need()
_LIMIT: Final = "the pack's limit"
WIRING: Final = """\
  pack +  ------>  sensor VIN+
                   sensor VIN-  ------>  piece +
  pack -  ------------------------------>  piece -
     and one wire from pack - to the board's ground
     (with a low-side switch: piece - goes to the switch, and to no other ground;
      with a high-side one the switch sits before piece +)"""


@click.command("start")
@click.argument("run", required=False, type=click.Path(path_type=Path))
@click.option("--title", help="What piece is it?")
@click.option(
    "--pack", "pack_text", type=PackText(), help=f'Which pack? [default: "{PACK_DEFAULT}"]'
)
@click.option(
    "--capacity",
    type=MAH_ABOVE_0,
    metavar="MAH",
    help="The label's capacity, if it has one.",
)
@click.option("--used", is_flag=True, help=USED_HELP)
@fresh_option
@mode_draw_option
@click.option("--need", type=_NEED, help="How long must it last? [default: 8h]")
@click.option(
    "--cutoff",
    type=VOLTS_ABOVE_0,
    metavar="VOLT",
    help="Where does the circuit give up, if you know? [default: the pack's limit, the floor of its cells]",
)
@click.option("--load-note", help="What draws the current?")
@click.option("--port", help="The board's port [default: found by itself].")
@click.option("--lan", is_flag=True, help="Let phones in the local network see the page.")
@click.option("--page-port", type=PAGE_PORT, metavar="PORT", help="Port of the page.")
@click.option("--no-page", is_flag=True, help="Without the page.")
@click.option(
    "--test-switch",
    is_flag=True,
    help="Open the load switch for a second first, and look whether the current goes.",
)
@click.option(
    "--protected",
    is_flag=True,
    help="The lithium cells have a protection circuit of their own: go on without a load switch that was seen to open.",
)
@click.option(
    "--attended", is_flag=True, help="Somebody stays with the lithium cells all the time."
)
@close_load_option
@click.option("--no-check", is_flag=True, help="Do not look at voltage and current first.")
@click.option(
    "--yes",
    is_flag=True,
    help="Ask nothing: take flags and defaults, go on in spite of doubts about the wiring.",
)
@click.option("--plain", is_flag=True, help="Lines of text instead of the live view.")
def start_command(run: Path | None, **options: Any) -> None:
    """Asks what it must know, checks the wiring, says the caution, then records with the page.

    Every answer has a default and a flag; the equivalent drawbench log is shown, for scripts.
    """
    asks = not options["yes"] and sys.stdin.isatty()
    ask = _Asker(asks)
    title = ask("What piece is it?", options["title"], "My piece")
    pack = _pack(ask, options)
    need_s = _need(ask, options)
    cutoff_v = _cutoff(ask, options, pack)
    load_note = ask("What draws the current, in a few words?", options["load_note"], "")
    _caution(ask, pack)
    hello = None if options["no_check"] else _check(ask, options, pack, cutoff_v)
    _unattended(ask, options, pack, hello)
    folder = run or Path("runs") / datetime.now().astimezone().strftime("%Y-%m-%d_%H-%M-%S")
    plan = Plan(
        folder=folder,
        ports=(options["port"],) if options["port"] else (),
        window_s=WINDOW_S,
        pack=str(replace(pack, used=False)),
        capacity_mah=pack.capacity_mah,
        used=pack.used,
        fresh=options["fresh"],
        modes_ma=options["modes_ma"],
        cutoff_v=cutoff_v,
        hold_s=HOLD_DEFAULT_S,
        duration_s=LONGER * need_s,
        title=title,
        load_note=load_note,
        need_s=need_s,
        close_load=options["close_load"],
        cautioned=True,
    )
    page = not options["no_page"]
    # A run is never written over another: the next one takes a folder of its own.
    again = None if run is None else run.with_name(f"{run.name}-again")
    click.echo("\nThe same once more, another night, without questions:")
    click.echo(f"  {equivalent(plan, again, page=page, lan=options['lan'])}\n")
    sys.exit(
        run_plan(
            plan,
            plain=options["plain"],
            page=page,
            lan=options["lan"],
            page_port=options["page_port"],
        )
    )


class _Asker:
    """Asks on a terminal; elsewhere, or with --yes, takes the default."""

    def __init__(self, asks: bool) -> None:
        self.asks = asks

    def __call__(self, question: str, given: str | None, default: str) -> str:
        if given is not None:
            return given
        if not self.asks:
            return default
        return str(click.prompt(question, default=default, show_default=bool(default)))

    def sure(self, question: str, default: bool, *, clear: bool = False) -> bool:
        """``clear``: of safety, only a clear yes counts."""
        return ask_yes(question, default=default, clear=clear) if self.asks else True


def _pack(ask: _Asker, options: dict[str, Any]) -> Pack:
    while True:
        text = ask(
            'Which pack? ("3x AA alkaline", "li-ion", "2x AAA nimh")',
            options["pack_text"],
            PACK_DEFAULT,
        )
        try:
            told = list[str]()
            pack = parse_pack(text, options["capacity"], options["used"], say=told.append)
        except BenchError as error:
            if not ask.asks or options["pack_text"] is not None:
                raise
            click.echo(str(error))
        else:
            if not (told or is_usual_pack(text, pack)):
                told = [f"That is {pack.text}."]
            for line in told:
                click.echo(line)
            return pack


def _need(ask: _Asker, options: dict[str, Any]) -> float:
    if options["need"] is not None:
        return float(options["need"])
    while True:
        text = ask("How long must it last?", None, "8h")
        try:
            need_s = _NEED.convert(text, None, None)
        except click.BadParameter as error:
            click.echo(error.message if error.message.endswith("?") else f"{error.message}.")
        else:
            if not USUAL_SPAN.fullmatch(text):
                click.echo(f"That is {span_words(need_s)}.")
            return need_s


def _cutoff(ask: _Asker, options: dict[str, Any], pack: Pack) -> float:
    if options["cutoff"] is not None:
        check_cutoff(pack, options["cutoff"], below_floor=None)
        return float(options["cutoff"])
    click.echo(
        textwrap.fill(
            f"The limit of the pack ({pack}) is {pack.floor_v:.2f} V, the floor of its cells: the run stops there at the "
            "latest. The piece may give up earlier; the run will show at how many volts.",
            TEXT_WIDTH,
        )
    )
    while True:
        text = ask("At how many volts does the circuit give up, if you know?", None, _LIMIT)
        try:
            if text == _LIMIT:
                return round(pack.floor_v, 2)
            cutoff_v = VOLTS_ABOVE_0.convert(text, None, None)
            check_cutoff(pack, cutoff_v, below_floor=None)
        except click.BadParameter as error:
            click.echo(error.message)
        except BenchError as error:
            click.echo(str(error))
        else:
            if text not in (f"{cutoff_v:g}", f"{cutoff_v:g}V", f"{cutoff_v:g} V"):
                click.echo(f"That is {cutoff_v:g} V.")
            return cutoff_v


def _caution(ask: _Asker, pack: Pack) -> None:
    click.echo()
    click.echo(textwrap.fill(f"Caution, {pack}: {pack.caution}", TEXT_WIDTH))
    click.echo()
    if not ask.sure("Understood?", True):
        raise click.Abort


def _check(ask: _Asker, options: dict[str, Any], pack: Pack, cutoff_v: float) -> Hello:
    """Look at voltage, current and load switch before the night; gives who the board is."""
    if ask.asks:
        click.echo(f"The sensor sits in the pack's plus wire:\n\n{WIRING}\n")
        if not ask.sure("Is it wired like this, and is the piece switched on?", True):
            raise click.Abort
    board = one_board(find_boards(options["port"]))
    try:
        heard = listen(board.link, LineDecoder().feed, board.hello, LISTEN_S)
        stuck = _try_switch(ask, options, board)
    finally:
        board.link.close()
    senses = senses_of(board.hello.sensor, board.hello.shunt_ohm, board.hello.range_ma)
    found, seen = judge(board.hello, heard, senses.zero_ma if senses else 0.0), heard.seen
    doubts = [] if found.good else [f"{found.words} Next: {found.next_step}"]
    doubts += stuck
    if seen is not None:
        click.echo(f"The board sees {seen.pack_v:.2f} V and {seen.current_ma:.1f} mA.")
        doubts += pack_doubts(seen.pack_v, pack, cutoff_v) if found.good else []
    for doubt in doubts:
        click.echo(textwrap.fill(f"! {doubt}", TEXT_WIDTH, subsequent_indent="  "))
    if not doubts and board.hello.load == "0":
        click.echo(
            "The load switch is still open: what the piece draws shows when the run closes it."
        )
    elif not doubts:
        click.echo("That fits.")
    elif not ask.sure("Record all the same?", False, clear=True):
        raise click.Abort
    return board.hello


def _try_switch(ask: _Asker, options: dict[str, Any], board: Found) -> list[str]:
    """Open the load switch for a second if somebody agrees; gives what is wrong with it."""
    hello = board.hello
    can = hello.load != "-" and hello.opened != "cutoff" and not hello.running
    question = "May the load switch be opened for a second, to see that it opens?"
    if not (options["test_switch"] or (can and ask.asks and ask.sure(question, True))):
        return []
    test = try_switch(board.link, LineDecoder().feed, hello)
    keep(tests_folder(), test)
    if test.stuck:
        return [test.sentence]
    click.echo(textwrap.fill(test.sentence, TEXT_WIDTH))
    return []


def _unattended(ask: _Asker, options: dict[str, Any], pack: Pack, hello: Hello | None) -> None:
    """Refuses lithium cells that nothing would stop, unless a person says what will."""
    test = last_test(tests_folder(), hello.board) if hello else None
    seen = test is not None and test.stands(read_clocks().utc)
    if seen or pack.chemistry not in HARDWARE_CUTOFF_NEEDED:
        return
    question = "Have these cells a protection circuit of their own (label or data sheet say so)?"
    if options["attended"]:
        caution = RELIES_ON_YOU
    elif options["protected"] or (ask.asks and ask.sure(question, False, clear=True)):
        caution = RELIES_ON_CELLS
    else:
        why = (
            "nobody looked at the board (--no-check)"
            if hello is None
            else "no load switch is fitted"
        )
        if hello is not None and hello.load != "-":
            why = test.words if test else "the load switch was never seen to open"
        raise unattended(pack, why)
    click.echo(textwrap.fill(f"Caution: {caution}", TEXT_WIDTH))


def equivalent(plan: Plan, folder: Path | None, *, page: bool, lan: bool) -> str:
    """The ``drawbench log`` that does the same into ``folder``; None: into one named by its date."""
    parts: list[str | Path] = ["log", *([] if folder is None else [folder])]
    for name, value in (
        ("--port", plan.ports[0] if plan.ports else ""),
        ("--pack", plan.pack or ""),
        ("--capacity", number_text(plan.capacity_mah) if plan.capacity_mah else ""),
        ("--cutoff", number_text(plan.cutoff_v or 0.0)),
        ("--hold", f"{plan.hold_s:g}s"),
        ("--window", f"{plan.window_s:g}s"),
        ("--need", duration_text(plan.need_s or 0.0) if plan.need_s else ""),
        ("--for", duration_text(plan.duration_s or 0.0)),
        ("--title", plan.title),
        ("--load-note", plan.load_note),
        ("--notes", plan.notes),
    ):
        if value:
            parts += [name, value]
    parts += ["--used"] if plan.used else []
    if plan.fresh is not None:
        parts += ["--fresh" if plan.fresh else "--part-used"]
    for draw_ma in plan.modes_ma:
        parts += ["--mode-draw", number_text(draw_ma)]
    parts += ["--page"] if page else []
    parts += ["--lan"] if lan else []
    return command_line(*parts)
