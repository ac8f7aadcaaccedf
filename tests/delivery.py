"""Messages that arrive, for tests of the judge and the rules: what a notice asks for is told only by a message."""

from __future__ import annotations

from datetime import datetime

from sensord.concerns import delivered
from sensord.model import Certainty, Concern, Message, Notice, Said, Urgency


def message_of(notice: Notice) -> Message:
    """The message of a single notice."""
    concern, verdict = notice.concern, notice.concern.verdict
    action = verdict.advice.action if verdict.advice else ""
    return Message(
        key=f"{concern.key} {concern.askings}",
        site=concern.site,
        at=notice.at,
        rule=concern.rule,
        subject=concern.subject,
        severity=verdict.severity,
        urgency=Urgency.IMMEDIATE,
        certainty=Certainty.OBSERVED,
        title=verdict.reason,
        text=verdict.reason,
        action=action,
        concerns=(concern.key,),
        holds_until=None,
        telling=notice.telling,
        said=(Said(concern.key, notice.telling, verdict.severity, action),),
    )


def arrives(concern: Concern | None, notices: tuple[Notice, ...], at: datetime | None = None) -> Concern | None:
    """The concern after its notices reached the phone, at once or `at` some later instant."""
    for notice in notices:
        assert concern is not None
        concern = delivered(concern, message_of(notice), at or notice.at)
    return concern
