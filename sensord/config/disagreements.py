"""What disagrees between tables: names that must be unique or must exist, and what the rules take."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from pydantic import BaseModel, ValidationError

from sensord.config.mistakes import plain_words
from sensord.config.page import open_doors
from sensord.config.settings import Settings
from sensord.model import AMBIENT, Form

Parameters = Mapping[str, type[BaseModel]]
"""The parameters that each rule takes: rule name → model with bounds and defaults."""


def disagreements(settings: Settings, parameters: Parameters) -> Iterator[str]:
    """Mistakes between tables: names that must be unique or must exist, and what the rules take."""
    enclosures, probes, cohorts = settings.enclosure or (), settings.probe or (), settings.cohort or ()
    places = list(dict.fromkeys(e.name for e in enclosures if e.name and e.name != AMBIENT))
    for what, tables in (("enclosure", enclosures), ("probe", probes), ("cohort", cohorts)):
        names = [table.name for table in tables]
        for i, name in enumerate(names):
            if name and name in names[:i]:
                first = names.index(name) + 1
                yield f'{what}[{i + 1}].name: "{name}" is the name of {what}[{first}] already; every {what} needs its own'
            if what == "enclosure" and name == AMBIENT:
                yield f'enclosure[{i + 1}].name: "{AMBIENT}" is kept for the shaded post; choose another'
    unread = any(e.name is None for e in enclosures)
    for i, p in enumerate(probes, 1):
        if p.place and p.place not in (*places, AMBIENT):
            maybe = "" if not unread else ", and those whose names have mistakes"
            yield f'probe[{i}].place: there is no enclosure "{p.place}"; allowed are {", ".join((*places, AMBIENT))}{maybe}'
        for j, r in enumerate(p.reads or (), 1):
            where = f"probe[{i}].reads[{j}]"
            if r.topic == p.topic is None:
                yield f"{where}: no topic; give `topic` here or in probe[{i}]"
            form = r.form or p.form
            if form and form is not Form.JSON and r.pointer:
                yield f'{where}.pointer: only form = "json" takes a pointer'
    for i, c in enumerate(cohorts, 1):
        if c.enclosure and c.enclosure not in places:
            yield f'cohort[{i}].enclosure: there is no enclosure "{c.enclosure}"; allowed are {", ".join(places)}'
    if settings.page and None not in dict(settings.page).values():
        yield from open_doors(settings.page)
    yield from _rule_mistakes("rules", settings.rules, parameters)
    for i, e in enumerate(enclosures, 1):
        yield from _rule_mistakes(f"enclosure[{i}].rules", e.rules, parameters)


def _rule_mistakes(where: str, tables: Mapping[str, Mapping[str, Any]], parameters: Parameters) -> Iterator[str]:
    for rule, keys in (tables or {}).items():
        model = parameters.get(rule)
        if model is None:
            yield f"{where}.{rule}: no such rule; allowed are {', '.join(sorted(parameters))}"
            continue
        try:
            model.model_validate(keys, strict=False)
        except ValidationError as error:
            for item in error.errors(include_url=False):
                key = ".".join(str(part) for part in item["loc"])
                if item["type"] == "extra_forbidden":
                    yield f"{where}.{rule}.{key}: no such key; allowed are {', '.join(model.model_fields)}"
                else:
                    yield f"{where}.{rule}.{key}: {plain_words(item, model.model_fields.get(key))}"
