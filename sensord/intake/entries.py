"""What the keeper says, as it comes over MQTT: (bytes) → Entry, or a refusal that says what would be right. Pure.

    {"what": "anchored", "subject": "birch", "amount": 6}

`at` (RFC 3339) says when it was done, where that is not now; `by` who says so.
"""

from __future__ import annotations

from collections.abc import Collection
from datetime import UTC, timedelta

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError

from sensord.intake.wire import EARLIEST, LATEST
from sensord.ledger import stage_named
from sensord.model import AMOUNTS, ANSWERS, MOST, Arrival, Entry, Refusal, Source, Stage, What

FUTURE = timedelta(minutes=5)
"""A clock that is ahead by less than this is forgiven."""


class _Spoken(BaseModel):
    model_config = ConfigDict(extra="forbid")

    what: What
    subject: str = Field("", max_length=120)
    at: AwareDatetime | None = None
    amount: float | None = Field(None, ge=0, allow_inf_nan=False)
    text: str = Field("", max_length=500)
    by: str = Field("", max_length=60)
    source: Source = Source.MQTT


def decode(
    arrival: Arrival, site: str, places: Collection[str], cohorts: Collection[str], rules: Collection[str]
) -> Entry | Refusal:
    """The entry that a message carries, or why it is none."""

    def refuse(reason: str) -> Refusal:
        return Refusal(arrival.received_at, arrival.topic, arrival.payload, reason)

    try:
        spoken = _Spoken.model_validate_json(arrival.payload)
    except ValidationError as error:
        first = error.errors()[0]
        where = "".join(f"/{part}" for part in first["loc"])
        return refuse(f'entry{where}: {first["msg"]}; right is {{"what": "shaded", "subject": "alder"}}')
    except RecursionError:
        return refuse("entry: nested too deeply")
    if spoken.at is None and arrival.retained:
        return refuse("entry: a retained message without `at`: nobody knows when it was said")
    if spoken.at is not None and not EARLIEST <= spoken.at < LATEST:  # compared before UTC, where it may not exist
        right = f'between {EARLIEST.year} and now, like "{arrival.received_at:%Y-%m-%dT%H:%M:%SZ}"'
        return refuse(f"entry/at: {spoken.at.isoformat()} can't be when it was done; right is a time {right}")
    at = (spoken.at or arrival.received_at).astimezone(UTC)
    if at > arrival.received_at + FUTURE:
        return refuse(f"entry/at: {at.isoformat()} lies ahead of its receipt")
    known = spoken.subject.split("/")[0] in rules if spoken.what in ANSWERS else spoken.subject in (*places, *cohorts)
    if not known and not (spoken.what is What.NOTE and not spoken.subject):
        allowed = (
            'a concern as "rule/enclosure", rules are ' + ", ".join(sorted(rules))
            if spoken.what in ANSWERS
            else "an enclosure or cohort: " + ", ".join((*places, *cohorts))
        )
        return refuse(f'entry/subject: "{spoken.subject}" is not known; allowed is {allowed}')
    if spoken.what in AMOUNTS and spoken.amount is None:
        return refuse(f'entry/amount: "{spoken.what}" needs an amount in {AMOUNTS[spoken.what]}')
    most = MOST.get(spoken.what)
    if most is not None and spoken.amount is not None and spoken.amount > most:
        unit = AMOUNTS[spoken.what]
        return refuse(
            f'entry/amount: {spoken.amount:g} {unit} can\'t be meant; "{spoken.what}" takes 0 to {most:g} {unit}'
        )
    if spoken.what is What.HEADCOUNT and spoken.amount != int(spoken.amount or 0):
        return refuse(f"entry/amount: {spoken.amount:g} animals; a headcount is a whole number")
    if spoken.what is What.STAGE and stage_named(spoken.text) is None:
        return refuse(f'entry/text: "{spoken.text}" is no stage; known are {", ".join(Stage)}')
    if spoken.what is What.NOTE and not spoken.text.strip():
        return refuse('entry/text: a "note" without any text')
    if spoken.what is What.MOVED and spoken.text not in places:
        return refuse(f'entry/text: "moved" names the enclosure moved to; allowed are {", ".join(places)}')
    return Entry(
        site, at, arrival.received_at, spoken.subject, spoken.what, spoken.amount, spoken.text, spoken.by, spoken.source
    )
