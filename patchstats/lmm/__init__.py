"""The engine house: linear mixed models, exact and fast, with the tape's error inside. It knows no pumpkins.

Read in this order: formula (what is asked), moments (what is kept of the rows), elimination and criterion (what is
minimised), optimise (where it is least), inference (what may be said), result (the answers).

What it does not do
-------------------
* Responses that are counts, yes or no, or times to an end: Gaussian responses only.
* Intervals of ``coef``, ``levels`` and ``predict`` take the variances as known once estimated (Satterthwaite's and
  Kenward and Roger's degrees of freedom soften this for fixed effects). With few levels trust ``interval`` with
  ``method="profile"`` or ``"bootstrap"`` more. Wald intervals of spreads say nothing at zero.
* Kenward and Roger's adjustment: REML, independent errors, up to 2,500 levels.
* Serial and tape errors need all rows of a series in one level of every group; they do not combine with one another.
  The spread that follows fitted values is fitted by turns, so its likelihood is that of the last turn.
* Two crossed factors may together leave at most 6,000 levels beside the largest one; beyond that a model is refused.
  Nested factors have no such bound.
* Shifts of very many levels are quick, their standard errors are not: about a second for 3,500 shifts among 4,600.
* Data in pieces: independent errors only; splines learn their knots from the first piece unless they are named.
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
