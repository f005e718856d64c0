"""Telling the exposures of a bracketed flight apart, from exposure values in order of time alone."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from pipeline.card.timeline import PAUSE_S, Times

BRACKET_SIZES = (3, 5, 7)  # exposures of one place, as cameras offer them (common practice, no source)
_WINDOW = 9  # photos whose median exposure is that of the middle of a bracket
_LEAST_STEP_EV = 0.25  # exposures nearer than this are one; cameras step by a third or more
_LEAST_TURNS = 0.85  # share of neighbours with different exposures; the rest is lost photos


def bracket_offsets(exposure_ev: Times) -> Times | None:
    """Return how far each photo (n,) is from the middle exposure of its bracket [EV], or None.

    The middle follows slow changes of the camera's own exposure. The offsets take three, five or seven
    values, each in its share of the photos, and neighbours nearly always differ; anything else is no
    bracketed flight.
    """
    if exposure_ev.size < 3 * BRACKET_SIZES[0] or not np.isfinite(exposure_ev).all():
        return None
    # at the ends the window stays whole, so that it always holds about as many of each exposure
    whole = np.median(np.lib.stride_tricks.sliding_window_view(exposure_ev, _WINDOW), axis=1)
    middle = np.pad(whole, _WINDOW // 2, mode="edge")
    offset = exposure_ev - middle
    order = np.argsort(offset)
    starts = np.flatnonzero(np.diff(offset[order], prepend=-np.inf) > _LEAST_STEP_EV)
    label = np.empty(offset.size, dtype=np.intp)
    label[order] = np.searchsorted(starts, np.arange(offset.size), side="right") - 1
    counts = np.bincount(label)
    kinds = np.flatnonzero(counts >= 0.5 * offset.size / max(len(starts), 1))
    if len(kinds) not in BRACKET_SIZES or len(kinds) != len(counts):
        return None
    if np.mean(np.diff(label) != 0) < _LEAST_TURNS:
        return None
    centres = np.array([np.median(offset[label == kind]) for kind in kinds])
    return np.asarray(centres[label])


def at_pauses(clock_s: Times) -> list[slice]:
    """Cut times in order where more than a minute passes, so that each flight is judged by itself."""
    cuts = [0, *(int(place) + 1 for place in np.flatnonzero(np.diff(clock_s) > PAUSE_S)), clock_s.size]
    return [slice(a, b) for a, b in pairwise(cuts) if b > a]


def exposures(offsets: Times) -> list[tuple[float, NDArray[np.intp]]]:
    """Return for each exposure of a bracket its offset [EV] and the places of its photos."""
    return [(float(value), np.flatnonzero(offsets == value)) for value in np.unique(offsets)]
