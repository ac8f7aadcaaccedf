"""When a message goes and whether it still may: grouping, quiet hours, budget, expiry, stand-in, and whole weeks of it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sensord.actions import STAY_IN
from sensord.concerns import delivered, judge, not_said, owed, says_stay_in
from sensord.config import KeeperSettings
from sensord.language import TEXT_LIMIT, TITLE_LIMIT, Catalogue, Text, template
from sensord.messages import (
    Desk,
    Keep,
    Post,
    Replace,
    Withdraw,
    compose,
    morning_line,
    never_went,
    next_attempt,
    quiet_until,
    revise,
    stand_in,
    watched_again,
    week_told,
)
from sensord.model import (
    Advice,
    Asked,
    Certainty,
    Concern,
    Enclosure,
    Entry,
    Kind,
    Message,
    Notice,
    Number,
    Parcel,
    Severity,
    Site,
    Standing,
    State,
    Telling,
    Unsaid,
    Urgency,
    Verdict,
    What,
)
from sensord.rules import all_rules

DETROIT = ZoneInfo("America/Detroit")
SECOND, MINUTE, HOUR = timedelta(seconds=1), timedelta(minutes=1), timedelta(hours=1)
NOON = datetime(2026, 8, 20, 16, 0, tzinfo=UTC)  # 12:00 in Detroit
NIGHT = datetime(2026, 8, 21, 4, 0, tzinfo=UTC)  # 00:00 in Detroit
SITE = Site("larkfield", 41.5, -83.5, 190.0, "America/Detroit", "Larkfield Lane")
NAMES = ("alder", "birch", "cedar")
ENCLOSURES = tuple(
    Enclosure("larkfield", n, n.capitalize(), Kind.OPEN_MESH, 0.6, 0.6, 0.9, 0.8, 0.0, False, 0.5, 0.3, False, False)
    for n in NAMES
)
SHIPPED = Catalogue.load()


def text(title: str, body: str, many: str = "", each: str = "") -> Text:
    return Text(template(title), template(body), template(many) if many else None, template(each) if each else None)


MANNERS = {name: rule.manner for name, rule in all_rules().items()}
TEXTS = replace(
    SHIPPED,
    rules={
        ("overheating", "hot"): text(
            "Shade {subject}[ before {by_at}]",
            "{inside_c} in {subject}.",
            "Shade {subject}[ before {by_at}].",
            "{subject}: {inside_c}",
        ),
        ("storm", "hot"): text("Anchor {subject}[ before {by_at}]", "Gusts to {gust_m_s}. Anchor {subject}."),
        ("storm", "stay in"): text("Stay in; look after {subject} later", "The gust front is here."),
        ("storm", "look after"): text("Look after {subject}", "Standing? Count them."),
        ("silent", "hot"): text("Check the probe of {subject}", "Nothing heard."),
    },
)
NUMBERS: dict[str, Number] = {"inside_c": 36.0, "gust_m_s": 15.0}


def keeper(**changes: object) -> KeeperSettings:
    return KeeperSettings.model_validate({"units": "metric", **changes})


def concern(
    subject: str = "alder",
    severity: Severity = Severity.MODERATE,
    *,
    rule: str = "overheating",
    reason: str = "hot",
    action: str = "shade",
    at: datetime = NOON,
    **changes: object,
) -> Concern:
    """A concern just told, as the judge leaves it."""
    advice = Advice(action, outdoors=action != STAY_IN.word) if action else None
    verdict = Verdict(rule, subject, State.BREACH, at, reason, severity, numbers=dict(NUMBERS), advice=advice)
    whole = Concern(
        "larkfield",
        rule,
        subject,
        Standing.OPEN,
        verdict,
        at,
        opened_at=at,
        peak=severity,
        told=severity,
        told_action=action,
        told_at=at,
        tellings=1,
        askings=1,
    )
    return replace(whole, **changes)  # type: ignore[arg-type]


def advised(c: Concern, **advice: object) -> Concern:
    assert c.verdict.advice is not None
    return replace(c, verdict=replace(c.verdict, advice=replace(c.verdict.advice, **advice)))  # type: ignore[arg-type]


def stay_in(at: datetime = NOON, subject: str = "birch") -> Concern:
    return concern(subject, Severity.SEVERE, rule="storm", reason="stay in", action=STAY_IN.word, at=at)


def desk(*standing: Concern, lately: Sequence[Parcel] = (), settings: KeeperSettings | None = None) -> Desk:
    return Desk(
        SITE, ENCLOSURES, settings or keeper(), TEXTS, {c.key: c for c in standing}, tuple(lately), manners=MANNERS
    )


def notices(*concerns: Concern, telling: Telling = Telling.OPENED) -> list[Notice]:
    return [Notice(c.told_at or NOON, telling, c) for c in concerns]


def parcel(message: Message, state: str = "waiting", attempts: int = 0) -> Parcel:
    return Parcel(message, attempts, message.not_before or message.at, state)


def sent(*concerns: Concern, now: datetime = NOON, telling: Telling = Telling.OPENED) -> Message:
    (message,) = compose(notices(*concerns, telling=telling), desk(*concerns), now).messages
    return message


# --- one moment, one message ------------------------------------------------------------------------------------------


def test_three_enclosures_to_shade_are_one_message() -> None:
    """Notices about the same action become one message: a list in the title, a line for each."""
    three = [concern(n) for n in NAMES]
    message = sent(*three)
    assert (message.title, message.subject) == ("Shade Alder, Birch and Cedar", "alder, birch, cedar")
    assert message.text == "Shade Alder, Birch and Cedar.\nAlder: 36 °C\nBirch: 36 °C\nCedar: 36 °C"
    assert message.concerns == ("overheating/alder", "overheating/birch", "overheating/cedar")


def test_different_actions_are_different_messages_the_worst_first() -> None:
    """What must be done differently is said separately, in the order of severity, then urgency."""
    shade, anchor = concern("alder"), concern("birch", Severity.SEVERE, rule="storm", action="anchor")
    probe = concern("cedar", Severity.MODERATE, rule="silent", action="check probe")
    urgent = replace(probe, verdict=replace(probe.verdict, urgency=Urgency.IMMEDIATE))
    post = compose(notices(shade, anchor, urgent), desk(shade, anchor, urgent), NOON)
    assert [m.action for m in post.messages] == ["anchor", "check probe", "shade"]


def test_a_group_tells_the_worst_severity_and_the_nearest_deadline() -> None:
    """The group is as severe as its worst, and due when its first is due."""
    alder = advised(concern("alder"), by=NOON + 3 * HOUR)
    birch = advised(concern("birch", Severity.SEVERE), by=NOON + 2 * HOUR)
    message = sent(alder, birch)
    assert message.severity is Severity.SEVERE
    assert message.title == "Shade Alder and Birch before 14:00"
    assert message.holds_until == NOON + 2 * HOUR


def test_the_worst_of_a_group_leads() -> None:
    """Its line is the first, and its certainty is the message's; of two as bad, the more urgent one."""
    mild, bad = concern("alder"), concern("birch", Severity.SEVERE)
    bad = replace(bad, verdict=replace(bad.verdict, certainty=Certainty.POSSIBLE))
    message = sent(mild, bad)
    assert (message.text.splitlines()[1:], message.certainty) == (["Birch: 36 °C", "Alder: 36 °C"], Certainty.POSSIBLE)
    urgent = replace(bad, verdict=replace(bad.verdict, severity=mild.verdict.severity, urgency=Urgency.IMMEDIATE))
    assert sent(mild, urgent).text.splitlines()[1:] == ["Birch: 36 °C", "Alder: 36 °C"]


def test_a_deadline_that_is_now_is_told_no_more() -> None:
    """What is to be done holds on for as long as the advice does; before the deadline, the message holds until then."""
    for by, title, holds_until in (
        (NOON, "Shade Alder", NOON + 2 * HOUR),
        (NOON + HOUR, "Shade Alder before 13:00", NOON + HOUR),
    ):
        message = sent(advised(concern(), by=by, holds_until=NOON + 2 * HOUR))
        assert (message.title, message.holds_until) == (title, holds_until)


def test_only_a_follow_up_says_that_it_was_not_enough() -> None:
    """What else is to be done after an answer is news by itself."""
    done = concern(standing=Standing.ANSWERED, answer=What.DONE, answered_at=NOON - HOUR)
    assert sent(done, telling=Telling.FOLLOW_UP).text.endswith("It is not enough yet after what you did at 11:00.")
    assert "11:00" not in sent(done, telling=Telling.CHANGED).text


def test_a_number_that_differs_is_in_no_shared_text() -> None:
    """Where subjects differ in a number, title and shared text leave it out; each line has its own."""
    texts = replace(
        SHIPPED,
        rules={
            ("overheating", "hot"): text("Shade {subject}[: {inside_c}]", "x", "All[ at {inside_c}].", "{inside_c}")
        },
    )
    alder, birch = concern("alder"), concern("birch")
    hotter = replace(birch, verdict=replace(birch.verdict, numbers={"inside_c": 39.0}))
    (same,) = compose(notices(alder, birch), replace(desk(), texts=texts), NOON).messages
    (differs,) = compose(notices(alder, hotter), replace(desk(), texts=texts), NOON).messages
    assert (same.title, same.text) == ("Shade Alder and Birch: 36 °C", "All at 36 °C.\n36 °C\n36 °C")
    assert (differs.title, differs.text) == ("Shade Alder and Birch", "All.\n36 °C\n39 °C")


def test_a_line_that_only_names_its_subject_is_left_out() -> None:
    """Where a subject has nothing of its own to say, it has no line."""
    texts = replace(SHIPPED, rules={("overheating", "hot"): text("Shade {subject}", "x", "All.", "{subject}[: {wet}]")})
    alder, birch = concern("alder"), concern("birch")
    wet = replace(birch, verdict=replace(birch.verdict, numbers={"wet": "wet"}))
    (message,) = compose(notices(alder, wet), replace(desk(), texts=texts), NOON).messages
    assert message.text == "All.\nBirch: wet"


def test_the_key_is_stable_and_tells_matters_apart() -> None:
    """The same notices give the same key in any order; another telling, another life or another action another one."""
    alder, birch = concern("alder"), concern("birch")
    key = sent(alder, birch).key
    assert sent(birch, alder).key == key
    assert sent(alder, birch, now=NOON + HOUR).key == key
    others = [
        sent(alder).key,
        sent(replace(alder, askings=2), birch).key,
        sent(replace(alder, opened_at=NOON - HOUR), birch).key,
        sent(advised(alder, action="move to shade"), advised(birch, action="move to shade")).key,
        sent(alder, birch, telling=Telling.FOLLOW_UP).key,
    ]
    assert len({key, *others}) == 6


def test_a_reason_without_a_text_is_told_all_the_same() -> None:
    """A missing text is a defect that is reported; the keeper still hears of the matter."""
    odd = concern(reason="unheard of")
    post = compose(notices(odd), desk(odd), NOON)
    assert post.messages[0].title == "Alder: unheard of"
    assert post.missing == ("overheating.unheard of: no text",)


def test_a_repeat_says_when_it_was_said_first() -> None:
    """A repeat names the first telling, if it reached the phone today."""
    first = sent(concern())
    repeated = concern(told_at=NOON + HOUR, tellings=2)
    again = notices(repeated, telling=Telling.AGAIN)
    (plain,) = compose(again, desk(repeated, lately=[parcel(first)]), NOON + HOUR).messages
    (framed,) = compose(again, desk(repeated, lately=[parcel(first, "sent")]), NOON + HOUR).messages
    assert plain.text == "36 °C in Alder."
    assert framed.text == "36 °C in Alder.\nSaid first at 12:00."


def test_said_first_is_when_it_arrived() -> None:
    """Asked for at 12:00 and delivered at 14:00, after an outage or when the night was over: said first at 14:00.

    Two minutes are no delay yet.
    """
    repeated = concern(told_at=NOON + 2 * HOUR, tellings=1)
    again = notices(repeated, telling=Telling.AGAIN)
    for late, at in ((2 * MINUTE - SECOND, "12:00"), (2 * MINUTE, "12:02"), (2 * HOUR, "14:00")):
        first = parcel(sent(concern()), "sent")._replace(sent_at=NOON + late)
        (framed,) = compose(again, desk(repeated, lately=[first]), NOON + 3 * HOUR).messages
        assert framed.text.endswith(f"Said first at {at}.")


def test_said_first_is_said_of_the_same_action() -> None:
    """At 12:00 shade was asked for, at 16:00 more air: a repeat of the latter says 16:00; nothing where it never was sent."""
    shade = sent(concern())
    air = replace(shade, key="air", at=NOON + 4 * HOUR, action="add airflow")
    repeated = concern(action="add airflow", told_at=NOON + 5 * HOUR, tellings=3)
    again, at = notices(repeated, telling=Telling.AGAIN), NOON + 5 * HOUR
    both = [parcel(shade, "sent"), parcel(air, "sent")]
    (framed,) = compose(again, desk(repeated, lately=both), at).messages
    assert framed.text.endswith("Said first at 16:00.")
    (plain,) = compose(again, desk(repeated, lately=both[:1]), at).messages
    assert "Said first" not in plain.text


def test_overdue_is_only_what_the_phone_was_told() -> None:
    """A deadline whose message was held back over night is not held against the keeper; one that was told is."""
    first = concern()
    late = replace(first.verdict, numbers={**NUMBERS, "overdue_at": (NOON + HOUR).isoformat()})
    late_texts = replace(TEXTS, rules={("overheating", "hot"): text("Shade {subject}", "[Due at {overdue_at}. ]Now.")})
    repeated = replace(first, verdict=late, told_at=NOON + 2 * HOUR, tellings=2)
    for state, words in (("held", "Now."), ("sent", "Due at 13:00. Now.\nSaid first at 12:00.")):
        at_desk = replace(desk(repeated, lately=[parcel(sent(first), state)]), texts=late_texts)
        (message,) = compose(notices(repeated, telling=Telling.AGAIN), at_desk, NOON + 2 * HOUR).messages
        assert message.text == words


def test_an_all_clear_speaks_in_the_words_of_its_verdict() -> None:
    """The end of a storm says what is to be done now; without an own text it says that it is over."""
    fine = Verdict("storm", "alder", State.FINE, NOON, "look after", advice=Advice("look after"))
    over = concern(rule="storm", standing=Standing.OVER, verdict=fine)
    (message,) = compose(notices(over, telling=Telling.OVER), desk(), NOON).messages
    assert (message.title, message.action, message.severity) == ("Look after Alder", "look after", Severity.MINOR)
    over = replace(over, verdict=replace(fine, reason="calm", advice=None))
    (message,) = compose(notices(over, telling=Telling.OVER), desk(), NOON).messages
    assert message.title == "Alder: over"


# --- quiet hours ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("local", "end"),
    [
        ("2026-08-20 21:59", None),
        ("2026-08-20 22:00", "2026-08-21 06:30"),
        ("2026-08-21 00:00", "2026-08-21 06:30"),
        ("2026-08-21 06:29", "2026-08-21 06:30"),
        ("2026-08-21 06:30", None),
        # America/Detroit, 2026: clocks go forward on 8 March at 02:00 and back on 1 November at 02:00.
        ("2026-03-07 23:00", "2026-03-08 06:30"),
        ("2026-10-31 23:00", "2026-11-01 06:30"),
    ],
)
def test_quiet_hours(local: str, end: str | None) -> None:
    """Quiet hours cross midnight, end to the minute, and keep to the wall clock in the nights when it changes."""
    now = datetime.fromisoformat(local).replace(tzinfo=DETROIT).astimezone(UTC)
    until = quiet_until(desk(), now)
    assert (until.astimezone(DETROIT).strftime("%Y-%m-%d %H:%M") if until else None) == end


def test_quiet_hours_that_end_in_the_repeated_hour() -> None:
    """Quiet until 01:30 on the night with two of them: they end at the first, and do not begin again."""
    short = keeper(quiet_until="01:30")
    start = datetime(2026, 11, 1, 4, 0, tzinfo=UTC)  # 00:00
    quiet = [quiet_until(desk(settings=short), start + 10 * MINUTE * i) is not None for i in range(24)]
    assert quiet == [True] * 9 + [False] * 15


def test_quiet_hours_by_day_and_none_at_all() -> None:
    """Quiet hours may lie within a day; without a beginning or an end, or with both the same, there are none."""
    by_day = keeper(quiet_from="13:00", quiet_until="15:00")
    assert quiet_until(desk(settings=by_day), NOON + HOUR) == NOON + 3 * HOUR
    assert quiet_until(desk(settings=by_day), NOON + 3 * HOUR) is None
    early = keeper(quiet_from="01:00", quiet_until="05:00")
    tomorrow = advised(concern(rule="storm", action="anchor"), by=NIGHT + 3 * HOUR)
    full = [*used(50), *used(50, rule="storm")]
    assert compose(notices(tomorrow), desk(tomorrow, lately=full, settings=early), NOON).messages, "as of any evening"
    for none in (keeper(quiet_from=""), keeper(quiet_until=""), keeper(quiet_from="06:30")):
        assert quiet_until(desk(settings=none), NIGHT) is None


def test_below_severe_waits_for_the_morning() -> None:
    """At night Moderate waits until the quiet hours end, and the post says so; Severe goes at once."""
    mild, bad = concern("alder", at=NIGHT), concern("birch", Severity.SEVERE, at=NIGHT)
    post = compose(notices(mild, bad), desk(mild, bad), NIGHT)
    assert [m.not_before for m in post.messages] == [None]  # they are one message, and it is Severe
    post = compose(notices(mild), desk(mild), NIGHT)
    assert post.messages[0].not_before == datetime(2026, 8, 21, 10, 30, tzinfo=UTC)
    assert post.waiting == ((post.messages[0], "quiet hours"),)


def test_what_would_be_late_in_the_morning_is_held_back() -> None:
    """Advice that does not hold until the end of the quiet hours is never sent, and the reason is on record."""
    late = advised(concern(at=NIGHT), by=NIGHT + HOUR)
    post = compose(notices(late), desk(late), NIGHT)
    assert not post.messages
    assert [why for _, why in post.held] == ["quiet hours"]


# --- budget -----------------------------------------------------------------------------------------------------------


def used(
    count: int, now: datetime = NOON, *, rule: str = "overheating", telling: Telling = Telling.OPENED
) -> list[Parcel]:
    """A day on which so many messages went."""
    message = sent(concern(rule=rule), telling=telling)
    return [parcel(replace(message, key=str(i), at=now - HOUR, concerns=(f"x/{i}",)), "sent") for i in range(count)]


def test_the_budget_is_a_limit() -> None:
    """What exceeds the day's budget and its hazard's share is held back with the reason, the mildest first."""
    shade, air = concern("alder"), concern("cedar", action="add airflow")
    urgent = replace(shade, verdict=replace(shade.verdict, urgency=Urgency.IMMEDIATE))
    post = compose(notices(urgent, air), desk(urgent, air, lately=used(7)), NOON)
    assert [m.action for m in post.messages] == ["shade"]
    assert [(m.action, why) for m, why in post.held] == [("add airflow", Unsaid.SHARE)]


@pytest.mark.parametrize(("budget", "share"), [(1, 1), (4, 1), (7, 1), (8, 2), (12, 3)])
def test_every_hazard_has_a_share_of_its_own(budget: int, share: int) -> None:
    """However much was said about heat, the first notices of silent probes go: a quarter of the budget, at least one."""
    probe, few = concern("cedar", rule="silent", action="check probe"), keeper(pushes_per_day=budget)
    heat = used(budget + 3)
    for already in range(share + 1):
        watching = used(already, rule="silent")
        post = compose(notices(probe), desk(probe, lately=[*heat, *watching], settings=few), NOON)
        assert bool(post.messages) is (already < share), already
    for other in ("storm", "frost", "wet"):
        c = concern("alder", rule=other, action="look")
        assert compose(notices(c), desk(c, lately=[*heat, *watching], settings=few), NOON).messages


def test_news_has_what_the_day_has_left() -> None:
    """What is worse or other than told has no share: it goes until the budget is used up."""
    c = concern()
    for telling in (Telling.WORSE, Telling.CHANGED, Telling.FOLLOW_UP):
        assert compose(notices(c, telling=telling), desk(c, lately=used(7)), NOON).messages
        post = compose(notices(c, telling=telling), desk(c, lately=used(8)), NOON)
        assert [why for _, why in post.held] == [Unsaid.BUDGET]


def test_what_the_end_left_to_do_stands_in_the_morning_line() -> None:
    """Told in the evening to look after them, and nobody has: the morning does not say that there is nothing to do."""
    evening = datetime(2026, 8, 21, 1, 0, tzinfo=UTC)
    advice = Advice("look after", holds_until=evening + 12 * HOUR)
    ended = [
        concern(
            name, rule="storm", standing=Standing.OVER, at=evening, told_at=evening,
            verdict=Verdict("storm", name, State.FINE, evening, "look after", Severity.MINOR,
                            numbers={"gust_m_s": 16.0}, advice=advice),
        )
        for name in ("alder", "birch")
    ]  # fmt: skip
    (told,) = compose(notices(*ended, telling=Telling.OVER), desk(), evening).messages
    morning = evening + 10 * HOUR
    after = desk(lately=[parcel(told, "sent")])

    def line(*entries: Entry, at: datetime = morning) -> str:
        return morning_line(after, 14.0, NAMES, at, 0, entries).text

    assert f"still to do: {told.title}" in line()
    counted_one = Entry("larkfield", morning - HOUR, morning - HOUR, "alder", What.HEADCOUNT, 14.0)
    assert "still to do" in line(counted_one)
    assert "nothing to do" in line(counted_one, counted_one._replace(subject="birch"))
    at_once = [counted_one._replace(at=evening, subject=name) for name in ("alder", "birch")]
    assert "nothing to do" in line(*at_once), "what was done in the very moment of the message is done"
    assert "still to do" in line(*(e._replace(at=evening - SECOND) for e in at_once))
    assert "still to do" in line(counted_one._replace(subject="elsewhere"))
    assert "still to do" in line(at=evening + 12 * HOUR - SECOND)
    assert "nothing to do" in line(at=evening + 12 * HOUR)


def test_the_budget_never_holds_back_what_matters() -> None:
    """Severe, an all-clear, and storm advice that falls due in the coming quiet hours go beyond any budget."""
    severe = concern("alder", Severity.SEVERE)
    fine = Verdict("storm", "birch", State.FINE, NOON, "look after", advice=Advice("look after"))
    over = concern("birch", rule="storm", standing=Standing.OVER, verdict=fine)
    tonight = advised(concern("cedar", rule="storm", action="anchor"), by=datetime(2026, 8, 21, 3, 0, tzinfo=UTC))
    today = [*used(50), *used(50, rule="storm")]
    assert len(compose(notices(severe), desk(severe, lately=today), NOON).messages) == 1
    assert len(compose(notices(over, telling=Telling.OVER), desk(lately=today), NOON).messages) == 1
    assert len(compose(notices(tonight), desk(tonight, lately=today), NOON).messages) == 1
    sooner = advised(tonight, by=NOON + 2 * HOUR)
    assert len(compose(notices(sooner), desk(sooner, lately=today), NOON).messages) == 0


@pytest.mark.parametrize(
    ("local", "by", "goes"),
    [
        ("21:59", "22:00", True),
        ("21:59", "06:29", True),
        ("21:59", "06:30", False),
        ("21:59", "21:59", False),
        ("22:00", "23:00", False),
    ],
)
def test_which_storm_advice_is_said_before_the_quiet_hours(local: str, by: str, goes: bool) -> None:
    """What falls due from their first minute to their last; not once they have begun, when it could wait for the morning."""

    def at(clock: str) -> datetime:
        day = date(2026, 8, 21 if clock < "12:00" else 20)
        return datetime.combine(day, time.fromisoformat(clock), DETROIT).astimezone(UTC)

    now = at(local)
    storm = concern(rule="storm", action="anchor", at=now)
    storm = advised(storm, by=at(by), holds_until=NIGHT + 12 * HOUR)
    full = desk(storm, lately=[*used(50, now), *used(50, now, rule="storm")])
    assert bool(compose(notices(storm), full, now).messages) is goes


@pytest.mark.parametrize("telling", [Telling.AGAIN, Telling.EASED])
def test_repeats_leave_room_for_news(telling: Telling) -> None:
    """The last quarter of the budget is not spent on repeats."""
    c = concern()
    assert compose(notices(c, telling=telling), desk(c, lately=used(5)), NOON).messages
    post = compose(notices(c, telling=telling), desk(c, lately=used(6)), NOON)
    assert [why for _, why in post.held] == [Unsaid.REST]
    assert compose(notices(c), desk(c, lately=used(6)), NOON).messages


def test_a_repeat_takes_nothing_from_a_first_notice() -> None:
    """However many repeats went, first notices go until as many as the budget were no repeats."""
    c, repeats = concern(), used(20, telling=Telling.AGAIN)
    assert compose(notices(c), desk(c, lately=[*repeats, *used(7)]), NOON).messages
    assert compose(notices(c), desk(c, lately=[*repeats, *used(8)]), NOON).held


def test_in_one_moment_first_notices_go_before_news_and_news_before_repeats() -> None:
    """With room for one message, it is the first notice, although a repeat is more urgent; order of sending is another."""
    few = keeper(pushes_per_day=4)
    new, worse, again = (
        concern("alder"),
        concern("birch", action="add airflow"),
        concern("cedar", action="move to shade"),
    )
    urgent = replace(again, verdict=replace(again.verdict, urgency=Urgency.IMMEDIATE))
    all_three = [
        *notices(urgent, telling=Telling.AGAIN),
        *notices(worse, telling=Telling.WORSE),
        *notices(new),
    ]
    gone = [
        {m.action for m in compose(all_three, desk(new, worse, urgent, lately=used(n), settings=few), NOON).messages}
        for n in range(5)
    ]
    two = {"shade", "add airflow"}
    assert gone == [two | {"move to shade"}, two, two, {"shade"}, set()]


def test_the_budget_is_of_the_local_day() -> None:
    """What went before local midnight takes nothing from today's budget; what went at midnight does."""
    c = concern(severity=Severity.MODERATE)
    full = desk(c, lately=used(50))
    assert not compose(notices(c), full, NOON).messages
    assert not compose(notices(c), replace(full, day_began=NOON - HOUR), NOON).messages
    assert compose(notices(c), replace(full, day_began=NOON - HOUR + SECOND), NOON).messages
    assert compose(notices(c), replace(full, day_began=NOON + HOUR), NOON).messages


def test_what_does_not_take_from_the_budget() -> None:
    """The morning line, the stand-in's messages and what never went do not count."""
    c = concern()
    line = morning_line(desk(), 14.0, NAMES, NOON - 3 * HOUR)
    free = [
        *(parcel(replace(line, key=str(i)), "sent") for i in range(5)),
        *(p._replace(state="withdrawn") for p in used(5)),
        *(p._replace(message=replace(p.message, route="stand-in")) for p in used(5)),
    ]
    assert compose(notices(c), desk(c, lately=free), NOON).messages


# --- what is withheld -------------------------------------------------------------------------------------------------


def withheld(c: Concern, why: Unsaid | None = Unsaid.BUDGET, at: datetime = NOON) -> Concern:
    """The concern before anything was told of it, its first message withheld."""
    action = c.verdict.advice.action if c.verdict.advice else ""
    asked = Asked(at, Telling.OPENED, c.verdict.severity, action, why)
    return replace(c, told=Severity.NONE, told_action="", told_at=None, tellings=0, asked=asked)


def asked(c: Concern, at: datetime = NOON) -> Concern:
    """The concern with its first message just asked for."""
    return withheld(c, None, at)


def test_what_is_held_back_is_withheld_with_its_reason() -> None:
    """The concern knows why nothing was said of it; what goes changes no concern."""
    c = asked(concern())
    post = compose(notices(c), desk(c, lately=used(8)), NOON)
    ((message, why),) = post.held
    assert post.concerns == (not_said(c, message, why),)
    assert post.concerns[0].withheld is not None
    assert post.concerns[0].withheld.withheld == why
    assert compose(notices(c), desk(c), NOON).concerns == ()


def test_what_was_withheld_goes_first_when_a_day_begins() -> None:
    """It is weighed at every moment, held back in silence while there is no room, and goes before what is new."""
    few = keeper(pushes_per_day=1)
    old = withheld(concern("alder"))
    new = asked(concern("birch", action="add airflow"))
    urgent = replace(new, verdict=replace(new.verdict, urgency=Urgency.IMMEDIATE))
    full = desk(old, lately=used(3), settings=few)
    assert compose([], full, NOON) == Post((), ())
    post = compose(notices(urgent), desk(old, urgent, settings=few), NOON)
    assert [m.action for m in post.messages] == ["shade"]
    assert [m.action for m, _ in post.held] == ["add airflow"]
    known = {c.key: c for c in post.concerns}
    assert known[old.key].asked == Asked(NOON, Telling.OPENED, Severity.MODERATE, "shade")
    assert known[old.key].askings == 2
    assert known[urgent.key].withheld is not None


def test_what_was_withheld_finds_company() -> None:
    """Birch is to be shaded too: one message for both; where there is no room, both are withheld by one."""
    old, new = withheld(concern("alder")), asked(concern("birch"))
    post = compose(notices(new), desk(old, new), NOON)
    assert [m.title for m in post.messages] == ["Shade Alder and Birch"]
    assert [c.key for c in post.concerns] == [old.key]
    post = compose(notices(new), desk(old, new, lately=used(8)), NOON)
    assert [m.title for m, _ in post.held] == ["Shade Alder and Birch"]
    assert {c.key for c in post.concerns if c.withheld} == {old.key, new.key}


def test_what_is_too_late_alone_spoils_no_company() -> None:
    """Alder's deadline is over: Birch's message goes without it, and Alder's goes when it is no longer late."""
    late = advised(withheld(concern("alder")), by=NOON)
    new = asked(concern("birch"))
    post = compose(notices(new), desk(late, new), NOON)
    assert [m.title for m in post.messages] == ["Shade Birch"]
    assert compose([], desk(late), NOON) == Post((), ())
    assert compose([], desk(advised(late, by=None)), NOON).messages


def test_what_would_have_been_late_goes_when_the_night_is_over() -> None:
    """Held back for the quiet hours, because its advice ends before them: in the morning, what holds then is said."""
    c = advised(asked(concern(at=NIGHT), NIGHT), by=NIGHT + HOUR)
    (held,) = compose(notices(c), desk(c), NIGHT).concerns
    morning = datetime(2026, 8, 21, 10, 30, tzinfo=UTC)
    still = advised(held, by=morning + HOUR)
    assert compose([], desk(still), morning - MINUTE).messages[0].not_before == morning
    (message,) = compose([], desk(still), morning).messages
    assert (message.title, message.telling, message.not_before) == ("Shade Alder before 07:30", Telling.OPENED, None)


def test_what_is_withdrawn_is_withheld_and_what_is_left_out_too() -> None:
    """Where a due message no longer speaks of a concern, the concern knows; the others are still on their way."""
    three = [asked(concern(n)) for n in NAMES]
    message = sent(*three)
    answered = replace(three[0], standing=Standing.ANSWERED, answered_at=NOON + MINUTE, answer=What.NOT_NOW)
    revised = revise(parcel(message), desk(answered, *three[1:]), NOON + 2 * MINUTE)
    assert isinstance(revised, Replace)
    assert [(c.key, c.withheld.withheld) for c in revised.concerns if c.withheld] == [
        (answered.key, "the keeper has answered")
    ]
    assert len(revised.concerns) == 1
    six = datetime(2026, 8, 20, 22, 0, tzinfo=UTC)
    late = advised(asked(concern()), by=NOON + HOUR)
    gone = revise(parcel(sent(late), attempts=3), desk(late), six)
    assert isinstance(gone, Withdraw)
    assert [c.withheld.withheld for c in gone.concerns if c.withheld] == ["its deadline has passed"]
    fine = replace(asked(concern()), fine_since=NOON + MINUTE)
    gone = revise(parcel(sent(fine)), desk(fine), NOON + 2 * MINUTE)
    assert isinstance(gone, Withdraw)
    assert [c.withheld.withheld for c in gone.concerns if c.withheld] == ["it is fine meanwhile"]


def test_what_is_severe_on_its_way_goes_although_it_is_fine_for_a_moment() -> None:
    """By what the message says, not by what was told before it: nothing was."""
    storm = asked(stay_in())
    message = sent(storm)
    calm = Verdict("storm", "birch", State.FINE, NOON + MINUTE, "calm")
    fine = replace(storm, verdict=calm, fine_since=NOON + MINUTE)
    assert revise(parcel(message), desk(fine), NOON + 2 * MINUTE) == Keep()


def test_what_is_fine_for_a_moment_does_not_wait_for_the_end_of_a_storm() -> None:
    """It is withdrawn, and if it is a breach again, asked for again at once: with "stay in now" as long as that holds."""
    hot, storm = asked(concern(severity=Severity.SEVERE)), stay_in()
    message = sent(hot)
    cool = Verdict("overheating", "alder", State.FINE, NOON + MINUTE, "cool")
    fine = replace(hot, verdict=cool, fine_since=NOON + MINUTE)
    gone = revise(parcel(message), desk(fine, storm), NOON + 2 * MINUTE)
    assert isinstance(gone, Withdraw)
    (held,) = gone.concerns
    again = replace(held, verdict=hot.verdict, fine_since=None)
    assert [m.title for m in compose([], desk(again), NOON + 3 * MINUTE).messages] == ["Shade Alder"]
    during = compose([], desk(again, storm), NOON + 3 * MINUTE)
    assert [m.title for m in during.messages] == ["Stay in now; later: Shade Alder"]


def test_a_message_that_takes_anothers_place_costs_nothing() -> None:
    """Room for one: "shade" waits and never went, now it is "more air": that goes, and the older is withdrawn."""
    few = keeper(pushes_per_day=1)
    first = asked(concern())
    waiting = parcel(sent(first), attempts=2)
    later = NOON + HOUR
    other = advised(asked(concern(), later), action="add airflow")
    assert compose([Notice(later, Telling.OPENED, other)], desk(other, lately=[waiting], settings=few), later).messages
    post = compose(
        [Notice(later, Telling.OPENED, other)],
        desk(other, lately=[waiting._replace(state="sent")], settings=few),
        later,
    )
    assert post.held


def test_what_was_withheld_goes_with_the_message_that_is_rewritten() -> None:
    """The message of both waits; of Alder something else is to be said and finds no room: then the old one says it."""
    alder, birch = asked(concern("alder")), asked(concern("birch"))
    message = sent(alder, birch)
    later = NOON + HOUR
    changed = withheld(advised(alder, action="add airflow"), at=later)
    changed = replace(changed, verdict=replace(changed.verdict, severity=Severity.SEVERE))
    revised = revise(parcel(message, attempts=4), desk(changed, birch), later)
    assert isinstance(revised, Replace)
    assert [(c.key, c.withheld) for c in revised.concerns] == [(changed.key, None)]
    assert {s.concern: s.telling for s in revised.message.said} == {
        alder.key: Telling.OPENED,
        birch.key: Telling.OPENED,
    }


def test_a_day_of_repeats_about_heat_leaves_room_for_first_notices() -> None:
    """Three enclosures are hot all day and each asks for something else; then probes fall silent and a storm comes up.

    The budget of the day is spent on heat by the early afternoon. Every matter is told once all the same, and the heat
    goes on being repeated with what is left.
    """
    world = World(keeper())
    world.now = NOON - 3 * HOUR
    acts = {"alder": "shade", "birch": "add airflow", "cedar": "move to shade"}
    silent_from = {"alder": 4, "birch": 6, "cedar": 7}
    for _ in range(11 * 12):
        world.now += 5 * MINUTE
        hours = (world.now - NOON) / HOUR + 3
        verdicts = [
            replace(
                verdict_of(("overheating", name, "moderate"), world.now), advice=Advice(act if hours < 4 else "shade")
            )
            for name, act in acts.items()
        ]
        verdicts += [verdict_of(("silent", n, "moderate"), world.now) for n, h in silent_from.items() if hours >= h]
        if hours >= 8:
            verdicts.append(verdict_of(("storm", "alder", "anchor"), world.now))
        world.turn(verdicts, reachable=True)
    told_first = {s.concern for _, m in world.arrived for s in m.said if s.telling is Telling.OPENED}
    assert told_first == {f"overheating/{n}" for n in NAMES} | {f"silent/{n}" for n in NAMES} | {"storm/alder"}
    held = [p for p in world.parcels.values() if p.state == "held"]
    assert held, "the day had more to say than its budget"
    assert all(m.telling is not Telling.OPENED for m in (p.message for p in held))
    assert len(world.arrived) <= 12


# --- judged again before each attempt ---------------------------------------------------------------------------------


def test_what_holds_is_kept() -> None:
    """A message about a concern that stands as it was goes as it is."""
    c = concern()
    assert revise(parcel(sent(c)), desk(c), NOON + 5 * MINUTE) == Keep()


def test_stale_numbers_are_written_anew() -> None:
    """After a while the numbers are looked at again; the new message has a key of its own."""
    c = concern()
    message = sent(c)
    hotter = replace(c, verdict=replace(c.verdict, numbers={"inside_c": 38.0}))
    assert revise(parcel(message), desk(hotter), NOON + 20 * MINUTE) == Keep()
    revised = revise(parcel(message), desk(hotter), NOON + 20 * MINUTE + SECOND)
    assert isinstance(revised, Replace)
    assert revised.message.text == "38 °C in Alder."
    assert revised.message.key != message.key
    assert revise(parcel(message), desk(c), NOON + 30 * MINUTE) == Keep()


def test_anchor_by_six_is_never_sent_in_lightning() -> None:
    """At 18:10, with the gust front there, "anchor by 18:00" has become "stay in"."""
    six = datetime(2026, 8, 20, 22, 0, tzinfo=UTC)
    anchor = advised(concern(rule="storm", action="anchor", at=six - HOUR), by=six, holds_until=six)
    message = sent(anchor, now=six - HOUR)
    assert message.title == "Anchor Alder before 18:00"
    now = replace(stay_in(six, "alder"), opened_at=anchor.opened_at)
    revised = revise(parcel(message, attempts=5), desk(now), six + 10 * MINUTE)
    assert isinstance(revised, Replace)
    assert (revised.message.action, revised.message.title) == (STAY_IN.word, "Stay in; look after Alder later")
    still = revise(parcel(message, attempts=5), desk(anchor), six + 10 * MINUTE)
    assert still == Withdraw("its deadline has passed", undelivered=True)


def test_nobody_is_sent_out_while_another_concern_says_stay_in() -> None:
    """Shade for Alder waits while the storm at Birch keeps people in; from Severe on it says to stay in first."""
    shade, storm = concern("alder"), stay_in()
    message = sent(shade)
    revised = revise(parcel(message), desk(shade, storm), NOON + MINUTE)
    assert isinstance(revised, Replace)
    assert revised.message.not_before == NOON + 31 * MINUTE
    post = compose(notices(shade), desk(shade, storm), NOON)
    assert post.messages[0].not_before == NOON + 30 * MINUTE
    assert post.waiting[0][1] == "nobody is sent out while the storm is here"
    severe = concern("alder", Severity.SEVERE)
    (first,) = compose(notices(severe), desk(severe, storm), NOON).messages
    assert first.title == "Stay in now; later: Shade Alder"
    assert (first.action, first.not_before) == (STAY_IN.word, None)
    after = revise(parcel(first), desk(severe), NOON + MINUTE)
    assert isinstance(after, Replace)
    assert after.message.title == "Shade Alder"


@pytest.mark.parametrize(
    ("minutes", "until", "why"), [(31, 31, Unsaid.QUIET), (29, 30, Unsaid.STORM), (-1, 30, Unsaid.STORM)]
)
def test_in_a_storm_at_night_the_longer_wait_counts(minutes: int, until: int, why: Unsaid) -> None:
    """For the end of the quiet hours, or for half an hour, whichever is later; and that is the reason."""
    now = datetime(2026, 8, 21, 10, 30, tzinfo=UTC) - minutes * MINUTE
    shade, storm = concern("alder", at=now), stay_in(now)
    post = compose(notices(shade), desk(shade, storm), now)
    assert [(m.not_before, reason) for m, reason in post.waiting] == [(now + until * MINUTE, why)]


def test_an_all_clear_waits_for_the_next_storm() -> None:
    """ "Look after them" does not go while another storm is there, nor when the same stands again."""
    fine = Verdict("storm", "alder", State.FINE, NOON, "look after", advice=Advice("look after"))
    over = concern(rule="storm", standing=Standing.OVER, verdict=fine)
    (message,) = compose(notices(over, telling=Telling.OVER), desk(), NOON).messages
    assert revise(parcel(message), desk(), NOON) == Keep()
    waits = revise(parcel(message), desk(stay_in()), NOON)
    assert isinstance(waits, Replace)
    assert waits.message.not_before == NOON + 30 * MINUTE
    assert revise(parcel(message), desk(stay_in(subject="alder")), NOON) == Withdraw("storm/alder stands again")


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"standing": Standing.ANSWERED, "answered_at": NOON + MINUTE, "answer": What.SEEN}, "the keeper has answered"),
        ({"opened_at": NOON + MINUTE}, "it was over; what stands now is told by itself"),
        ({"standing": Standing.FORMING}, "it is over"),
        ({"fine_since": NOON + MINUTE}, "it is fine meanwhile"),
    ],
)
def test_what_needs_no_telling_any_more(change: dict[str, object], why: str) -> None:
    """Answered, over, or fine by now: it is withdrawn, with the reason."""
    c = concern()
    assert revise(parcel(sent(c)), desk(replace(c, **change)), NOON + 5 * MINUTE) == Withdraw(why)  # type: ignore[arg-type]


def test_what_is_over_is_withdrawn() -> None:
    """A concern that stands no more is not told of."""
    assert revise(parcel(sent(concern())), desk(), NOON) == Withdraw("it is over")


def test_what_was_said_again_is_withdrawn() -> None:
    """When the phone was out of reach for long, only the newest message about a matter goes."""
    c = concern()
    older = sent(c)
    newer = replace(older, key="newer", at=NOON + HOUR)
    c = replace(c, told_at=NOON + HOUR, tellings=2)
    at = NOON + HOUR + MINUTE
    assert revise(parcel(older), desk(c, lately=[parcel(older), parcel(newer)]), at) == Withdraw(
        "it was said again since"
    )
    held = parcel(newer, "held")
    assert revise(parcel(older), desk(c, lately=[parcel(older), held]), NOON + 5 * MINUTE) == Keep()


def test_what_holds_for_fewer_is_said_for_fewer() -> None:
    """If one of three was answered meanwhile, the message goes for the other two."""
    three = [concern(n) for n in NAMES]
    message = sent(*three)
    answered = replace(three[0], standing=Standing.ANSWERED, answered_at=NOON + MINUTE, answer=What.DONE)
    revised = revise(parcel(message), desk(answered, *three[1:]), NOON + 2 * MINUTE)
    assert isinstance(revised, Replace)
    assert revised.message.title == "Shade Birch and Cedar"


def test_what_is_late_for_one_goes_for_the_other() -> None:
    """Of Birch nothing was known for an hour, and its advice is over: the message goes for Alder, and Birch is withheld."""
    alder, birch = asked(concern("alder", Severity.SEVERE)), asked(concern("birch", Severity.SEVERE))
    message, later = sent(alder, birch), NOON + HOUR
    over = advised(birch, holds_until=NOON + 30 * MINUTE)
    revised = revise(parcel(message, attempts=5), desk(advised(alder, holds_until=later + HOUR), over), later)
    assert isinstance(revised, Replace)
    assert revised.message.concerns == (alder.key,)
    assert [(c.key, c.withheld and c.withheld.withheld) for c in revised.concerns] == [(birch.key, Unsaid.DEADLINE)]
    assert isinstance(revise(parcel(message), desk(over), later), Withdraw)


def test_what_has_become_two_things_is_said_in_one() -> None:
    """If by now Birch asks for something else, the message says the worse and names the other."""
    alder, birch = concern("alder", Severity.SEVERE), concern("birch")
    message = sent(alder, birch)
    moved = advised(birch, action="check probe")
    moved = replace(moved, verdict=replace(moved.verdict, rule="silent"))
    revised = revise(parcel(message), desk(alder, replace(moved, rule="overheating")), NOON + 30 * MINUTE)
    assert isinstance(revised, Replace)
    assert revised.message.text == "36 °C in Alder.\nAlso: Check the probe of Birch."
    assert set(revised.message.concerns) == {"overheating/alder", "overheating/birch"}


def test_what_is_rewritten_on_its_way_is_told_for_the_reason_it_had() -> None:
    """A first notice and a repeat in one message: rewritten for the numbers, each of its concerns keeps its own telling."""
    first, repeated = asked(concern("alder")), asked(concern("birch"))
    group = [Notice(NOON, Telling.OPENED, first), Notice(NOON, Telling.AGAIN, repeated)]
    (message,) = compose(group, desk(first, repeated), NOON).messages
    hotter = [replace(c, verdict=replace(c.verdict, numbers={"inside_c": 38.0})) for c in (first, repeated)]
    revised = revise(parcel(message), desk(*hotter), NOON + 30 * MINUTE)
    assert isinstance(revised, Replace)
    assert {s.concern: s.telling for s in revised.message.said} == {
        first.key: Telling.OPENED,
        repeated.key: Telling.AGAIN,
    }


def test_a_retry_does_not_ring_in_the_night() -> None:
    """A Moderate message that could not go in the evening waits for the morning; a Severe one goes on trying."""
    evening = datetime(2026, 8, 21, 1, 50, tzinfo=UTC)  # 21:50
    mild = concern(rule="silent", action="check probe", at=evening)
    revised = revise(parcel(sent(mild, now=evening), attempts=3), desk(mild), evening + 15 * MINUTE)
    assert isinstance(revised, Replace)
    assert (revised.why, revised.message.not_before) == ("quiet hours", datetime(2026, 8, 21, 10, 30, tzinfo=UTC))
    bad = concern(severity=Severity.SEVERE, at=evening)
    assert revise(parcel(sent(bad, now=evening), attempts=3), desk(bad), evening + 15 * MINUTE) == Keep()


def test_a_message_that_never_got_through_is_undelivered_not_withdrawn() -> None:
    """What was tried in vain until it held no more is visible as undelivered."""
    line = morning_line(desk(), 14.0, NAMES, NOON)
    assert revise(parcel(line, attempts=9), desk(), NOON + 7 * HOUR) == Withdraw("it came too late", undelivered=True)
    assert revise(parcel(line), desk(), NOON + HOUR) == Keep()


def test_a_line_that_came_too_late_is_no_news() -> None:
    """The morning is over after six hours, an outage after a day; the week may be read until the morning after the next."""
    week = week_told(["A calm week."], "2026-W34", desk(), NOON)
    for line, hours in (
        (morning_line(desk(), 14.0, NAMES, NOON), 6),
        (watched_again(NOON, NOON, desk()), 24),
        (week, 36),
    ):
        day = replace(desk(), keeper=keeper(quiet_from=""))
        assert revise(parcel(line), day, NOON + hours * HOUR - SECOND) == Keep()
        assert revise(parcel(line), day, NOON + hours * HOUR) == Withdraw("it came too late")


def test_undelivered_is_what_was_tried_and_would_still_be_news() -> None:
    """One attempt is enough; what the keeper has answered meanwhile, or was told again, needed no delivery."""
    c = concern()
    message, at = sent(c), NOON + 5 * MINUTE
    answered = replace(c, standing=Standing.ANSWERED, answered_at=NOON + MINUTE, answer=What.SEEN)
    newer = parcel(replace(message, key="newer", at=NOON + MINUTE))
    for attempts, known, undelivered in (
        (0, desk(), False),
        (1, desk(), True),
        (1, desk(answered), False),
        (1, desk(c, lately=[newer]), False),
    ):
        gone = revise(parcel(message, attempts=attempts), known, at)
        assert isinstance(gone, Withdraw)
        assert gone.undelivered is undelivered


def test_an_answer_in_the_moment_of_the_message_was_to_what_was_told_before() -> None:
    """What was asked in that moment is said; an answer a second later settles it."""
    c = concern()
    for at, goes in ((NOON, True), (NOON + SECOND, False)):
        answered = replace(c, standing=Standing.ANSWERED, answered_at=at, answer=What.SEEN)
        assert (revise(parcel(sent(c)), desk(answered), NOON + 5 * MINUTE) == Keep()) is goes


def test_why_what_is_fine_for_a_moment_does_not_go() -> None:
    """Into a storm because it is fine, and asked for again if it is not; late because it came too late."""
    hot = concern(severity=Severity.SEVERE)
    message = sent(hot)
    fine = replace(hot, verdict=replace(hot.verdict, state=State.FINE), fine_since=NOON + MINUTE)
    holds_until = message.holds_until
    assert holds_until is not None
    for known, at, why in (
        (desk(fine, stay_in()), holds_until - SECOND, Unsaid.FINE),
        (desk(fine, stay_in()), holds_until, Unsaid.EXPIRED),
        (desk(fine), holds_until, Unsaid.EXPIRED),
    ):
        gone = revise(parcel(message), known, at)
        assert isinstance(gone, Withdraw)
        assert gone.why == why
    assert revise(parcel(message), desk(fine), holds_until - SECOND) == Keep()


def test_what_rings_at_night_although_it_is_written_already() -> None:
    """What is Severe, though fine for a moment, and the morning line of who rises early; the week waits."""
    hot = concern(severity=Severity.SEVERE, at=NIGHT)
    fine = replace(hot, verdict=replace(hot.verdict, state=State.FINE), fine_since=NIGHT)
    line = morning_line(desk(), 14.0, NAMES, NIGHT)
    assert revise(parcel(sent(hot, now=NIGHT)), desk(fine), NIGHT + MINUTE) == Keep()
    assert revise(parcel(line), desk(), NIGHT + MINUTE) == Keep()
    assert isinstance(revise(parcel(week_told(["A calm week."], "2026-W34", desk(), NIGHT)), desk(), NIGHT), Replace)


def test_what_would_wait_until_it_holds_no_more_is_withdrawn() -> None:
    """A note that ends with the quiet hours helps nobody; one that ends later waits for the morning, as one without an end."""
    note, morning = watched_again(NIGHT - HOUR, NIGHT, desk()), datetime(2026, 8, 21, 10, 30, tzinfo=UTC)
    assert revise(parcel(replace(note, holds_until=morning)), desk(), NIGHT) == Withdraw(Unsaid.QUIET)
    for end in (morning + SECOND, None):
        assert isinstance(revise(parcel(replace(note, holds_until=end)), desk(), NIGHT), Replace)


def test_in_a_storm_a_message_names_nothing_else_that_sends_out() -> None:
    """Severe by now, it says to stay in first; what else had to be done outside is not even named, what needs no going is."""
    hot, probe = concern("alder"), concern("cedar", action="check probe")
    message = sent(hot)
    message = replace(message, concerns=(hot.key, probe.key), said=(*message.said, *sent(probe).said))
    worse = replace(hot, verdict=replace(hot.verdict, severity=Severity.SEVERE))
    indoors = advised(probe, outdoors=False)
    for other, named in ((probe, False), (indoors, True)):
        revised = revise(parcel(message), desk(worse, other, stay_in()), NOON + MINUTE)
        assert isinstance(revised, Replace)
        assert (probe.key in revised.message.concerns) is named


def test_the_note_after_an_outage_waits_for_the_morning() -> None:
    """Power that comes back at midnight does not ring."""
    note = watched_again(NIGHT - 3 * HOUR, NIGHT, desk())
    revised = revise(parcel(note), desk(), NIGHT)
    assert isinstance(revised, Replace)
    assert revised.message.not_before == datetime(2026, 8, 21, 10, 30, tzinfo=UTC)
    assert revise(parcel(revised.message), desk(), datetime(2026, 8, 21, 10, 30, tzinfo=UTC)) == Keep()


# --- the stand-in -----------------------------------------------------------------------------------------------------


def test_the_stand_in_is_called_after_a_while() -> None:
    """A Severe concern unanswered for the settable time goes to the second channel, with an explanation; once."""
    c = concern(severity=Severity.SEVERE)
    first = parcel(sent(c), "sent")
    assert not stand_in(desk(c, lately=[first]), NOON + 29 * MINUTE)
    (message,) = stand_in(desk(c, lately=[first]), NOON + 30 * MINUTE)
    assert message.route == "stand-in"
    assert message.title == "Please help: Shade Alder"
    for part in ("Larkfield Lane", "told at 12:00", "has not answered", "36 °C in Alder"):
        assert part in message.text
    again = desk(c, lately=[first, parcel(message, "sent")])
    assert not stand_in(again, NOON + 31 * MINUTE)
    worse = concern(severity=Severity.EXTREME, told_at=NOON + HOUR, at=NOON)
    assert stand_in(replace(again, standing={c.key: worse}), NOON + 2 * HOUR)


def test_the_stand_in_is_called_where_the_phone_is_out_of_reach() -> None:
    """What never arrived is not said to have been told; but the time runs from when it was first tried."""
    c = asked(concern(severity=Severity.SEVERE))
    tried = parcel(sent(c), attempts=3)
    assert not stand_in(desk(c, lately=[tried]), NOON + 29 * MINUTE)
    (message,) = stand_in(desk(c, lately=[tried]), NOON + 30 * MINUTE)
    assert "who could not be reached: 36 °C" in message.text
    assert not stand_in(desk(asked(concern()), lately=[]), NOON + 5 * HOUR)


def test_repeats_do_not_put_off_the_stand_in() -> None:
    """The time counts from the first Severe message, not from the last repeat."""
    c = concern(severity=Severity.SEVERE, told_at=NOON + 25 * MINUTE, tellings=2)
    assert stand_in(desk(c, lately=[parcel(sent(concern(severity=Severity.SEVERE)), "sent")]), NOON + 30 * MINUTE)


@pytest.mark.parametrize(
    "changes",
    [
        {"standing": Standing.ANSWERED, "answer": What.SEEN, "answered_at": NOON},
        {"standing": Standing.ANSWERED, "answer": What.DONE, "answered_at": NOON},
        {"told": Severity.MODERATE},
        {"standing": Standing.FORMING},
    ],
)
def test_when_nobody_stands_in(changes: dict[str, object]) -> None:
    """What is answered or was never told as Severe stays with the keeper."""
    c = replace(concern(severity=Severity.SEVERE), **changes)  # type: ignore[arg-type]
    assert not stand_in(desk(c), NOON + 5 * HOUR)


def test_what_has_eased_calls_nobody() -> None:
    """It was told as Severe and is Moderate now, or fine for a moment: that is the keeper's."""
    c = concern(severity=Severity.SEVERE)
    assert stand_in(desk(c), NOON + HOUR)
    for verdict in (
        replace(c.verdict, severity=Severity.MODERATE),
        Verdict("overheating", "alder", State.FINE, NOON, "cool", Severity.SEVERE),
    ):
        assert not stand_in(desk(replace(c, verdict=verdict)), NOON + HOUR)


def test_not_now_calls_the_stand_in() -> None:
    """A keeper who can't come is stood in for at once."""
    c = concern(severity=Severity.SEVERE, standing=Standing.ANSWERED, answer=What.NOT_NOW, answered_at=NOON + MINUTE)
    (message,) = stand_in(desk(c), NOON + 2 * MINUTE)
    assert "was told at 12:00 and cannot come now" in message.text
    assert revise(parcel(message), desk(c), NOON + 3 * MINUTE) == Keep()


def test_without_a_second_channel_nobody_stands_in() -> None:
    """Where none is configured, no message is made for it."""
    c = concern(severity=Severity.SEVERE)
    assert not stand_in(replace(desk(c), has_stand_in=False), NOON + 5 * HOUR)


def test_the_stand_in_is_under_the_same_rule() -> None:
    """The stand-in is not sent out into a storm either, and not for what has been answered."""
    c = concern(severity=Severity.SEVERE)
    (message,) = stand_in(desk(c, stay_in()), NOON + HOUR)
    assert message.action == STAY_IN.word
    assert "Stay in while the storm is here" in message.text
    (message,) = stand_in(desk(c), NOON + HOUR)
    answered = replace(c, standing=Standing.ANSWERED, answer=What.SEEN, answered_at=NOON + HOUR + MINUTE)
    assert revise(parcel(message), desk(answered), NOON + HOUR + 2 * MINUTE) == Withdraw("the keeper has answered")
    revised = revise(parcel(message), desk(c, stay_in()), NOON + HOUR + MINUTE)
    assert isinstance(revised, Replace)
    assert (revised.message.route, revised.message.action) == ("stand-in", STAY_IN.word)


# --- lines of their own -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("watched", "night", "text"),
    [
        (NAMES, 14.2, "All three watched, night minimum 14 °C, nothing to do."),
        (NAMES, None, "All three watched, nothing to do."),
        (
            ("alder", "birch"),
            14.2,
            "Alder and Birch watched, nothing heard from Cedar, night minimum 14 °C, see what is wrong there.",
        ),
        ((), None, "Nothing heard from Alder, Birch and Cedar, see what is wrong there."),
    ],
)
def test_the_morning_line(watched: Sequence[str], night: float | None, text: str) -> None:
    """The line says who is watched, how cold it was, and that nothing is to be done."""
    assert morning_line(desk(), night, watched, NOON).text == text


def test_the_morning_line_of_a_small_garden() -> None:
    """Where there is one enclosure, it is called by its name."""
    one = replace(desk(), enclosures=ENCLOSURES[:1])
    assert morning_line(one, None, ["alder"], NOON).text == "Alder is watched, nothing to do."
    assert morning_line(one, None, [], NOON).text == "Nothing heard from Alder, see what is wrong there."


def test_the_morning_line_names_the_worst_first() -> None:
    """What is Severe before what is Moderate, each by what is to be done; a matter that only forms is not named."""
    shade, anchor = concern("alder"), concern("birch", Severity.SEVERE, rule="storm", action="anchor")
    forming = concern("cedar", action="add airflow", standing=Standing.FORMING, opened_at=None)
    text = morning_line(desk(shade, forming, anchor), None, NAMES, NOON).text
    assert text == "All three watched, still to do: Anchor Birch; Shade Alder."


def test_the_morning_line_names_what_stands() -> None:
    """What is still to be done is named, what is done is not; what was held back is counted."""
    done = concern("cedar", rule="silent", action="check probe", standing=Standing.ANSWERED, answer=What.DONE)
    line = morning_line(desk(concern("alder"), concern("birch"), done), 14.0, NAMES, NOON, held=2)
    assert line.text == (
        "All three watched, night minimum 14 °C, still to do: Shade Alder and Birch. Messages held back yesterday: 2."
    )
    assert line.key == morning_line(desk(), None, (), NOON + HOUR).key
    assert line.key != morning_line(desk(), None, (), NOON + 24 * HOUR).key


def test_what_was_held_back_and_went_later_is_not_counted() -> None:
    """Of what was withheld, the line counts what was never said: an end is not it, nor a stand-in's message, nor one before."""
    three = [parcel(sent(concern(name)), "held") for name in NAMES]
    since, until = NOON - HOUR, NOON + 5 * HOUR

    def later(name: str, state: str = "sent", hours: int = 1, **changes: object) -> Parcel:
        message = replace(sent(concern(name)), key=f"later {name}", at=NOON + hours * HOUR)
        return parcel(replace(message, **changes), state)  # type: ignore[arg-type]

    def counted(*others: Parcel) -> int:
        return never_went([*three, *others], since, until)

    assert counted() == 3
    assert counted(later("alder"), later("birch", "waiting")) == 1
    assert counted(later("alder", "held"), later("birch", "withdrawn")) == 4, "held back once more is one more"
    assert counted(later("alder", telling=Telling.OVER), later("birch", route="stand-in"), later("cedar", hours=0)) == 3
    both = parcel(sent(concern("alder"), concern("birch")), "held")
    assert never_went([both, later("alder")], since, until) == 1
    assert never_went([both, later("alder"), later("birch")], since, until) == 0
    line = parcel(watched_again(NOON, NOON, desk()), "held")
    assert never_went([line], since, until) == 1, "what speaks of no matter is not said by another"
    assert never_went(three, NOON + MINUTE, until) == never_went(three, since, NOON) == 0


def test_an_outage_is_told_from_when_to_when() -> None:
    """The note names both ends, in the keeper's time."""
    note = watched_again(NOON - 20 * HOUR, NOON, desk())
    assert "from 16:00 yesterday to 12:00" in note.text


def test_pauses_between_attempts() -> None:
    """30 s, doubling, at most 30 minutes, for ever: giving up is for `revise`."""
    assert [next_attempt(n).total_seconds() for n in (0, 1, 2, 3, 7, 8, 1000)] == [30, 30, 60, 120, 1800, 1800, 1800]


@pytest.mark.outside
def test_the_words_are_those_of_cap() -> None:
    """Severity, urgency and certainty use words of CAP 1.2 (OASIS, CAP-v1.2-os, section 3.2.2), in their order there."""
    assert [s.word for s in sorted(Severity, reverse=True) if s] == ["Extreme", "Severe", "Moderate", "Minor"]
    assert {u.value for u in Urgency} <= {"Immediate", "Expected", "Future", "Past", "Unknown"}
    assert {c.value for c in Certainty} <= {"Observed", "Likely", "Possible", "Unlikely", "Unknown"}


# --- whole days, with a phone that is often out of reach --------------------------------------------------------------


@dataclass
class World:
    """Judge, postman and an outbox in the loop's order, with a channel that fails when told to.

    A turn: judge, compose, record it all, and only then look at what is due, with a desk that holds what was recorded.
    """

    keeper: KeeperSettings
    now: datetime = NOON
    standing: dict[str, Concern] = field(default_factory=dict)
    entries: list[Entry] = field(default_factory=list)
    parcels: dict[str, Parcel] = field(default_factory=dict)
    arrived: list[tuple[datetime, Message]] = field(default_factory=list)
    told: list[Notice] = field(default_factory=list)

    def desk(self) -> Desk:
        midnight = datetime.combine(self.now.astimezone(DETROIT).date(), time(), DETROIT).astimezone(UTC)
        lately = tuple(p for p in self.parcels.values() if p.message.at >= self.now - 36 * HOUR)
        return Desk(SITE, ENCLOSURES, self.keeper, TEXTS, dict(self.standing), lately, midnight, manners=MANNERS)

    def turn(self, verdicts: Sequence[Verdict], reachable: bool) -> None:
        heard: list[Notice] = []
        for verdict in verdicts:
            key = f"{verdict.rule}/{verdict.subject}"
            before = self.standing.get(key)
            after, told = judge(before, verdict, self.entries, MANNERS[verdict.rule], site="larkfield", now=self.now)
            self._nothing_twice(before, told)
            if after is None:
                self.standing.pop(key, None)
            else:
                self.record([after])
            heard.extend(told)
        self.told += heard
        desk = self.desk()
        post = compose(heard, desk, self.now)
        _weighed_fairly(heard, desk, post, self.now)
        self.record(post.concerns)
        for message in (*post.messages, *stand_in(self.desk(), self.now)):
            assert message.key not in self.parcels, "a message with a key that is taken would be lost"
            self.parcels[message.key] = parcel(message)
        for message, why in post.held:
            self.parcels.setdefault(message.key, Parcel(message, 0, self.now, "held", why))
        self._deliver(reachable)

    def record(self, concerns: Iterable[Concern]) -> None:
        for c in concerns:
            if c.standing is Standing.OVER:
                self.standing.pop(c.key, None)
            else:
                self.standing[c.key] = c

    def _nothing_twice(self, before: Concern | None, told: Sequence[Notice]) -> None:
        """What is on its way, or withheld, is not asked for again, unless it is worse or something else is to be done."""
        asked = before.asked if before is not None and before.standing is not Standing.OVER else None
        for notice in told:
            if asked is None or notice.telling is Telling.OVER or notice.concern.answered_at:
                continue
            verdict = notice.concern.verdict
            action = verdict.advice.action if verdict.advice else ""
            assert verdict.severity > asked.severity or action != asked.action, "asked for twice"

    def _deliver(self, reachable: bool) -> None:
        due = [p for p in self.parcels.values() if p.state == "waiting" and p.due_at <= self.now]
        for waiting in sorted(due, key=lambda p: (-p.message.severity, p.message.at)):
            key = waiting.message.key
            revised = revise(waiting, self.desk(), self.now)
            if isinstance(revised, Withdraw):
                self.record(revised.concerns)
                state = "undelivered" if revised.undelivered else "withdrawn"
                self.parcels[key] = waiting._replace(state=state, detail=revised.why)
                continue
            if isinstance(revised, Replace):
                self.record(revised.concerns)
                self.parcels[key] = waiting._replace(state="withdrawn", detail=revised.why)
                key = revised.message.key
                assert key not in self.parcels, "a replacement with a key that is taken would be lost"
                self.parcels[key] = parcel(revised.message)
                if self.parcels[key].due_at > self.now:
                    continue
            self._attempt(self.parcels[key], reachable)

    def _attempt(self, waiting: Parcel, reachable: bool) -> None:
        message = waiting.message
        if reachable:
            _said_for_a_reason(message, [m for _, m in self.arrived])
            self.parcels[message.key] = waiting._replace(state="sent")
            self.arrived.append((self.now, message))
            self.record(delivered(self.standing[k], message, self.now) for k in message.concerns if k in self.standing)
        else:
            due = self.now + next_attempt(waiting.attempts + 1)
            self.parcels[message.key] = waiting._replace(attempts=waiting.attempts + 1, due_at=due)


def _said_for_a_reason(message: Message, before: Sequence[Message]) -> None:
    """What reaches the phone builds only on what reached it before."""
    known = {s.concern for m in before if m.route == "phone" for s in m.said}
    assert {s.concern for s in message.said} == set(message.concerns)
    for said in message.said:
        if message.route == "phone" and said.telling in (Telling.AGAIN, Telling.EASED):
            assert said.concern in known, f"{said.telling}, but nothing was told"
        if said.telling is Telling.OVER and not said.action:
            assert said.concern in known, "called off what nobody was told of"
    if "Said first" in message.text or "told at" in message.text:
        assert known.intersection(message.concerns), "said first, but nothing was told"


def _weighed_fairly(heard: Sequence[Notice], desk: Desk, post: Post, now: datetime) -> None:
    """No first notice is withheld for a repeat, none that was withheld for one that is new; nothing is held twice."""
    spared = [p for p in desk.lately if p.message.telling not in (Telling.AGAIN, Telling.EASED)]
    without_repeats = compose(heard, replace(desk, lately=tuple(spared)), now)

    def firsts(messages: Iterable[Message]) -> set[str]:
        return {s.concern for m in messages for s in m.said if s.telling is Telling.OPENED}

    assert firsts(post.messages) >= firsts(without_repeats.messages), "a repeat stood in the way of a first notice"
    asked_now = {n.concern.key for n in heard}
    assert all(asked_now.intersection(m.concerns) for m, _ in post.held), "held back again what was held back"
    asked = {c.key: owed(c, desk.manner_of(c.rule), now) for c in desk.standing.values()}
    left = {k: desk.standing[k] for k, o in asked.items() if o and o[1].telling is Telling.OPENED}
    gone = {key for m in post.messages for key in m.concerns}
    for key, c in left.items():
        alone = compose([], replace(desk, standing={**desk.standing}, lately=()), now)
        if key in gone or not any(key in m.concerns for m in alone.messages):
            continue  # it goes, or it could not, had the day just begun
        hazard = MANNERS[c.rule].hazard
        for m in post.messages:
            new = firsts([m]) and not left.keys() & set(m.concerns) and m.severity < Severity.SEVERE
            always = desk.keeper.pushes_per_day == 0 or m.rule == "storm"
            assert not new or always or hazard not in {MANNERS[k.split("/")[0]].hazard for k in firsts([m])}, (
                "something new went before what was withheld"
            )
    for c in post.concerns:
        assert c.asked is not None
        assert (c.withheld is None) == (c.key in gone)


SITUATION = st.tuples(
    st.sampled_from(["overheating", "storm", "silent"]),
    st.sampled_from(NAMES),
    st.sampled_from(["fine", "fine", "unknown", "moderate", "severe", "extreme", "anchor", "front"]),
)
STEP = st.tuples(
    st.sampled_from([2, 5, 10, 25, 60, 240]),
    st.lists(SITUATION, max_size=4),
    st.booleans(),
    st.none() | st.tuples(st.sampled_from([What.SEEN, What.DONE, What.NOT_NOW]), SITUATION),
)


def verdict_of(situation: tuple[str, str, str], now: datetime) -> Verdict:
    rule, subject, word = situation
    if word == "unknown":
        return Verdict(rule, subject, State.UNKNOWN, now, "hot")
    if word == "fine":
        advice = Advice("look after", holds_until=now + 3 * HOUR) if rule == "storm" else None
        return Verdict(rule, subject, State.FINE, now, "look after" if rule == "storm" else "cool", advice=advice)
    if word == "front":
        advice = Advice(STAY_IN.word, holds_until=now + 30 * MINUTE, outdoors=False)
        return Verdict("storm", subject, State.BREACH, now, "stay in", Severity.SEVERE, advice=advice)
    if word == "anchor":
        by = now + 45 * MINUTE
        advice = Advice("anchor", by=by, holds_until=by)
        return Verdict("storm", subject, State.BREACH, now, "hot", Severity.MODERATE, numbers=NUMBERS, advice=advice)
    action = {"overheating": "shade", "storm": "anchor", "silent": "check probe"}[rule]
    return Verdict(
        rule, subject, State.BREACH, now, "hot", Severity[word.upper()], numbers=NUMBERS, advice=Advice(action)
    )


@settings(max_examples=150, deadline=None, report_multiple_bugs=False, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(STEP, min_size=5, max_size=50), st.integers(1, 8))
def test_any_days(steps: list[tuple[int, list[tuple[str, str, str]], bool, object]], budget: int) -> None:
    """Nothing late, nobody sent out into a storm, quiet nights but for Severe, told only what arrived, nothing lost."""
    world = World(keeper(pushes_per_day=budget))
    for pause, situations, reachable, answer in steps:
        world.now += pause * MINUTE
        if answer is not None:
            what, (rule, subject, _) = answer  # type: ignore[misc]
            world.entries.append(Entry("larkfield", world.now, world.now, f"{rule}/{subject}", what))
        before = len(world.arrived)
        verdicts = {(s[0] if s[2] not in ("front", "anchor") else "storm", s[1]): s for s in situations}
        world.turn([verdict_of(s, world.now) for s in verdicts.values()], reachable)
        stays = any(says_stay_in(c) for c in world.standing.values())
        quiet = quiet_until(world.desk(), world.now) is not None
        for at, message in world.arrived[before:]:
            assert message.holds_until is None or message.holds_until > at, "sent late"
            assert not stays or message.action in ("", STAY_IN.word), "sent out into the storm"
            assert not quiet or message.severity >= Severity.SEVERE, "rang in the quiet hours"
            assert message.not_before is None or message.not_before <= at
            assert len(message.title) <= TITLE_LIMIT
            assert len(message.text) <= TEXT_LIMIT
            assert "?" not in message.title
        one_push = [(m.route, key) for _, m in world.arrived[before:] for key in m.concerns]
        assert len(one_push) == len(set(one_push)), "two pushes for one thing in one moment"
        _told_is_what_arrived(world)
        if reachable:
            _severe_was_told(world)
    _budget_held(world, budget)
    keys = [m.key for _, m in world.arrived]
    assert len(keys) == len(set(keys)), "the same message twice"


def _told_is_what_arrived(world: World) -> None:
    """Every concern knows exactly what the phone knows of it; and what it is still to hear is in the outbox."""
    for c in world.standing.values():
        since = c.opened_at
        heard = [
            (at, s)
            for at, m in world.arrived
            for s in m.said
            if s.concern == c.key and m.route == "phone" and since is not None and m.at >= since
        ]
        assert c.tellings == len(heard)
        assert (c.told, c.told_action) == ((heard[-1][1].severity, heard[-1][1].action) if heard else (0, ""))
        assert (c.told_at is None) == (not heard)
        waiting = [
            p.message
            for p in world.parcels.values()
            if p.state == "waiting" and c.key in p.message.concerns and p.message.route == "phone"
        ]
        if c.asked is not None and not c.asked.withheld:
            assert any(m.at >= c.asked.at for m in waiting), "asked, but nothing is on its way"
        if c.withheld is not None:
            assert not any(m.at >= c.withheld.at for m in waiting), "withheld, but on its way"


def _severe_was_told(world: World) -> None:
    """With the phone in reach, it knows of every Severe matter that stands unanswered.

    Or its message waits for its next attempt.
    """
    for c in world.standing.values():
        severe = c.verdict.state is State.BREACH and c.verdict.severity >= Severity.SEVERE
        if not severe or c.standing is not Standing.OPEN or c.verdict.at != world.now or c.told >= c.verdict.severity:
            continue
        retried = [
            p
            for p in world.parcels.values()
            if c.key in p.message.concerns and p.state == "waiting" and p.attempts and p.due_at > world.now
        ]
        assert retried, "Severe was not told"


def _budget_held(world: World, budget: int) -> None:
    """What the budget may hold back saw no more on any day than it allows; first notices have their shares beside it."""
    days: dict[date, list[Message]] = {}
    for p in world.parcels.values():
        m = p.message
        free = m.severity >= Severity.SEVERE or m.telling is Telling.OVER or m.route != "phone" or m.rule == "storm"
        if p.state in ("waiting", "sent") and not free:
            days.setdefault(m.at.astimezone(DETROIT).date(), []).append(m)
    for messages in days.values():
        assert sum(not any(s.telling is Telling.OPENED for s in m.said) for m in messages) <= budget
        for rule in ("overheating", "silent"):
            assert sum(m.rule == rule for m in messages) <= budget + max(1, budget // 4)


@settings(max_examples=100, deadline=None)
@given(
    st.datetimes(datetime(2026, 1, 1), datetime(2027, 12, 31)),
    st.times(),
    st.times(),
)
def test_quiet_hours_on_any_day(now: datetime, first: time, last: time) -> None:
    """Whenever it is quiet, the quiet ends later, at the wall time that was set (or where the clock skips it, after it)."""
    instant = now.replace(tzinfo=UTC)
    d = desk(settings=keeper(quiet_from=first.strftime("%H:%M"), quiet_until=last.strftime("%H:%M")))
    until = quiet_until(d, instant)
    if until is not None:
        assert instant < until <= instant + 26 * HOUR
        assert quiet_until(d, until - timedelta(seconds=1)) == until
        wall = until.astimezone(DETROIT)
        skipped = wall.date() in (date(2026, 3, 8), date(2027, 3, 14))
        assert wall.strftime("%H:%M") == last.strftime("%H:%M") or skipped
