"""To translators and back: a template of all sentences, a translation compiled and checked. A tool; it needs Babel.

    python -m sensord.adapters.translations template sensord.pot        all English sentences, for translators' tools
    python -m sensord.adapters.translations compile de.po               check a translation and put it beside the catalogue

Each sentence has its key as context and English as its text, so every tool that reads PO shows both. What CLDR knows of a
language (names of months and weekdays, the decimal mark) is filled in where a translator left it empty.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from babel import Locale, UnknownLocaleError
from babel.messages import Catalog
from babel.messages.mofile import write_mo
from babel.messages.pofile import PoFileError, read_po, write_po

from sensord.language.sentences import HERE, parts, sentences
from sensord.language.template import TemplateError, names_of, template
from sensord.language.terminal import say

SourceText = str | tuple[str, str]


def leaves() -> Iterator[tuple[str, SourceText]]:
    """Every sentence with its key; a sentence about a number as (one, other)."""
    for part in parts():
        for key, found in sentences(part).items():
            if isinstance(found, str):
                yield key, found
            elif isinstance(found, Mapping):
                yield key, (found["one"], found["other"])
            else:
                yield from ((f"{key}.{n}", word) for n, word in enumerate(found))


def to_translate() -> Catalog:
    """All sentences, none translated."""
    catalog = Catalog(project="sensord", charset="utf-8", fuzzy=False)
    for key, text in leaves():
        catalog.add(text, context=key)
    return catalog


def from_cldr(locale: Locale) -> dict[str, str]:
    """What needs no translator, by key."""
    found = {"numbers.decimal": str(locale.number_symbols["latn"]["decimal"])}
    for width, months, days in (
        ("abbreviated", "numbers.months", "numbers.weekdays"),
        ("wide", "", "messages.words.weekdays"),
    ):
        if months:
            found |= {f"{months}.{n - 1}": str(name) for n, name in locale.months["format"][width].items()}
        found |= {f"{days}.{n}": str(name) for n, name in locale.days["stand-alone"][width].items()}
    return found


def mistakes(catalog: Catalog) -> Iterator[str]:
    """What is wrong with a translation: names that English doesn't have, a bracket that is not closed, a key that is gone."""
    known = dict(leaves())
    for message in catalog:
        if not message.id or not message.string:
            continue
        key = str(message.context)
        if key not in known or known[key] != message.id:
            yield f"{key}: English is another by now; bring the file up to date with the template"
            continue
        english = known[key] if isinstance(known[key], tuple) else (known[key],)
        allowed = frozenset[str]().union(*(names_of(template(str(text))) for text in english))
        for text in message.string if isinstance(message.string, tuple | list) else [message.string]:
            try:
                unknown = sorted(names_of(template(text)) - allowed)
            except TemplateError as error:
                yield f"{key}: {say(error.key, **error.parts)}"
                continue
            yield from (
                f"{key}: {{{name}}} is not known here; allowed are {', '.join(sorted(allowed))}" for name in unknown
            )


def compiled(po: Path, folder: Path = HERE) -> tuple[Path, list[str]]:
    """The translation compiled, where it has no mistakes; else what they are. The file's name is the language's tag."""
    target = folder / f"{po.stem}.mo"
    try:
        locale = Locale.parse(po.stem, sep="-")
    except (UnknownLocaleError, ValueError):
        return target, [f"{po}: {po.stem!r} is no language; name the file by its tag, like de.po or pt-BR.po"]
    try:
        with po.open("rb") as file:
            catalog = read_po(file, locale=str(locale), abort_invalid=True)
    except UnicodeDecodeError as error:
        return target, [f"{po}: not {error.encoding}: {error.reason} at byte {error.start} of a line"]
    except OSError as error:
        return target, [f"{po}: {say('settings.unreadable', why=error.strerror or str(error))}"]
    except PoFileError as error:
        return target, [f"{po}, line {error.lineno + 1}: not PO: {error.line.strip()!r:.60}"]
    wrong = list(mistakes(catalog))
    if not wrong:
        english, filled = dict(leaves()), from_cldr(locale)
        for key, text in filled.items():
            message: Any = catalog.get(english[key], context=key)
            if message is None or not message.string:
                catalog.add(english[key], text, context=key)
        with target.open("wb") as file:
            write_mo(file, catalog)
    return target, wrong


def main(arguments: list[str]) -> int:
    """The command line."""
    match arguments:
        case ["template", path]:
            with Path(path).open("wb") as file:
                write_po(file, to_translate(), sort_output=False, width=0)
            return 0
        case ["compile", path]:
            target, wrong = compiled(Path(path))
            sys.stdout.write("".join(f"{line}\n" for line in wrong) or f"{target}\n")
            return 1 if wrong else 0
    sys.stderr.write(f"{__doc__}\n")
    return 2


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
