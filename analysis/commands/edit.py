"""``drawbench edit``: correct what a run says of itself; its samples are never written."""

import json
import textwrap
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

import click

from analysis.commands.screen import TEXT_WIDTH, echo_next
from logger.base.command_options import (
    Hold,
    Need,
    PackText,
    below_floor_option,
    fresh_option,
    temperature_option,
)
from logger.base.measures import VOLTS_ABOVE_0, whole_number
from logger.base.typed.suggest import Choice
from logger.edit.edit import Edited, description_now
from logger.edit.trim import both_ends
from logger.edit.words import LABELS, history_words, value_words
from logger.run.description import Description
from logger.run.edited.statements import Change, deletes_photos, last_to_undo

# What an option sets, and how it is written, in the order of the list.
_OPTIONS: Final = {
    "title": '--title "..."', "pack": '--pack "3x AA alkaline"', "need_s": "--need 6h", "cutoff": "--cutoff 2.9 --hold 10s",
    "load": '--load-note "..."', "notes": '--notes "..."', "author": '--author "..."', "fresh": "--fresh, --part-used",
    "temperature_c": "--temperature 21", "trim": "--trim 12min..6h40min", "photos": '--photo FILE --caption "..."',
    "name": "--name NEW",
}  # fmt: skip
_CLEARED: Final = {
    "title": "title", "pack": "pack", "need": "need_s", "cutoff": "cutoff_v", "load-note": "load", "notes": "notes",
    "author": "author", "fresh": "fresh", "temperature": "temperature_c",
}  # fmt: skip
_HISTORY_SHOWN: Final = 200
_SHOWN: Final = 30


@click.command("edit")
@click.argument("run_folder", metavar="RUN", type=click.Path(path_type=Path))
@click.option("--title", help="What the run is called in reports.")
@click.option("--pack", type=PackText(), help='What fed it, in words: "3x AA alkaline 2500 mAh".')
@click.option("--need", "need_s", type=Need(), metavar="TIME", help="How long the piece must last.")
@click.option(
    "--cutoff",
    "cutoff_v",
    type=VOLTS_ABOVE_0,
    metavar="VOLT",
    help="Where the circuit gives up, from now on; what the run was stopped by stays beside it.",
)
@click.option("--hold", "hold_s", type=Hold(), help="... without a break for this long.")
@below_floor_option
@click.option("--load-note", "load", help="What drew the current, in words.")
@click.option("--notes", help="Anything else worth keeping.")
@click.option("--author", help="Who measured.")
@fresh_option
@temperature_option
@click.option(
    "--clear",
    "cleared",
    multiple=True,
    type=Choice(list(_CLEARED)),
    help="Take it away; cutoff: back to the one that the run was stopped by. Repeat.",
)
@click.option(
    "--trim",
    metavar="FROM..TO",
    help='The part that counts, on the recording\'s own axis: 12min..6h40min, 0:12.., ..6:40, "at 18:30..".',
)
@click.option("--trim-from", metavar="TIME", help="... its beginning alone.")
@click.option("--trim-to", metavar="TIME", help="... its end alone.")
@click.option("--no-trim", is_flag=True, help="The whole run counts again.")
@click.option(
    "--photo",
    "photos",
    multiple=True,
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Keep a photo of piece or wiring; place, camera and all else are taken out of it. Repeat.",
)
@click.option(
    "--caption", "captions", multiple=True, help="What the photo shows; one for each, in turn."
)
@click.option(
    "--no-photo",
    "no_photos",
    multiple=True,
    type=whole_number("1"),
    metavar="N",
    help="Delete the photo of this number. Repeat.",
)
@click.option("--name", help="Another name for the run's folder.")
@click.option("--undo", is_flag=True, help="Take the last change back.")
@click.option("--history", is_flag=True, help="Every change: when, what, from what to what.")
@click.option("--json", "as_json", is_flag=True, help="Say it as JSON.")
def edit_command(run_folder: Path, **options: Any) -> None:
    """Correct what RUN says of itself: title, pack, need, cutoff, the part that counts, photos, name.

    Its samples are never written. Without options: what stands there now.
    """
    as_json, history = options.pop("as_json"), options.pop("history")
    undo = options.pop("undo")
    wanted = _wanted(options)
    if (undo or history) and wanted:
        raise click.UsageError(f"{'--undo' if undo else '--history'} goes alone.")
    if undo or wanted:
        from analysis.door.edit import edit

        _tell(edit(run_folder, undo=undo, **wanted), run_folder, as_json=as_json)
        return
    folder, description = description_now(run_folder)
    if as_json:
        _echo_json(folder, description, ())
    elif history:
        _show_history(folder, description)
    else:
        _show(folder, description)


def _wanted(options: dict[str, Any]) -> dict[str, Any]:
    """What the door's ``edit`` is asked for."""
    wanted = {
        name: options[name]
        for name in ("title", "pack", "need_s", "cutoff_v", "hold_s", "load", "notes", "author", "fresh", "temperature_c", "name")
        if options[name] is not None
    }  # fmt: skip
    for name in options["cleared"]:
        if _CLEARED[name] in wanted:
            raise click.UsageError(f"--clear {name} and a new one for it: give one of them.")
        wanted[_CLEARED[name]] = None
    if (trim := _trim(options)) is not ...:
        wanted["trim"] = trim
    photos, captions = options["photos"], options["captions"]
    if len(captions) > len(photos):
        raise click.UsageError("Give a --photo for each --caption.")
    if photos:
        wanted["photos"] = list(
            zip(photos, (*captions, *[""] * (len(photos) - len(captions))), strict=True)
        )
    if options["no_photos"]:
        wanted["remove_photos"] = options["no_photos"]
    if options["below_floor"]:
        if not wanted:
            raise click.UsageError("--below-floor goes with --cutoff or --pack.")
        wanted["below_floor"] = True
    return wanted


def _trim(options: dict[str, Any]) -> Any:
    """From and to, None for all of it; ``...`` if nothing was said."""
    whole, begin, end = options["trim"], options["trim_from"], options["trim_to"]
    ends = begin is not None or end is not None
    if options["no_trim"] + (whole is not None) + ends > 1:
        raise click.UsageError("Give one of --trim, --trim-from with --trim-to, --no-trim.")
    if options["no_trim"]:
        return None
    if whole is not None:
        return both_ends(whole)
    return (begin, end) if ends else ...


def _tell(done: Edited, asked: Path, *, as_json: bool) -> None:
    if as_json:
        _echo_json(done.folder, done.description, done.changed)
        return
    if not done.changed:
        click.echo("Nothing changed: all of that stands there already.")
    for text in done.changed:
        click.echo(_filled(f"{text[:1].upper()}{text[1:]}."))
    if done.folder != asked:
        click.echo(_filled(f"The run is now {done.folder}."))
    made = [name for name in ("report", "sheet") if done.changed and (done.folder / name).is_dir()]
    steps: list[tuple[str, list[str | Path]]] = [
        (f"Its {name} still says the old: make it anew", [name, done.folder]) for name in made
    ] or [("What it says now", ["rundown", done.folder])]
    if done.changed and _can_go_back(done.description.history):
        steps.append(("Not so after all", ["edit", done.folder, "--undo"]))
    echo_next(*steps)


def _can_go_back(history: Sequence[Change]) -> bool:
    number = last_to_undo(history)
    return number is not None and not deletes_photos(history[number])


def _show(folder: Path, description: Description) -> None:
    """What stands there now, and the option that changes it."""
    title = f" ({description.title})" if description.title else ""
    click.echo(_filled(f"{folder}{title}: what it says of itself, and what changes it."))
    click.echo()
    rows = [
        (LABELS[name], _cut(_now(name, folder, description)), option)
        for name, option in _OPTIONS.items()
    ]
    widths = [max(len(row[place]) for row in rows) for place in (0, 1)]
    for label, now, option in rows:
        click.echo(f"{label:{widths[0]}}  {now:{widths[1]}}  {option}")
    for number, photo in enumerate(description.photos, start=1):
        click.echo(_filled(f"photo {number}: {photo.caption or 'no caption'}"))
    count = sum(bool(change.utc) for change in description.history)
    what = f"Its {count} change{'s' * (count != 1)}"
    steps: list[tuple[str, list[str | Path]]] = [("What the run says", ["rundown", folder])]
    if count:
        steps.insert(0, (what, ["edit", folder, "--history"]))
    echo_next(*steps)


def _now(name: str, folder: Path, description: Description) -> str:
    if name == "name":
        return folder.resolve().name
    if name == "cutoff":
        asked = description.asked
        if asked.cutoff_v is None:
            return value_words("", None)
        words = value_words("cutoff", {"cutoff_v": asked.cutoff_v, "hold_s": asked.hold_s})
        stopped = description.stop.cutoff_v
        was = "" if description.cutoff is None or stopped is None else f" (was {stopped:g} V)"  # fmt: skip
        return words + was
    words = value_words(name, _plain(getattr(description, name)), _SHOWN)
    return words.partition(" of ")[0] if name == "trim" else words


def _cut(words: str) -> str:
    return words if len(words) <= _SHOWN else f"{words[: _SHOWN - 1]}…"


def _plain(value: Any) -> Any:
    """As it stands in the description's JSON."""
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    return asdict(value) if hasattr(value, "__dataclass_fields__") else value


def _show_history(folder: Path, description: Description) -> None:
    told = history_words(description.history)
    if not told:
        click.echo(f"{folder} was never edited.")
    elif len(told) > _HISTORY_SHOWN:
        click.echo(f"{len(told) - _HISTORY_SHOWN} older changes are not shown.")
    for text in told[-_HISTORY_SHOWN:]:
        click.echo(_filled(text))
    if _can_go_back(description.history):
        echo_next(("Take the last one back", ["edit", folder, "--undo"]))
    else:
        echo_next(("What can be set", ["edit", folder]))


def _echo_json(folder: Path, description: Description, changed: tuple[str, ...]) -> None:
    stands = {name: _plain(getattr(description, name)) for name in LABELS if name != "name"}
    document = {
        "run": str(folder),
        "changed": list(changed),
        "now": stands,
        "stopped_by": asdict(description.stop),
        "history": [_change(change) for change in description.history if change.utc],
    }
    click.echo(json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False))


def _change(change: Change) -> dict[str, Any]:
    return {"utc": change.utc, "changed": change.changed, "undoes": change.undoes}


def _filled(text: str) -> str:
    return textwrap.fill(
        text, TEXT_WIDTH, subsequent_indent="  ", break_long_words=False, break_on_hyphens=False
    )
