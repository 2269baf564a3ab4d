"""The engine house: linear mixed models, exact and fast, with the tape's error inside. It knows no pumpkins.

Read in this order: formula (what is asked), moments (what is kept of the rows), elimination and criterion (what is
minimised), optimise (where it is least), inference (what may be said), result (the answers).
"""

from patchstats.lmm.compare import compare, conditional_aic, effective_parameters, r_squared
from patchstats.lmm.contrasts import coef_table, contrast, f_test, marginal_means, pairwise, term_tests
from patchstats.lmm.fit import fit_mixed
from patchstats.lmm.influence import influence, leverage
from patchstats.lmm.intervals import bootstrap, interval
from patchstats.lmm.power import power
from patchstats.lmm.refit import hold, refit, simulate
from patchstats.lmm.result import MixedFit
from patchstats.lmm.serial import ar1
from patchstats.lmm.tape import tape

__all__ = [
    "MixedFit", "ar1", "bootstrap", "coef_table", "compare", "conditional_aic", "contrast", "effective_parameters",
    "f_test", "fit_mixed", "hold", "influence", "interval", "leverage", "marginal_means", "pairwise", "power",
    "r_squared", "refit", "simulate", "tape", "term_tests"]
