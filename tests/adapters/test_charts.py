"""The picture of a review: drawn by a process of its own, and sent with the message that asks for it."""

from __future__ import annotations

import base64
import struct
import subprocess
import sys
import time
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from pydantic import SecretStr

from sensord.adapters.push import AppriseChannel
from sensord.model import Certainty, Message, Severity, Urgency
from sensord.ports import Transient
from sensord.report import charts
from sensord.report.charts import PictureMaker
from sensord.review import Review
from tests.conftest import Receiver
from tests.reviews import CONFIG, FIRST_WEEK, METRIC, SECOND_WEEK, US, typical
from tests.test_review import reviewed, seasonal

PNG = b"\x89PNG\r\n\x1a\n"
NOON = datetime(2026, 6, 14, 22, 0, tzinfo=UTC)


def size(path: Path) -> tuple[int, int]:
    """Width and height from the header (PNG specification, section 11.2.2)."""
    head = path.read_bytes()[:24]
    assert head.startswith(PNG)
    width, height = struct.unpack(">II", head[16:24])
    return width, height


@pytest.mark.parametrize("units", ["metric", "us"])
@pytest.mark.parametrize("which", ["week", "season", "empty"])
def test_every_sort_of_review_can_be_drawn(tmp_path: Path, which: str, units: str) -> None:
    """A week with a gap, a season, a week without data: a picture as wide as a phone's screen, without a warning."""
    review = {"week": reviewed(SECOND_WEEK), "season": seasonal(), "empty": reviewed("2026-W20")}[which]
    charts.draw(review, tmp_path / "review.png", US if units == "us" else METRIC)
    width, height = size(tmp_path / "review.png")
    assert width == 1080
    assert 900 < height < 1600
    assert (tmp_path / "review.png").stat().st_size < 400_000


def test_titles_are_text_not_formulas(tmp_path: Path) -> None:
    """A dollar sign or a backslash in a title is drawn as it is."""
    review = reviewed(FIRST_WEEK)
    strange: Review = replace(review, title=r"$\frac{1}{0$", cages=(replace(review.cages[0], title="$a^$"),))
    charts.draw(strange, tmp_path / "review.png", METRIC)
    assert size(tmp_path / "review.png")[0] == 1080


def test_more_enclosures_than_fit_are_named(tmp_path: Path) -> None:
    """The picture stays a picture."""
    review = reviewed(FIRST_WEEK)
    many = replace(review, cages=review.cages * 4)
    charts.draw(many, tmp_path / "review.png", METRIC)
    assert size(tmp_path / "review.png")[1] < 2600
    assert charts._note(many, METRIC).count("Cedar") == 2


def test_the_daemon_never_loads_what_draws() -> None:
    """Importing the loop, the channel and the maker of pictures does not import matplotlib or numpy."""
    code = (
        "import sys, sensord.loop, sensord.adapters.push, sensord.report.charts, sensord.commands._live;"
        "print(sorted(m for m in ('matplotlib', 'numpy', 'jinja2') if m in sys.modules))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


# --- by a process of its own, to the phone ------------------------------------------------------------------------


def message(attachment: str) -> Message:
    return Message(
        "k", "typical", NOON, "week", "", Severity.MINOR, Urgency.FUTURE, Certainty.OBSERVED, "The week", "Cedar was hot.",
        "", (), None, attachment=attachment,
    )  # fmt: skip


def patiently(channel: AppriseChannel, what: Message) -> int:
    """Send until it is delivered, as the outbox does; returns the number of attempts."""
    for attempt in range(1, 400):
        try:
            channel.send(what)
        except Transient as trouble:
            assert "drawn" in str(trouble)
            continue
        return attempt
    raise AssertionError("never delivered")


@pytest.mark.slow
def test_the_picture_reaches_the_phone_and_nothing_waits_for_it(receiver: Receiver) -> None:
    """The first attempt gives up at once, another message passes meanwhile, a later attempt delivers picture and text."""
    pictures = PictureMaker(CONFIG, typical(), patience_s=0.2)
    channel = AppriseChannel([SecretStr(receiver.url)], timeout_s=5, pictures=pictures)
    start = time.monotonic()
    with pytest.raises(Transient, match="being drawn"):
        channel.send(message(f"review {SECOND_WEEK}"))
    channel.send(replace(message(""), title="Shade Birch"))
    assert time.monotonic() - start < 5
    patiently(channel, message(f"review {SECOND_WEEK}"))
    shade, week = receiver.posts
    assert (shade["title"], shade["attachments"]) == ("Shade Birch", [])
    assert week["message"] == "Cedar was hot."
    (sent,) = week["attachments"]
    assert sent["mimetype"] == "image/png"
    assert base64.b64decode(sent["base64"]).startswith(PNG)
    assert not pictures._makings
    pictures.close()


@pytest.mark.slow
def test_without_a_picture_the_words_still_arrive(receiver: Receiver, tmp_path: Path) -> None:
    """Where it can't be drawn (no such store) the message goes without, and says why."""
    pictures = PictureMaker(CONFIG, tmp_path / "nowhere.sqlite3", patience_s=0.2)
    channel = AppriseChannel([SecretStr(receiver.url)], timeout_s=5, pictures=pictures)
    patiently(channel, message(f"review {SECOND_WEEK}"))
    (post,) = receiver.posts
    assert post["message"].startswith("Cedar was hot.\n(No picture: ")
    assert "no such store" in post["message"]
    assert post["attachments"] == []


def test_a_name_that_means_no_picture_is_no_command(tmp_path: Path) -> None:
    """Only the review of a week is drawn; anything else is refused without starting anything."""
    pictures = PictureMaker(CONFIG, tmp_path / "store.sqlite3")
    with pytest.raises(ValueError, match="names no picture"):
        pictures.get("/etc/passwd")
    assert not pictures._makings


def test_a_picture_that_takes_for_ever_is_given_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its process is ended, its directory gone, and the message goes without it."""
    monkeypatch.setattr(charts, "LONGEST_S", 0.3)
    pictures = PictureMaker(CONFIG, tmp_path / "store.sqlite3", patience_s=0.1)
    pictures._command = [sys.executable, "-c", "import time; time.sleep(60)"]
    with pytest.raises(Transient):
        pictures.get("review 2026-W24")
    making = pictures._makings["review 2026-W24"]
    time.sleep(0.3)
    with pytest.raises(ValueError, match="longer than"):
        pictures.get("review 2026-W24")
    assert making.process.returncode is not None
    assert not Path(making.directory.name).exists()


def test_closing_ends_what_is_under_way(tmp_path: Path) -> None:
    """No process and no file is left behind when the daemon stops."""
    pictures = PictureMaker(CONFIG, tmp_path / "store.sqlite3", patience_s=0.1)
    pictures._command = [sys.executable, "-c", "import time; time.sleep(60)"]
    with pytest.raises(Transient):
        pictures.get("review 2026-W24")
    making = pictures._makings["review 2026-W24"]
    pictures.close()
    assert making.process.returncode is not None
    assert not Path(making.directory.name).exists()
