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
from sensord.language.terminal import say
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


class RuleFiles(NamedTuple):
    """The rules of a directory."""

    fit: tuple[RuleFile, ...] = ()
    unfit: tuple[str, ...] = ()  # names of those that can't be used
    mistakes: tuple[str, ...] = ()


def rule_files(directory: Path, taken: Collection[str]) -> RuleFiles:
    """The rules of a directory, and what is wrong with others there. `taken`: names that rules have already."""
    if not directory.is_dir():
        return RuleFiles(mistakes=(say("rule_files.no_directory", directory=str(directory)),))
    files = [file for file in sorted(directory.glob("*.py")) if not file.name.startswith("_")]
    if wrong := others_may_write(directory):
        return RuleFiles(unfit=tuple(file.stem for file in files), mistakes=(wrong,))
    found: dict[str, RuleFile] = {}
    unfit: list[str] = []
    mistakes: list[str] = []
    for file in files:
        try:
            rule = _rule_in(file)
            if rule.name in taken or rule.name in found:
                raise _Wrong(say("rule_files.taken", name=rule.name))
            found[rule.name] = RuleFile(file, rule)
        except _Wrong as wrong_file:
            unfit.append(file.stem)
            mistakes += [f"{file}{line}" if line.startswith(":") else f"{file}: {line}" for line in wrong_file.lines]
    return RuleFiles(tuple(found.values()), tuple(unfit), tuple(mistakes))


def others_may_write(path: Path) -> str:
    """Why a file or directory is not to be trusted with code; "" if it is."""
    known = path.stat()
    if known.st_mode & (stat.S_IWGRP | stat.S_IWOTH):
        return f"{path}: {say('rule_files.others_write', path=str(path))}"
    if known.st_uid not in (0, os.geteuid()):
        return f"{path}: {say('rule_files.of_another', path=str(path))}"
    return ""


def with_sentences(texts: Catalogue, file: RuleFile) -> tuple[Catalogue, tuple[str, ...]]:
    """The catalogue with the sentences of a rule in it, and what is wrong with them: then it is as it was."""
    try:
        more = texts.with_more(file.sentences)
    except OSError as error:
        return texts, (f"{file.sentences}: {say('settings.unreadable', why=error.strerror or str(error))}",)
    except ValueError as error:
        return texts, tuple(str(error).splitlines())
    wrong = tuple(f"{file.sentences}: {line}" for line in _unsaid(file.rule, texts, more))
    return (texts if wrong else more), wrong


def _unsaid(rule: Rule, before: Catalogue, texts: Catalogue) -> Iterator[str]:
    """What a rule's sentences lack, or have too many."""
    for reason in rule.reasons:
        if texts.find(rule.name, reason) is None:
            yield say("rule_files.no_sentence", reason=reason, rule=rule.name)
    for group, name in sorted(texts.rules.keys() - before.rules.keys()):
        if group != rule.name:
            yield f'[{group}."{name}"]: {say("rule_files.of_other", rule=rule.name)}'
        elif name not in set(rule.reasons):
            yield f'[{group}."{name}"]: {say("rule_files.no_reason", known=_listed([*rule.reasons]))}'
    for table in ("names", "matters"):
        if texts.name(table, rule.name, subject="") is None:
            yield f"[{table}] {rule.name}: {say(f'rule_files.no_{table}')}"


class _Wrong(ValueError):
    """What is wrong with a rule file; a line that begins with a colon goes on with the place in it."""

    def __init__(self, *lines: str) -> None:
        super().__init__("\n".join(lines))
        self.lines = lines


def _rule_in(file: Path) -> Rule:
    if wrong := others_may_write(file):
        raise _Wrong(wrong.removeprefix(f"{file}: "))
    if file.stat().st_size > LARGEST_FILE:
        raise _Wrong(say("settings.too_large", count=LARGEST_FILE))
    module = _run(file)
    if not hasattr(module, "RULE"):
        raise _Wrong(say("rule_files.no_rule"))
    rule: Rule = module.RULE
    lines = [*_misshapen(rule, file)]
    if lines:
        raise _Wrong(*lines)
    if not file.with_suffix(".toml").is_file():
        raise _Wrong(say("rule_files.no_sentences", file=str(file.with_suffix(".toml"))))
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
        raise _Wrong(f":{error.lineno}: {say('rule_files.no_python', why=error.msg)}") from None
    except (Exception, SystemExit) as error:  # noqa: BLE001  # whatever it raises is a mistake of the configuration
        lines = [f.lineno for f in traceback.extract_tb(error.__traceback__) if f.filename == str(file)]
        raise _Wrong(f":{lines[-1] if lines else 1}: {type(error).__name__}: {error}") from None
    return module


def _misshapen(rule: object, file: Path) -> Iterator[str]:
    """What RULE lacks of a rule: each part, what is expected, and what is there."""
    if isinstance(rule, type):
        yield f"RULE: {say('rule_files.a_class')}"
        return
    name = getattr(rule, "name", None)
    if not isinstance(name, str) or not re.fullmatch(r"[a-z]+", name):
        yield f"RULE.name: {say('rule_files.name', found=f'{name!r:.60}')}"
    elif name != file.stem:
        yield f"RULE.name: {say('rule_files.other_name', name=name, file=file.name)}"
    if not isinstance(getattr(rule, "per", None), Per):
        yield f"RULE.per: {say('rule_files.one_of', known=', '.join(f'Per.{per.name}' for per in Per))}"
    every = getattr(rule, "every", None)
    if not isinstance(every, timedelta) or not OFTENEST <= every <= RAREST:
        yield f"RULE.every: {say('rule_files.every', found=f'{every!r:.60}')}"
    if not isinstance(getattr(rule, "manner", None), Manner):
        yield f"RULE.manner: {say('rule_files.manner')}"
    reasons = getattr(rule, "reasons", None)
    if not (isinstance(reasons, type) and issubclass(reasons, StrEnum) and len(reasons)):
        yield f"RULE.reasons: {say('rule_files.reasons')}"
    advises = getattr(rule, "advises", None)
    if not isinstance(advises, tuple) or not all(isinstance(action, Action) for action in advises):
        odd = (
            next((a for a in advises if not isinstance(a, Action)), advises) if isinstance(advises, tuple) else advises
        )
        yield f"RULE.advises: {say('rule_files.advises', found=f'{odd!r:.60}')}"
    yield from _misshapen_parameters(rule)
    if not callable(getattr(rule, "decide", None)):
        yield f"RULE.decide(evidence, now): {say('rule_files.decide')}"


def _misshapen_parameters(rule: object) -> Iterator[str]:
    model, needs = getattr(rule, "Parameters", None), getattr(rule, "needs", None)
    if not (isinstance(model, type) and issubclass(model, BaseModel)):
        yield f"RULE.Parameters: {say('rule_files.parameters')}"
    elif any(field.is_required() for field in model.model_fields.values()):
        yield f"RULE.Parameters: {say('rule_files.default')}"
    elif not callable(needs):
        yield f"RULE.needs(parameters): {say('rule_files.needs')}"
    else:
        try:
            wanted = needs(model())
        except Exception as error:  # noqa: BLE001  # whatever a rule from elsewhere does is a mistake of the configuration
            yield f"RULE.needs(parameters): {type(error).__name__}: {error}"
            return
        if not isinstance(wanted, tuple) or not all(isinstance(need, Need) for need in wanted):
            yield f"RULE.needs(parameters): {say('rule_files.wanted')}"


def _listed(words: Collection[str]) -> str:
    return ", ".join(f'"{word}"' for word in words)
