"""What is installed holds what it promises, as far as it can be told without installing it; tests/deploy/fresh-install does."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import zipfile
from datetime import UTC, datetime
from pathlib import Path

import pytest

from sensord import config
from sensord.adapters.systemd import LIMITS_S
from sensord.intake.payload import Decoder
from sensord.model import Arrival, Quantity

ROOT = Path(__file__).parents[2]
DEPLOY = ROOT / "deploy"
SCRIPTS = [DEPLOY / n for n in ("install", "uninstall", "sensord-command", "prepare", "demonstrate")] + [
    ROOT / "tests" / "deploy" / n for n in ("fresh-install", "life")
]
EXPOSURE = 2.0


def run(tool: str, *arguments: object) -> subprocess.CompletedProcess[str]:
    """Run a tool that must be there."""
    assert shutil.which(tool), f"{tool} is missing: tests/run installs what the tests need"
    return subprocess.run([tool, *map(str, arguments)], capture_output=True, text=True, check=False)


@pytest.fixture
def unit(tmp_path: Path) -> Path:
    """The unit as installed, but for its program, which is not installed here."""
    text = (DEPLOY / "sensord.service").read_text()
    path = tmp_path / "sensord.service"
    path.write_text(text.replace("/opt/sensord/current/venv/bin/sensord", shutil.which("true") or "/bin/true"))
    return path


def lines_of(text: str) -> dict[str, list[str]]:
    """Key → values of a unit."""
    found: dict[str, list[str]] = {}
    for line in text.splitlines():
        if "=" in line and not line.startswith("#"):
            key, _, value = line.partition("=")
            found.setdefault(key, []).append(value)
    return found


def test_systemd_finds_no_fault_with_the_unit(unit: Path) -> None:
    """`systemd-analyze verify` is silent: it says what it does not know, and returns 0 all the same."""
    done = run("systemd-analyze", "verify", "--man=no", unit)
    assert (done.stdout + done.stderr, done.returncode) == ("", 0)
    unit.write_text(unit.read_text() + "\n[Service]\nNoSuchKey=1\n")
    assert "NoSuchKey" in run("systemd-analyze", "verify", "--man=no", unit).stderr, "the check itself must notice"


def test_the_sandbox_is_tight(unit: Path) -> None:
    """systemd's own measure of exposure is at most 2.0 of 10, with a root file system as installed."""
    done = run("systemd-analyze", "security", "--offline=true", f"--threshold={EXPOSURE * 10:.0f}", "--no-pager", unit)
    assert done.returncode == 0, done.stdout
    measured = re.search(r"exposure level for sensord.service: ([\d.]+)", done.stdout)
    assert measured is not None
    assert float(measured[1]) <= EXPOSURE


def test_every_secret_reaches_the_daemon() -> None:
    """The secrets that are loaded are those that the settings know, each from the file of its name."""
    known = {
        f"{table}__{key}"
        for table, of_table in config.Settings.model_fields.items()
        if isinstance(of_table.annotation, type) and issubclass(of_table.annotation, config.Table)
        for key, of_key in of_table.annotation.model_fields.items()
        if "SecretStr" in str(of_key.annotation)
    }
    assert "push__phone" in known, "the search itself must find"
    unit = lines_of((DEPLOY / "sensord.service").read_text())
    known.add("gardens")  # the directory of what is each garden's own
    assert unit["LoadCredential"] == [f"{name}:/etc/sensord/secrets/{name}" for name in sorted(known)]


def test_the_watchdog_outlasts_the_loop() -> None:
    """The loop's limit leaves time for a beat before systemd loses patience; no capability is kept."""
    unit = lines_of((DEPLOY / "sensord.service").read_text())
    assert unit["Type"] == ["notify"]
    assert unit["WatchdogSec"] == ["3min"]
    assert LIMITS_S["loop"] <= 180 / 2
    assert unit["CapabilityBoundingSet"] == [""]


def test_the_skeleton_is_a_valid_configuration_with_the_secrets_as_installed(tmp_path: Path) -> None:
    """Empty secrets are not given yet; addresses one a line are a list; the daemon's password arrives."""
    for name, text in (("broker__password", "abc\n"), ("push__phone", ""), ("push__stand_in", "\n")):
        (tmp_path / name).write_text(text)
    read = config.load(DEPLOY / "sensord.toml", {}, {}, tmp_path)
    assert read.push.phone == ()
    assert read.broker.user == "sensord"
    assert read.broker.password.get_secret_value() == "abc"
    (tmp_path / "push__phone").write_text("ntfy://ntfy.example.org/one\nntfy://ntfy.example.org/two\n")
    read = config.load(DEPLOY / "sensord.toml", {}, {}, tmp_path)
    assert [p.get_secret_value()[-3:] for p in read.push.phone] == ["one", "two"]


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda p: p.name)
def test_scripts_are_clean(script: Path) -> None:
    """ShellCheck finds nothing to warn of, and each can be run."""
    done = run("shellcheck", "--severity=warning", script)
    assert done.returncode == 0, done.stdout
    assert script.stat().st_mode & 0o111


@pytest.mark.parametrize("script", [DEPLOY / "install", DEPLOY / "uninstall"], ids=lambda p: p.name)
def test_wrong_use_is_explained(script: Path) -> None:
    """An unknown option prints how it is used, ends with 2, and does nothing."""
    done = run("sh", script, "--nonsense")
    assert done.returncode == 2
    assert f"sudo deploy/{script.name}" in done.stdout
    assert len(done.stdout.splitlines()) > 4


HEADER = """
[site]
name = "garden"
latitude_deg = 41.5
longitude_deg = -83.5
time_zone = "America/Detroit"
"""
ENCLOSURES = "".join(
    f'[[enclosure]]\nname = "{name}"\nwidth_m = 0.6\ndepth_m = 0.6\nheight_m = 0.9\nown_mass_kg = 0.8\n'
    for name in ("north", "east")
)
BLOCKS = re.findall(r"```toml\n(.*?)```", (DEPLOY.parent / "README.md").read_text(), re.DOTALL)


def test_the_guide_shows_all_three_forms() -> None:
    """JSON by pointers, the bare number, SenML."""
    assert len(BLOCKS) == 3


@pytest.mark.parametrize("block", BLOCKS, ids=["json", "number", "senml"])
def test_what_the_guide_shows_is_read(block: str, tmp_path: Path) -> None:
    """Each configuration in the guide is valid, and the payload written beside its topic gives both quantities."""
    path = tmp_path / "sensord.toml"
    path.write_text(HEADER + ENCLOSURES + block)
    decoder = Decoder(config.load(path, {}, {}).recipes)
    found = {}
    for topic, payload in re.findall(r'topic = "([^"]+)".*?# (.+)$', block, re.MULTILINE):
        decoded = decoder.decode(Arrival(datetime(2026, 9, 1, 12, 1, tzinfo=UTC), topic, payload.encode()))
        assert not decoded.refusals, decoded.refusals[0].reason
        found |= {r.quantity: r.value for r in decoded.readings}
    assert 15 < found[Quantity.TEMPERATURE] < 25
    assert 0.4 < found[Quantity.HUMIDITY] < 0.7


def test_what_is_installed_is_the_product_alone(tmp_path: Path) -> None:
    """The wheel brings one package, whole, with its templates, texts and species; neither simulators nor tests."""
    pip = [sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "--no-build-isolation", "--no-index"]
    done = subprocess.run([*pip, "--wheel-dir", tmp_path, ROOT], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    (wheel,) = tmp_path.glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        names = {name for name in archive.namelist() if ".dist-info/" not in name}
    files = (p.relative_to(ROOT) for p in (ROOT / "sensord").rglob("*") if p.is_file())
    assert names == {p.as_posix() for p in files if "__pycache__" not in p.parts}
