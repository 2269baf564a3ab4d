"""How each member tapes and writes: the hand, the units and steps, how often, and which other logs are kept."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from patchstats.units import CM_PER_INCH


@dataclass(frozen=True)
class Hand:
    """A way of writing a log: its name, unit of length, smallest step in that unit, and the measures written."""

    name: str
    unit: str
    step: float
    measures: str = "three"  # "three", "total" or "circumference"

    @property
    def step_cm(self) -> float:
        return self.step * (CM_PER_INCH if self.unit == "in" else 1.0)


# The order is the order in which members take them up; the members after the last begin again.
HANDS: tuple[Hand, ...] = (
    Hand("block", "in", 0.5),
    Hand("flat", "in", 0.25),
    Hand("german", "cm", 0.5),
    Hand("fractions", "in", 0.25),
    Hand("feet", "in", 0.5),
    Hand("sideways", "in", 0.5),
    Hand("total", "in", 0.5, "total"),
    Hand("spreadsheet", "in", 0.5),
    Hand("columns", "cm", 1.0),
    Hand("shorthand", "in", 1.0),
    Hand("ditto", "in", 0.5),
    Hand("centimetres", "cm", 1.0),
    Hand("margin", "cm", 0.5),
    Hand("french", "cm", 1.0, "circumference"),
    Hand("scribe", "in", 0.5),
)


@dataclass(frozen=True)
class Habit:
    """One member's ways."""

    hand: Hand
    every_days: int  # days between tapings, usually
    diligence: float  # chance that a planned taping happens
    first_day: int  # age of the fruit at the first taping
    soil_every: int  # days between soil readings; 0 keeps no soil log
    keeps_sizes: bool
    keeps_weather: bool
    keeps_flowers: bool
    fruit_labels: str  # "letters" or "numbers"


def habits(rng: np.random.Generator, count: int) -> list[Habit]:
    """The ways of ``count`` members."""
    out = []
    for k in range(count):
        hand = HANDS[k % len(HANDS)]
        # A log with one day a column grows wide, so its writer tapes less often.
        every = 4 if hand.name == "sideways" else int(rng.choice([1, 2, 2, 3, 4]))
        out.append(Habit(
            hand=hand,
            every_days=every,
            diligence=float(rng.uniform(0.85, 0.97)),
            first_day=int(rng.integers(8, 14)),
            soil_every=int(rng.choice([0, 1, 1, 1, 2])),
            keeps_sizes=bool(rng.random() < 0.75),
            keeps_weather=bool(rng.random() < 0.3),
            keeps_flowers=bool(rng.random() < 0.85),
            fruit_labels="letters" if rng.random() < 0.6 else "numbers",
        ))
    return out
