"""What time is left of a run that no forecast is made for?"""

from logger.base.durations import clock_text, rough_text
from logger.base.left import Left
from logger.recording.outlook import History, outlook
from logger.recording.terms import Phase, Status
from logger.run.feed import RunFeed


def rough_left(feed: RunFeed) -> Left | None:
    """What the terminal says as well: from the label's capacity or the voltage's last slope; no interval."""
    history = History()
    course = feed.course
    for number, _, volt_v, _, _, current_ma, _, _ in course.steps():
        if volt_v is not None:
            history.points.append(((number + 0.5) * course.step_s, volt_v, current_ma or 0.0))
    latest, stop = feed.latest, feed.description.asked
    status = Status(
        Phase.RUNNING, "", "", latest.time_s, feed.rows, 0, latest.pack_v, latest.current_ma,
        latest.charge_mah or 0.0, latest.energy_mwh or 0.0, None, "", "", "-", "",
    )  # fmt: skip
    ahead = outlook(status, history, stop, feed.description.pack)
    if ahead.left_s is None:
        words = "Time left: not known yet" if stop.cutoff_v or stop.charge_mah else ""
        return Left(words, share=ahead.share) if words else None
    text = rough_text(ahead.left_s) if ahead.rough else clock_text(ahead.left_s)
    detail = "Rough: no interval can be given for it." if ahead.rough else ""
    return Left(
        f"{text[0].upper()}{text[1:]} left", detail, ahead.share, latest.time_s + ahead.left_s
    )
