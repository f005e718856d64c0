"""What a measured departure most probably is, given how uncertain it is itself."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.measure.robust import robust_sigma

Floats = NDArray[np.float64]

_OUTLIER_SIGMA = 4.5
_SURE = 0.2
_LEAST = 8


def most_probable(departure: Floats, sigma: Floats) -> Floats:
    """Return the most probable true departures (n,) of measured ones with standard errors `sigma` (n,).

    Departures are taken as normal about zero, as wide as what is seen beyond the errors (empirical Bayes;
    Efron & Morris, J. Am. Stat. Assoc. 68, 1973): where noise dominates, little is left to correct, and
    correcting it is no worse than doing nothing. Where the error is under a fifth of the departures
    nothing changes, nor where fewer than 8 are known, which tell no width. What stands beyond 4.5 sigma of
    departures and errors together is an outlier, and the measure is believed. NaN stays NaN; an unknown
    standard error counts as none.
    """
    known = np.isfinite(departure)
    if np.count_nonzero(known) < _LEAST:
        return departure
    noise = np.nan_to_num(sigma) ** 2
    # The robust variance of n normal samples is told to 2.33 / sqrt(n) of itself: only what is surely
    # beyond the errors counts.
    surely = 1.0 + 3.0 * 2.33 / np.sqrt(np.count_nonzero(known))
    width = max(robust_sigma(departure[known]) ** 2 - surely * float(np.median(noise[known])), 1e-12)
    own = width + np.maximum(departure**2 - _OUTLIER_SIGMA**2 * (width + noise), 0.0)
    return np.where(noise < _SURE**2 * own, departure, departure * (own / (own + noise)))
