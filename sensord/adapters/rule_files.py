"""Rules from elsewhere: Python files in a directory that the configuration names, each with its sentences beside it.

`dew.py` defines RULE as the shipped rules do, `dew.toml` says what the keeper reads of it. Such a file is code: it runs in
the daemon, with all that the daemon may do. So nobody but root or whoever runs sensord may be able to write to it.
"""

from __future__ import annotations

import hashlib
import importlib.util
import os
import re
import stat
import sys
import traceback
from collections.abc import Collection, Iterator
from datetime import timedelta
from enum import StrEnum
from pathlib import Path
from typing import NamedTuple

from pydantic import BaseModel

from sensord.actions import Action
from sensord.language import Catalogue
from sensord.rules import Manner, Need, Per, Rule

LARGEST_FILE = 128_000
"""The longest rule file that is read [bytes]."""
OFTENEST, RAREST = timedelta(minutes=1), timedelta(hours=1)
"""A rule is asked so often."""


class RuleFile(NamedTuple):
    """A rule from elsewhere, and where it stands."""

    file: Path
    rule: Rule

    @property
    def sentences(self) -> Path:
        """What the keeper reads of it."""
        return self.file.with_suffix(".toml")


def rule_files(directory: Path, taken: Collection[str]) -> tuple[tuple[RuleFile, ...], tuple[str, ...]]:
    """The rules of a directory, and what is wrong with others there. `taken`: names that rules have already."""
    if not directory.is_dir():
        return (), (f'there is no directory {directory}; name one that is there, or "" for none',)
    if wrong := others_may_write(directory):
        return (), (wrong,)
    found: dict[str, RuleFile] = {}
    mistakes: list[str] = []
    for file in sorted(directory.glob("*.py")):
        if file.name.startswith("_"):
            continue
        try:
            rule = _rule_in(file)
            if rule.name in taken or rule.name in found:
                raise _Wrong(f'the name "{rule.name}" is taken by another rule; give the file and the rule another')
            found[rule.name] = RuleFile(file, rule)
        except _Wrong as wrong_file:
            mistakes += [f"{file}{line}" if line.startswith(":") else f"{file}: {line}" for line in wrong_file.lines]
    return tuple(found.values()), tuple(mistakes)


def others_may_write(path: Path) -> str:
    """Why a file or directory is not to be trusted with code; "" if it is."""
    known = path.stat()
    if known.st_mode & (stat.S_IWGRP | stat.S_IWOTH):
        return f"{path}: others may write to it, and what stands in it is run; right is: chmod go-w {path}"
    if known.st_uid not in (0, os.geteuid()):
        return f"{path}: it belongs to another user, and what stands in it is run; right is: chown root {path}"
    return ""


def with_sentences(texts: Catalogue, file: RuleFile) -> tuple[Catalogue, tuple[str, ...]]:
    """The catalogue with the sentences of a rule in it, and what is wrong with them: then it is as it was."""
    try:
        more = texts.with_more(file.sentences)
    except OSError as error:
        return texts, (f"{file.sentences}: can't be read: {error.strerror or error}",)
    except ValueError as error:
        return texts, tuple(str(error).splitlines())
    wrong = tuple(f"{file.sentences}: {line}" for line in _unsaid(file.rule, texts, more))
    return (texts if wrong else more), wrong


def _unsaid(rule: Rule, before: Catalogue, texts: Catalogue) -> Iterator[str]:
    """What a rule's sentences lack, or have too many."""
    for reason in rule.reasons:
        if texts.find(rule.name, reason) is None:
            yield f'there is no sentence for the reason "{reason}"; right is a table [{rule.name}."{reason}"]'
    for group, name in sorted(texts.rules.keys() - before.rules.keys()):
        if group != rule.name:
            yield f'[{group}."{name}"]: is not about this rule; right are tables [{rule.name}.reason]'
        elif name not in set(rule.reasons):
            yield f'[{group}."{name}"]: the rule has no such reason; it has {_listed([*rule.reasons])}'
    for table, what in (("names", "short, for tables"), ("matters", "with {subject} in it, like Dew in {subject}")):
        if texts.name(table, rule.name, subject="") is None:
            yield f"[{table}] {rule.name} is missing: what people call it, {what}"


class _Wrong(ValueError):
    """What is wrong with a rule file; a line that begins with a colon goes on with the place in it."""

    def __init__(self, *lines: str) -> None:
        super().__init__("\n".join(lines))
        self.lines = lines


def _rule_in(file: Path) -> Rule:
    if wrong := others_may_write(file):
        raise _Wrong(wrong.removeprefix(f"{file}: "))
    if file.stat().st_size > LARGEST_FILE:
        raise _Wrong(f"{file.stat().st_size} bytes long; at most {LARGEST_FILE}")
    module = _run(file)
    if not hasattr(module, "RULE"):
        raise _Wrong("defines no RULE; right is RULE = Dew(), an object of the class that decides")
    rule: Rule = module.RULE
    lines = [*_misshapen(rule, file)]
    if lines:
        raise _Wrong(*lines)
    if not file.with_suffix(".toml").is_file():
        raise _Wrong(f"its sentences are missing: {file.with_suffix('.toml')}")
    return rule


def _run(file: Path) -> object:
    """The file as a module; whatever it raises is a mistake in it, with its line."""
    name = f"sensord_rule_{file.stem}_{hashlib.sha256(str(file).encode()).hexdigest()[:8]}"
    spec = importlib.util.spec_from_file_location(name, file)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module  # so that annotations in it can be read
    try:
        spec.loader.exec_module(module)
    except SyntaxError as error:
        raise _Wrong(f":{error.lineno}: no valid Python: {error.msg}") from None
    except (Exception, SystemExit) as error:  # noqa: BLE001  # whatever it raises is a mistake of the configuration
        lines = [f.lineno for f in traceback.extract_tb(error.__traceback__) if f.filename == str(file)]
        raise _Wrong(f":{lines[-1] if lines else 1}: {type(error).__name__}: {error}") from None
    return module


def _misshapen(rule: object, file: Path) -> Iterator[str]:
    """What RULE lacks of a rule: each part, what is expected, and what is there."""
    name = getattr(rule, "name", None)
    if not isinstance(name, str) or not re.fullmatch(r"[a-z]+", name):
        yield f"RULE.name is {name!r:.60}; one word in small letters is expected"
    elif name != file.stem:
        yield f'RULE.name is "{name}", but the file is {file.name}; make them agree'
    if not isinstance(getattr(rule, "per", None), Per):
        yield f"RULE.per: one of {', '.join(f'Per.{per.name}' for per in Per)} is expected"
    every = getattr(rule, "every", None)
    if not isinstance(every, timedelta) or not OFTENEST <= every <= RAREST:
        yield f"RULE.every is {every!r:.60}; a timedelta from one minute to one hour is expected"
    if not isinstance(getattr(rule, "manner", None), Manner):
        yield "RULE.manner: a Manner is expected, like USUAL"
    reasons = getattr(rule, "reasons", None)
    if not (isinstance(reasons, type) and issubclass(reasons, StrEnum) and len(reasons)):
        yield "RULE.reasons: a StrEnum of what the rule can say is expected"
    advises = getattr(rule, "advises", None)
    if not isinstance(advises, tuple) or not all(isinstance(action, Action) for action in advises):
        odd = (
            next((a for a in advises if not isinstance(a, Action)), advises) if isinstance(advises, tuple) else advises
        )
        yield f'RULE.advises: {odd!r:.60} is no action; right is a tuple like (actions.SHADE, define("air out"))'
    yield from _misshapen_parameters(rule)
    if not callable(getattr(rule, "decide", None)):
        yield "RULE.decide(evidence, now): the function that gives the verdict is missing"


def _misshapen_parameters(rule: object) -> Iterator[str]:
    model, needs = getattr(rule, "Parameters", None), getattr(rule, "needs", None)
    if not (isinstance(model, type) and issubclass(model, BaseModel)):
        yield "RULE.Parameters: a class made from Bounds is expected"
    elif any(field.is_required() for field in model.model_fields.values()):
        yield "RULE.Parameters: every parameter needs a default"
    elif not callable(needs):
        yield "RULE.needs(parameters): the function that says which readings it wants is missing"
    else:
        try:
            wanted = needs(model())
        except Exception as error:  # noqa: BLE001  # whatever a rule from elsewhere does is a mistake of the configuration
            yield f"RULE.needs(parameters): {type(error).__name__}: {error}"
            return
        if not isinstance(wanted, tuple) or not all(isinstance(need, Need) for need in wanted):
            yield "RULE.needs(parameters): a tuple of Need is expected"


def _listed(words: Collection[str]) -> str:
    return ", ".join(f'"{word}"' for word in words)
