"""Two rights, two keys: who gets which, for how long, and what a page that takes over must know."""

import json
from collections.abc import Callable

import pytest

from logger.page.keys import ACT_S, LOOK_S, SESSIONS_MAX, Keys, Right, Tries
from logger.page.server import ADDRESSES_MAX, WRONG_MAX, WRONG_S


class Clock:
    now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def clock() -> Clock:
    return Clock()


def entered(keys: Keys, key: str, session: str | None = None) -> str:
    found = keys.enter(key, session)
    assert found is not None
    return found[0]


def counted(told: list[str], word: str) -> Callable[[], None]:
    return lambda: told.append(word)


def test_the_act_key_opens_one_browser_the_look_key_any_number() -> None:
    told: list[str] = []
    keys = Keys(counted(told, "act"), counted(told, "change"))
    act, look = keys.act, keys.look
    assert keys.right(entered(keys, act)) is Right.ACT
    assert told == ["change", "act"]
    assert keys.enter(act) is None
    assert keys.act != act
    sessions = [entered(keys, look) for _ in range(30)]
    assert {keys.right(session) for session in sessions} == {Right.LOOK}
    assert len(set(sessions)) == 30
    assert keys.look == look


def test_what_is_no_key_opens_nothing() -> None:
    keys = Keys()
    for wrong in ("", "ä", keys.act[:-1], keys.act + "a", keys.act.removeprefix("act-"), "\ud800"):
        assert keys.enter(wrong) is None
    for wrong_session in ("", None, "ä", keys.act, "\ud800"):
        assert keys.right(wrong_session) is None


def test_whoever_may_act_and_tries_the_code_for_the_class_may_act_still() -> None:
    keys = Keys()
    session = entered(keys, keys.act)
    assert keys.enter(keys.look, session) == (session, Right.ACT)
    looking = entered(keys, keys.look)
    acting = entered(keys, keys.act, looking)
    assert keys.right(acting) is Right.ACT
    assert keys.right(looking) is None, "the browser's earlier session is over"


def test_acting_ends_after_a_day_looking_after_a_week(clock: Clock) -> None:
    keys = Keys(clock=clock)
    acting, looking = entered(keys, keys.act), entered(keys, keys.look)
    clock.now_s += ACT_S - 1
    assert keys.right(acting) is Right.ACT
    clock.now_s += 2
    assert keys.right(acting) is Right.LOOK
    clock.now_s += LOOK_S - ACT_S
    assert keys.right(acting) is keys.right(looking) is None


def test_a_crowd_of_lookers_pushes_nobody_out_who_may_act() -> None:
    keys = Keys()
    acting, first = entered(keys, keys.act), entered(keys, keys.look)
    for _ in range(SESSIONS_MAX):
        last = entered(keys, keys.look)
    assert keys.right(acting) is Right.ACT
    assert keys.right(first) is None
    assert keys.right(last) is Right.LOOK


def test_who_leaves_is_forgotten() -> None:
    keys = Keys()
    session = entered(keys, keys.act)
    keys.leave(session)
    keys.leave("nobody")
    assert keys.right(session) is None


def test_a_page_that_takes_over_knows_the_same_browsers_keys_and_forms(clock: Clock) -> None:
    keys = Keys(clock=clock)
    acting, looking = entered(keys, keys.act), entered(keys, keys.look)
    kept = json.dumps(keys.kept())
    assert acting not in kept, "whoever reads it cannot take a session's place"
    after = Keys(kept=json.loads(kept), clock=clock)
    assert (after.look, after.act, after.tag) == (keys.look, keys.act, keys.tag)
    assert after.right(acting) is Right.ACT
    assert after.right(looking) is Right.LOOK
    assert after.is_form_token(keys.form_token(acting), acting)
    assert not after.is_form_token(keys.form_token(looking), acting)
    assert Keys().tag != keys.tag, "two pages on one port share no cookie"


def test_wrong_keys_are_counted_by_address(clock: Clock) -> None:
    tries = Tries(WRONG_MAX, WRONG_S, ADDRESSES_MAX, clock)
    for _ in range(WRONG_MAX):
        assert not tries.too_many("a")
        tries.count("a")
    assert tries.too_many("a")
    assert not tries.too_many("b")
    for number in range(ADDRESSES_MAX):
        tries.count(str(number))
    assert not tries.too_many("a"), "bounded: the oldest address is forgotten"
    for _ in range(WRONG_MAX):
        tries.count("c")
    clock.now_s += WRONG_S + 1
    assert not tries.too_many("c")
