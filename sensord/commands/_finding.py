"""What `sensord check` finds."""

from __future__ import annotations

from typing import NamedTuple

from sensord.language.terminal import say


class Finding(NamedTuple):
    """What was found of a part."""

    part: str  # by its key
    fine: bool | None  # None: it works, but know this
    text: str
    of: str = ""  # whose: a probe, a route
    site: str = ""  # where there are several gardens

    @property
    def name(self) -> str:
        """The part, as people name it."""
        return say("check.name", site=self.site or None, part=say(f"check.part.{self.part}", of=self.of))
