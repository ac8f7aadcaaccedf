"""What can be advised: each action in one place, with all that is known of it. Pure.

An open enumeration: a rule from outside the package defines what it advises in the same way, at import. A word has one
meaning; a stored word that nobody defines any more (its rule is gone) is an action of which nothing is known.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sensord.model import Advice, What


@dataclass(frozen=True, slots=True)
class Action:
    """One thing that a keeper can be asked to do. Made by `define`."""

    word: str  # as it is stored, shipped and written in sentences
    done_by: frozenset[What] = frozenset()  # entries that answer it, without a word about the concern
    told_by: What | None = None  # the entry by which a keeper says that it was done
    done_says: bool = False  # a bare "done" says the same as `told_by`
    amount: str = ""  # the number of the verdict that is the amount of `told_by`
    outdoors: bool = True  # it sends somebody out: never while a gust front is there
    keeps_in: bool = False  # it outranks all others: nobody is sent out while it stands, and there is nothing to do

    def advice(self, by: datetime | None = None, holds_until: datetime | None = None) -> Advice:
        """To do it: by when, and until when saying so makes sense."""
        return Advice(self.word, by, holds_until, self.outdoors)


_DEFINED: dict[str, Action] = {}


def define(
    word: str,
    *done_by: What,
    told_by: What | None = None,
    done_says: bool = False,
    amount: str = "",
    outdoors: bool = True,
    keeps_in: bool = False,
) -> Action:
    """The action of that word, from now on. Like the members of an enumeration it is made at import and never changes.

    Raises:
        ValueError: when the word means something else already, or contradicts itself.
    """
    if not word or word != " ".join(word.split()).lower():
        raise ValueError(f'action "{word}": a word or a few in small letters are expected, like "look after"')
    if (done_says or amount) and told_by is None:
        raise ValueError(f'action "{word}": `done_says` and `amount` are about `told_by`, which is missing')
    action = Action(word, frozenset(done_by), told_by, done_says, amount, outdoors and not keeps_in, keeps_in)
    if _DEFINED.setdefault(word, action) != action:
        raise ValueError(f'action "{word}" means something else already: {_DEFINED[word]}')
    return action


def named(word: str) -> Action:
    """The action of a word; one of which nothing is known, where nobody defines it."""
    return _DEFINED.get(word) or Action(word)


def is_done_by(word: str, what: What) -> bool:
    """Whether an entry answers an advice, without a word about the concern."""
    return what in named(word).done_by


def keeps_in(word: str) -> bool:
    """Whether it says that nobody is to go out."""
    return named(word).keeps_in


STAY_IN = define("stay in", keeps_in=True)

SHADE = define("shade", What.SHADED, What.SHELTERED, told_by=What.SHADED, done_says=True)
UNSHADE = define("unshade", What.UNSHADED, told_by=What.UNSHADED, done_says=True)
ADD_AIRFLOW = define("add airflow", What.UNCOVERED, What.SHELTERED)
MOVE_TO_SHADE = define("move to shade", What.MOVED, What.SHELTERED, told_by=What.SHELTERED)
PROTECT_FROM_FROST = define("protect from frost", What.SHELTERED)

ANCHOR = define(
    "anchor", What.ANCHORED, What.BALLAST_ADDED, What.PEGGED, What.SHELTERED,
    told_by=What.BALLAST_ADDED, done_says=True, amount="bricks_kg",
)  # fmt: skip
PEG_OR_SHELTER = define("peg or shelter", What.PEGGED, What.SHELTERED, told_by=What.PEGGED)
UNCOVER = define("uncover", What.UNCOVERED, What.SHELTERED, told_by=What.UNCOVERED, done_says=True)
LOOK_AFTER = define("look after", What.HEADCOUNT, told_by=What.HEADCOUNT)
RETURN = define("return", What.RETURNED, told_by=What.RETURNED)
LOOK_FOR_MOULD = define("look for mould", What.CLEANED, told_by=What.CLEANED)

SHIELD_PROBE = define("shield probe", What.SHADED)
CHANGE_BATTERY = define("change battery")
CHECK_PROBE = define("check probe")
CHECK_AMBIENT = define("check ambient")
CHECK_CLOCK = define("check clock")
CHECK_WATCH = define("check watch")
CHECK_SHIPPING = define("check shipping")
