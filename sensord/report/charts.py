"""The picture of a review (PNG), for the phone: drawn by matplotlib, which is loaded only here.

`draw` is for a process that ends soon after: matplotlib takes some 80 MB. The daemon never calls it; it has the picture made
by `sensord review` in a process of its own (`Pictures`).
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import textwrap
import time
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

from sensord.language import Measure
from sensord.ports import Transient
from sensord.review.rows import Bar
from sensord.review.whole import CageReview, Review
from sensord.review.words import headline, sentences

INK, QUIET, FAINT, HOT, FILL = "#131d17", "#3d4a42", "#b9c9bf", "#7c2800", "#cfdcd3"
WIDTH_IN, DOTS = 7.2, 150
HATCHES = ("", "///", "xxx", "***")
SHADES = ("#f3e3d3", "#e0b48c", "#b8713a", "#7c2800")
"""Of the bands from the first tier up; each has a hatch as well, and the hours are written on it."""
DASHES: tuple[Any, ...] = ((0, (1, 2)), (0, (5, 2)), (0, (8, 2, 1, 2)), "solid")
MOST_CAGES = 6
"""Enclosures in one picture; what is beyond is named in it."""
LONGEST_S = 180.0
"""A picture that takes longer is given up."""
ATTACHMENT = "review "
"""What a message's attachment begins with; the week follows."""


# --- drawing, in a process that ends soon after -------------------------------------------------------------------


def draw(review: Review, path: Path, measure: Measure) -> None:
    """Write the picture. Raises ImportError where matplotlib is missing, OSError where the file can't be written."""
    with tempfile.TemporaryDirectory(prefix="sensord-fonts-") as directory:
        os.environ.setdefault("MPLCONFIGDIR", directory)  # the service has no home of its own
        import matplotlib

        matplotlib.use("agg")
        from matplotlib import pyplot

        with matplotlib.rc_context({"font.size": 9.5, "hatch.linewidth": 0.6, "text.parse_math": False}):
            figure = _figure(pyplot, review, measure)
            figure.savefig(path, dpi=DOTS, format="png", facecolor="white")
            pyplot.close(figure)


def _figure(pyplot: Any, review: Review, measure: Measure) -> Any:
    cages = review.cages[:MOST_CAGES]
    lines = [line for text in sentences(review, measure) for line in textwrap.wrap(text, 92)]
    head_in = 0.75 + 0.19 * len(lines)
    each_in = 2.0
    height_in = head_in + each_in * len(cages) + 0.45
    figure = pyplot.figure(figsize=(WIDTH_IN, height_in))
    top = 1 - 0.12 / height_in
    figure.text(0.02, top, review.title, color=QUIET, va="top")
    figure.text(0.02, top - 0.2 / height_in, headline(review, measure), color=INK, va="top", size=15, weight="bold")
    figure.text(0.02, top - 0.52 / height_in, "\n".join(lines), color=INK, va="top", linespacing=1.25)
    grid = figure.add_gridspec(
        len(cages),
        2,
        width_ratios=(3.2, 1),
        left=0.07,
        right=0.985,
        bottom=0.5 / height_in,
        top=1 - (head_in + 0.2) / height_in,
        hspace=0.5,
        wspace=0.3 if review.span.is_season else 0.2,
    )
    shared = None
    for n, cage in enumerate(cages):
        axes = figure.add_subplot(grid[n, 0], sharey=shared)
        shared = shared or axes
        _course(axes, cage, review, measure)
        _heat(figure.add_subplot(grid[n, 1]), cage, review, measure, is_last=n == len(cages) - 1)
    figure.text(0.02, 0.06 / height_in, _note(review, measure), color=QUIET, size=7.5, va="bottom")
    return figure


def _note(review: Review, measure: Measure) -> str:
    beyond = measure.joined("comma", [cage.title for cage in review.cages[MOST_CAGES:]])
    return measure.say(f"report.picture.note_{'days' if review.span.is_season else 'hours'}", beyond=beyond or None)


def _course(axes: Any, cage: CageReview, review: Review, measure: Measure) -> None:
    """The temperatures, with the tiers."""
    times = [bar.start for bar in cage.bars]
    low, mean, high = _columns(cage.bars, measure)
    outside = _columns(review.post.bars, measure)[1]
    axes.fill_between(times, low, high, color=FILL, linewidth=0)
    axes.plot([b.start for b in review.post.bars], outside, color=QUIET, linewidth=0.8, linestyle=(0, (4, 2)))
    axes.plot(times, mean, color=INK, linewidth=1.3, marker="." if review.span.is_season else None, markersize=2)
    for first, last in _gaps(cage.bars, review.span.end):
        axes.axvspan(first, last, facecolor="none", edgecolor=FAINT, hatch="////", linewidth=0)
    axes.set_xlim(review.span.start, review.span.end)
    axes.set_title(
        measure.say("report.picture.enclosure", who=cage.title, degree=measure.degree),
        loc="left",
        size=10,
        weight="bold",
        color=INK,
        pad=4,
    )
    _ticks(axes, review, measure)
    axes.grid(axis="y", color=FAINT, linewidth=0.4)
    seen = [v for v in [*high, *outside] if v == v]
    reach = max([*seen, measure.value(cage.limits.tiers[cage.limit].temperature_c)], default=0.0) + measure.span(2)
    for number, tier in enumerate(cage.limits.tiers):
        level = measure.value(tier.temperature_c)
        if level <= reach:
            axes.axhline(level, color=HOT, linewidth=0.9, linestyle=DASHES[min(number, len(DASHES) - 1)])
            axes.annotate(
                measure.level(tier.temperature_c),
                (1.005, level),
                xycoords=("axes fraction", "data"),
                va="center",
                size=7.5,
                color=HOT,
            )
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.tick_params(colors=QUIET, labelsize=8)
    axes.set_zorder(2)


def _ticks(axes: Any, review: Review, measure: Measure) -> None:
    """A tick at each local midnight, the day's name in its middle."""
    parts = review.span.parts
    axes.set_xticks([p.start for p in parts], labels=[""] * len(parts))
    every = max(1, -(-len(parts) // 8))
    middles = [(p.start + (p.end - p.start) / 2, p) for n, p in enumerate(parts) if n % every == 0]
    names = [
        measure.day(p.first) if review.span.is_season else f"{measure.short_weekday(p.start)} {p.first.day}"
        for _, p in middles
    ]
    axes.set_xticks([at for at, _ in middles], labels=names, minor=True)
    axes.tick_params(axis="x", which="minor", length=0, labelsize=8, colors=QUIET)
    axes.grid(axis="x", which="major", color=FAINT, linewidth=0.6)


def _heat(axes: Any, cage: CageReview, review: Review, measure: Measure, is_last: bool) -> None:
    """Hours in the bands from the first tier up, one bar a day."""
    first = len(cage.limits.edges_c) - len(cage.limits.tiers) + 1
    most = max([sum(row.bands_h[first:]) for row in cage.rows], default=0.0)
    for y, row in enumerate(cage.rows):
        left = 0.0
        for number, hours in enumerate(row.bands_h[first:]):
            style = min(number, len(SHADES) - 1)
            axes.barh(
                y, hours, left=left, height=0.8, color=SHADES[style], hatch=HATCHES[style], edgecolor=INK, linewidth=0.4
            )
            left += hours
        nothing = row.known_h == 0
        text = measure.say("report.picture.nothing") if nothing else measure.number(left, 1) if left >= 0.05 else "0"
        axes.text(left + 0.02 * max(most, 1.0), y, text, va="center", size=6.5 if nothing else 7.5, color=INK)
    axes.set_ylim(len(cage.rows) - 0.4, -0.6)
    axes.set_xlim(0, max(most, 1.0) * 1.25)
    if len(cage.rows) <= 8:
        days = measure.catalogue.listed("report.picture.weekdays")
        names = [r.label[5:] if review.span.is_season else days[_local(r.start, review).weekday()] for r in cage.rows]
        axes.set_yticks(range(len(cage.rows)), labels=names)
    else:
        axes.set_yticks([])
    axes.tick_params(colors=QUIET, labelsize=7.5, length=0)
    levels = [measure.level(t.temperature_c).split()[0] for t in cage.limits.tiers]
    told = measure.say("report.picture.hours_from", level=levels[0], degree=measure.degree)
    axes.set_title(told, loc="left", size=8.5, color=INK, pad=4)
    if is_last:
        _legend(axes, levels, measure)
    for side in ("top", "right", "bottom"):
        axes.spines[side].set_visible(False)
    axes.set_xticks([])


def _legend(axes: Any, levels: Sequence[str], measure: Measure) -> None:
    from matplotlib.patches import Patch

    names = [measure.say("numbers.range", low=low, high=high) for low, high in pairwise(levels)]
    names.append(measure.say("numbers.from", number=levels[-1]))
    patches = [
        Patch(
            facecolor=SHADES[min(n, len(SHADES) - 1)],
            hatch=HATCHES[min(n, len(HATCHES) - 1)] * 2,
            edgecolor=INK,
            linewidth=0.4,
            label=name,
        )
        for n, name in enumerate(names)
    ]
    axes.legend(
        handles=patches,
        loc="upper right",
        bbox_to_anchor=(1.02, -0.02),
        ncols=2,
        fontsize=7,
        frameon=False,
        handlelength=1.6,
        columnspacing=0.8,
        borderaxespad=0.1,
    )


def _local(at: datetime, review: Review) -> datetime:
    return at.astimezone(review.span.zone)


def _columns(bars: Sequence[Bar], measure: Measure) -> tuple[list[float], list[float], list[float]]:
    """Lowest, mean and highest; what is missing as not a number, which breaks the line."""
    nan = float("nan")
    picked = ([b.low_c for b in bars], [b.mean_c for b in bars], [b.high_c for b in bars])
    low, mean, high = ([nan if v is None else measure.value(v) for v in column] for column in picked)
    return low, mean, high


def _gaps(bars: Sequence[Bar], end: datetime) -> list[tuple[datetime, datetime]]:
    found: list[tuple[datetime, datetime]] = []
    for n, bar in enumerate(bars):
        until = bars[n + 1].start if n + 1 < len(bars) else end
        if bar.mean_c is None:
            if found and found[-1][1] == bar.start:
                found[-1] = (found[-1][0], until)
            else:
                found.append((bar.start, until))
    return found


# --- having it made, by a process of its own ----------------------------------------------------------------------


@dataclass(slots=True)
class _Making:
    """A picture that is being drawn, or is there."""

    process: subprocess.Popen[bytes]
    directory: tempfile.TemporaryDirectory[str]
    since_s: float  # monotonic

    @property
    def path(self) -> Path:
        return Path(self.directory.name) / "review.png"

    @property
    def trouble(self) -> str:
        lines = (Path(self.directory.name) / "errors").read_text("utf-8", "replace").strip().splitlines()
        return lines[-1] if lines else f"exit code {self.process.returncode}"


class PictureMaker:
    """Makes the pictures that messages ask for, each in a process of its own; for the sender's thread.

    A picture takes from seconds to a minute. Nothing else waits for it: `get` gives up soon, and the message's next attempt
    finds it done.
    """

    def __init__(
        self, config: Path, store: Path, secrets: Path | None = None, *, site: str = "", patience_s: float = 5.0
    ) -> None:
        self._command = [sys.executable, "-m", "sensord", "review", "--json", "--config", str(config), "--site", site]
        self._command += ["--store", str(store), *(["--secrets", str(secrets)] if secrets else [])]
        self._patience_s = patience_s
        self._makings: dict[str, _Making] = {}

    def get(self, attachment: str) -> Path:
        """The picture that a message's attachment names. It is there until `forget`.

        Raises:
            Transient: it is still being drawn.
            ValueError: it can't be made; says why.
        """
        if not attachment.startswith(ATTACHMENT):
            raise ValueError(f'"{attachment}" names no picture')
        making = self._makings.get(attachment)
        if making is None:
            self._makings[attachment] = making = self._begin(attachment.removeprefix(ATTACHMENT))
        try:
            making.process.wait(self._patience_s)
        except subprocess.TimeoutExpired:
            if time.monotonic() - making.since_s < LONGEST_S:
                raise Transient("its picture is being drawn") from None
            self.forget(attachment)
            raise ValueError(f"it took longer than {LONGEST_S:g} s") from None
        if not making.path.is_file():
            trouble = making.trouble
            self.forget(attachment)
            raise ValueError(trouble)
        return making.path

    def forget(self, attachment: str) -> None:
        """Delete the picture, and stop drawing it."""
        making = self._makings.pop(attachment, None)
        if making is not None:
            making.process.kill()
            making.process.wait()
            making.directory.cleanup()

    def close(self) -> None:
        """Forget all."""
        for attachment in list(self._makings):
            self.forget(attachment)

    def _begin(self, week: str) -> _Making:
        directory = tempfile.TemporaryDirectory(prefix="sensord-picture-")
        with (Path(directory.name) / "errors").open("wb") as errors:
            process = subprocess.Popen(  # noqa: S603  # our own command, no shell
                [*self._command, "--week", week, "--png", f"{directory.name}/review.png"],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=errors,
            )
        with suppress(OSError):  # it may go slowly; where that can't be said, it goes at the usual pace
            os.setpriority(os.PRIO_PROCESS, process.pid, 10)
        with suppress(OSError):  # where memory runs out, the kernel takes the picture, not the daemon
            Path(f"/proc/{process.pid}/oom_score_adj").write_text("600")
        return _Making(process, directory, time.monotonic())
