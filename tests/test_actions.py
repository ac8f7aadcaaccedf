"""What can be advised: one definition for each word, and every word in use."""

from __future__ import annotations

import pytest

from sensord import actions
from sensord.actions import Action, define, named
from sensord.model import AMOUNTS, ANSWERS, What
from sensord.rules import all_rules

HOUSE = {value.word: value for value in vars(actions).values() if isinstance(value, Action)}


def test_a_word_has_one_meaning() -> None:
    """The same definition again is the same action; another one is refused, whoever makes it."""
    again = define("shade", What.SHADED, What.SHELTERED, told_by=What.SHADED, done_says=True)
    assert again == actions.SHADE
    with pytest.raises(ValueError, match='action "shade" means something else already'):
        define("shade", What.COVERED)
    assert named("shade") is actions.SHADE


@pytest.mark.parametrize("word", ["", "Shade", " shade", "shade  it"])
def test_a_word_is_written_plainly(word: str) -> None:
    """What is stored, shipped and compared has one way to be written."""
    with pytest.raises(ValueError, match="small letters"):
        define(word)


def test_done_says_nothing_without_an_entry_to_say() -> None:
    """What "done" stands for must be named."""
    with pytest.raises(ValueError, match="told_by"):
        define("hope", done_says=True)


def test_a_stored_word_that_nobody_defines_is_no_mistake() -> None:
    """A rule that is gone leaves its words in the store: nothing answers them but an answer, and they send somebody out."""
    gone = named("water the nettles")
    assert (gone.done_by, gone.told_by, gone.keeps_in, gone.outdoors) == (frozenset(), None, False, True)
    assert "water the nettles" not in HOUSE


def test_every_action_of_the_house_is_advised_by_a_rule() -> None:
    """None is left over from a rule that is gone, and a rule declares what it advises."""
    advised = {action for rule in all_rules().values() for action in rule.advises}
    assert advised == set(HOUSE.values())


def test_only_one_action_keeps_everybody_in() -> None:
    """It outranks all others, and sends nobody out."""
    assert [a.word for a in HOUSE.values() if a.keeps_in] == ["stay in"]
    assert [a.word for a in HOUSE.values() if not a.outdoors] == ["stay in"]
    assert not actions.STAY_IN.advice().outdoors


@pytest.mark.parametrize("action", HOUSE.values(), ids=HOUSE)
def test_what_is_known_of_an_action_agrees(action: Action) -> None:
    """The entry by which it is said to be done answers it; an amount is told where the entry needs one; answers are no acts."""
    if action.told_by is not None:
        assert action.told_by in action.done_by
    if action.done_says:
        assert (action.told_by in AMOUNTS) == bool(action.amount)
    assert not action.done_by & ANSWERS
