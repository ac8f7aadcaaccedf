"""What each kind of enclosure adds to the air, from where on it is too warm, and from where on it is no air any more."""

from __future__ import annotations

import pytest

from sensord.model import Kind, What
from sensord.rules import offset
from tests.rules.scenes import NOON, enclosure, entry, evidence, pair

KINDS = {
    Kind.OPEN_MESH: (0.3, 0.8, 3.0, 6.0),
    Kind.FINE_MESH: (0.5, 3.0, 5.0, 9.0),
    Kind.CLEAR_BOX: (2.8, 5.0, 8.0, 15.0),
    Kind.PORCH: (0.0, 2.0, 4.0, 8.0),
}
"""In kelvin: usually from and to, too warm from here on, and the probe itself in the sun from here on."""


@pytest.mark.parametrize("kind", KINDS)
def test_each_kind_is_judged_by_what_is_usual_for_it(kind: Kind) -> None:
    """To the point, and said in the message; under a cover 4 K more are air."""
    low_k, high_k, warm_k, far_k = KINDS[kind]

    def said(offset_k: float, cover: bool = False) -> tuple[str, object, object]:
        covered = [entry(What.COVERED, NOON)] if cover else []
        known = evidence(
            offset.RULE, pair(32.0 + offset_k, 32.0, NOON, 2), NOON, cages=[enclosure(kind=kind)], entries=covered
        )
        verdict = offset.RULE.decide(known, NOON)
        return verdict.reason, verdict.numbers["usual_low_k"], verdict.numbers["usual_high_k"]

    usual = (low_k, high_k)
    assert said(high_k) == ("as usual", *usual)
    assert [said(k)[0] for k in (warm_k - 0.01, warm_k, far_k - 0.01, far_k)] == [
        "as usual",
        "warm",
        "warm",
        "probe in the sun",
    ]
    assert [said(k, cover=True)[0] for k in (far_k + 3.99, far_k + 4.0)] == ["warm", "probe in the sun"]
