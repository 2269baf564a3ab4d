"""patchstats: the analysis toolkit of a giant-pumpkin growers' club. See README.md."""

# Nothing here that Python 3.6 cannot read: `python3 -m patchstats` must be able to say that a Python is too old.

import contextlib
import importlib
import os
import sys

from patchstats.launch import one_thread

__version__ = "0.1.0"

# Module -> the names it lends to the package; imported on first use, so that `import patchstats` stays quick.
_LENT = {
    "patchstats.clubbook":
        "Club ClubSettings Receipt backup blank_log corrected create_club export history open_club original "
        "read_again read_export read_settings take_back take_in verify write_settings",
    "patchstats.tape":
        "mass_from_circumference mass_from_tape over_the_top_se_cm over_the_top_total_cm percent_to_chart table_for "
        "table_from_csv tape_for_mass_cm weight_tables",
    "patchstats.ellipsoid": "check_density ellipsoid_from_tape",
    "patchstats.heat": "degree_days heat_by_day",
    "patchstats.daylight": "day_length_hours extraterrestrial_radiation_mj_m2",
    "patchstats.curvefit": "compare_curves fit_curve fit_curves",
    "patchstats.kinship": "build_pedigree inbreeding plan_crosses relationship_matrix seed_pedigree",
    "patchstats.seednames": "look_alikes read_seed_name",
    "patchstats.gains": "daily_gains left_out",
    "patchstats.stretches": "join_gains",
    "patchstats.growthpath": "growth_paths learn_path_settings",
    "patchstats.landmarks": "path_landmarks window_gains",
    "patchstats.weeks": "fastest_gain weekly_gain",
    "patchstats.lmm":
        "MixedFit ar1 bootstrap compare contrast fit_mixed influence interval marginal_means pairwise power "
        "r_squared simulate",
    "patchstats.drivers": "fit_drivers",
    "patchstats.expected": "effects_by_age expected_gain explained",
    "patchstats.seedlines": "cross_plan seed_lines",
    "patchstats.practices": "best_against_middle",
    "patchstats.calibrate": "scale_weight weighed",
    "patchstats.answers": "what_drives_gain who_did_well",
    "patchstats.waterneed":
        "reference_evapotranspiration_by_day reference_evapotranspiration_mm_fao56 "
        "reference_evapotranspiration_mm_hargreaves",
    "patchstats.patchdays": "lagged_means patch_days totals_since window_means",
    "patchstats.plantsize": "size_at size_at_set",
    "patchstats.tapers": "tape_errors tape_scatter tape_words",
    "patchstats.soilfill": "filled_days soil_against_air",
    "patchstats.robustness": "imputed leave_one_out specifications",
}
# One thread for linear algebra, unless OPENBLAS_NUM_THREADS or its like says otherwise: the problems are many and
# small, and two threads that wait for each other took up to twenty times as long. What numpy has loaded is told too.
one_thread()
if "numpy" in sys.modules and os.environ.get("OPENBLAS_NUM_THREADS") == "1":
    with contextlib.suppress(ImportError):  # slower without it, and right all the same
        importlib.import_module("threadpoolctl").threadpool_limits(limits=1, user_api="blas")

_HOMES = {name: module for module, names in _LENT.items() for name in names.split()}
_ROOMS = frozenset((
    "answers", "calibrate", "charts", "clubbook", "curves", "daylight", "desk", "drivermodels", "drivers",
    "ellipsoid", "expected", "fairness", "findings", "gains", "growthpath", "heat", "intake", "kinship",
    "landmarks", "lmm", "meeting", "pace", "patchdays", "plantsize", "practices", "ranking", "remarks",
    "robustness", "seedlines", "seednames", "soilfill", "soilheat", "stretches", "tables", "tape", "tapers",
    "tapings", "units", "waterneed", "weeks",
))

__all__ = sorted(_ROOMS.union(_HOMES))


def __getattr__(name: str):
    if name in _HOMES:
        return getattr(importlib.import_module(_HOMES[name]), name)
    if name in _ROOMS:
        return importlib.import_module("patchstats." + name)
    raise AttributeError(f"patchstats has no {name!r}")


def __dir__():
    return __all__
