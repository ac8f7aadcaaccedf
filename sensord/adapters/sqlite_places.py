"""For whom degree-days are counted: an enclosure's places by time, under the numbers of the table `place`."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace

from sensord.adapters.sqlite_migrations import HOUR_MS, touch_stored
from sensord.model import EPOCH, Quantity, milliseconds
from sensord.ports import Place

SummaryMark = tuple[int, int]
"""(hours since 1970, number of the series): an hour to compute, in the order of computing."""

SummaryRow = tuple[int, int, float, float, float, float]
"""Of the table `tally`."""


class CountedPlaces:
    """The places of one site; every method runs within the caller's transaction."""

    def __init__(
        self, db: sqlite3.Connection, number: Callable[[str, Quantity], tuple[int, float] | None], site: str
    ) -> None:
        self._db, self._number, self._site = db, number, site
        self._eras: dict[str, list[tuple[int, Place]]] = {}  # by enclosure, with their numbers, by time
        self._others: dict[str, list[int]] = {}  # all numbers of an enclosure that are shown and shipped

    @property
    def enclosures(self) -> Iterable[str]:
        """Of which something is counted."""
        return self._eras.keys()

    def series_of(self, enclosure: str) -> list[int]:
        """The series that count, in order of trust."""
        return self._probes(self._eras[enclosure][0][1])

    def register(self, places: Sequence[Place]) -> None:
        """Number the places; the hours that another than theirs has counted, and all of a new one's, are computed again."""
        self._eras.clear()
        for enclosure in dict.fromkeys(place.enclosure for place in places):
            eras = sorted((p for p in places if p.enclosure == enclosure), key=lambda p: p.since)
            numbers = [self._numbered(place) for place in eras]
            self._eras[enclosure] = list(zip(numbers, eras, strict=True))
            self._claim(enclosure)

    def _numbered(self, place: Place) -> int:
        """Its number; one that is new has its hours computed again."""
        find = "SELECT id FROM place WHERE site = ? AND enclosure = ? AND definition = ?"
        key = (self._site, place.enclosure, place.definition)
        row = self._db.execute(find, key).fetchone()
        if row is None and place.species and place.since == EPOCH:  # an older file does not say of which species it is
            unnamed = replace(place, species="").definition
            self._db.execute("UPDATE place SET definition = ? WHERE (site, enclosure, definition) = (?, ?, ?)",
                             (place.definition, *key[:2], unnamed))  # fmt: skip
            row = self._db.execute(find, key).fetchone()
        if row is None:
            self._db.execute("INSERT INTO place (site, enclosure, definition, active) VALUES (?, ?, ?, 0)", key)
            for series in self._probes(place):
                touch_stored(self._db, series)
            row = self._db.execute(find, key).fetchone()
        number: int = row[0]
        return number

    def _claim(self, enclosure: str) -> None:
        """Whose hours are whose: those counted for another are touched. What is of the same species is superseded."""
        eras, key = self._eras[enclosure], (self._site, enclosure)
        numbers = [number for number, _ in eras]
        known = self._db.execute("SELECT id, definition, active FROM place WHERE site = ? AND enclosure = ?", key)
        species, active = {place.species for _, place in eras}, {}
        for number, definition, was in known.fetchall():
            active[number] = number in numbers or bool(was and species_of(definition) not in species)
            if number in numbers and not was:
                for series in self._probes(eras[0][1]):
                    touch_stored(self._db, series)
        self._db.executemany("UPDATE place SET active = ? WHERE id = ?", [(on, n) for n, on in active.items()])
        self._others[enclosure] = [number for number, on in active.items() if on]
        for hour, number in self._counted(enclosure):
            if number != self.at(enclosure, hour)[0]:
                marks = [(hour, series) for series in self._probes(eras[0][1])]
                self._db.executemany("INSERT OR IGNORE INTO touched VALUES (?, ?)", marks)

    def _counted(self, enclosure: str) -> list[SummaryMark]:
        """Which hours are counted for which place, where there are several."""
        if len(self._others[enclosure]) < 2:
            return []
        return self._db.execute(
            "SELECT t.hour, t.place FROM tally t JOIN place p ON p.id = t.place AND p.active"
            " WHERE p.site = ? AND p.enclosure = ? AND t.measured_s + t.bridged_s > 0",
            (self._site, enclosure),
        ).fetchall()

    def at(self, enclosure: str, hour: int) -> tuple[int, Place]:
        """For whom an hour counts."""
        eras = self._eras[enclosure]
        begun = [era for era in eras if milliseconds(era[1].since) <= hour * HOUR_MS]
        return begun[-1] if begun else eras[0]

    def _probes(self, place: Place) -> list[int]:
        found = [self._number(probe, Quantity.TEMPERATURE) for probe in place.probes]
        return [number[0] for number in found if number is not None]

    def taken_back(self, enclosure: str, number: int, hour: int) -> list[SummaryRow]:
        """What was counted of an hour for others: nothing by now. It stays as a row, so that it is shipped as nothing."""
        others = [n for n in self._others[enclosure] if n != number]
        if not others:
            return []
        marks = ", ".join("?" * len(others))
        found = self._db.execute(
            f"SELECT place FROM tally WHERE hour = ? AND measured_s + bridged_s > 0 AND place IN ({marks})",  # noqa: S608
            (hour, *others),
        )
        return [(other, hour, 0.0, 0.0, 0.0, 0.0) for (other,) in found.fetchall()]


def species_of(definition: str) -> str:
    """For which species a place's degree-days are counted; "" where its definition does not say."""
    last = json.loads(definition)[-1]
    return last if isinstance(last, str) else ""
