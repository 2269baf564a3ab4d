"""The Finding: an estimate with its interval, and the sentence that says it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import pandas as pd

OBSERVATIONAL = "Observational: members were not told by lot when to set or how large a plant to keep."


@dataclass(frozen=True)
class Finding:
    """One thing found.

    ``estimate``, ``se``, ``low``, ``high`` in the stored unit that ``column`` carries, the interval at ``level``;
    ``se`` is NaN where an interval was found without one. ``sentence`` says it; ``caveat`` says what it is not;
    ``doubts`` are what was seen in the data that speaks against leaning on it.
    """

    name: str
    estimate: float
    se: float
    low: float
    high: float
    level: float
    column: str
    sentence: str
    caveat: str = ""
    doubts: tuple[str, ...] = ()

    def _markdown(self) -> str:
        lines = [self.sentence]
        if self.caveat:
            lines.append(f"*{self.caveat}*")
        lines += [f"- Doubt: {doubt}" for doubt in self.doubts]
        return "\n\n".join(lines)

    def _repr_markdown_(self) -> str:
        return self._markdown()

    def __repr__(self) -> str:
        return self._markdown().replace("*", "").replace("\n\n", "\n")


@dataclass(frozen=True)
class Findings:
    """Several findings in the order to be read, each caveat said once."""

    items: tuple[Finding, ...]

    def __iter__(self) -> Iterator[Finding]:
        return iter(self.items)

    def __len__(self) -> int:
        return len(self.items)

    def table(self) -> pd.DataFrame:
        """One row a finding: name, estimate, se, low, high, level, column, sentence."""
        names = ["name", "estimate", "se", "low", "high", "level", "column", "sentence"]
        return pd.DataFrame([[getattr(f, n) for n in names] for f in self.items], columns=names)

    def _markdown(self) -> str:
        lines = [line for f in self.items
                 for line in (f"- {f.sentence}", *(f"  - Doubt: {doubt}" for doubt in f.doubts))]
        return "\n".join(lines) + "".join(f"\n\n*{caveat}*" for caveat in caveats(self.items))

    def _repr_markdown_(self) -> str:
        return self._markdown()

    def __repr__(self) -> str:
        return self._markdown().replace("*", "").replace("\n\n", "\n")


def caveats(found: Iterable[Finding]) -> list[str]:
    """The caveats of several findings, each said once: that they are observational first, then what each adds."""
    said = [f.caveat for f in found if f.caveat]
    first = [OBSERVATIONAL] * any(caveat.startswith(OBSERVATIONAL) for caveat in said)
    rest = [caveat.removeprefix(OBSERVATIONAL).strip() for caveat in said]
    return [*first, *dict.fromkeys(caveat for caveat in rest if caveat)]


def together(*found: Finding | Iterable[Finding]) -> Findings:
    """Findings, one by one or in groups, as one :class:`Findings`."""
    items: list[Finding] = []
    for f in found:
        items += [f] if isinstance(f, Finding) else list(f)
    return Findings(tuple(items))
