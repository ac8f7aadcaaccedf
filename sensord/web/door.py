"""The door of the whole page, whichever garden lies behind it: who is let in, and how often one may try."""

from __future__ import annotations

from sensord.config import PageSettings
from sensord.web.guard import Guard, Limiter


class Door:
    """One for all gardens: who has logged in is known in each."""

    def __init__(self, page: PageSettings) -> None:
        self.guard = Guard(page)
        self.base_url = page.base_url
        self.is_encrypted = page.base_url.startswith("https:")
        self.tries = Limiter(5, 900.0)  # at a password
        self.guesses = Limiter(20, 900.0)  # at a link
        self.writes = Limiter(40, 60.0)
