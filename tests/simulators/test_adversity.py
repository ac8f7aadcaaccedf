"""A whole garden in an adverse world: two hundred seeds keep every promise, and a promise that is broken is noticed."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from random import Random

import pytest

from sensord.adapters.memory import MemoryStore
from sensord.commands import _build
from sensord.engine.effects import Acknowledge, Effect, MakeDurable
from sensord.engine.events import Committed, Event
from sensord.ports import Added
from simulators.adversity import trial
from simulators.adversity.__main__ import main
from simulators.adversity.outdoors import MORNING, Span, course_of
from simulators.adversity.trial import Failed, Fate, MortalLoop, SiteTrial, built
from simulators.adversity.twins import same
from simulators.adversity.world import Truth

SEEDS, AT_ONCE, HOURS = 200, 10, 2


@pytest.fixture(scope="session")
def scratch(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the configurations are."""
    return tmp_path_factory.mktemp("adversity")


@pytest.mark.slow
@pytest.mark.parametrize("first", range(1, SEEDS + 1, AT_ONCE))
def test_every_promise_is_kept(first: int, scratch: Path, caplog: pytest.LogCaptureFixture) -> None:
    """Nothing acknowledged before it is durable; nothing told twice or never; after a crash at any effect all is as without it;
    two sites never mix; time never runs backwards."""
    caplog.set_level("CRITICAL", "sensord")
    for seed in range(first, first + AT_ONCE):
        trial.trial(seed, HOURS, scratch)


class Hasty(MortalLoop):
    """Acknowledges before it commits."""

    def _carry_out(self, effect: Effect) -> Event | None:
        if isinstance(effect, MakeDurable) and effect.commit.readings and self.state.batch is not None:
            self.inbox.acknowledge(self.state.batch.arrivals)
        return None if isinstance(effect, Acknowledge) else super()._carry_out(effect)


class Forgetful(MortalLoop):
    """Says that what the channel took is durable, and stores nothing of it."""

    def _carry_out(self, effect: Effect) -> Event | None:
        if isinstance(effect, MakeDurable) and effect.commit.sendings:
            return Committed(self.clock.now(), effect.number, Added(0, 0, 0))
        return super()._carry_out(effect)


@pytest.mark.parametrize(
    ("kind", "words"), [(Hasty, "acknowledged and is not stored"), (Forgetful, "after a crash|told twice")]
)
def test_a_broken_promise_is_noticed_and_its_seed_told(
    kind: type[MortalLoop], words: str, scratch: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """A loop with a defect is found out within some seeds, and the seed stands in the words."""
    caplog.set_level("CRITICAL", "sensord")
    monkeypatch.setattr(trial, "MortalLoop", kind)

    def some_seeds() -> None:
        for seed in range(1, 30):
            trial.trial(seed, HOURS, scratch)

    with pytest.raises(Failed, match=rf"seed \d+: .*({words})"):
        some_seeds()


class Doomed(Random):
    """Dies at the first effect that is not spared, from an instant of the true time on; and then no more."""

    dies_from: datetime
    truth: Truth
    died_at: datetime | None = None

    def random(self) -> float:
        if self.died_at is not None or self.truth.now < self.dies_from:
            return 1.0
        self.died_at = self.truth.now
        return 0.0


def test_a_death_just_after_a_full_disk_leaves_all_as_without_it(scratch: Path) -> None:
    """What waited in the process for room on the disk is taken in first: handed out again, it would be heard minutes later.
    Right after that the broker is lost, so when each probe was last heard stands in what was judged."""
    start = MORNING
    full = Span(start + timedelta(minutes=11.7), start + timedelta(minutes=16, seconds=5))
    no_link = Span(full.end + timedelta(seconds=40), full.end + timedelta(minutes=30))
    course = replace(
        course_of(1, "larkfield", 1, False),
        start=start,
        no_disk=(full,),
        no_link=(no_link,),
        no_phone=(),
        dead_probe=None,
    )

    def life(share: float) -> tuple[SiteTrial, Doomed]:
        garden = built("larkfield", scratch)
        chance = Doomed()
        one = SiteTrial(
            "larkfield",
            course,
            garden,
            MemoryStore().of(garden.garden.site, _build.places(garden.garden)),
            Fate(chance, share),
            lambda line: None,
        )
        chance.dies_from, chance.truth = full.end, one.truth
        while not one.over:
            one.go_on()
        one.end()
        return one, chance

    (died, chance), (lived, _) = life(1.0), life(0.0)
    assert died.fate.deaths == 1
    assert chance.died_at is not None
    assert chance.died_at < no_link.start
    same("larkfield", course, (died.share, died.phone), (lived.share, lived.phone))


def test_the_command_runs_as_many_as_one_likes(capsys: pytest.CaptureFixture[str]) -> None:
    """It ends with 0 and says how far it came; a single seed can be told event by event."""
    assert main(["--seeds", "2", "--hours", "1"]) == 0
    assert "2 seeds" in capsys.readouterr().err
    assert main(["--seed", "3", "--hours", "1", "--tell"]) == 0
    assert "larkfield: Due" in capsys.readouterr().out
