"""The page: who can reach it must be asked who they are, and what is sent in messages must be signed."""

from __future__ import annotations

import pytest
from pydantic import SecretStr

from sensord.config.page import PageSettings, open_doors

HASH = "$argon2id$v=19$m=65536,t=3,p=4$c2FsdA$aGFzaA"
TOKEN, SECRET = "t" * 20, "s" * 32
OPEN, UNSIGNED = "page", "page.secret"


@pytest.mark.parametrize(
    ("page", "keys"),
    [
        ({}, []),
        ({"host": "localhost"}, []),
        ({"host": "127.0.0.2"}, []),
        ({"host": "::1"}, []),
        ({"host": "0.0.0.0"}, [OPEN]),
        ({"host": "192.0.2.1"}, [OPEN]),
        ({"host": "192.0.2.1", "enabled": False}, []),
        ({"host": "192.0.2.1", "password_hash": HASH}, []),
        ({"host": "192.0.2.1", "token": TOKEN}, []),
        ({"host": "192.0.2.1", "token": TOKEN, "password_hash": HASH}, []),
        ({"base_url": "https://garden.example"}, [OPEN, UNSIGNED]),  # something in front of it hands it on
        ({"base_url": "https://garden.example", "enabled": False}, []),
        ({"base_url": "https://garden.example", "token": TOKEN}, [UNSIGNED]),
        ({"base_url": "https://garden.example", "secret": SECRET}, [OPEN]),
        ({"base_url": "https://garden.example", "token": TOKEN, "secret": SECRET}, []),
        ({"base_url": "http://localhost:8417", "secret": SECRET}, []),
        ({"base_url": "http://127.0.0.1:8417", "secret": SECRET}, []),
        ({"base_url": "https://[::1]", "secret": SECRET}, []),
        ({"base_url": "http://localhost:8417", "secret": SECRET, "host": "192.0.2.1"}, [OPEN]),
        ({"base_url": "http://localhost.example", "secret": SECRET}, [OPEN]),
        ({"base_url": "http://127.0.0.1.example", "secret": SECRET}, [OPEN]),
    ],
)
def test_what_others_can_reach_is_guarded_and_links_are_signed(page: dict[str, str], keys: list[str]) -> None:
    """By an address that is not this computer's, or by a name under which others come; either lock will do."""
    lines = list(open_doors(PageSettings.model_validate({"enabled": True, **page})))
    assert [line.split(": ")[0] for line in lines] == keys
    for line in lines:
        assert ("password_hash" in line) == line.startswith("page: ")
        assert ("signed with it" in line) == line.startswith("page.secret: ")


def test_it_is_local_and_unguarded_unless_it_is_told_otherwise() -> None:
    """So by default nobody else can reach it, and nothing is asked."""
    assert (PageSettings().is_local, PageSettings().is_guarded) == (True, False)
    assert not PageSettings(host="0.0.0.0").is_local
    assert PageSettings(token=SecretStr(TOKEN)).is_guarded
