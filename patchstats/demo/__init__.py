"""The invented club: a documented model with a seed that makes members, seasons, logs and the truth behind them.

Analysis code never imports this package; only tests, notes and the building of the demo club do.
"""

from __future__ import annotations

from patchstats.demo.model import DEMO_SEED, MODEL, Model, truth
from patchstats.demo.simulate import DemoClub, simulate

__all__ = ["DEMO_SEED", "MODEL", "DemoClub", "Model", "simulate", "truth"]
