"""The commands that a keeper uses every day, against a real broker, a real store and a real receiver."""

from __future__ import annotations

import json
import os
import resource
import signal
import subprocess
import sys
import time
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from paho.mqtt import publish as paho
from pydantic import SecretStr
from typer.testing import CliRunner

from sensord.__main__ import COMMANDS, app
from sensord.commands import _house, _kept
from sensord.config import Mistakes, PageSettings
from sensord.model import EPOCH, Entry, Quantity, Reading, Refusal, Route, What
from sensord.ports import Commit, Sending
from sensord.web.guard import LONGEST_SECRET, Guard
from simulators import feed as feeds
from tests.adapters.broker import Mosquitto, free_port
from tests.conftest import Receiver
from tests.kept import opened, read
from tests.store_promises import a_concern, a_message

CONFIG = Path(__file__).parents[2] / "config"
GARDEN = (Path(__file__).parent.parent.parent / "simulators" / "larkfield.toml").read_text()


def configuration(directory: Path, port: int, phone: str = "") -> Path:
    """The demonstration garden at this broker, its store in `directory`."""
    path = directory / "sensord.toml"
    push = f'[push]\nphone = ["{phone}"]\n' if phone else ""
    broker = f'[broker]\nhost = "127.0.0.1"\nport = {port}\n'
    path.write_text(f'{broker}[store]\npath = "{directory}/store.sqlite3"\n{push}{GARDEN}')
    return path


def sensord(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    """The command line, as typed."""
    environment = {k: v for k, v in os.environ.items() if not k.startswith("SENSORD_")}
    command = [sys.executable, "-m", "sensord", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, env=environment, timeout=120)


def test_check_finds_everything_fine(tmp_path: Path, mosquitto: Mosquitto, receiver: Receiver) -> None:
    """With broker, store and phone there, a trial message arrives; probes never heard are named."""
    config = configuration(tmp_path, mosquitto.port, receiver.url)
    done = sensord("check", "--config", config, "--wait", "0.5", "--json")
    found = {f["part"]: f for f in json.loads(done.stdout)}
    assert found["broker"]["fine"]
    assert found["push (phone)"]["fine"]
    assert receiver.wait_for(1, 5)
    assert "sensord" in receiver.posts[0]["title"]


def test_check_names_the_parts_that_are_missing(tmp_path: Path) -> None:
    """Switched on in the configuration, not installed: said before Sunday evening."""
    config = configuration(tmp_path, free_port())
    config.write_text(f'[page]\nenabled = true\n[review]\nat = "19:00"\n{config.read_text()}')
    assert "not installed" not in sensord("check", "--offline", "--config", config).stdout
    hides = "import sys; sys.modules['matplotlib'] = sys.modules['uvicorn'] = None; from sensord.__main__ import main; main()"
    command = [sys.executable, "-c", hides, "check", "--offline", "--config", str(config)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert "WRONG  page: what makes it is not installed (uvicorn): pip install 'sensord[page]'" in done.stdout, done
    assert "WRONG  review: what makes it is not installed (matplotlib): pip install 'sensord[report]'" in done.stdout
    assert done.returncode == 1


def test_check_says_what_is_wrong(tmp_path: Path) -> None:
    """No broker and a dead phone: both are said, in plain words, and it ends with 1."""
    config = configuration(tmp_path, free_port(), f"json://127.0.0.1:{free_port()}/")
    done = sensord("check", "--config", config)
    assert done.returncode == 1
    assert "WRONG  broker" in done.stdout
    assert "WRONG  push (phone)" in done.stdout
    assert "Traceback" not in done.stdout + done.stderr


def test_check_offline_notes_what_is_missing(tmp_path: Path) -> None:
    """Without a probe at the post, or a phone: noted while the garden is set up, wrong in the full check."""
    config = configuration(tmp_path, free_port())
    text = config.read_text().replace('place = "ambient"', 'place = "cedar"')
    config.write_text(text)
    done = sensord("check", "--offline", "--config", config)
    assert "note   ambient: no probe measures the temperature at place" in done.stdout
    assert "note   push: no [push] phone is configured" in done.stdout
    assert done.returncode == 0
    whole = sensord("check", "--no-push", "--wait", "0", "--config", config)
    assert "WRONG  ambient: no probe" in whole.stdout
    one = sensord("check", "--offline", "--config", CONFIG / "minimal.toml")
    assert "1 enclosure, 2 probes" in one.stdout
    assert "note" not in one.stdout


def _limited() -> None:
    resource.setrlimit(resource.RLIMIT_FSIZE, (16_000, 16_000))


def test_check_and_run_on_a_full_disk(tmp_path: Path) -> None:
    """Nothing can be written: said in a line, without a traceback."""
    config = configuration(tmp_path, free_port())
    environment = {k: v for k, v in os.environ.items() if not k.startswith("SENSORD_")}
    for command, code in (("check", 1), ("run", 1)):
        words = [sys.executable, "-m", "sensord", command, "--config", str(config)]
        done = subprocess.run(  # one thread here
            words, capture_output=True, text=True, env=environment, timeout=60, preexec_fn=_limited
        )
        assert done.returncode == code
        assert "Traceback" not in done.stderr + done.stdout
        assert "nothing can be written" in done.stdout or "the store can't be opened" in done.stderr, done


def test_a_second_run_beside_the_first_ends_with_2(tmp_path: Path) -> None:
    """One line that says what to do."""
    config = configuration(tmp_path, free_port())
    with closing(opened(_house.garden_in(config), tmp_path / "store.sqlite3")):
        done = sensord("run", "--config", config)
    assert done.returncode == 2
    assert done.stderr.splitlines()[-1].endswith("another sensord is writing to this store; stop it first")
    assert "Traceback" not in done.stderr


def test_check_is_not_misled_by_a_reading_from_the_future(tmp_path: Path) -> None:
    """A reading that a wrong clock dated a year ahead is not "heard a year ago" for ever."""
    config = configuration(tmp_path, free_port())
    now = datetime.now(UTC)
    long_ago = now - timedelta(days=2)
    readings = [
        Reading("larkfield", "cedar-1", Quantity.TEMPERATURE, now + timedelta(days=365), long_ago, 20.0),
        Reading("larkfield", "cedar-1", Quantity.TEMPERATURE, now - timedelta(seconds=30), now, 21.0),
    ]
    refused = [Refusal(now, "a/b", b"x", "no number") for _ in range(40)]
    refused += [Refusal(now + timedelta(seconds=1), f"c/{n}", b"x", "no number") for n in range(6)]
    with closing(opened(_house.garden_in(config), tmp_path / "store.sqlite3")) as store:
        store.journal.commit(Commit(now, readings=readings, refusals=refused))
    done = sensord("check", "--no-push", "--wait", "0", "--config", config)
    assert "fine   probe cedar-1: last heard 0 min ago" in done.stdout, done.stdout
    refusals = [line for line in done.stdout.splitlines() if "refused:" in line]
    assert len(refusals) == 6
    assert refusals[-1] == "WRONG  refused: 41 more, for 2 other reasons"
    local = now.astimezone(ZoneInfo("America/Detroit"))
    assert f"fine   clock: {local:%Y-%m-%d %H}:" in done.stdout
    assert "UTC" not in done.stdout


def test_check_groups_what_was_refused(tmp_path: Path) -> None:
    """The same refusal again and again is one line with its number."""
    config = configuration(tmp_path, free_port())
    at = datetime.now(UTC)
    with closing(opened(_house.garden_in(config), tmp_path / "store.sqlite3")) as store:
        store.journal.commit(Commit(at, refusals=[Refusal(at, "a/b", b"x", "no number")] * 40))
    done = sensord("check", "--no-push", "--wait", "0", "--config", config)
    local = at.astimezone(ZoneInfo("America/Detroit"))
    assert f"WRONG  refused: a/b, 40 times, last at {local:%Y-%m-%d %H:%M}: no number" in done.stdout, done.stdout


def test_check_forgives_what_was_refused_long_ago(tmp_path: Path) -> None:
    """What was refused within a day is wrong; of what was before, there is only a note, also of what is not shown."""
    built = _house.garden_in(configuration(tmp_path, 1))
    now = datetime.now(UTC)
    old = [Refusal(now - timedelta(hours=25), f"old/{n}", b"x", "no number") for n in range(6)]
    with closing(opened(built, tmp_path / "store.sqlite3")) as store:
        store.journal.commit(Commit(now, refusals=old))
        found = [f for f in _kept.kept(built, tmp_path / "store.sqlite3", store.parts) if f.part == "refused"]
        assert [f.fine for f in found] == [None] * 6
        store.journal.commit(Commit(now, refusals=[Refusal(now - timedelta(hours=23), "new", b"x", "no number")]))
        found = [f for f in _kept.kept(built, tmp_path / "store.sqlite3", store.parts) if f.part == "refused"]
    assert [f.fine for f in found] == [False, None, None, None, None, None]


@pytest.mark.parametrize(("silent_min", "fine"), [(60, True), (50, False), (15, False)])
def test_check_is_as_patient_with_a_probe_as_the_phone(tmp_path: Path, silent_min: int, fine: bool) -> None:
    """A probe silent for 55 minutes is what the keeper has configured, whatever its interval."""
    config = configuration(tmp_path, 1)
    config.write_text(f"{config.read_text()}\n[rules.silent]\nsilent_min = {silent_min}\n")
    built, now = _house.garden_in(config), datetime.now(UTC)
    heard = now - timedelta(minutes=55)
    with closing(opened(built, tmp_path / "store.sqlite3")) as store:
        store.journal.commit(
            Commit(now, readings=[Reading("larkfield", "cedar-1", Quantity.TEMPERATURE, heard, heard, 20.0)])
        )
        (found,) = [f for f in _kept.kept(built, tmp_path / "store.sqlite3", store.parts) if f.of == "cedar-1"]
    assert found.fine is fine


def test_help_keeps_its_units_and_flags_are_single() -> None:
    """Units in brackets are no markup; what switches something off has no opposite."""
    assert "How long to listen for readings [s]." in sensord("check", "--help").stdout
    assert "Height [m; us: in]." in sensord("anchor", "--help").stdout
    assert "About how long it takes [s]." in sensord("demo", "--help").stdout
    for command in COMMANDS:
        assert "--no-no" not in sensord(command, "--help").stdout
    assert sensord("check", "--wait", "-1").returncode == 2


def test_the_page_starts_without_what_looks_like_an_error(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """The log says where the page is and that the broker is there, and nothing of "uvicorn.error"."""
    config = configuration(tmp_path, mosquitto.port)
    config.write_text(f"[page]\nenabled = true\nport = {free_port()}\n{config.read_text()}")
    command = [sys.executable, "-m", "sensord", "run", "--config", str(config)]
    with (tmp_path / "log").open("w") as log:
        daemon = subprocess.Popen(command, stderr=log, stdout=log)
    try:
        assert _until(lambda: "connected to the broker" in (tmp_path / "log").read_text())
        assert _until(lambda: "the page is at" in (tmp_path / "log").read_text())
        time.sleep(1)
    finally:
        daemon.send_signal(signal.SIGTERM)
        daemon.wait(20)
    assert "uvicorn" not in (tmp_path / "log").read_text()


def test_a_wrong_configuration_ends_with_2_and_all_mistakes(tmp_path: Path) -> None:
    """Every command that reads the configuration says all that is wrong with it."""
    path = tmp_path / "sensord.toml"
    path.write_text(GARDEN.replace("latitude_deg = 41.5", "latitude_deg = 141.5").replace('"SHT4x"', '"SHT9x"', 1))
    for command in (["check"], ["run"], ["answer"]):
        done = sensord(*command, "--config", path)
        assert done.returncode == 2
        assert "latitude_deg" in done.stderr
        assert "Traceback" not in done.stderr


@pytest.mark.timeout(120)
def test_run_hears_a_probe_and_an_answer_and_stops_in_time(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """A reading published to the broker is stored, `answer` reaches the store as an entry, a recording holds both, and
    SIGTERM ends the daemon within 5 s."""
    config = configuration(tmp_path, mosquitto.port)
    recording = tmp_path / "feed.jsonl"
    command = [sys.executable, "-m", "sensord", "run", "--config", str(config), "--record", str(recording)]
    with (tmp_path / "log").open("w") as log:
        daemon = subprocess.Popen(command, stderr=log, stdout=log)
    try:
        store = tmp_path / "store.sqlite3"
        assert _until(lambda: _publish(mosquitto.port) and store.exists() and _count(store) > 0)
        said = sensord("answer", "anchored", "birch", "6", "--config", config)
        assert said.returncode == 0, said.stderr
        assert _until(lambda: bool(_entries(store)))
        (entry,) = _entries(store)
        assert (entry.what, entry.subject, entry.amount, entry.source) == (What.ANCHORED, "birch", 6.0, "command")
    finally:
        began = time.monotonic()
        daemon.send_signal(signal.SIGTERM)
        status = daemon.wait(20)
    assert status == 0, (tmp_path / "log").read_text()
    assert time.monotonic() - began < 5
    topics = {json.loads(line)["topic"] for line in recording.read_text().splitlines()}
    assert {"larkfield/cedar/temperature", "sensord/entry"} <= topics
    assert sensord("answer", "--config", config, "--json").returncode in (0, 1)


def test_answer_shows_what_stands_as_the_phone_told_it(tmp_path: Path) -> None:
    """Local time, the words of the last message, and the command that answers it."""
    config, now = configuration(tmp_path, free_port()), datetime.now(UTC).replace(microsecond=0)
    built = _house.garden_in(config)
    with closing(opened(built, tmp_path / "store.sqlite3")) as store:
        told = a_message("one", now - timedelta(hours=1), site="larkfield", concerns=("overheating/alder",))
        again = replace(
            told, key="two", at=now - timedelta(minutes=5), title="Shade Alder now", text="36 °C inside.\nHot."
        )
        concern = a_concern(now - timedelta(hours=1), site="larkfield", breached_since=now - timedelta(minutes=80))
        sent = [Sending(message.key, now) for message in (told, again)]
        store.journal.commit(Commit(now, concerns=[concern], messages=[told, again], sendings=sent))
    done = sensord("answer", "--config", config)
    since = f"{(now - timedelta(minutes=80)).astimezone(built.settings.zone):%a %d %b %H:%M}"
    assert done.returncode == 1
    assert f"open since {since}" in done.stdout
    assert (
        "    Shade Alder now\n    36 °C inside.\n    Hot.\n    sensord answer done overheating/alder\n" in done.stdout
    )
    assert json.loads(sensord("answer", "--config", config, "--json").stdout)[0]["title"] == "Shade Alder now"
    with closing(opened(built, tmp_path / "store.sqlite3")) as store:
        store.journal.commit(Commit(now, entries=[Entry("larkfield", now, now, "overheating/alder", What.NOT_NOW)]))
    assert "you said: not now" in sensord("answer", "--config", config).stdout


def test_answer_shows_only_what_the_phone_was_told_of_it(tmp_path: Path) -> None:
    """Neither what was held, withdrawn or never arrived, nor what the stand-in got, nor of an earlier time that it stood."""
    config, now = configuration(tmp_path, free_port()), datetime.now(UTC).replace(microsecond=0)
    opened_at = now - timedelta(days=20)
    concern = a_concern(opened_at, site="larkfield")
    told = a_message("told", opened_at, site="larkfield", concerns=("overheating/alder",), title="Told")
    before = replace(told, key="before", at=opened_at - timedelta(hours=1), title="Before")
    others = {
        name: replace(told, key=name, at=now - timedelta(minutes=n), title=name)
        for n, name in enumerate(("waiting", "withdrawn", "held", "undelivered", "stand-in"), start=1)
    }
    others["stand-in"] = replace(others["stand-in"], route=Route.STAND_IN)
    held = [(others.pop("held"), "quiet hours")]
    sent = [Sending(key, now) for key in ("told", "before", "stand-in")]
    with closing(opened(_house.garden_in(config), tmp_path / "store.sqlite3")) as store:
        store.journal.commit(Commit(now, concerns=[concern], messages=[before, told, *others.values()], held=held))
        given_up = Sending("undelivered", now, "no such phone")
        store.journal.commit(Commit(now, withdrawn=[("withdrawn", "it is over")], sendings=[*sent, given_up]))
    shown = sensord("answer", "--config", config, "--json")
    assert [row["title"] for row in json.loads(shown.stdout)] == ["Told"]


def test_answer_says_whose_counts_are_unchanged(tmp_path: Path, mosquitto: Mosquitto) -> None:
    """A headcount of an enclosure in which several cohorts live is said, and changes no count; with or without a store."""
    config, now = configuration(tmp_path, mosquitto.port), datetime.now(UTC)
    hint = "The counts of first and second are unchanged: nobody knows who is missing; count each of them."
    assert "unchanged" not in sensord("answer", "headcount", "alder", "3", "--config", config).stdout
    with closing(opened(_house.garden_in(config), tmp_path / "store.sqlite3")) as store:
        moved = Entry("larkfield", now, now, "second", What.MOVED, text="alder")
        store.journal.commit(Commit(now, entries=[moved]))
    done = sensord("answer", "headcount", "alder", "3", "--config", config)
    assert (done.returncode, done.stdout.splitlines()[1:]) == (0, [hint]), done
    assert "unchanged" not in sensord("answer", "headcount", "first", "3", "--config", config).stdout
    json.loads(sensord("answer", "headcount", "alder", "3", "--json", "--config", config).stdout)


def test_answer_refuses_what_it_does_not_know(tmp_path: Path) -> None:
    """A wrong enclosure is refused with the right ones; without a broker it says that nothing was said."""
    config = configuration(tmp_path, free_port())
    wrong = sensord("answer", "shaded", "oak", "--config", config)
    assert wrong.returncode == 2
    assert "alder, birch, cedar" in wrong.stderr
    unsaid = sensord("answer", "shaded", "birch", "--config", config)
    assert unsaid.returncode == 2
    assert "not said" in unsaid.stderr


def test_replay_gives_the_same_bytes_twice(tmp_path: Path) -> None:
    """Same feed, same configuration: the same messages, byte for byte; they carry what the format promises."""
    feed, config = tmp_path / "feed.jsonl", configuration(tmp_path, 1)
    assert feeds.main(["--days", "1", "--seed", "7", "--out", str(feed)]) in (0, None)
    outs = [tmp_path / "a.jsonl", tmp_path / "b.jsonl"]
    for out in outs:
        done = sensord("replay", feed, "--config", config, "--messages", out, "--store", out.with_suffix(".sqlite3"))
        assert done.returncode == 0, done.stderr
    assert outs[0].read_bytes() == outs[1].read_bytes()
    first = json.loads(outs[0].read_text().splitlines()[0])
    assert {"at", "rule", "subject", "severity", "urgency", "certainty", "title", "text", "key"} <= first.keys()


@pytest.mark.parametrize(
    ("line", "word"),
    [
        ('{"received_at": "2026-08-20T14:03:05Z", "forecast": {}}', "line 2"),
        ("not json", "line 2"),
        ('{"received_at": "2026-08-20T14:03:05", "topic": "a", "payload": "1"}', "RFC 3339"),
    ],
)
def test_a_line_of_an_unknown_kind_is_refused_with_its_number(tmp_path: Path, line: str, word: str) -> None:
    """Nothing in a feed is skipped silently."""
    feed, config = tmp_path / "feed.jsonl", configuration(tmp_path, 1)
    feed.write_text('{"received_at": "2026-08-20T14:03:05Z", "topic": "a", "payload": "1"}\n' + line + "\n")
    done = sensord("replay", feed, "--config", config)
    assert done.returncode == 2
    assert word in done.stderr


LINE = '{"received_at": "2026-08-20T14:%s:05Z", "topic": "a", "payload": "1"}\n'


@pytest.mark.parametrize(
    ("minutes", "word"),
    [
        (("03", "09", "05"), "line 3: received_at goes back, from 2026-08-20T14:09:05Z to 2026-08-20T14:05:05Z"),
        (("03", "02"), "line 2: received_at goes back, from 2026-08-20T14:03:05Z to 2026-08-20T14:02:05Z"),
    ],
)
def test_a_feed_whose_last_line_goes_back_is_refused(tmp_path: Path, minutes: tuple[str, ...], word: str) -> None:
    """Also the last one, by which it would seem to end before what stands above it."""
    feed, config = tmp_path / "feed.jsonl", configuration(tmp_path, 1)
    feed.write_text("".join(LINE % minute for minute in minutes))
    done = sensord("replay", feed, "--config", config)
    assert done.returncode == 2, done.stdout
    assert word in done.stderr


def test_messages_of_one_topic_and_time_are_all_replayed(tmp_path: Path) -> None:
    """Each gets a receipt of its own, up to the last of the feed."""
    feed, config = tmp_path / "feed.jsonl", configuration(tmp_path, 1)
    feed.write_text(LINE % "03" * 10)
    done = sensord("replay", feed, "--config", config, "--json")
    assert json.loads(done.stdout)["arrivals"] == 10, done.stderr


def test_a_replay_writes_neither_over_its_feed_nor_where_nothing_can_be(tmp_path: Path) -> None:
    """Said in one line, and the feed is as it was; a line that was cut off is called so."""
    feed, config = tmp_path / "feed.jsonl", configuration(tmp_path, 1)
    feed.write_text(LINE % "03")
    for options, word in (
        (("--messages", feed), "is the feed or the configuration itself"),
        (("--messages", config), "is the feed or the configuration itself"),
        (("--messages", tmp_path / "store.sqlite3-wal"), "belongs to a store"),
        (
            ("--store", tmp_path / "of-replay.sqlite3", "--messages", tmp_path / "of-replay.sqlite3"),
            "belongs to a store",
        ),
        (("--store", tmp_path / "none" / "store.sqlite3"), "the directory does not exist"),
        (("--store", config / "store.sqlite3"), "the directory does not exist"),
        (("--messages", tmp_path / "none" / "out.jsonl"), "out.jsonl: No such file or directory"),
    ):
        done = sensord("replay", feed, "--config", config, *options)
        assert (done.returncode, len(done.stderr.splitlines())) == (2, 1), done.stderr
        assert word in done.stderr
        assert feed.read_text() == LINE % "03"
    feed.write_text(LINE % "03" + '{"received_at": "2026-08-20T14:04')
    assert "cut off" in sensord("replay", feed, "--config", config).stderr
    missing = sensord("replay", tmp_path / "none.jsonl", "--config", config)
    assert (missing.returncode, missing.stderr) == (2, f"{tmp_path / 'none.jsonl'}: No such file or directory\n")


def test_a_replay_that_fails_leaves_no_store(tmp_path: Path) -> None:
    """So the next attempt may have the same name; one that was there stays."""
    feed, config, store = tmp_path / "feed.jsonl", configuration(tmp_path, 1), tmp_path / "store.sqlite3"
    beside = sorted(tmp_path.iterdir())
    feed.write_text(LINE % "03" + LINE % "04" + "not json\n" + LINE % "05")
    assert sensord("replay", feed, "--config", config, "--store", store).returncode == 2
    assert sorted(tmp_path.iterdir()) == sorted([*beside, feed])
    feed.write_text(LINE % "03" + LINE % "04")
    assert sensord("replay", feed, "--config", config, "--store", store).returncode == 0
    known = store.read_bytes()
    assert sensord("replay", feed, "--config", config, "--store", store).returncode == 2
    assert store.read_bytes() == known


def _publish(port: int) -> bool:
    paho.single("larkfield/cedar/temperature", "21.5", qos=1, hostname="127.0.0.1", port=port)
    return True


def _count(store: Path) -> int:
    reader = read(store, "larkfield")
    try:
        return reader.accounts.counters()["readings"]
    finally:
        reader.close()


def _entries(store: Path) -> list[object]:
    reader = read(store, "larkfield")
    try:
        return reader.entries.between(EPOCH, EPOCH.replace(year=2100))
    finally:
        reader.close()


def _until(condition: object, seconds: float = 30) -> bool:
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        if condition():  # type: ignore[operator]
            return True
        time.sleep(0.2)
    return False


def test_a_password_may_come_from_a_pipe() -> None:
    """Without a terminal the first line of the input is the password; its hash opens with it, a short one is refused."""
    from argon2 import PasswordHasher

    command = [sys.executable, "-m", "sensord", "password"]
    done = subprocess.run(command, input="four plain words here\n", capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    assert PasswordHasher().verify(done.stdout.strip(), "four plain words here")
    assert subprocess.run(command, input="short\n", capture_output=True, text=True, timeout=60).returncode == 2


def test_a_password_that_the_page_would_not_take_is_not_hashed() -> None:
    """The longest that can be logged in with is hashed; one more is refused, with the bound."""
    longest = CliRunner().invoke(app, ["password"], input="a" * LONGEST_SECRET + "\n")
    assert longest.exit_code == 0
    page = PageSettings(enabled=True, password_hash=SecretStr(longest.output.strip()))
    assert Guard(page).knows("a" * LONGEST_SECRET)
    refused = CliRunner().invoke(app, ["password"], input="a" * (LONGEST_SECRET + 1) + "\n")
    assert isinstance(refused.exception, Mistakes)
    assert str(refused.exception) == f"the password: at most {LONGEST_SECRET} characters"


def test_files_that_can_not_be_made_are_said_in_plain_words(tmp_path: Path) -> None:
    """A directory that is not there, or a directory in the place of a file: which option, and what to do; ends with 2."""
    config = configuration(tmp_path, free_port())
    there = tmp_path / "nope" / "x"
    done = sensord("review", "--html", there, "--png", tmp_path, "--config", config)
    assert done.returncode == 2
    assert done.stderr.splitlines() == [
        f"--html: {there}: its directory is not there; make it, or name another file",
        f"--png: {tmp_path} is a directory; name a file in it",
    ]
    done = sensord("restore", "--from", tmp_path, "--config", config)
    assert done.returncode == 2
    assert done.stderr.startswith(f"{tmp_path}: is a directory; name the backup in it")
