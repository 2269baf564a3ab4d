"""patchstats: the analysis toolkit of a giant-pumpkin growers' club. See README.md."""

# Nothing here that Python 3.6 cannot read: `python3 -m patchstats` must be able to say that a Python is too old.

import importlib

__version__ = "0.1.0"

# name -> module that holds it; imported on first use, so that `import patchstats` stays quick.
_HOMES: "dict[str, str]" = {}
_ROOMS = ("units", "remarks", "tables")

__all__ = sorted([*_HOMES, *_ROOMS])


def __getattr__(name: str):
    if name in _HOMES:
        return getattr(importlib.import_module(_HOMES[name]), name)
    if name in _ROOMS:
        return importlib.import_module(f"patchstats.{name}")
    raise AttributeError(f"patchstats has no {name!r}")


def __dir__():
    return __all__
