"""The invented club: a documented model with a seed that makes members, seasons, logs and the truth behind them.

Analysis code never imports this package; only tests, notes and the building of the demo club do.
"""

from __future__ import annotations

from patchstats.demo.model import DEMO_SEED, MODEL, Model, truth
from patchstats.demo.simulate import DemoClub, simulate
from patchstats.demo.write import Written, compose, settings_text, write_club, write_logs

__all__ = ["DEMO_SEED", "MODEL", "DemoClub", "Model", "Written", "compose", "settings_text", "simulate", "truth",
           "write_club", "write_logs"]
