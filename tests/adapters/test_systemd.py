"""The service manager is told the truth, over a real datagram socket."""

import os
import socket
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensord.adapters.systemd import LIMITS_S, Heart

FRESH = dict.fromkeys(LIMITS_S, 0.0)


class Manager:
    """The service manager's end of the socket."""

    def __init__(self, address: str | bytes) -> None:
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(address)
        self.socket.setblocking(False)

    def heard(self) -> list[str]:
        lines = []
        while True:
            try:
                lines.append(self.socket.recv(4096).decode())
            except BlockingIOError:
                return lines


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[Manager]:
    manager = Manager(str(tmp_path / "notify"))
    yield manager
    manager.socket.close()


def heart(tmp_path: Path, clock: Callable[[], float] = lambda: 0.0, **more: str) -> Heart:
    environment = {"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "180000000", **more}
    return Heart(environment=environment, monotonic=clock)


def test_it_says_ready_status_and_stopping(tmp_path: Path, manager: Manager) -> None:
    """Each word of the protocol arrives as one datagram; a status that did not change is not repeated."""
    it = heart(tmp_path)
    it.ready()
    it.status("watching 3\nenclosures")
    it.status("watching 3 enclosures")
    it.stopping()
    assert manager.heard() == ["READY=1", "STATUS=watching 3 enclosures", "STOPPING=1"]
    assert it.trouble is None


def test_an_abstract_name_is_understood() -> None:
    """@name stands for a socket in the abstract namespace (sd_notify(3))."""
    name = f"sensord-test-{os.getpid()}"
    manager = Manager(b"\0" + name.encode())
    Heart(environment={"NOTIFY_SOCKET": f"@{name}"}).ready()
    assert manager.heard() == ["READY=1"]
    manager.socket.close()


def test_fresh_parts_feed_the_watchdog_four_times_in_a_timeout(tmp_path: Path, manager: Manager) -> None:
    """A beat at every round of a busy loop does not flood the manager, and never leaves half a time-out without food."""
    now = [0.0]
    it = heart(tmp_path, lambda: now[0])
    fed = []
    for tick in range(0, 1800):
        now[0] = tick / 2
        it.beat(FRESH)
        fed += [now[0] for line in manager.heard() if line == "WATCHDOG=1"]
    assert fed == [45.0 * i for i in range(20)]


@pytest.mark.parametrize("part", sorted(LIMITS_S))
def test_one_stale_part_starves_the_watchdog_and_says_which(part: str, tmp_path: Path, manager: Manager) -> None:
    """Whichever part is silent past its limit: no food, its name in the status; when it is back, food and the old status."""
    now = [0.0]
    it = heart(tmp_path, lambda: now[0])
    it.status("watching")
    manager.heard()
    assert it.beat({**FRESH, part: LIMITS_S[part]}) == ()
    assert manager.heard() == ["WATCHDOG=1"]
    now[0] = 400.0
    stale = it.beat({**FRESH, part: LIMITS_S[part] + 1})
    now[0] = 500.0
    it.beat({**FRESH, part: LIMITS_S[part] + 101})
    assert stale == (f"{part} silent for {LIMITS_S[part] + 1:.0f} s",)
    assert manager.heard() == [f"STATUS={stale[0]}"]
    it.beat(FRESH)
    assert manager.heard() == ["WATCHDOG=1", "STATUS=watching"]


def test_unknown_is_not_fresh(tmp_path: Path, manager: Manager) -> None:
    """A part that was left out, or whose age is not a number, counts as stale; a part without a limit is a defect."""
    it = heart(tmp_path)
    assert it.beat({}) == tuple(f"{part} was not heard of" for part in LIMITS_S)
    assert it.beat({**FRESH, "loop": float("nan")}) == ("loop silent for nan s",)
    with pytest.raises(ValueError, match="no limit is set for cellar"):
        it.beat({**FRESH, "cellar": 0.0})
    assert "WATCHDOG=1" not in manager.heard()


@given(st.lists(st.floats(0, 1000), min_size=len(LIMITS_S), max_size=len(LIMITS_S)))
def test_fed_exactly_if_all_are_within_their_limits(ages: list[float]) -> None:
    """For any ages: nothing stale if and only if each is at most its limit."""
    fresh = dict(zip(LIMITS_S, ages, strict=True))
    assert (Heart(environment={}).beat(fresh) == ()) == all(fresh[p] <= LIMITS_S[p] for p in LIMITS_S)


def test_without_a_manager_nothing_happens() -> None:
    """In a terminal there is no NOTIFY_SOCKET: every call is quiet."""
    it = Heart(environment={"WATCHDOG_USEC": "1000000"})
    it.ready()
    it.status("x")
    assert it.beat(FRESH) == ()
    it.stopping()
    assert it.timeout_s is None
    assert it.trouble is None


def test_another_process_watchdog_is_left_alone(tmp_path: Path, manager: Manager) -> None:
    """WATCHDOG_PID of another process means that the watchdog is not ours to feed (sd_watchdog_enabled(3))."""
    it = heart(tmp_path, WATCHDOG_PID="1")
    it.beat(FRESH)
    assert manager.heard() == []


def test_a_manager_that_is_gone_or_full_harms_nothing(tmp_path: Path, manager: Manager) -> None:
    """A full socket neither blocks nor raises, and the food is sent as soon as there is room; a missing one is said."""
    it = heart(tmp_path)
    for number in range(10_000):
        it.status(f"line {number}")
        if it.trouble:
            break
    assert "STATUS" in (it.trouble or "")
    it.beat(FRESH)
    assert "WATCHDOG=1" not in manager.heard()
    it.beat(FRESH)
    assert manager.heard() == ["WATCHDOG=1"]
    assert it.trouble is None
    (tmp_path / "notify").unlink()
    it.ready()
    assert "READY" in (it.trouble or "")
    strange = Heart(environment={"NOTIFY_SOCKET": "vsock:2:1234"})
    strange.ready()
    assert "vsock" in (strange.trouble or "")
