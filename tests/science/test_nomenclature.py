"""Docstrings are held to the nomenclature and the bibliography: units in brackets, sources that exist."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
import re
from collections.abc import Iterator
from pathlib import Path
from types import FunctionType

import pytest

import sensord.science
from sensord.science.bibliography import CITATIONS, UNITS

SCIENCE = Path(sensord.science.__file__).parent
MODULES = sorted(module.name for module in pkgutil.iter_modules([str(SCIENCE)]))


def unit_of(name: str) -> str | None:
    """The unit that a name's ending stands for, as in `UNITS`; None for a name without one."""
    words = name.lstrip("_").split("_")
    endings = ("_".join(words[i:]) for i in range(len(words)))
    return next((UNITS[ending] for ending in endings if ending in UNITS and (ending != name or len(ending) > 2)), None)


def public_functions() -> Iterator[tuple[str, FunctionType]]:
    for name in MODULES:
        module = importlib.import_module(f"sensord.science.{name}")
        for function_name, function in inspect.getmembers(module, inspect.isfunction):
            if function.__module__ == module.__name__ and not function_name.startswith("_"):
                yield f"{name}.{function_name}", function


FUNCTIONS = dict(public_functions())


def unit_named(docstring: str, argument: str) -> str | None:
    """The first bracket in the argument's own entry: from its name at the head of a line to the next argument."""
    found = re.search(rf"^\s*{re.escape(argument)}\b((?:(?!\n\s*\w+:).)*)", docstring, re.MULTILINE | re.DOTALL)
    bracket = re.search(r"\[([^\]]+)\]", found.group(1)) if found else None
    return bracket.group(1) if bracket else None


@pytest.mark.parametrize("name", FUNCTIONS)
def test_every_physical_argument_has_its_unit_in_brackets(name):
    """An argument whose name ends in a unit is listed in the docstring with that very unit in brackets."""
    docstring = inspect.getdoc(FUNCTIONS[name])
    assert docstring, f"{name} has no docstring"
    for argument in inspect.signature(FUNCTIONS[name]).parameters:
        unit = unit_of(argument)
        if unit is not None:
            assert unit_named(docstring, argument) == unit, (
                f"{name}({argument}) is in [{unit}]: say so in the docstring"
            )


@pytest.mark.parametrize("name", FUNCTIONS)
def test_every_formula_names_its_source(name):
    """A public function with a physical argument says `Source:`, a key of the bibliography or in words."""
    arguments = inspect.signature(FUNCTIONS[name]).parameters
    if any(unit_of(argument) is not None for argument in arguments):
        assert "Source:" in (inspect.getdoc(FUNCTIONS[name]) or ""), f"{name} names no source"


@pytest.mark.parametrize("module", MODULES)
def test_every_source_that_is_cited_exists(module):
    """Whatever stands in brackets behind `Source:`, or looks like a key, is in the bibliography."""
    text = (SCIENCE / f"{module}.py").read_text(encoding="utf-8")
    behind_source = re.findall(r"Source:(.*?)(?:\n\s*\n|\"\"\"|$)", text, re.DOTALL)
    keys = {key for passage in behind_source for key in re.findall(r"\[([A-Z][^\]\s]+)\]", passage)}
    keys |= set(re.findall(r"\[([A-Z][A-Za-z]+\d{4})\]", text))
    assert keys <= set(CITATIONS), f"{module}: not in the bibliography: {sorted(keys - set(CITATIONS))}"


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        ("temperature_c", "°C"),
        ("wind_speed_m_s", "m/s"),
        ("duration_s", "s"),
        ("width_m", "m"),
        ("irradiance_w_m2", "W/m²"),
        ("degree_days", "°C·d"),
        ("degree_days_f", "°F·d"),
        ("relative_humidity", "0–1"),
        ("open_fraction", "1"),
        ("count", None),
        ("samples", None),
    ],
)
def test_a_name_says_its_unit_by_its_longest_ending(name, unit):
    """m/s is not mistaken for s, nor °F-days for °F; a name without a unit has none."""
    assert unit_of(name) == unit
