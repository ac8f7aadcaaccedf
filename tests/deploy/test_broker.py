"""The broker with our configuration: a real one, on a port of its own, with accounts made from the skeleton."""

from __future__ import annotations

import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import pytest

DEPLOY = Path(__file__).parents[2] / "deploy"
ACCOUNTS = [sys.executable, DEPLOY / "accounts", "--owner", "root"]


class Garden(NamedTuple):
    """A running broker and who may use it."""

    port: int
    directory: Path

    def password(self, account: str) -> str:
        name = "secrets/broker__password" if account == "sensord" else f"accounts/{account}"
        return (self.directory / "sensord" / name).read_text().strip()

    def client(self, tool: str, account: str | None, *arguments: str) -> list[str]:
        who = ["-u", account, "-P", self.password(account)] if account else []
        return [tool, "-V", "5", "-h", "127.0.0.1", "-p", str(self.port), "-q", "1", *who, *arguments]

    def publish(self, account: str | None, topic: str, *more: str) -> str:
        """What the broker had to say against it; empty if it took the message."""
        command = self.client("mosquitto_pub", account, "-t", topic, *(more or ("-m", "21.5")))
        done = subprocess.run(command, capture_output=True, text=True, timeout=30, check=False)
        return done.stderr + done.stdout

    def hear(self, account: str, topic: str, seconds: int = 2, *more: str) -> list[str]:
        """What the account gets of a topic: topics and payloads."""
        command = self.client("mosquitto_sub", account, "-t", topic, "-v", "-W", str(seconds), *more)
        return subprocess.run(command, capture_output=True, text=True, timeout=60, check=False).stdout.splitlines()


def tool(name: str) -> str:
    """Where the tool is; a machine without it must install it, not pass."""
    found = shutil.which(name, path="/usr/sbin:/usr/bin:/sbin:/bin:/usr/local/sbin:/usr/local/bin")
    assert found, f"{name} is missing: tests/run installs what the tests need"
    return found


def make_accounts(directory: Path, *more: str) -> str:
    command = [*ACCOUNTS, "--sensord", directory / "sensord", "--broker", directory, *more]
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout


def start(directory: Path, port: int) -> subprocess.Popen[bytes]:
    """The broker with Debian's main file, ours included, paths and port replaced."""
    ours = (DEPLOY / "broker.conf").read_text().replace("listener 1883", f"listener {port} 127.0.0.1")
    (directory / "conf.d").mkdir(exist_ok=True)
    (directory / "conf.d" / "sensord.conf").write_text(ours.replace("/etc/mosquitto", str(directory)))
    (directory / "mosquitto.conf").write_text(
        f"persistence true\npersistence_location {directory}/\nlog_dest file {directory}/log\nuser root\n"
        f"include_dir {directory}/conf.d\n"
    )
    process = subprocess.Popen([tool("mosquitto"), "-c", directory / "mosquitto.conf"])
    for _ in range(100):
        with socket.socket() as trial:
            if trial.connect_ex(("127.0.0.1", port)) == 0:
                return process
        time.sleep(0.05)
    process.kill()
    raise AssertionError((directory / "log").read_text())


def free_port() -> int:
    with socket.socket() as trial:
        trial.bind(("127.0.0.1", 0))
        return trial.getsockname()[1]


@pytest.fixture(scope="module")
def garden(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Garden]:
    """The broker of the skeleton's garden."""
    directory = tmp_path_factory.mktemp("broker")
    (directory / "sensord").mkdir()
    shutil.copy(DEPLOY / "sensord.toml", directory / "sensord")
    made = make_accounts(directory)
    assert [line.split()[0] for line in made.splitlines()] == ["keeper", "north-1", "post"]
    port = free_port()
    process = start(directory, port)
    yield Garden(port, directory)
    process.terminate()
    process.wait(10)


def test_the_broker_finds_no_fault_with_its_configuration(garden: Garden) -> None:
    """It starts, and its log holds neither error nor warning (a duplicate key, a deprecated one, a readable secret)."""
    log = (garden.directory / "log").read_text()
    assert not [line for line in log.splitlines() if "rror" in line or "arning" in line], log


@pytest.mark.parametrize(
    ("account", "topic", "allowed"),
    [
        ("north-1", "garden/north-1", True),
        ("north-1", "garden/north-1/battery", True),
        ("north-1", "garden/north-10", False),
        ("north-1", "garden/post", False),
        ("north-1", "garden", False),
        ("north-1", "sensord/entry", False),
        ("north-1", "$SYS/broker/uptime", False),
        ("keeper", "sensord/entry", True),
        ("keeper", "garden/north-1", False),
        ("sensord", "sensord/entry", True),
        ("sensord", "sensord/state", True),
        ("sensord", "garden/north-1", False),
        (None, "garden/north-1", False),
    ],
)
def test_who_may_publish_what(garden: Garden, account: str | None, topic: str, allowed: bool) -> None:
    """Each account publishes to its own topics, and is told that it is not authorized for any other."""
    said = garden.publish(account, topic)
    assert (said == "") == allowed, said
    if not allowed:
        assert "ot authori" in said


def test_a_wrong_password_is_no_entry(garden: Garden) -> None:
    """The right name is not enough."""
    command = garden.client("mosquitto_pub", None, "-u", "north-1", "-P", "wrong", "-t", "garden/north-1", "-m", "1")
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert "ot authori" in done.stderr


def test_who_may_look_on(garden: Garden) -> None:
    """Daemon and keeper hear every probe; a probe hears nothing, not even of itself."""
    heard = {}
    listeners = {
        account: subprocess.Popen(
            garden.client("mosquitto_sub", account, "-t", "garden/#", "-v", "-W", "3"),
            stdout=subprocess.PIPE,
            text=True,
        )
        for account in ("sensord", "keeper", "north-1")
    }
    time.sleep(1)
    garden.publish("post", "garden/post")
    for account, listener in listeners.items():
        heard[account] = listener.communicate(timeout=20)[0].split("\n")[0]
    assert heard == {"sensord": "garden/post 21.5", "keeper": "garden/post 21.5", "north-1": ""}


def test_twenty_thousand_messages_wait_for_the_daemon_and_survive_a_restart(tmp_path: Path) -> None:
    """Twenty times the broker's own limit: all are there, in order, after the daemon was away and the broker restarted.

    In flight too: more than its own limit of 20 may be unacknowledged.
    """
    (tmp_path / "sensord").mkdir()
    shutil.copy(DEPLOY / "sensord.toml", tmp_path / "sensord")
    make_accounts(tmp_path)
    port = free_port()
    process = start(tmp_path, port)
    it = Garden(port, tmp_path)
    session = ("-i", "daemon", "-c", "-x", "3600")
    it.hear("sensord", "garden/#", 1, *session)
    command = it.client("mosquitto_pub", "post", "-t", "garden/post", "-l")
    lines = "\n".join(f'{{"temperature": {n}}}' for n in range(20_000))
    subprocess.run(command, input=lines, text=True, check=True, timeout=60)
    process.terminate()
    process.wait(20)
    process = start(tmp_path, port)
    heard = it.hear("sensord", "garden/#", 30, *session, "-C", "20000")
    process.terminate()
    process.wait(20)
    assert heard == [f"garden/post {line}" for line in lines.split("\n")]


def test_too_large_a_packet_is_refused(garden: Garden) -> None:
    """A packet above what the daemon would read reaches nobody, and the probe's next one does: a limit on everything."""
    big = garden.directory / "big"
    listen = garden.client("mosquitto_sub", "sensord", "-t", "garden/#", "-F", "%l", "-W", "4")
    with subprocess.Popen(listen, stdout=subprocess.PIPE, text=True) as listener:
        time.sleep(1)
        for size in (70_000, 60_000):
            big.write_bytes(b"1" * size)
            garden.publish("post", "garden/post", "-f", str(big))
        assert listener.stdout is not None
        assert listener.stdout.read().split() == ["60000"]


# --- accounts ----------------------------------------------------------------------------------------------------------


def accounts(directory: Path, text: str, *more: str) -> subprocess.CompletedProcess[str]:
    (directory / "sensord").mkdir(exist_ok=True)
    (directory / "sensord" / "sensord.toml").write_text(text)
    command = [*ACCOUNTS, "--sensord", directory / "sensord", "--broker", directory, *more]
    return subprocess.run(command, capture_output=True, text=True, check=False)


PROBE = '[[probe]]\nname = "{0}"\nplace = "x"\ntopic = "{1}"\nreads = [{{ quantity = "temperature" }}]\n'


def test_passwords_stay_and_are_secret(tmp_path: Path) -> None:
    """A second run changes no password and prints none; files are the owner's alone; no password is in the broker's file."""
    text = PROBE.format("a", "garden/a")
    first = accounts(tmp_path, text)
    files = sorted((tmp_path / "sensord").rglob("*/*"))
    assert [f.name for f in files] == ["a", "keeper", "broker__password"]
    before = {f: f.read_text() for f in files}
    assert all(f.stat().st_mode & 0o777 == 0o600 for f in files)
    assert all(len(p.strip()) == 20 for p in before.values())
    assert len(set(before.values())) == 3
    second = accounts(tmp_path, text)
    assert {f: f.read_text() for f in files} == before
    assert before[files[0]].strip() in first.stdout
    assert second.stdout == ""
    assert before[files[0]].strip() in accounts(tmp_path, text, "--show").stdout
    broker = (tmp_path / "sensord.passwords").read_text()
    assert not any(p.strip() in broker for p in before.values())
    assert (tmp_path / "sensord.passwords").stat().st_mode & 0o777 == 0o600


def test_a_probe_that_is_gone_is_shut_out(tmp_path: Path) -> None:
    """Taken out of the configuration, an account loses its access, and keeps its password for the day it comes back."""
    both = PROBE.format("a", "garden/a") + PROBE.format("b", "garden/b")
    accounts(tmp_path, both)
    said = accounts(tmp_path, PROBE.format("a", "garden/a"))
    assert "b" in said.stdout
    assert "shut out" in said.stdout
    assert "user b" not in (tmp_path / "sensord.access").read_text()
    assert "\nb:" not in (tmp_path / "sensord.passwords").read_text()
    kept = (tmp_path / "sensord" / "accounts" / "b").read_text()
    accounts(tmp_path, both)
    assert (tmp_path / "sensord" / "accounts" / "b").read_text() == kept


@pytest.mark.parametrize(
    "text",
    [
        PROBE.format("keeper", "garden/a"),
        PROBE.format("sensord", "garden/a"),
        PROBE.format("a", "#"),
        PROBE.format("a", "+/a"),
        PROBE.format("a", "sensord/entry"),
        PROBE.format("a", "garden/a\\nuser b\\ntopic write #"),
        PROBE.format("a:b", "garden/a"),
        "[[probe]]\nname = 3",
        "not toml",
        "",
    ],
)
def test_what_would_open_the_garden_is_refused(text: str, tmp_path: Path) -> None:
    """Names and topics that would take others' place, or break out of their line: 2, one line that says why, no file."""
    done = accounts(tmp_path, text)
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) == 1
    assert "sensord.toml" in done.stderr
    assert not (tmp_path / "sensord.access").exists()


# --- several gardens ---------------------------------------------------------------------------------------------------

HOUSE = DEPLOY.parent / "config" / "house"


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Garden]:
    """The broker of the two gardens of the example."""
    directory = tmp_path_factory.mktemp("house")
    shutil.copytree(HOUSE, directory / "sensord")
    made = make_accounts(directory)
    assert [line.split()[0] for line in made.splitlines()] == [
        f"{garden}.{account}" for garden in ("larkfield", "school") for account in ("keeper", "alder-1", "post")
    ]
    port = free_port()
    process = start(directory, port)
    yield Garden(port, directory)
    process.terminate()
    process.wait(10)


@pytest.mark.parametrize(
    ("account", "topic", "allowed"),
    [
        ("school.alder-1", "school/alder", True),
        ("school.alder-1", "larkfield/alder", False),
        ("school.alder-1", "sensord/school/entry", False),
        ("school.keeper", "sensord/school/entry", True),
        ("school.keeper", "sensord/larkfield/entry", False),
        ("school.keeper", "school/alder", False),
        ("larkfield.keeper", "sensord/larkfield/entry", True),
        ("sensord", "sensord/school/entry", True),
    ],
)
def test_who_may_publish_what_in_a_house(house: Garden, account: str, topic: str, allowed: bool) -> None:
    """Probes and keeper of a garden publish what is their garden's, and nothing of another's."""
    said = house.publish(account, topic)
    assert (said == "") == allowed, said


def test_a_keeper_hears_one_garden(house: Garden) -> None:
    """Its probes, and not those of the other."""
    listen = house.client("mosquitto_sub", "school.keeper", "-t", "#", "-v", "-W", "3")
    with subprocess.Popen(listen, stdout=subprocess.PIPE, text=True) as listener:
        time.sleep(1)
        house.publish("larkfield.post", "larkfield/post")
        house.publish("school.post", "school/post")
        assert listener.stdout is not None
        assert listener.stdout.read().splitlines() == ["school/post 21.5"]


@pytest.mark.parametrize("spoil", ["[site", '[site]\nname = "larkfield"\n', ""])
def test_a_house_with_a_garden_that_cannot_be_told_changes_nothing(tmp_path: Path, spoil: str) -> None:
    """Its probes would be shut out otherwise: 2, one line that names its file, no file."""
    shutil.copytree(HOUSE, tmp_path / "sensord")
    (tmp_path / "sensord" / "school.toml").write_text(spoil)
    done = accounts(tmp_path, (HOUSE / "sensord.toml").read_text())
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) == 1
    assert "school.toml" in done.stderr
    assert not (tmp_path / "sensord.access").exists()


def test_a_garden_with_a_broker_of_its_own_has_no_accounts_here(tmp_path: Path) -> None:
    """Said in a line; the other has its own."""
    shutil.copytree(HOUSE, tmp_path / "sensord")
    school = tmp_path / "sensord" / "school.toml"
    school.write_text(school.read_text().replace("# [broker]", '[broker]\nhost = "192.0.2.1"\n#'))
    done = accounts(tmp_path, (HOUSE / "sensord.toml").read_text())
    assert "has a broker of its own" in done.stdout
    assert "school." not in (tmp_path / "sensord.access").read_text()
