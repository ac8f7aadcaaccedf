"""Which messages are whose: one message must not be taken for two things, and what the keeper says not for a reading."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations
from typing import NamedTuple

from sensord.config.settings import Settings
from sensord.language.terminal import say
from sensord.model import Form


class TopicSource(NamedTuple):
    """Where a quantity comes from."""

    key: str
    topic_key: str  # the key that the topic stands at: the probe's or the reading's
    topic: str
    form: Form
    what: str  # of the payload
    quantity: str


def sources_of(chosen: Settings) -> list[TopicSource]:
    """Every quantity whose topic could be read."""
    return [
        TopicSource(
            f"probe[{i}].reads[{j}]",
            f"probe[{i}].reads[{j}].topic" if read.topic else f"probe[{i}].topic",
            topic,
            form,
            read.pointer or read.name or "",
            str(read.quantity),
        )
        for i, probe in enumerate(chosen.probe or (), 1)
        for j, read in enumerate(probe.reads or (), 1)
        if (topic := read.topic or probe.topic) and (form := read.form or probe.form) and read.quantity
    ]


def overlaps(chosen: Settings) -> Iterator[str]:
    """What two probes of a garden, or a probe and the keeper, would both be taken to say."""
    sources = sources_of(chosen)
    entry = chosen.broker.entry_topic if chosen.broker else None
    for source in sources:
        if entry and overlap(source.topic, entry):
            yield (
                f"{source.topic_key}: "
                + say(
                    f"settings.topic_{'is' if source.topic == entry else 'takes_in'}", topic=source.topic, entry=entry
                )
            )
    for one, other in combinations(sources, 2):
        if one.topic != other.topic:
            named = one.form is other.form is Form.SENML and one.what and other.what and one.what != other.what
            if not named and overlap(one.topic, other.topic):
                wide, narrow = (one, other) if is_wide(one.topic) else (other, one)
                yield (
                    f"{wide.topic_key}: "
                    + say("settings.topic_wide", wide=wide.topic, narrow=narrow.topic, key=narrow.topic_key)
                )
        elif _same_value(one, other):
            what = None if not one.what else str(one.what)
            yield f"{other.key}: " + say("settings.read_twice", key=one.key, topic=one.topic, what=what)


def _same_value(one: TopicSource, other: TopicSource) -> bool:
    if one.form is not other.form or one.what != other.what:
        return False
    return one.form is not Form.SENML or bool(one.what) or one.quantity == other.quantity


def is_wide(topic: str) -> bool:
    """Whether a filter takes in more than one topic."""
    return bool(set("+#") & set(topic))


def overlap(one: str, other: str) -> bool:
    """Whether one topic can match both filters (MQTT 3.1.1 section 4.7)."""
    return _overlap(one.split("/"), other.split("/"))


def _overlap(one: list[str], other: list[str]) -> bool:
    if ["#"] in (one, other):
        return True
    if not one or not other:
        return one == other
    same = one[0] == other[0] or "+" in (one[0], other[0])
    return same and _overlap(one[1:], other[1:])
