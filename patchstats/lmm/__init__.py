"""The engine house: linear mixed models, exact and fast, with the tape's error inside. It knows no pumpkins.

Read in this order: formula (what is asked), moments (what is kept of the rows), elimination and criterion (what is
minimised), optimise (where it is least), inference (what may be said), result (the answers).

What it does not do
-------------------

**Models.**

* Responses that are counts, yes or no, or times to an end: one response of numbers at a time, with normal errors.
* Errors of a row are independent, AR(1) in time, those of a tape, or spread as a power of a column or of the fitted
  value: one of these at a time. Tape errors together with AR(1) or with a growing spread are not offered, nor are
  moving averages (ARMA), correlations that fall with distance (nlme's corExp) or have no set form (corSymm), or a
  spread of its own for each group (varIdent).
* AR(1) has one phi for all series. Where gaps are fractions of a unit phi is taken to be above zero.
* AR(1) and tape errors need all rows of a series in one level of every group.
* A spread that follows the fitted values is fitted by turns; its likelihood, and profiles of it, are those of the last
  turn. A spread that follows a column is exact.
* Columns of one random term are correlated freely or, with ``||``, not at all; terms are independent of one another.
* Rows with a gap in a column used are left out and counted. That is fair only where the gap does not hang on what the
  row would have said.
* Weights say how precise a row is, not how often it was seen.

**Answers.**

* What goes with gain need not cause it; errors in the explaining columns pull their effects towards zero.
* Intervals of ``coef``, ``levels`` and ``predict`` take the variances as known once estimated. Satterthwaite's and
  Kenward and Roger's degrees of freedom make up for it in fixed effects, not in ``levels`` and ``predict``. A variance
  at zero counts there as known to be zero.
* Kenward and Roger's adjustment: REML, independent errors, up to 2,500 levels in all groups together.
* Wald intervals of spreads say nothing at zero and little with few levels: trust ``interval`` with
  ``method="profile"`` or ``"bootstrap"`` more. The bootstrap's intervals are plain percentiles.
* A likelihood-ratio test of a variance knows its edge where one random column is added; for anything more use
  ``compare`` with ``method="bootstrap"``. Its usual p for fixed effects is far too hopeful with few levels.
* Conditional AIC and the leverage of rows: independent errors only, variances taken as known.
* Marginal means hold number columns at their mean; of a curve that is the height at the mean, not the mean height.

**Sizes.**

* Crossed factors may leave at most 6,000 levels beside the largest one; beyond that a model is refused with advice.
  Their cost grows with the cube: a thousand take seconds, six thousand many minutes. Nested factors have no bound.
* Shifts of very many levels are quick, their standard errors are not: about a second for 3,500 shifts among 4,600.
* Data in pieces: independent errors only, no residuals, influence or bootstrap; factors learn their levels and splines
  their knots from the first piece, unless ``pilot`` or the formula names them.
* AR(1) is quick where gaps are few distinct numbers, such as whole days; with hours and minutes its cost grows faster
  than the rows.
"""

from patchstats.lmm.compare import compare, conditional_aic, effective_parameters, r_squared
from patchstats.lmm.contrasts import coef_table, contrast, f_test, marginal_means, pairwise, term_tests
from patchstats.lmm.fit import fit_mixed
from patchstats.lmm.influence import influence, leverage
from patchstats.lmm.intervals import bootstrap, interval
from patchstats.lmm.power import power
from patchstats.lmm.recovery import recovery
from patchstats.lmm.refit import hold, refit, simulate
from patchstats.lmm.result import MixedFit
from patchstats.lmm.serial import ar1
from patchstats.lmm.tape import tape

__all__ = [
    "MixedFit", "ar1", "bootstrap", "coef_table", "compare", "conditional_aic", "contrast", "effective_parameters",
    "f_test", "fit_mixed", "hold", "influence", "interval", "leverage", "marginal_means", "pairwise", "power",
    "r_squared", "recovery", "refit", "simulate", "tape", "term_tests"]
