"""The invented club in whole: people, seasons, and the clean tables that perfectly read logs would give."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date

import numpy as np
import pandas as pd

from patchstats.demo import clean, names, pedigree, season
from patchstats.demo.habits import Habit, habits
from patchstats.demo.model import DEMO_SEED, MODEL, Model
from patchstats.demo.model import truth as truth_of
from patchstats.remarks import PatchstatsError
from patchstats.units import M2_PER_SQFT

SEASONS = tuple(range(2019, 2025))
MEMBERS = 34


@dataclass(frozen=True)
class DemoClub:
    """An invented club: clean ``tables`` as if every log were perfectly read, and the ``truth`` behind them.

    ``latent`` holds what no log can show: ``fruits``, the true shifts of every fruit (table); ``mass_kg``,
    ``gain_kg_day`` and ``soil_c`` (a row a fruit, a column a day of age); ``relationship`` between the seed lines.
    ``habits`` says how each member writes.
    """

    name: str
    seed: int
    seasons: tuple[int, ...]
    weigh_off: dict[int, date]
    tables: dict[str, pd.DataFrame] = field(repr=False)
    truth: dict = field(repr=False)
    habits: dict[str, Habit] = field(repr=False)
    latent: dict = field(repr=False)


def simulate(seed: int = DEMO_SEED, *, members: int = MEMBERS, seasons: int | Sequence[int] = SEASONS,
             model: Model = MODEL) -> DemoClub:
    """An invented club from a seed: the same seed gives the same club.

    ``seasons`` is a list of years, or how many years from 2019 on. See :mod:`patchstats.demo.model` for the model.
    """
    years = tuple(range(2019, 2019 + seasons)) if isinstance(seasons, int) else tuple(seasons)
    if not years or list(years) != sorted(set(years)):
        raise PatchstatsError("The seasons of the invented club must be years in rising order, such as (2019, 2020).")
    # One stream of random numbers a subject, so that a change in one leaves the others as they were.
    people_rng, habit_rng, seed_rng, log_rng, *year_rngs = (
        np.random.Generator(np.random.PCG64(s)) for s in np.random.SeedSequence(seed).spawn(4 + len(years)))
    people, ground = _people(people_rng, model, names.members(members))
    ways = habits(habit_rng, members)
    box = pedigree.SeedBox(seed_rng)
    pedigree.founders(box, [names.surname(m) for m in people.members], years[0])
    lived = [season.live_through(rng, model, people, box, year)
             for rng, year in zip(year_rngs, years, strict=True)]
    tables, fruits = clean.tables(log_rng, model, people, ground, ways, box, lived)
    return DemoClub(
        name=names.CLUB,
        seed=seed,
        seasons=years,
        weigh_off={year: season.weigh_off_dates(year)[0] for year in years},
        tables=tables,
        truth=truth_of(model),
        habits=dict(zip(people.members, ways, strict=True)),
        latent={"fruits": fruits, "mass_kg": np.concatenate([s.mass_kg for s in lived]),
                "gain_kg_day": np.concatenate([s.gain_kg_day for s in lived]),
                "soil_c": np.concatenate([s.soil_c for s in lived]),
                "relationship": pd.DataFrame(box.relationship(), index=box.names, columns=box.names)},
    )


def _people(rng: np.random.Generator, model: Model, members: list[str]) -> tuple[season.People, pd.DataFrame]:
    n = len(members)
    skill, other, heavy, early = rng.normal(size=(4, n))
    size = model.skill_and_size * skill + np.sqrt(1.0 - model.skill_and_size**2) * other
    two = rng.random(n) < 0.2
    member = np.repeat(np.arange(n), 1 + two)
    second = np.concatenate([[False], member[1:] == member[:-1]])
    label = ["lower field" if s else "home" for s in second]
    patches = len(member)
    heated = rng.random(patches) < 0.18
    people = season.People(
        members=members, skill_percent=model.grower_sd * skill, heavy=heavy,
        usual_secondaries=model.secondaries_mid + model.secondaries_grower_sd * size, earliness=1.5 * early,
        patch_member=member, patch_label=label, patch_lean_c=rng.normal(-0.3, 1.2, patches), patch_heated=heated)
    ground = pd.DataFrame({
        "patch": [f"{members[m]}/{text}" for m, text in zip(member, label, strict=True)],
        "grower": [members[m] for m in member],
        "latitude_deg": np.round(rng.uniform(45.9, 46.4, n)[member] + 0.02 * second, 2),
        "area_m2": np.rint(rng.uniform(100.0, 450.0, patches)) * 10.0 * M2_PER_SQFT,
        "soil_heated": heated,
    })
    return people, ground
