"""The lists that the club's secretary keeps: members, patches, the seed box, and each season's weigh-off results."""

from __future__ import annotations

import numpy as np
import pandas as pd

from patchstats.demo.dialects import Dialect, Page
from patchstats.demo.growth import mass_of_inches
from patchstats.demo.names import CLUB
from patchstats.units import M2_PER_SQFT, cm_to_inches, kg_to_lb

PLAIN = Dialect()


def pages(tables: dict[str, pd.DataFrame]) -> list[Page]:
    """Every list of the secretary."""
    years = sorted(set(tables["fruits"]["season"]))
    return [_members(tables), _patches(tables), _seeds(tables), *(_weigh_off(tables, int(year)) for year in years)]


def _members(tables: dict[str, pd.DataFrame]) -> Page:
    page = Page("club members.csv", PLAIN)
    page.add("Grower")
    page.rows((name,) for name in tables["growers"]["grower"])
    return page


def _patches(tables: dict[str, pd.DataFrame]) -> Page:
    page = Page("club patches.csv", PLAIN)
    page.add("Grower", "Patch", "Latitude", "Area (sq ft)", "Soil heated")
    for row in tables["patches"].itertuples():
        page.add(row.grower, row.patch.rsplit("/", 1)[-1], PLAIN.number(row.latitude_deg),
                 PLAIN.number(row.area_m2 / M2_PER_SQFT, 0), "yes" if row.soil_heated else "no")
    return page


def _seeds(tables: dict[str, pd.DataFrame]) -> Page:
    page = Page("club seed box.csv", PLAIN)
    page.add("Seed", "Seed parent", "Pollen parent", "Stock")
    page.rows((row.seed, row.seed_parent, row.pollen_parent, row.stock) for row in tables["seeds"].itertuples())
    return page


def _weigh_off(tables: dict[str, pd.DataFrame], year: int) -> Page:
    page = Page(f"club weigh-off {year}.csv", PLAIN)
    page.text(f"{CLUB}: weigh-off results {year}")
    page.add("Place", "Date", "Site", "Grower", "Season", "Fruit", "Class", "Seed", "OTT (in)", "Chart (lb)",
             "Scale weight (lb)", "% to chart", "Status")
    results = tables["weighings"].merge(tables["fruits"][["fruit", "grower", "season", "seed"]], on="fruit")
    results = results[results["season"] == year].sort_values("scale_kg", ascending=False, kind="stable")
    for place, row in enumerate(results.itertuples(), 1):
        inches = float(cm_to_inches(row.over_the_top_cm))
        chart = float(kg_to_lb(mass_of_inches(inches)))
        pounds = np.rint(2.0 * kg_to_lb(row.scale_kg)) / 2.0
        page.add(place, PLAIN.date(row.date.date()), row.site, row.grower, year, row.fruit.rsplit("/", 1)[-1],
                 "pumpkin", row.seed,
                 PLAIN.number(inches, 1), f"{chart:.0f}", PLAIN.number(pounds, 1),
                 f"{100.0 * (pounds / chart - 1.0):+.0f}", row.status)
    return page
