"""The engine house: linear mixed models, exact and fast, with the tape's error inside. It knows no pumpkins.

Read in this order: formula (what is asked), moments (what is kept of the rows), elimination and criterion (what is
minimised), optimise (where it is least), inference (what may be said), result (the answers).
"""

from patchstats.lmm.fit import fit_mixed
from patchstats.lmm.power import power
from patchstats.lmm.result import MixedFit
from patchstats.lmm.serial import ar1
from patchstats.lmm.tape import tape

__all__ = ["MixedFit", "ar1", "fit_mixed", "power", "tape"]
