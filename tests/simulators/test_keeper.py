"""The keeper: reads, does, says; sleeps, forgets, and never goes out into a storm."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from sensord.actions import named
from sensord.intake.entries import decode
from sensord.model import Arrival, Certainty, Entry, Message, Severity, Urgency, What
from sensord.rules import all_rules
from simulators import faults
from simulators.garden import Garden
from simulators.keeper import Keeper, _kilograms
from simulators.scenario import PROBE_FAILS, configuration, keeper, larkfield

SETTINGS = configuration("larkfield")
MORNING = datetime(2026, 8, 20, 14, tzinfo=UTC)  # ten o'clock there
NIGHT = datetime(2026, 8, 21, 4, tzinfo=UTC)  # midnight there
BEFORE_THE_STORM = datetime(2026, 8, 21, 21, tzinfo=UTC)


def garden(start: datetime = MORNING, **changes: Any) -> Garden:
    """The demonstration garden with an attentive keeper."""
    one = larkfield(7, start, faults.NONE, SETTINGS)
    one.keeper = keeper(7, SETTINGS, **({"forgets": 0.0} | changes))
    return one


def message(action: str, subject: str = "birch", at: datetime = MORNING, **changes: Any) -> Message:
    """A message as the product sends it."""
    fields: dict[str, Any] = {
        "key": "k", "site": "larkfield", "at": at, "rule": "overheating", "subject": subject,
        "severity": Severity.MODERATE, "urgency": Urgency.EXPECTED, "certainty": Certainty.OBSERVED, "title": "",
        "text": "", "action": action, "concerns": ("overheating/birch",), "holds_until": None,
    }  # fmt: skip
    return Message(**(fields | changes))


def entries(one: Garden, hours: float) -> list[Entry]:
    """What the keeper says in some hours, as the product decodes it."""
    found = []
    for sent in one.step(one.now + timedelta(hours=hours)):
        if sent.topic == SETTINGS.broker.entry_topic:
            arrival = Arrival(sent.at, sent.topic, sent.payload)
            entry = decode(arrival, "larkfield", list(one.cages), ["first", "second"], ["overheating", "storm"])
            assert isinstance(entry, Entry), entry
            found.append(entry)
    return found


def says(one: Garden, words: Message | dict[str, Any] | str) -> None:
    """The phone shows a message."""
    assert one.keeper is not None
    one.keeper.read(words)


@pytest.mark.parametrize("written", ["message", "mapping", "json"])
def test_shade_is_put_up_and_said(written: str) -> None:
    """Whichever form the message comes in, the cage is shaded within the hour and an entry says so."""
    one, told = garden(), message("shade", "alder, birch")
    fields = {"at": MORNING.isoformat(), "action": "shade", "subject": "Alder, Birch", "severity": "Moderate"}
    says(one, {"message": told, "mapping": fields, "json": json.dumps(fields)}[written])
    said = entries(one, 1.5)
    assert [(e.what, e.subject, e.author, e.source) for e in said] == [
        (What.SHADED, "alder", "keeper", "simulation"),
        (What.SHADED, "birch", "keeper", "simulation"),
    ]
    assert one.cages["alder"].shaded
    assert one.cages["birch"].shaded
    assert not one.cages["cedar"].shaded
    assert MORNING < said[0].at <= said[0].received_at < MORNING + timedelta(hours=1.5)


def test_it_takes_a_while() -> None:
    """Nothing is done in the same minute; the delay is spread about what was asked for."""
    one = garden(delay=timedelta(minutes=30))
    says(one, message("shade"))
    assert entries(one, 0.1) == []
    assert len(entries(one, 2)) == 1


@pytest.mark.parametrize("action", sorted({a.word for rule in all_rules().values() for a in rule.advises if a.told_by}))
def test_every_action_is_done_and_said_in_the_product_s_words(action: str) -> None:
    """Each advised action leads to an entry that the product takes."""
    one = garden()
    one.cages["birch"].sheltered = action == "return"
    says(one, message(action))
    assert named(action).told_by in [e.what for e in entries(one, 1.5)]


def test_ballast_is_what_the_text_asks_for_and_bricks_run_out() -> None:
    """The mass is read for each enclosure, in kilograms or pounds; what is not at hand is not added."""
    one = garden()
    says(one, message("anchor", "alder, birch", text="Alder: 3 bricks (6 kg); Birch: 5 bricks (10 kg)."))
    said = entries(one, 1.5)
    assert [(e.subject, e.amount) for e in said] == [("alder", 6.0), ("birch", 10.0)]
    assert one.cages["birch"].ballast_kg == 12.0
    says(one, message("anchor", "birch", text="Add 100 kg", at=one.now))
    assert [e.amount for e in entries(one, 1.5)] == [44.0]
    assert _kilograms("put 10 lb on Birch", "Birch") == pytest.approx(4.5359237)
    assert _kilograms("soon", "Birch") is None


def test_nobody_goes_out_into_lightning_or_gusts() -> None:
    """Told in the storm, the keeper says "seen" and acts only when it has passed."""
    one = garden(BEFORE_THE_STORM)
    while not (one.sky.thunder and one.sky.wind_gust_m_s > 10):
        one.step(one.now + one.step_length)
    says(one, message("anchor", at=one.now, rule="storm", concerns=("storm/birch",), severity=Severity.SEVERE))
    acted = []
    for _ in range(240):
        for entry in entries(one, 1 / 60):
            acted.append((entry.what, one.sky.thunder))
    assert (What.SEEN, True) in acted
    assert (What.BALLAST_ADDED, False) in acted
    assert (What.BALLAST_ADDED, True) not in acted


def test_staying_in_is_only_seen() -> None:
    """ "Stay in" sends nobody out: it is answered, even while it thunders."""
    one = garden()
    says(one, message("stay in"))
    assert [(e.what, e.subject) for e in entries(one, 1)] == [(What.SEEN, "overheating/birch")]


def test_only_severe_wakes() -> None:
    """At midnight a Moderate message waits for the morning, a Severe one does not."""
    one = garden(NIGHT)
    says(one, message("shade", at=NIGHT))
    assert entries(one, 6) == []
    assert one.cages["birch"].shaded is False
    assert [e.what for e in entries(one, 3)] == [What.SHADED]
    woken = garden(NIGHT)
    says(woken, message("shade", at=NIGHT, severity=Severity.SEVERE))
    assert [e.what for e in entries(woken, 1)] == [What.SHADED]


def test_a_forgetful_keeper_forgets_but_never_what_is_severe() -> None:
    """With certainty of forgetting nothing Moderate is done."""
    one = garden(forgets=1.0)
    says(one, message("shade"))
    says(one, message("peg or shelter", severity=Severity.SEVERE))
    assert [e.what for e in entries(one, 3)] == [What.PEGGED]


def test_advice_that_has_expired_is_not_followed() -> None:
    """What held until before the keeper came to it is left."""
    one = garden(delay=timedelta(minutes=60))
    says(one, message("shade", holds_until=MORNING + timedelta(minutes=5)))
    assert entries(one, 4) == []


def test_whole_bricks_are_put() -> None:
    """ "9.1 kg or more" is five bricks of 2 kg."""
    one = garden()
    says(one, message("anchor", text="Birch: five bricks (9.1 kg or more), low inside; holds 9.3 m/s now"))
    assert [e.amount for e in entries(one, 1.5)] == [10.0]


def test_a_box_is_sheltered_where_mesh_is_pegged() -> None:
    """A peg needs a loop to go through; what was sheltered is back on the morning's round."""
    one = garden()
    says(one, message("peg or shelter", "birch, cedar"))
    assert [(e.what, e.subject) for e in entries(one, 1.5)] == [(What.PEGGED, "birch"), (What.SHELTERED, "cedar")]
    assert (one.cages["birch"].pegged, one.cages["cedar"].sheltered) == (True, True)
    back = [(e.what, e.subject) for e in entries(one, 22)]
    assert (What.RETURNED, "cedar") in back
    assert not one.cages["cedar"].sheltered


def test_air_is_given_by_taking_the_cover_off_where_there_is_one() -> None:
    """Which has a word of its own."""
    one = garden()
    one.cages["birch"].covered = True
    says(one, message("add airflow"))
    assert [(e.what, e.subject) for e in entries(one, 1.5)] == [(What.UNCOVERED, "birch")]


def test_a_dead_probe_is_seen_and_not_done() -> None:
    """What can't be mended is not said to be done."""
    one = garden()
    probe = next(d for d in one.devices if d.probe.name == "birch-1")
    one.step(PROBE_FAILS.at + timedelta(minutes=5))
    assert probe.dead
    says(one, message("check probe", "birch-1", at=one.now, rule="silent", concerns=("storm/birch-1",)))
    assert What.SEEN in [e.what for e in entries(one, 2)]


def test_opening_a_box_is_said_as_done_and_cools_it() -> None:
    """What has no entry of its own is answered with "done"."""
    one = garden()
    says(one, message("add airflow", "cedar", concerns=("overheating/cedar",)))
    assert [(e.what, e.subject) for e in entries(one, 1.5)] == [(What.DONE, "overheating/cedar")]
    assert one.cages["cedar"].opened


def test_what_fell_is_stood_up_and_counted_on_the_morning_round() -> None:
    """After the storm's night."""
    one = garden(BEFORE_THE_STORM)
    said = entries(one, 18)
    assert one.losses["birch"] > 0
    assert not any(cage.fallen for cage in one.cages.values())
    counts = {e.subject: e.amount for e in said if e.what is What.HEADCOUNT}
    assert counts["birch"] == 9 - one.losses["birch"]


def test_a_flat_battery_is_replaced() -> None:
    """A message about a probe is looked after at the probe."""
    one = garden()
    probe = next(d for d in one.devices if d.probe.name == "alder-1")
    probe._battery = 0.01
    says(one, message("change battery", "alder-1", rule="battery", concerns=("storm/alder-1",)))
    assert [e.what for e in entries(one, 2)] == [What.DONE]
    assert probe._battery > 0.9


def test_the_same_messages_get_the_same_answers() -> None:
    """Chance comes from the seed."""
    answers = []
    for _ in range(2):
        one = garden()
        says(one, message("shade"))
        answers.append(entries(one, 2))
    assert answers[0] == answers[1]


def test_a_keeper_without_garden_mail_says_nothing() -> None:
    """No message, no storm: no entries but those of the rounds, of which there is nothing to say."""
    one = garden()
    assert entries(one, 5) == []
    assert isinstance(one.keeper, Keeper)
