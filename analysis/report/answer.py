"""The answer to "does it last?" in a sentence, and the results as rows for a table."""

from analysis.doubt.quantity import Quantity
from analysis.report.given import charge_given
from analysis.run.heat import HOTTEST, heat_caution
from analysis.run.lifetime import End
from analysis.run.rundown import Rundown
from analysis.run.verdict import Answer, lasted_words
from analysis.say.table import NO_INTERVAL, interval_words
from analysis.say.words import lasting_words, span_words, value_words
from logger.base.pack import SAFETY_CLOSING, Pack


def answer(result: Rundown) -> str:
    """The verdict where a need is known, with what shows how it ended; else how it ended and how much came out."""
    if result.verdict is None:
        return _ended(result)
    seen = lasted_words(result.lifetime, result.fall.cutoff_v, said=True)
    return f"{result.verdict.words} {seen}".strip()


def headline(result: Rundown) -> str:
    """The answer in a few words, for a list or a page's head."""
    life = result.lifetime
    either = life.either
    if either and result.verdict is None:
        return f"Lasted {either}"
    if either and result.verdict is not None:
        needed = span_words(result.verdict.need_s or 0.0)
        return f"{str(result.verdict.answer).capitalize()}: {either} of {needed} needed"
    if result.verdict is not None and result.verdict.answer is not Answer.OPEN:
        lasted = life.seen_s if life.time.value is None else life.time.value
        need_s = result.verdict.need_s
        told = lasting_words(life.time, need_s) if life.time.value and lasted >= 3600 else span_words(lasted, 60.0)  # fmt: skip
        return f"{str(result.verdict.answer).capitalize()}: {told} of {span_words(need_s or 0.0)} needed"
    if result.verdict is not None:
        needed = span_words(result.verdict.need_s or 0.0)
        return f"{str(result.verdict.answer).capitalize()}: over {span_words(life.least_s, 60.0)} of {needed} needed"
    if life.ended and life.end is not End.CUTOFF:
        return f"{str(life.end).capitalize()} after {value_words(life.time)}"
    if result.cutoff_time.value is not None:
        return f"{value_words(result.cutoff_time)} to {result.fall.cutoff_v:g} V"
    if result.charge.value is not None:
        return f"{value_words(result.charge)} in {value_words(result.duration)}"
    return value_words(result.duration)


def _ended(result: Rundown) -> str:
    drew = ""
    if result.mean_current.value is not None:
        drew = (
            f" It drew {value_words(result.mean_current)} on average"
            f" and {value_words(result.peak_current)} at most."
        )
    cutoff_v = result.fall.cutoff_v
    ended = lasted_words(result.lifetime, cutoff_v)
    if ended or result.lifetime.end is End.UNSURE:
        return f"{ended}{drew}".strip()
    length = value_words(result.duration)
    given = charge_given(result.charge_to_cutoff, result.charge)
    if cutoff_v is not None and result.cutoff_time.value is not None:
        gave = "" if given.value is None else f" and gave {value_words(given)} until then"
        return f"The pack fell to {cutoff_v:g} V after {value_words(result.cutoff_time)}{_range(result.cutoff_time)}{gave}.{drew}"
    if cutoff_v is not None:
        return f"The pack was still above {cutoff_v:g} V when the run ended after {length}, at {value_words(result.last_voltage)}.{drew}"
    if given.value is not None:
        return f"In {length} the pack gave {value_words(given)}.{drew}"
    return f"The run lasted {length}; no current was measured."


def result_rows(result: Rundown) -> tuple[tuple[str, Quantity], ...]:
    """Label and quantity of every result that exists, in the order of reading."""
    cutoff = f"{result.fall.cutoff_v:g} V" if result.fall.cutoff_v is not None else "the cutoff"
    rows = (
        (f"time to {cutoff}, held", result.cutoff_time),
        (f"first touch of {cutoff}{NO_INTERVAL}", result.first_touch_time),
        (f"charge until {cutoff}", result.charge_to_cutoff),
        (f"energy until {cutoff}", result.energy_to_cutoff),
        ("left in the cells then", result.left_in_cells),
        ("length of the run", result.duration),
        ("charge, whole run", result.charge),
        ("energy, whole run", result.energy),
        ("mean current", result.mean_current),
        ("peak current", result.peak_current),
        *(
            (f"current, {percent:g} % of the time at or below", quantity)
            for percent, quantity in result.current_percentiles
        ),
        ("first voltage", result.first_voltage),
        ("last voltage", result.last_voltage),
    )
    return tuple((label, quantity) for label, quantity in rows if quantity.value is not None)


def cautions(pack: Pack | None, result: Rundown) -> tuple[str, ...]:
    """What may hurt: heat on the skin, and the cells."""
    told = list(heat_caution(result.hottest_power_w, HOTTEST))
    told.append(f"{pack}: {pack.caution}" if pack else f"The pack is not stated. {SAFETY_CLOSING}")
    return tuple(told)


def _range(quantity: Quantity) -> str:
    words = interval_words(quantity)
    return f" ({words})" if words else ""
