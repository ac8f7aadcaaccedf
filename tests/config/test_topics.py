"""Which messages are whose: filters that overlap, and what would be read twice."""

from __future__ import annotations

from itertools import product
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.client import topic_matches_sub

from sensord.config import load
from sensord.config.topics import is_wide, overlap, overlaps

SITE = '[site]\nname = "garden"\nlatitude_deg = 41.5\nlongitude_deg = -83.5\ntime_zone = "America/Detroit"\n'
PROBE = '[[probe]]\nname = "{}"\nplace = "ambient"\n{}\nreads = [{}]\n'
ENCLOSURE = '[[enclosure]]\nname = "north"\nwidth_m = 0.6\ndepth_m = 0.6\nheight_m = 0.9\nown_mass_kg = 0.8\n'
TOPICS = ["/".join(levels) for n in (1, 2, 3, 4) for levels in product(("a", "b", "x"), repeat=n)]


@pytest.mark.outside
@given(*[st.lists(st.sampled_from(["a", "b", "+"]), min_size=1, max_size=3)] * 2, st.booleans(), st.booleans())
def test_filters_overlap_where_one_topic_matches_both(
    one: list[str], other: list[str], one_goes_on: bool, other_goes_on: bool
) -> None:
    """Source: paho-mqtt's own matcher (MQTT 3.1.1 section 4.7), over every topic of up to four levels."""
    filters = ["/".join([*levels, "#"] if goes_on else levels) for levels, goes_on in
               ((one, one_goes_on), (other, other_goes_on))]  # fmt: skip
    both = any(all(topic_matches_sub(each, topic) for each in filters) for topic in TOPICS)
    assert overlap(*filters) == overlap(*reversed(filters)) == both
    for each in filters:
        assert is_wide(each) == (sum(topic_matches_sub(each, topic) for topic in TOPICS) > 1)


def told(path: Path, *probes: tuple[str, str]) -> list[str]:
    """What is said of probes with these settings and readings; the first is probe[1]."""
    file = path / "sensord.toml"
    file.write_text(SITE + ENCLOSURE + "".join(PROBE.format(f"p{i}", *probe) for i, probe in enumerate(probes)))
    return list(overlaps(load(file, {}, {})))


T, H = 'quantity = "temperature"', 'quantity = "relative_humidity"'
SENML = 'form = "senml"\ntopic = "{}"'
GIVE = "; give each probe a topic of its own"
ONCE = "; each value belongs to one probe"


@pytest.mark.parametrize(
    ("one", "other", "lines"),
    [
        (('topic = "a"', f"{{ {T} }}"), ('topic = "b"', f"{{ {T} }}"), []),
        (
            ('topic = "a"', f"{{ {T} }}"),
            ('topic = "a"', f"{{ {T} }}"),
            [f'probe[2].reads[1]: reads the same as probe[1].reads[1]: topic "a"{ONCE}'],
        ),
        (  # the whole payload is one value, whatever it is called
            ('topic = "a"\nform = "number"', f"{{ {T} }}"),
            ('topic = "a"\nform = "number"', f"{{ {H} }}"),
            [f'probe[2].reads[1]: reads the same as probe[1].reads[1]: topic "a"{ONCE}'],
        ),
        (
            ('topic = "a"', f'{{ {T}, pointer = "/t" }}, {{ {H}, pointer = "/h" }}'),
            ('topic = "a"', f'{{ {H}, pointer = "/h" }}'),
            [f'probe[2].reads[1]: reads the same as probe[1].reads[2]: topic "a" and "/h"{ONCE}'],
        ),
        (('topic = "a"', f'{{ {T}, pointer = "/1" }}'), ('topic = "a"', f'{{ {T}, pointer = "/2" }}'), []),
        (('topic = "a"\nform = "number"', f"{{ {T} }}"), (SENML.format("a"), f"{{ {T} }}"), []),
        # SenML tells quantities apart by their units, and records by their names.
        ((SENML.format("a"), f"{{ {T} }}"), (SENML.format("a"), f"{{ {H} }}"), []),
        (
            (SENML.format("a"), f"{{ {T} }}"),
            (SENML.format("a"), f"{{ {T} }}"),
            [f'probe[2].reads[1]: reads the same as probe[1].reads[1]: topic "a"{ONCE}'],
        ),
        (
            (SENML.format("a"), f'{{ {T}, name = "n" }}'),
            (SENML.format("a"), f'{{ {H}, name = "n" }}'),
            [f'probe[2].reads[1]: reads the same as probe[1].reads[1]: topic "a" and "n"{ONCE}'],
        ),
        ((SENML.format("a/+"), f'{{ {T}, name = "n" }}'), (SENML.format("a/b"), f'{{ {T}, name = "m" }}'), []),
        (
            (SENML.format("a/b"), f'{{ {T}, name = "n" }}'),
            (SENML.format("a/+"), f'{{ {T}, name = "n" }}'),
            [f'probe[2].topic: "a/+" takes in "a/b" of probe[1].topic too{GIVE}'],
        ),
        (
            (SENML.format("a/b"), f'{{ {T}, name = "n" }}'),
            (SENML.format("a/+"), f"{{ {T} }}"),
            [f'probe[2].topic: "a/+" takes in "a/b" of probe[1].topic too{GIVE}'],
        ),
        (
            ('topic = "a/+"', f'{{ {T}, pointer = "/n" }}'),
            (SENML.format("a/b"), f'{{ {T}, name = "m" }}'),
            [f'probe[1].topic: "a/+" takes in "a/b" of probe[2].topic too{GIVE}'],
        ),
        (  # a reading's own topic goes before its probe's, and is what is wrong
            ('topic = "a/b"', f"{{ {T} }}"),
            ('topic = "c"', f'{{ {T}, topic = "a/#" }}'),
            [f'probe[2].reads[1].topic: "a/#" takes in "a/b" of probe[1].topic too{GIVE}'],
        ),
        (  # and so does its own form
            ('topic = "a"\nform = "number"', f"{{ {T} }}"),
            ('topic = "a"\nform = "number"', f'{{ {T}, form = "senml", name = "n" }}'),
            [],
        ),
        (
            ('topic = "sensord/entry"', f"{{ {T} }}"),
            ('topic = "b"', f"{{ {T} }}"),
            [
                'probe[1].topic: "sensord/entry" is broker.entry_topic "sensord/entry", '
                "where the keeper's entries arrive; give a topic of the probe's own"
            ],
        ),
    ],
)
def test_one_message_is_taken_for_one_thing(
    tmp_path: Path, one: tuple[str, str], other: tuple[str, str], lines: list[str]
) -> None:
    """What two probes would both be taken to say is told of the wider filter, else of the later reading."""
    assert told(tmp_path, one, other) == lines
