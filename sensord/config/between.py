"""What disagrees between the gardens of a house: nothing of one may reach another.

Each mistake is laid to one of the two, so that the other goes on: to the one whose filter takes in what is another's, else to
the one that is named later.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations
from typing import NamedTuple

from sensord.config.settings import Settings
from sensord.config.topics import is_wide, overlap, sources_of
from sensord.language.terminal import say


class Claim(NamedTuple):
    """A topic that a garden takes for its own."""

    key: str
    topic: str


def between(gardens: Sequence[tuple[str, Settings]]) -> Iterator[tuple[int, int, str]]:
    """The place of the garden at fault, that of the other, and the line, which begins with the key."""
    for (i, (name, one)), (j, (_, other)) in combinations(enumerate(gardens), 2):
        if _name_of(one) and _name_of(one) == _name_of(other):
            yield (
                j,
                i,
                ("site.name: " + say("settings.between.name", name=other.site.name, number=i + 1, file=str(name))),
            )
        if not _share_a_broker(one, other):
            continue
        if _client_of(one) and _client_of(one) == _client_of(other):
            yield (
                j,
                i,
                ("broker.client_id: " + say("settings.between.client", client=_client_of(other), number=i + 1)),
            )
        yield from _shared_topics(i, one, j, other)


def _shared_topics(i: int, one: Settings, j: int, other: Settings) -> Iterator[tuple[int, int, str]]:
    told: set[str] = set()
    for mine in _claims(one):
        for its in _claims(other):
            if not overlap(mine.topic, its.topic):
                continue
            wrong, right, at, whose = (j, i, its, mine)
            if is_wide(mine.topic) and not is_wide(its.topic):
                wrong, right, at, whose = (i, j, mine, its)
            if f"{wrong} {at.key}" not in told:
                told.add(f"{wrong} {at.key}")
                how = "topic_is" if at.topic == whose.topic else "topic_takes_in"
                key = f"settings.between.{how}"
                text = say(key, topic=at.topic, other=whose.topic, number=right + 1, place=whose.key)
                yield (
                    wrong,
                    right,
                    f"{at.key}: {text}",
                )


def _claims(chosen: Settings) -> list[Claim]:
    found = {source.topic_key: source.topic for source in sources_of(chosen)}
    if chosen.broker and chosen.broker.entry_topic:
        found["broker.entry_topic"] = chosen.broker.entry_topic
    return [Claim(key, topic) for key, topic in found.items()]


def _share_a_broker(one: Settings, other: Settings) -> bool:
    mine, its = ((c.broker.host, c.broker.port) if c.broker else (None, None) for c in (one, other))
    return mine == its and None not in mine


def _name_of(chosen: Settings) -> str:
    """The name of a garden as environment variables tell it from others."""
    return (chosen.site.name or "").replace("-", "_") if chosen.site else ""


def _client_of(chosen: Settings) -> str | None:
    return chosen.broker.client_id
