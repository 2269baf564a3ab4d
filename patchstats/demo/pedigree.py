"""Seed lines of the invented club: names, parents over several generations, and inherited shifts.

A line is treated as one individual. Its shift is half the sum of its parents' shifts and a part of its own, whose
variance follows from the numerator relationship (Henderson C.R. 1976, Biometrics 32:69-83): a selfed line takes both
halves from one plant, an open-pollinated one the second half from a stranger.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from patchstats.demo.growth import pounds
from patchstats.demo.names import ELDERS


@dataclass
class SeedBox:
    """Every seed line so far: name, year, parents, and the two inherited shifts (gain and heaviness, in SD)."""

    rng: np.random.Generator
    names: list[str] = field(default_factory=list)
    years: list[int] = field(default_factory=list)
    growers: list[str] = field(default_factory=list)
    parents: list[tuple[str | None, str | None]] = field(default_factory=list)
    shifts: list[np.ndarray] = field(default_factory=list)
    relations: np.ndarray = field(default_factory=lambda: np.zeros((0, 0)))
    _individuals: dict[str, int] = field(default_factory=dict)
    _pairs: dict[str, tuple[int | None, int | None]] = field(default_factory=dict)

    def add(self, weight_kg: float, grower: str, year: int, mother: str | None, father: str | None) -> str:
        """A new line from a fruit of this weight; ``father`` is a seed, self, sib, open, or None (not written)."""
        name = self._free_name(f"{round(2.0 * float(pounds(weight_kg))) / 2:g}", grower, year)
        dam = self._individuals.get(mother) if mother else None
        if father == "self":
            sire = dam
        elif father == "sib" and mother:
            sire = self._individual(*self._pairs[mother])  # another plant of the mother's seed lot
        else:
            sire = self._individuals.get(father) if father else None
        self._pairs[name] = (dam, sire)
        self._individuals[name] = self._individual(dam, sire)
        self.names.append(name)
        self.years.append(year)
        self.growers.append(grower)
        self.parents.append((mother, father))
        return name

    def parents_known(self, name: str) -> bool:
        """Whether both parents of a line are lines of the box."""
        return None not in self._pairs[name]

    def shift(self, name: str) -> np.ndarray:
        """The line's inherited shifts: gain and heaviness, both in standard deviations of an outbred line."""
        return self.shifts[self._individuals[name]]

    def relationship(self) -> np.ndarray:
        """Numerator relationship between the lines, in the order of ``names``."""
        rows = [self._individuals[name] for name in self.names]
        return self.relations[np.ix_(rows, rows)]

    def _individual(self, dam: int | None, sire: int | None) -> int:
        n = len(self.shifts)
        none = np.zeros(n)
        mother_row = none if dam is None else self.relations[dam]
        father_row = none if sire is None else self.relations[sire]
        own = 1.0 + (0.5 * self.relations[dam, sire] if dam is not None and sire is not None else 0.0)
        relations = np.zeros((n + 1, n + 1))
        relations[:n, :n] = self.relations
        relations[n, :n] = relations[:n, n] = 0.5 * (mother_row + father_row)
        relations[n, n] = own
        known = [row for row in (dam, sire) if row is not None]
        inherited = 0.25 * sum(self.relations[i, j] for i in known for j in known)
        middle = 0.5 * sum((self.shifts[row] for row in known), np.zeros(2))
        self.shifts.append(middle + np.sqrt(max(own - inherited, 0.0)) * self.rng.normal(size=2))
        self.relations = relations
        return n

    def _free_name(self, weight: str, grower: str, year: int) -> str:
        plain = f"{weight} {grower} {year % 100:02d}"
        letters = ("", " B", " C", " D", " E")  # two of one weight take a letter, as the trade does
        return next(n for n in (f"{weight}{x} {grower} {year % 100:02d}" if x else plain for x in letters)
                    if n not in self._individuals)


def founders(box: SeedBox, growers: list[str], first_season: int) -> None:
    """The seeds before the first season: strangers, then two generations of crosses, selfs and open ones."""
    rng = box.rng
    for k in range(12):
        box.add(rng.uniform(180, 420), ELDERS[k % len(ELDERS)], first_season - 9 + k // 4, None, None)
    for generation, lines in ((1, 14), (2, 18)):
        old = list(box.names)
        for _ in range(lines):
            mother = old[int(rng.integers(len(old)))]
            draw = rng.random()
            father = _father(box, rng, draw, old, mother)
            grower = growers[int(rng.integers(len(growers)))]
            box.add(rng.uniform(250, 560), grower, first_season - 5 + 2 * generation, mother, father)


def pollen(box: SeedBox, rng: np.random.Generator, mother: str, others: list[str]) -> str | None:
    """The pollen parent that a grower writes down for a fruit: a named cross, self, sib, open, or nothing.

    Shares about as in the weigh-off results of 2013-21 (class P: blank 32 %, named cross 42, self 15, open 10,
    sib 1), with fewer blanks, since members write more at home.
    """
    draw = rng.random()
    return None if draw > 0.88 else _father(box, rng, draw / 0.88, others, mother)


def _father(box: SeedBox, rng: np.random.Generator, draw: float, others: list[str], mother: str) -> str:
    if draw < 0.20:
        return "self"
    if draw < 0.23:  # a lot whose parents are not both known is selfed instead, so that kin can be reckoned
        return "sib" if box.parents_known(mother) else "self"
    if draw < 0.38:
        return "open"
    pick = others[int(rng.integers(len(others)))]
    return pick if pick != mother else "self"
