"""`sensord review`: what it writes and how it ends; and the loop that tells the week on its own."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import time_machine
from typer.testing import CliRunner, Result

from sensord import config
from sensord.__main__ import app
from sensord.adapters.clock import SteppedClock
from sensord.adapters.push import RecordingChannel
from sensord.adapters.sender import InlineSender
from sensord.commands import _build, _house
from sensord.config import Mistakes, ReviewSettings
from simulators import scenario
from simulators.inbox import GardenInbox
from tests.kept import Kept, opened
from tests.reviews import CONFIG, FIRST_WEEK, NOW, SECOND_WEEK, typical


def run(*arguments: str, store: Path | None = None) -> Result:
    """The command, on the morning after the second week."""
    with time_machine.travel(NOW, tick=False):
        return CliRunner().invoke(
            app, ["review", "--config", str(CONFIG), "--store", str(store or typical()), *arguments]
        )  # fmt: skip


def test_all_forms_at_once(tmp_path: Path) -> None:
    """One call writes the page, the picture and the table, and prints JSON and nothing else."""
    names = [tmp_path / f"w.{ending}" for ending in ("html", "png", "csv")]
    done = run("--week", SECOND_WEEK, "--html", str(names[0]), "--png", str(names[1]), "--csv", str(names[2]), "--json")
    assert done.exit_code == 1
    found = json.loads(done.stdout)
    assert found["span"]["label"] == SECOND_WEEK
    assert found["something_found"] is True
    assert names[0].read_text(encoding="utf-8").startswith("<!doctype html>")
    assert names[1].read_bytes().startswith(b"\x89PNG")
    assert names[2].read_bytes().count(b"\r\n") == 25


def test_without_a_week_it_is_the_one_of_yesterday() -> None:
    """On Monday morning the week that has just ended; in words and a table."""
    done = run()
    assert done.exit_code == 1
    assert "Week 24, 8 Jun to 14 Jun 2026" in done.stdout
    assert "Cedar was the hottest" in done.stdout.replace("\n", " ")


def test_the_season(tmp_path: Path) -> None:
    """Since the first cohort, in weeks; up to the end of a week that is named."""
    found = json.loads(run("--season", "--json").stdout)
    assert (found["span"]["kind"], found["span"]["first_day"], found["span"]["last_day"]) == (
        "season",
        "2026-05-29",
        "2026-06-15",
    )
    found = json.loads(run("--season", "--week", FIRST_WEEK, "--json").stdout)
    assert found["span"]["last_day"] == "2026-06-07"
    assert [row["label"] for row in found["enclosures"][0]["rows"]] == ["2026-W22", "2026-W23"]


def test_a_week_in_which_nothing_was_found_ends_with_0(tmp_path: Path) -> None:
    """Mild and complete: exit code 0."""
    store = mild(tmp_path)
    done = run("--week", FIRST_WEEK, "--json", store=store)
    assert json.loads(done.stdout)["something_found"] is False
    assert done.exit_code == 0


def mild(directory: Path) -> Path:
    """A week at a steady 22 °C in all three enclosures."""
    from sensord.model import Quantity, Reading
    from sensord.ports import Commit

    built = _house.garden_in(CONFIG)
    store = opened(built, directory / "mild.sqlite3", durable=False)
    start = datetime(2026, 6, 1, 4, tzinfo=UTC)
    times = [start + n * timedelta(minutes=10) for n in range(7 * 144 + 1)]
    names = ("alder-1", "birch-1", "cedar-1", "post")
    store.journal.commit(
        Commit(NOW, readings=[Reading("typical", p, Quantity.TEMPERATURE, t, t, 22.0) for p in names for t in times])
    )
    store.journal.summarise(NOW)
    store.close()
    return directory / "mild.sqlite3"


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--week", "34"), "right is like 2026-W34"),
        (("--week", "2027-W53"), "no such week"),
        (("--week", "2027-W10"), "future"),
        (("--html", "/nowhere/w.html"), "/nowhere/w.html"),
    ],
)
def test_wrong_use_is_said_in_a_line(arguments: tuple[str, ...], said: str) -> None:
    """No such week, a week that lies ahead, a file that can't be written: a plain line, which ends the command with 2."""
    done = run(*arguments)
    assert isinstance(done.exception, Mistakes)
    assert said in str(done.exception)


@pytest.mark.parametrize("end", ["", "-wal", "-shm", "-lock"])
def test_a_review_never_writes_over_the_store(tmp_path: Path, end: str) -> None:
    """Nor over what belongs to it, by whatever name; it is said before anything is looked at."""
    store, other = tmp_path / "garden.sqlite3", tmp_path / "another.html"
    store.write_bytes(typical().read_bytes())
    other.symlink_to(f"{store}{end}")
    for path in (f"{store}{end}", f"{tmp_path}/../{tmp_path.name}/{store.name}{end}", str(other)):
        done = run("--week", FIRST_WEEK, "--html", path, store=store)
        assert isinstance(done.exception, Mistakes)
        assert str(done.exception) == f"--html: {path} is the store or the configuration itself; name another file"
    assert store.read_bytes() == typical().read_bytes()


def test_a_review_never_writes_over_the_configuration_nor_its_store(tmp_path: Path) -> None:
    """Also not over the store that is configured, while it looks at another."""
    config = tmp_path / "typical.toml"
    config.write_bytes(CONFIG.read_bytes())
    for path in (config, tmp_path / "sensord.sqlite3"):
        given = ["--config", str(config), "--store", str(typical()), "--csv", str(path)]
        done = CliRunner().invoke(app, ["review", *given])
        assert isinstance(done.exception, Mistakes)
        assert "itself" in str(done.exception)
    assert config.read_bytes() == CONFIG.read_bytes()


def test_two_forms_of_a_review_need_two_files(tmp_path: Path) -> None:
    """Else the later would replace the earlier, and nobody would be told."""
    path = tmp_path / "week"
    done = run("--week", FIRST_WEEK, "--html", str(path), "--png", f"{tmp_path}/./week")
    assert isinstance(done.exception, Mistakes)
    assert "--png" in str(done.exception)
    assert not path.exists()


def test_a_store_that_is_not_there(tmp_path: Path) -> None:
    """Says so, and makes none."""
    done = run(store=tmp_path / "none.sqlite3")
    assert isinstance(done.exception, Mistakes)
    assert "no such store" in str(done.exception)
    assert not list(tmp_path.iterdir())


def test_progress_is_shown_where_somebody_looks(monkeypatch: pytest.MonkeyPatch) -> None:
    """On a terminal the long work says what it is at; its last word is that it is done."""
    from sensord.review import lookback, weeks
    from tests import reviews

    seen: list[tuple[str, float]] = []
    kept = reviews.reader()
    span = weeks.week(FIRST_WEEK, reviews.house().settings.zone)
    lookback.look_back(
        kept, reviews.house().garden, span, span.first, NOW, lambda what, share: seen.append((what, share))
    )  # fmt: skip
    kept.close()
    assert [what for what, _ in seen] == ["the shaded post", "Alder", "Birch", "Cedar", "what stood", "done"]
    assert [share for _, share in seen] == sorted(share for _, share in seen)
    assert seen[-1][1] == 1.0


# --- the loop tells the week --------------------------------------------------------------------------------------

SUNDAY = datetime(2026, 6, 7, 16, 0, tzinfo=UTC)  # 12:00 in New York


def evening(directory: Path, hours: float, again: bool = False, **chosen: str) -> tuple[RecordingChannel, Kept]:
    """Sunday from noon on, with the review at 14:00 (18:00 UTC); `again`: after a restart at 14:30."""
    configured = scenario.configuration("typical")
    review = ReviewSettings.model_validate({"day": "sunday", "at": "14:00", **chosen})
    built = _house.understood(configured.model_copy(update={"review": review}), scenario.HERE / "typical.toml")
    start = SUNDAY + timedelta(hours=2.5) if again else SUNDAY
    garden = scenario.typical(7, start=start, settings=built.settings)
    clock, phone = SteppedClock(start), RecordingChannel()
    store = opened(built, directory / "store.sqlite3", durable=False)
    loop = _build.loop(built, clock, GardenInbox(garden, clock), store, InlineSender({"phone": phone}))
    loop.run(until=start + timedelta(hours=hours))
    return phone, store


def test_the_week_is_told_once_on_sunday_with_its_picture(tmp_path: Path) -> None:
    """At the time chosen, with the sentences, and the picture's name; not again after a restart within the two hours."""
    phone, store = evening(tmp_path, 2.4)
    (told,) = [m for m in phone.messages if m.rule == "week"]
    assert told.attachment == f"review {FIRST_WEEK}"
    assert told.at == SUNDAY + timedelta(hours=2)
    assert told.title == "Typical Year Garden (made-up): the week"
    assert "development gained" in told.text or "Nothing" in told.text
    assert "hours in every enclosure" in told.text
    store.close()
    phone, store = evening(tmp_path, 0.5, again=True)
    assert not [m for m in phone.messages if m.rule == "week"]
    assert [p.message.attachment for p in store.outbox.between(SUNDAY, NOW) if p.message.rule == "week"] == [
        f"review {FIRST_WEEK}"
    ]
    store.close()


@pytest.mark.parametrize("chosen", [{"at": ""}, {"day": "saturday"}, {"at": "09:00"}])
def test_otherwise_it_is_not_told(tmp_path: Path, chosen: dict[str, str]) -> None:
    """Off by an empty time, on other days, and when the time was hours before the start."""
    phone, store = evening(tmp_path, 2.2, **chosen)
    store.close()
    assert not [m for m in phone.messages if m.rule == "week"]


def test_early_in_a_week_the_last_one_is_told(tmp_path: Path) -> None:
    """A keeper who chooses Monday hears of the week that has just ended."""
    configured = scenario.configuration("typical")
    review = ReviewSettings(day="monday", at="00:10")
    built = _house.understood(configured.model_copy(update={"review": review}), scenario.HERE / "typical.toml")
    start = datetime(2026, 6, 8, 3, 50, tzinfo=UTC)
    clock, phone = SteppedClock(start), RecordingChannel()
    store = opened(built, tmp_path / "store.sqlite3", durable=False)
    inbox = GardenInbox(scenario.typical(7, start=start, settings=built.settings), clock)
    loop = _build.loop(built, clock, inbox, store, InlineSender({"phone": phone}))
    loop.run(until=start + timedelta(minutes=40))
    (waiting,) = [p for p in store.outbox.due() if p.message.rule == "week"]
    store.close()
    assert waiting.message.attachment == f"review {FIRST_WEEK}"
    assert waiting.message.not_before == datetime(2026, 6, 8, 10, 30, tzinfo=UTC)  # when the quiet hours end


def test_a_review_that_fails_stops_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever a review comes upon, the turn goes on and the rules are asked."""
    from sensord.review import lookback

    def broken(*_: object, **__: object) -> None:
        raise ValueError("a reading of the week can't be computed with")

    monkeypatch.setattr(lookback, "look_back", broken)
    phone, store = evening(tmp_path, 2.4)
    assert store.facts.recall("alive") == (SUNDAY + timedelta(hours=2.4)).isoformat()
    store.close()
    assert not [m for m in phone.messages if m.rule == "week"]


def test_the_settings_of_the_review(tmp_path: Path) -> None:
    """Off by default; a wrong day or time, an unknown key: each is said with what is right."""
    text = CONFIG.read_text(encoding="utf-8")
    path = tmp_path / "sensord.toml"
    path.write_text(f'{text}\n[review]\nat = "19:00"\nseason_start = 2026-06-20\n', encoding="utf-8")
    chosen = config.load(path, {}, {}).review
    assert (chosen.day, chosen.at, str(chosen.season_start)) == ("sunday", "19:00", "2026-06-20")
    path.write_text(f'{text}\n[review]\nat = "7 pm"\nday = "Funday"\nwho = 1\n', encoding="utf-8")
    with pytest.raises(Mistakes) as caught:
        config.load(path, {}, {})
    lines = "\n".join(caught.value.lines)
    assert 'review.at: must be a local time like "07:15"' in lines
    assert "review.day" in lines
    assert "review.who: no such key; allowed are day, at, season_start" in lines
