"""Kinship: from the pedigree of seed lines to their relationship matrix, its inverse, and numbers to plan crosses.

The seed parent and the pollen parent of the *planted seed* act on a fruit; the pollen that sets the fruit acts only
on the seed inside it, so it is no cause of the fruit's own weight. The pedigree here is that of the seeds.

The relationship matrix A (Wright's relationships; Henderson C.R. 1976, Biometrics 32:69-83) has 1 + F on its
diagonal, F the inbreeding. A selfed plant has one parent twice, which the rules take without a special case: the
diagonal gains half of the parent's own, and the variance left for Mendelian sampling is half of 1 - F(parent).

What is taken for granted: a seed lot (all seeds of one fruit) counts as one individual, founders are unrelated and
not inbred, and a parent that nobody wrote down is unrelated to all others. So kinship through an unwritten common
ancestor is missed, and two plants of one seed lot, full sibs in truth, count as the same plant. *Sib* pollen is the
exception: it comes from another plant of the mother's lot, which is given the mother's own parents. *Open* pollen is
a father unknown, unless told otherwise: bees do self, so try "self" to see whether it matters.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from graphlib import TopologicalSorter

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from patchstats.remarks import PatchstatsError
from patchstats.seednames import read_pollen, read_seed_name

FAULT_COLUMNS = ["seed", "fault"]
OPEN_AS = ("unknown", "self", "sib")


@dataclass(frozen=True)
class Pedigree:
    """Seeds with their parents, every parent before its offspring; a parent is a position, -1 where unknown.

    ``faults`` (columns ``seed, fault``) lists what could not be used as written: loops, repeats that disagree.
    """

    names: tuple[str, ...]
    seed_parent: tuple[int, ...] = field(repr=False)
    pollen_parent: tuple[int, ...] = field(repr=False)
    faults: pd.DataFrame = field(repr=False, compare=False)

    def __len__(self) -> int:
        return len(self.names)

    def position(self, name: str) -> int:
        """Where a seed stands; a name may be written in any of its spellings."""
        for position, known in enumerate(self.names):
            if known == name:
                return position
        key = read_seed_name(name).key
        for position, known in enumerate(self.names):
            if known.casefold() == key:
                return position
        raise PatchstatsError(f"The seed {name!r} is not in the pedigree.")

    def frame(self) -> pd.DataFrame:
        """The pedigree as a table: ``seed, seed_parent, pollen_parent``, missing where unknown."""
        def named(parents: tuple[int, ...]) -> list[str | None]:
            return [self.names[p] if p >= 0 else None for p in parents]

        return pd.DataFrame({"seed": self.names, "seed_parent": named(self.seed_parent),
                             "pollen_parent": named(self.pollen_parent)})


def build_pedigree(rows: Iterable[tuple[str, str | None, str | None]]) -> Pedigree:
    """A pedigree from (seed, seed parent, pollen parent), names taken as they are and None for unknown.

    The order does not matter; a parent without a row of its own becomes a founder. A repeated row fills what the
    first left empty; where two rows disagree, the first stands. Links that would make a seed its own ancestor are
    left out. Both are listed in ``faults``.

    >>> pedigree = build_pedigree([("c", "a", "b"), ("d", "c", "c")])
    >>> pedigree.names, inbreeding(pedigree).tolist()
    (('a', 'b', 'c', 'd'), [0.0, 0.0, 0.0, 0.5])
    """
    parents: dict[str, list[str | None]] = {}
    faults: list[tuple[str, str]] = []
    for seed, mother, father in rows:
        known = parents.setdefault(seed, [None, None])
        for place, (parent, role) in enumerate(((mother, "seed parent"), (father, "pollen parent"))):
            if parent is None or known[place] == parent:
                continue
            if known[place] is None:
                known[place] = parent
            else:
                faults.append((seed, f"It stands more than once with different parents: {role} {known[place]} is "
                                     f"kept, {parent} is not."))
    for mother, father in list(parents.values()):
        for parent in (mother, father):
            if parent is not None:
                parents.setdefault(parent, [None, None])
    faults += _cut_loops(parents)
    order = list(TopologicalSorter({seed: [p for p in pair if p is not None]
                                    for seed, pair in parents.items()}).static_order())
    place_of = {seed: position for position, seed in enumerate(order)}
    mothers, fathers = (tuple(-1 if parents[s][i] is None else place_of[str(parents[s][i])] for s in order)
                        for i in (0, 1))
    return Pedigree(tuple(order), mothers, fathers, pd.DataFrame(faults, columns=FAULT_COLUMNS))


def _cut_loops(parents: dict[str, list[str | None]]) -> list[tuple[str, str]]:
    """Takes out, in place, the links between seeds that are each other's ancestors; tells what it took."""
    names = list(parents)
    place_of = {name: position for position, name in enumerate(names)}
    links = [(place_of[seed], place_of[p]) for seed, pair in parents.items() for p in pair if p is not None]
    if not links:
        return []
    child, parent = np.array(links).T
    graph = sparse.coo_array((np.ones(len(child)), (child, parent)), shape=(len(names), len(names)))
    _, part = connected_components(graph.tocsr(), connection="strong")
    faults = []
    for seed, pair in parents.items():
        for i, p in enumerate(pair):
            if p is None or part[place_of[seed]] != part[place_of[p]]:
                continue
            loop = [name for name in names if part[place_of[name]] == part[place_of[seed]]]
            faults.append((seed, f"It is written as its own ancestor through {', '.join(loop)}; its parent {p} is "
                                 "left out."))
            pair[i] = None
    return faults


def seed_pedigree(seeds: pd.DataFrame, *, open_as: str = "unknown") -> Pedigree:
    """The pedigree of a table of seeds (columns ``seed``, ``seed_parent``, ``pollen_parent``) as the trade writes it.

    Names are read by :func:`patchstats.seednames.read_seed_name`, so that spellings of one name are one seed; names
    that merely look alike stay apart. ``pollen_parent`` may be *self*, *sib* or *open*; a cross written in the seed's
    own name serves where the two columns are empty. ``open_as`` treats open pollen as of "unknown" plants, as "self"
    or as "sib": the truth lies between, so compare.
    """
    if open_as not in OPEN_AS:
        raise PatchstatsError(f"Open pollen can be taken as {', '.join(OPEN_AS)}, not as {open_as!r}.")
    read_rows: list[tuple[str, str | None, str, str | None]] = []
    spelling: dict[str, str] = {}

    def one_spelling(name: str) -> str:
        return spelling.setdefault(name.casefold(), name)

    for seed, mother, father in seeds[["seed", "seed_parent", "pollen_parent"]].itertuples(index=False):
        if not isinstance(seed, str) or not seed.strip():
            continue
        read = read_seed_name(seed)
        name = one_spelling(read.name)
        dam = read_seed_name(mother) if isinstance(mother, str) and mother.strip() else None
        kind, sire = read_pollen(father) if isinstance(father, str) else ("", None)
        if dam is None and not kind:
            dam, kind, sire = read.seed_parent, read.pollen, read.pollen_parent
        kind = open_as if kind == "open" else kind
        read_rows.append((name, None if dam is None else one_spelling(dam.name), kind,
                          None if sire is None else one_spelling(sire.name)))
    # A seed known to be selfed (or sibbed) is inbred also where nobody wrote down of whom: its mother gets a stand-in.
    mother_of = {name: dam_name for name, dam_name, _, _ in reversed(read_rows) if dam_name is not None}
    rows: list[tuple[str, str | None, str | None]] = []
    sibs: list[str] = []
    for name, dam_name, kind, sire_name in read_rows:
        if kind in ("self", "sib"):
            dam_name = dam_name or mother_of.get(name) or f"{name} (its seed parent)"
            sire_name = dam_name if kind == "self" else f"{dam_name} (sib)"
            sibs += [dam_name] if kind == "sib" else []
        rows.append((name, dam_name, sire_name))
    return build_pedigree([*rows, *_sib_rows(rows, sibs)])


def _sib_rows(rows: list[tuple[str, str | None, str | None]],
              sibs: list[str]) -> list[tuple[str, str | None, str | None]]:
    """Rows that give the sib of a plant that plant's parents; where these are unwritten, stand-ins are made up."""
    parents: dict[str, tuple[str | None, str | None]] = {}
    for name, mother, father in rows:
        known = parents.setdefault(name, (mother, father))
        parents[name] = (known[0] or mother, known[1] or father)
    out: list[tuple[str, str | None, str | None]] = []
    for name in dict.fromkeys(sibs):
        mother, father = parents.get(name, (None, None))
        pair = (mother or f"{name} (its seed parent)", father or f"{name} (its pollen parent)")
        out += [(name, *pair), (f"{name} (sib)", *pair)]
    return out


def _relationships(pedigree: Pedigree) -> NDArray:
    """A by the tabular method: a row is the mean of the parents' rows (Mrode 2014, section 2.2)."""
    n = len(pedigree)
    a = np.zeros((n, n))
    for i, (dam, sire) in enumerate(zip(pedigree.seed_parent, pedigree.pollen_parent, strict=True)):
        for parent in (dam, sire):
            if parent >= 0:
                a[i, :i] += 0.5 * a[parent, :i]
        a[:i, i] = a[i, :i]
        a[i, i] = 1.0 + (0.5 * a[dam, sire] if dam >= 0 and sire >= 0 else 0.0)
    return a


def relationship_matrix(pedigree: Pedigree) -> pd.DataFrame:
    """The additive relationship matrix A, named on both sides, parents before offspring.

    >>> relationship_matrix(build_pedigree([("selfed", "mother", "mother")])).values.tolist()
    [[1.0, 1.0], [1.0, 1.5]]
    """
    return pd.DataFrame(_relationships(pedigree), index=pedigree.names, columns=pedigree.names)


def inbreeding(pedigree: Pedigree) -> pd.Series:
    """Inbreeding F of each seed: the chance that its two copies of a gene come from one ancestral copy."""
    return pd.Series(np.diag(_relationships(pedigree)) - 1.0, index=pedigree.names, name="inbreeding")


def mendelian_share(pedigree: Pedigree) -> pd.Series:
    """The share of the genetic variance that is new in each seed (the matrix D of A = T D T').

    1 for a founder, 3/4 - F/4 with one parent known, 1/2 - (F + F')/4 with two, 1/2 - F/2 for a selfed seed. It is what
    no pedigree foretells: how far sister plants spread.
    """
    diagonal = np.append(np.diag(_relationships(pedigree)), 0.0)  # an unknown parent, at -1, takes nothing away
    dam, sire = np.array(pedigree.seed_parent, dtype=int), np.array(pedigree.pollen_parent, dtype=int)
    return pd.Series(1.0 - 0.25 * (diagonal[dam] + diagonal[sire]), index=pedigree.names, name="mendelian_share")


def sparse_inverse(pedigree: Pedigree) -> sparse.csc_array:
    """The inverse of A, sparse, in the pedigree's order, by Henderson's rules (1976), inbreeding counted.

    Each seed adds (1, -1/2, -1/2) times itself over its Mendelian share; for a selfed seed the two halves fall on the
    one parent and make (1, -1). Raises :class:`PatchstatsError` where selfing has gone on so long that A has no
    inverse in floating-point numbers.
    """
    share = mendelian_share(pedigree).to_numpy()
    if (share < 1e-12).any():
        name = pedigree.names[int(np.argmin(share))]
        raise PatchstatsError(f"The seed {name!r} is selfed for so long that no variation is left in it.")
    n = len(pedigree)
    child = np.tile(np.arange(n), 2)
    parent = np.array([*pedigree.seed_parent, *pedigree.pollen_parent], dtype=int)
    known = parent >= 0
    halves = sparse.coo_array((np.full(int(known.sum()), 0.5), (child[known], parent[known])), shape=(n, n))
    inverse_t = sparse.eye_array(n, format="csr") - halves.tocsr()  # duplicates of a selfed seed are summed
    return sparse.csc_array(inverse_t.T @ sparse.diags_array(1.0 / share) @ inverse_t)


def inverse_relationship(pedigree: Pedigree) -> pd.DataFrame:
    """The inverse of A as a table, named on both sides (see :func:`sparse_inverse`).

    >>> inverse_relationship(build_pedigree([("selfed", "mother", "mother")])).values.tolist()
    [[3.0, -2.0], [-2.0, 2.0]]
    """
    return pd.DataFrame(sparse_inverse(pedigree).toarray(), index=pedigree.names, columns=pedigree.names)


def plan_crosses(pedigree: Pedigree, seed_parents: Sequence[str], pollen_parents: Sequence[str] | None = None, *,
                 breeding_values: pd.Series | None = None, genetic_sd: float | None = None,
                 stock: pd.Series | None = None) -> pd.DataFrame:
    """Every cross of the seed parents with the pollen parents (with themselves, if none are given), in numbers.

    ``breeding_values`` (by seed, in any unit) give the expected value of the offspring, the mean of its parents;
    ``genetic_sd`` in that unit gives their spread about it, as additive genes spread. ``stock`` (by seed) is the seed
    in hand; the lesser of the two parents' is shown. Dominance is left out: inbred plants may do worse than expected.

    Columns: ``seed_parent``, ``pollen_parent``, ``relationship`` (of the two), ``inbreeding`` (of the offspring),
    ``mendelian_share``, ``expected``, ``spread``, ``stock``. Self crosses are among them.

    >>> plan_crosses(build_pedigree([("c", "a", "b")]), ["c"], ["c", "a"])["inbreeding"].tolist()
    [0.5, 0.25]
    """
    a = _relationships(pedigree)
    lines = {name: pedigree.position(name) for name in (*seed_parents, *(pollen_parents or ()))}
    if pollen_parents is None:
        pairs = [(m, f) for i, m in enumerate(seed_parents) for f in seed_parents[i:]]
    else:
        pairs = [(m, f) for m in seed_parents for f in pollen_parents]
    i, j = (np.array([lines[pair[k]] for pair in pairs], dtype=int) for k in (0, 1))
    share = 1.0 - 0.25 * (a[i, i] + a[j, j])
    out = pd.DataFrame({"seed_parent": [m for m, _ in pairs], "pollen_parent": [f for _, f in pairs],
                        "relationship": a[i, j], "inbreeding": 0.5 * a[i, j], "mendelian_share": share})

    def by_parent(values: pd.Series, place: NDArray) -> NDArray:
        return values.reindex([pedigree.names[p] for p in place]).to_numpy(dtype=float)

    out["expected"] = (np.nan if breeding_values is None
                       else 0.5 * (by_parent(breeding_values, i) + by_parent(breeding_values, j)))
    out["spread"] = np.nan if genetic_sd is None else genetic_sd * np.sqrt(share)
    out["stock"] = np.nan if stock is None else np.minimum(by_parent(stock, i), by_parent(stock, j))
    return out
