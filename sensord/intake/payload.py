"""From a topic and bytes to readings, or to a refusal that says what was wrong, where, and what would be right.

Three forms are read: SenML JSON (RFC 8428), any JSON document by pointers (RFC 6901), and the bare number. `Decoder` is
compiled once from the recipes of the configuration; `decode` never raises, whatever comes in. A number may also be
written as a JSON string ("21.5"), as many probes do: the recipe points at exactly this value, so nothing is guessed.

Measured times are whole milliseconds. Without a time of its own a reading takes its receipt as time, which the inbox
keeps strictly increasing per topic; the same goes for SenML's times relative to "now". `Decoded.undated` tells.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from sensord.intake.forms import read_document, read_number, read_pack
from sensord.intake.recipes import CompiledRecipe, TopicPlan
from sensord.intake.wire import Unreadable, json_from
from sensord.model import Arrival, Reading, Recipe, Refusal

LARGEST_PAYLOAD_BYTES = 64 * 1024
KEPT_PAYLOAD_BYTES = 4096
"""As much of a refused payload is kept for inspection."""
_LONGEST_REASON = 600
_LONGEST_TOPIC = 1000
_REASONS = 8
_KNOWN_TOPICS = 4096
"""Topics whose recipes are remembered; a flood of new topics only makes this forget."""


class Decoded(NamedTuple):
    """What became of one arrival: readings, or one refusal, or both; never nothing."""

    readings: list[Reading]
    refusals: list[Refusal]
    undated: bool  # a reading's time depends on the receipt: the arrival must be remembered until acknowledged


class RecipeError(ValueError):
    """What is wrong with the recipes; `problems` has one line each."""

    def __init__(self, problems: Sequence[str]) -> None:
        super().__init__("\n".join(problems))
        self.problems = tuple(problems)


class Decoder:
    """All recipes of a configuration, compiled; RecipeError names every recipe that can't be."""

    def __init__(
        self,
        recipes: Iterable[Recipe],
        largest_payload_bytes: int = LARGEST_PAYLOAD_BYTES,
        kept_payload_bytes: int = KEPT_PAYLOAD_BYTES,
    ) -> None:
        self._largest, self._kept = largest_payload_bytes, kept_payload_bytes
        self._compiled: list[CompiledRecipe] = []
        self._plans: dict[str, TopicPlan] = {}
        problems = []
        for recipe in recipes:
            try:
                self._compiled.append(CompiledRecipe(recipe))
            except ValueError as error:
                problems.append(f"probe {recipe.probe}, topic {recipe.topic!r}, {recipe.quantity}: {error}")
        if problems:
            raise RecipeError(problems)

    def decode(self, arrival: Arrival) -> Decoded:
        """The arrival's readings, oldest first, and its refusal if anything of it could not be understood."""
        readings: list[Reading] = []
        reasons: list[str] = []
        undated = False
        try:
            plan = self._plan(arrival.topic)
            text = self._text(arrival.payload)
            if plan.numbers:
                undated |= read_number(arrival, text, plan.numbers, readings, reasons)
            if plan.documents or plan.packs:
                document = json_from(text)
                if plan.documents:
                    undated |= read_document(arrival, document, plan.documents, readings, reasons)
                if plan.packs:
                    undated |= read_pack(arrival, document, plan, readings, reasons)
        except Unreadable as error:
            reasons.append(str(error))
        return Decoded(readings, [self.refusal(arrival, reasons)] if reasons else [], undated)

    def _plan(self, topic: str) -> TopicPlan:
        plan = self._plans.get(topic)
        if plan is None:
            chosen = [compiled for compiled in self._compiled if compiled.pattern.fullmatch(topic)]
            if not chosen:
                raise Unreadable("no probe of the configuration reads this topic")
            plan = TopicPlan(chosen)
            if len(self._plans) >= _KNOWN_TOPICS:
                self._plans.clear()
            self._plans[topic] = plan
        return plan

    def _text(self, payload: bytes) -> str:
        if len(payload) > self._largest:
            raise Unreadable(f"the payload has {len(payload)} bytes; the limit is {self._largest}")
        if not payload.strip():
            raise Unreadable("the payload is empty")
        try:
            return payload.decode("utf-8")
        except UnicodeDecodeError as error:
            raise Unreadable(f"byte {error.start} is not UTF-8 text: 0x{payload[error.start]:02x}") from None

    def refusal(self, arrival: Arrival, reasons: list[str]) -> Refusal:
        """The arrival, not understood for these reasons: as much of it as is kept."""
        reasons = list(dict.fromkeys(reasons))
        if len(reasons) > _REASONS:
            reasons = [*reasons[:_REASONS], f"and {len(reasons) - _REASONS} more"]
        reason = _storable("; ".join(reasons), _LONGEST_REASON)
        return Refusal(
            arrival.received_at, _storable(arrival.topic, _LONGEST_TOPIC), arrival.payload[: self._kept], reason
        )


def _storable(text: str, longest: int) -> str:
    """Text that any database takes: no lone surrogates, no NUL, not endless."""
    text = text.encode("utf-8", "backslashreplace").decode("utf-8").replace("\0", r"\x00")
    return text if len(text) <= longest else text[:longest] + "…"
