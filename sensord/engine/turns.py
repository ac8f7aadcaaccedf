"""A turn: the rules that are due are asked, what they find is judged, and what is to be said is put into the outbox."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta

from sensord.config.people import WEEKDAYS
from sensord.engine import timetable
from sensord.engine.asking import Outcome, ask
from sensord.engine.durable import Step, is_owing, make_durable, owing
from sensord.engine.effects import Effect, Level, LookBack, Prune, Summarise, Tell
from sensord.engine.events import Due, LookedBack, Noticed, Pruned
from sensord.engine.post import desk_of, forget_old, held_back, post, put, stands_now
from sensord.engine.state import MORNING, SHIPPING_TROUBLE, TURNED, EngineState, Given
from sensord.messages import Desk, lines, postman, standin
from sensord.model import AMBIENT, EPOCH, Concern, Doubt, Gap, GapKind, Message, Quantity, Severity, concern_key
from sensord.review import weeks
from sensord.rules import Watch

SUMMARISE_EVERY = timedelta(minutes=10)
ALIVE_EVERY = timedelta(minutes=1)
"""That the watch goes on is made durable by itself where nothing else was for so long."""
NIGHT = timedelta(hours=11)
"""Before the morning line: the night whose minimum it tells."""
MIDWEEK = 3
"""From Thursday on, a week's review is of the running week; before, of the last one. Chosen."""
PRUNE_EVERY = timedelta(days=1)
PRUNED_AT_ONCE = 50_000
"""Old readings deleted between two batches: few enough to be done in a moment."""


def due(given: Given, state: EngineState, event: Due) -> Step:
    """A turn, or the time to try a commit again."""
    around = event.around
    state, effects = _surrounded(state._replace(now=event.at, clock_is_set=around.clock_is_set), event)
    more: tuple[Effect, ...] = ()
    if event.at >= state.next_turn:
        state, more = _turn(given, state, event.at)
    elif state.retry_at is not None and event.at >= state.retry_at:
        state, more = make_durable(state, event.at)
    return state, (*effects, *more)


def noticed(state: EngineState, event: Noticed) -> Step:
    """Something around has changed, and need not wait for a turn."""
    state, effects = _surrounded(state._replace(now=event.at), event)
    state, more = make_durable(state, event.at)
    return state, (*effects, *more)


def _surrounded(state: EngineState, event: Due | Noticed) -> Step:
    """What the world around has become."""
    around, effects = event.around, list[Effect]()
    facts = {n: v for n, v in around.facts.items() if state.facts.get(n) != v}
    if around.shipping_trouble != state.shipping_trouble:
        facts[SHIPPING_TROUBLE] = around.shipping_trouble
        if around.shipping_trouble:
            line = f"not shipped: {around.shipping_trouble}; what waits is kept and goes later"
            effects.append(Tell(Level.WARNING, line))
        else:
            effects.append(Tell(Level.INFO, "shipping works again"))
    state = state._replace(shipping_trouble=around.shipping_trouble, unshipped_since=around.unshipped_since)
    return remembering(state, facts) if facts else state, tuple(effects)


def remembering(state: EngineState, facts: Mapping[str, str]) -> EngineState:
    """Small facts that a restart must know."""
    owed = state.owed._replace(facts={**state.owed.facts, **facts})
    return state._replace(facts={**state.facts, **facts}, owed=owed)


def _turn(given: Given, state: EngineState, now: datetime) -> Step:
    plan, turn_at = given.plan, state.next_turn
    following = timetable.turn_after(turn_at, now, plan.paces)
    counts = state.counts._replace(turns=state.counts.turns + 1)
    state = state._replace(next_turn=following, turned_at=turn_at, counts=counts)
    watch = watch_of(given, state)
    if (after := _silences(given, state, watch, turn_at)) is not state:
        state, watch = after, watch_of(given, after)
    state, effects = _upkeep(given, state, turn_at)
    outcome = ask(
        given.garden, plan, plan.due(turn_at), state.windows, state.standing, state.entries, watch, turn_at,
    )  # fmt: skip
    state, told = _judged(state, outcome)
    state, said = _messages(given, state, outcome, turn_at)
    state, posted = post(given, state, turn_at)
    state = remembering(state, {TURNED: turn_at.isoformat()})
    effects = (*effects, *told, *said, *posted)
    if is_owing(state) or state.outgoing or turn_at - state.committed_at >= ALIVE_EVERY or state.retry_at is not None:
        state, more = make_durable(state, now)
        effects = (*effects, *more)
    return state, effects


def watch_of(given: Given, state: EngineState) -> Watch:
    """What is known of the watching itself."""
    return Watch(
        running_since=state.started_at or EPOCH,
        clock_is_set=state.clock_is_set,
        last_heard=state.last_heard,
        connected=state.connected,
        disconnected_since=state.disconnected_since,
        open_gaps=tuple(state.silences.values()),
        unshipped_since=state.unshipped_since,
        shipping_trouble=state.shipping_trouble,
        failing=tuple(sorted(state.failing)),
        unstored_since=state.unstored_since,
        patience=given.garden.patience,
    )


def _silences(given: Given, state: EngineState, watch: Watch, now: datetime) -> EngineState:
    """A probe's silence is a gap while it lasts."""
    known = state.silences
    news = [probe.name for probe in given.garden.probes if watch.is_silent(probe, now) != (probe.name in known)]
    if not news:
        return state
    silences, gaps = dict(known), list[Gap]()
    for probe in news:
        heard = state.last_heard.get(probe, watch.running_since)
        gap = silences.pop(probe, None)
        if gap is None:
            gap = silences[probe] = Gap(given.site, GapKind.SILENCE, probe, heard, None)
            gaps.append(gap)
        else:
            gaps.append(gap._replace(ended_at=heard))
    return owing(state._replace(silences=silences), gaps=tuple(gaps))


def _upkeep(given: Given, state: EngineState, now: datetime) -> Step:
    """What is done now and then beside the watch."""
    if (now - EPOCH) % SUMMARISE_EVERY:
        return state, ()
    effects: list[Effect] = [Summarise(now)]
    if given.raw_kept is not None and now >= state.prune_at:
        effects.append(Prune(now - given.raw_kept, PRUNED_AT_ONCE))
    return forget_old(state, now), tuple(effects)


def pruned(given: Given, state: EngineState, event: Pruned) -> Step:
    """Go on soon where there was more than is deleted at once."""
    pause = SUMMARISE_EVERY if event.deleted >= PRUNED_AT_ONCE else PRUNE_EVERY
    state = state._replace(prune_at=event.at + pause)
    if not event.deleted or given.raw_kept is None:
        return state, ()
    line = f"deleted {event.deleted} raw readings older than {given.raw_kept.days} days"
    return state, (Tell(Level.INFO, line),)


def _judged(state: EngineState, outcome: Outcome) -> Step:
    """The concerns as they are now; a rule's defect is told when it is news."""
    failing = dict(state.failing)
    found = {key: f"{type(defect).__name__}: {defect}" for key, defect in outcome.defects}
    news = tuple(
        Tell(Level.ERROR, f"the rule {key} has a defect and can't judge: {found[key]}", defect)
        for key, defect in outcome.defects
        if failing.get(key) != found[key]
    )
    if failing or found:
        for verdict in outcome.verdicts:
            failing.pop(concern_key(verdict.rule, verdict.subject), None)
        state = state._replace(failing={**failing, **found})
    before = state.said
    changed = tuple(v for v in outcome.verdicts if before.get((v.rule, v.subject)) != (v.state, v.severity, v.reason))
    state = stands_now(state, outcome.concerns)
    if not changed:
        return state, news
    said = {(v.rule, v.subject): (v.state, v.severity, v.reason) for v in changed}
    return owing(state._replace(said={**before, **said}), verdicts=changed), news


def _messages(given: Given, state: EngineState, outcome: Outcome, now: datetime) -> Step:
    """What the notices become, what the stand-in gets, and the lines of the day and of the week."""
    if not (outcome.notices or any(_may_be_spoken_of(concern, given) for concern in state.standing.values())):
        state, line = _morning_line(given, state, now)
        state, week = _week(given, put(state, line), now)
        return state, week
    desk = desk_of(given, state, now)
    found = postman.compose(outcome.notices, desk, now)
    state = stands_now(state, found.concerns)
    messages = [*found.messages, *standin.stand_in(desk, now)]
    effects: list[Effect] = [Tell(Level.INFO, f"held back: {m.title} ({why})") for m, why in found.waiting]
    effects += [
        Tell(Level.ERROR, f"a text names a number that its rule did not give: {name}") for name in found.missing
    ]
    state, held = held_back(state, found.held)
    state, line = _morning_line(given, state, now, desk)
    state = put(state, [*messages, *line])
    state, week = _week(given, state, now)
    return state, (*effects, *held, *week)


def _may_be_spoken_of(concern: Concern, given: Given) -> bool:
    """Whether the postman may have something to say of a concern without any news: it is owed, or for the stand-in."""
    return concern.withheld is not None or (given.has_stand_in and concern.verdict.severity >= Severity.SEVERE)


def _morning_line(
    given: Given, state: EngineState, now: datetime, desk: Desk | None = None
) -> tuple[EngineState, tuple[Message, ...]]:
    """Once a day, at the keeper's time: so that silence means trouble."""
    local = now.astimezone(given.zone)
    today = local.date().isoformat()
    if state.facts.get(MORNING) == today or not _within_two_hours(given.keeper.morning_line_at, local):
        return state, ()
    yesterday = now - timedelta(days=1)
    held = postman.never_went(state.parcels.values(), yesterday, now)
    watch = watch_of(given, state)
    probes = (p for p in given.garden.probes if p.name in state.last_heard)
    watched = {p.place for p in probes if not watch.is_silent(p, now)}
    line = lines.morning_line(
        desk or desk_of(given, state, now),
        _night_minimum_c(given, state, now),
        watched - {AMBIENT},
        now,
        held,
        given.garden.told(state.entries).addressed,
    )
    return remembering(state, {MORNING: today}), (line,)


def _within_two_hours(at: str, local: datetime) -> bool:
    return bool(at) and at <= f"{local:%H:%M}" < f"{int(at[:2]) + 2:02d}{at[2:]}"


def _night_minimum_c(given: Given, state: EngineState, now: datetime) -> float | None:
    """Of all enclosures since the evening before [°C]."""
    start_s, end_s = (now - NIGHT).timestamp(), now.timestamp()
    low = [
        value
        for enclosure in given.garden.enclosures
        for probe in given.garden.probes_at(enclosure.name, Quantity.TEMPERATURE)[:1]
        if (window := state.windows.get((probe.name, Quantity.TEMPERATURE))) is not None
        for part in (window.between(start_s, end_s),)
        for value, doubts in zip(part.values, part.doubts, strict=True)
        if not doubts & int(Doubt.UNUSABLE)
    ]
    return min(low, default=None)


# --- the week ---------------------------------------------------------------------------------------------------------


def _week(given: Given, state: EngineState, now: datetime) -> Step:
    """Once a week, at the chosen day and time: how it was. The picture is made when the message is sent."""
    chosen, local = given.review, now.astimezone(given.zone)
    if WEEKDAYS[local.weekday()] != chosen.day or not _within_two_hours(chosen.at, local):
        return state, ()
    days_back = 0 if local.weekday() >= MIDWEEK else 7  # early in a week, it is the last one that is told
    week = weeks.week_label(local.date() - timedelta(days=days_back))
    told = {p.message.attachment for p in state.parcels.values()}
    if lines.picture_of(week) in told or state.looking_back == week:
        return state, ()
    return state._replace(looking_back=week), (LookBack(week, now),)


def looked_back(given: Given, state: EngineState, event: LookedBack) -> Step:
    """The week's message; where the week could not be looked back on, the next turn tries again, but after a defect none."""
    if event.is_hopeless:
        return state, ()
    state = state._replace(looking_back="")
    if not event.sentences:
        return state, ()
    message = lines.week_told(event.sentences, event.week, desk_of(given, state, event.at), event.at)
    state, effects = post(given, put(state, [message]), event.at)
    state, more = make_durable(state, event.at)
    return state, (*effects, *more)
