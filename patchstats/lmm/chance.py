"""The few quantiles and chances that inference needs, straight from scipy's special functions.

They are what ``scipy.stats`` gives, but that takes most of a second to import, in every process that a fit is sent to.
"""

from __future__ import annotations

import numpy as np
from scipy import special


def normal_quantile(share):
    """Below which a standard normal number lies with chance ``share``."""
    return special.ndtri(share)


def t_quantile(share, df):
    """The same for Student's t with ``df`` degrees of freedom, infinitely many allowed."""
    return special.stdtrit(df, share)


def t_beyond(size, df):
    """Chance that Student's t lies further from zero than ``size``, either way."""
    return 2.0 * special.stdtr(df, -np.abs(size))


def chi2_above(value: float, df: float) -> float:
    """Chance that chi-squared lies above ``value`` (one where rounding has put that below zero)."""
    return float(special.chdtrc(df, max(value, 0.0)))


def f_above(value: float, df: float, df_below: float) -> float:
    """Chance that Fisher's F with ``df`` and ``df_below`` degrees of freedom lies above ``value``."""
    return float(special.fdtrc(df, df_below, value))
