"""What the workers of one run of the tests share."""

from __future__ import annotations

import tempfile
from pathlib import Path


def shared_by_workers(run: str) -> Path:
    """What the workers of one run of the tests make once; the controller takes it away at the end."""
    return Path(tempfile.gettempdir()) / f"sensord-test-{run}"
