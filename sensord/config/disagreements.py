"""What disagrees between tables: names that must be unique or must exist, and what the rules take."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from pydantic import BaseModel, ValidationError

from sensord.config.mistakes import plain_words
from sensord.config.page import open_doors
from sensord.config.settings import Settings
from sensord.language.terminal import say
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
                told = say("settings.name_taken", name=name, first=f"{what}[{first}]", kind=what)
                yield f"{what}[{i + 1}].name: {told}"
            if what == "enclosure" and name == AMBIENT:
                yield f"enclosure[{i + 1}].name: {say('settings.name_kept', name=AMBIENT)}"
    unread = any(e.name is None for e in enclosures)
    for i, p in enumerate(probes, 1):
        if p.place and p.place not in (*places, AMBIENT):
            known = ", ".join((*places, AMBIENT))
            yield f"probe[{i}].place: {say('settings.no_enclosure', name=p.place, known=known, unread=unread)}"
        for j, r in enumerate(p.reads or (), 1):
            where = f"probe[{i}].reads[{j}]"
            if r.topic == p.topic is None:
                yield f"{where}: {say('settings.no_topic', probe=f'probe[{i}]')}"
            form = r.form or p.form
            if form and form is not Form.JSON and r.pointer:
                yield f"{where}.pointer: {say('settings.only_json')}"
    for i, c in enumerate(cohorts, 1):
        if c.enclosure and c.enclosure not in places:
            known = ", ".join(places)
            yield f"cohort[{i}].enclosure: {say('settings.no_enclosure', name=c.enclosure, known=known)}"
    if settings.page and None not in dict(settings.page).values():
        yield from open_doors(settings.page)
    yield from _rule_mistakes("rules", settings.rules, parameters)
    for i, e in enumerate(enclosures, 1):
        yield from _rule_mistakes(f"enclosure[{i}].rules", e.rules, parameters)


def _rule_mistakes(where: str, tables: Mapping[str, Mapping[str, Any]], parameters: Parameters) -> Iterator[str]:
    for rule, keys in (tables or {}).items():
        model = parameters.get(rule)
        if model is None:
            yield f"{where}.{rule}: {say('settings.no_rule', known=', '.join(sorted(parameters)))}"
            continue
        try:
            model.model_validate(keys)
        except ValidationError as error:
            for item in error.errors():
                key = ".".join(str(part) for part in item["loc"])
                if item["type"] == "extra_forbidden":
                    yield f"{where}.{rule}.{key}: {say('settings.no_key', known=', '.join(model.model_fields))}"
                else:
                    yield f"{where}.{rule}.{key}: {plain_words(item, model.model_fields.get(key))}"
