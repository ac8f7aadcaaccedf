"""The page as it is configured, started and stopped: what is refused, what a push carries, how fast it ends."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from pydantic import SecretStr
from typer.testing import CliRunner

from sensord.__main__ import app
from sensord.adapters.push import AppriseChannel
from sensord.config import Mistakes, PageSettings, Settings, load
from sensord.web.guard import Guard
from sensord.web.links import Links
from tests.kept import read as read_store
from tests.web.homestead import HASH, NOW, SECRET, TOKEN, letter
from tests.web.test_live import Page, free_port

GOOD = (Path(__file__).parents[2] / "config" / "minimal.toml").read_text()


def read(tmp_path: Path, page: str, environment: dict[str, str] | None = None, secrets: Path | None = None) -> Settings:
    path = tmp_path / "sensord.toml"
    path.write_text(f"{GOOD}\n[page]\n{page}\n")
    return load(path, {}, environment or {}, secrets)


def test_it_is_off_and_on_this_computer_unless_told_otherwise(tmp_path: Path) -> None:
    """One key switches it on; nobody else can reach it then."""
    assert not read(tmp_path, "").page.enabled
    page = read(tmp_path, "enabled = true").page
    assert (page.host, page.is_local, page.is_guarded) == ("127.0.0.1", True, False)


def test_its_secrets_come_from_files_and_variables(tmp_path: Path) -> None:
    """As all secrets: a file a value, or the environment; they are never printed."""
    secrets = tmp_path / "secrets"
    secrets.mkdir()
    (secrets / "page__password_hash").write_text(HASH + "\n")
    (secrets / "page__secret").write_text("")
    page = read(tmp_path, 'enabled = true\nhost = "0.0.0.0"', {"SENSORD_PAGE__TOKEN": TOKEN}, secrets).page
    assert page.password_hash.get_secret_value() == HASH
    assert page.token.get_secret_value() == TOKEN
    assert TOKEN not in repr(page)
    assert HASH not in repr(page)


@pytest.mark.parametrize(
    ("page", "told"),
    [
        ('enabled = true\nhost = "0.0.0.0"', "page.password_hash"),
        ('enabled = true\nhost = "::"', "page.password_hash"),
        ('enabled = true\nbase_url = "https://garden.example"', "page.password_hash"),
        (f'enabled = true\ntoken = "{TOKEN}"\nbase_url = "https://garden.example"', "page.secret"),
        ('host = "garden.example"', "page.host"),
        ('base_url = "garden.example/page"', "page.base_url"),
        ('token = "short"', "at least 20 characters"),
        ('secret = "short"', "at least 32 characters"),
        ('password_hash = "in the clear"', "sensord password"),
        ("port = 0", "page.port"),
        ("colour = 1", "enabled, host, port"),
    ],
)
def test_what_would_be_unsafe_is_a_mistake(tmp_path: Path, page: str, told: str) -> None:
    """Who can reach the page is asked who they are, or it does not start; no secret is in the words."""
    with pytest.raises(Mistakes) as caught:
        read(tmp_path, page)
    assert told in str(caught.value)
    assert "in the clear" not in str(caught.value)


def test_a_password_becomes_a_hash_that_lets_in() -> None:
    """`sensord password` asks twice and prints what is to be configured; a short one is refused."""
    made = CliRunner().invoke(app, ["password"], input="four words in a row\nfour words in a row\n")
    found = re.search(r"\$argon2id\S+", made.output)
    assert found is not None
    guard = Guard(PageSettings(password_hash=SecretStr(found[0])))
    assert guard.knows("four words in a row")
    assert "four words" not in made.output
    assert CliRunner().invoke(app, ["password"], input="short\nshort\n").exit_code != 0


def test_a_push_carries_the_link(receiver: Any) -> None:
    """What reaches the phone ends with the address by which it is answered; what asks for nothing has none."""
    links = Links("http://192.0.2.7:8417", SECRET)
    channel = AppriseChannel([SecretStr(receiver.url)], timeout_s=5, link=links.address_of)
    channel.send(letter())
    channel.send(letter(concerns=(), key="fedcba9876543210fedc"))
    assert receiver.wait_for(2, 5)
    texts = [post["message"] for post in receiver.posts]
    found = re.search(r"\nAnswer: http://192\.0\.2\.7:8417/a/(\S+)$", texts[0])
    assert found is not None
    assert links.read(found[1], NOW).message_key == letter().key
    assert "Answer:" not in texts[1]


CONFIG = """
[site]
name = "garden"
latitude_deg = 41.5
longitude_deg = -83.5
time_zone = "America/Detroit"
[keeper]
morning_line_at = ""
[broker]
port = {broker}
[page]
enabled = true
port = {page}
[[enclosure]]
name = "north"
width_m = 0.6
depth_m = 0.6
height_m = 0.9
own_mass_kg = 0.8
[[probe]]
name = "north-1"
place = "north"
topic = "garden/north"
reads = [{{ quantity = "temperature", pointer = "/temperature", unit = "°C" }}]
"""


@pytest.mark.slow
@pytest.mark.timeout(120)
def test_the_daemon_serves_it_and_is_gone_within_three_seconds(tmp_path: Path, mosquitto: Any) -> None:
    """`sensord run` with ten open pages: a reading shows up live, an entry is stored, and SIGTERM ends all in time."""
    import json

    port = free_port()
    config = tmp_path / "sensord.toml"
    config.write_text(CONFIG.format(broker=mosquitto.port, page=port))
    environment = {k: v for k, v in os.environ.items() if not k.startswith("SENSORD_")}
    command = [sys.executable, "-m", "sensord", "run", "--config", str(config)]
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True, env=environment) as daemon:
        assert daemon.stderr is not None
        while "the page is at" not in (said := daemon.stderr.readline()):
            assert said, "the daemon ended"
        server = type("At", (), {"host": "127.0.0.1", "port": port})()
        pages = [Page(server) for _ in range(10)]
        assert pages[0].wait_for(lambda: all(p.regions() for p in pages), 20)
        from sensord.adapters.broker import BrokerAccess, publish

        publish(
            BrokerAccess(host="127.0.0.1", port=mosquitto.port, client_id="probe"),
            "garden/north",
            json.dumps({"temperature": 31.25}).encode(),
        )
        shown = "<b>31.2</b>"
        assert pages[0].wait_for(lambda: any(shown in "".join(r.values()) for r in pages[0].regions()), 20)
        began = time.monotonic()
        daemon.send_signal(signal.SIGTERM)
        daemon.wait(20)
        took_s = time.monotonic() - began
        daemon.stderr.read()
    assert daemon.returncode == 0
    assert took_s < 3.0
    assert all(p.ended.wait(2) for p in pages)
    store = read_store(tmp_path / "sensord.sqlite3", "garden")
    assert store.accounts.counters()["readings"] == 1
    store.close()
