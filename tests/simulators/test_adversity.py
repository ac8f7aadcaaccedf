"""A whole garden in an adverse world: two hundred seeds keep every promise, and a promise that is broken is noticed."""

from __future__ import annotations

from pathlib import Path

import pytest

from sensord.engine.effects import Acknowledge, Effect, MakeDurable
from sensord.engine.events import Committed, Event
from sensord.ports import Added
from simulators.adversity import trial
from simulators.adversity.__main__ import main
from simulators.adversity.trial import Failed, MortalLoop

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


def test_the_command_runs_as_many_as_one_likes(capsys: pytest.CaptureFixture[str]) -> None:
    """It ends with 0 and says how far it came; a single seed can be told event by event."""
    assert main(["--seeds", "2", "--hours", "1"]) == 0
    assert "2 seeds" in capsys.readouterr().err
    assert main(["--seed", "3", "--hours", "1", "--tell"]) == 0
    assert "larkfield: Due" in capsys.readouterr().out
