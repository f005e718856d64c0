"""Hot photosites: the same ones stand out in frame after frame, whatever the camera looks at."""

from __future__ import annotations

import math
from collections import deque

import numpy as np

from pipeline.photo.faults import Sites

WINDOW = 20
LEAST_FRAMES = 8
_SHARE = 0.8
_MOST_OF_SENSOR = 0.002


class HotTally:
    """Counts over a sequence, frame by frame, which photosites stand out again and again.

    A site is hot that stood out in four of five frames of any stretch of twenty (of the whole where it
    is shorter, but at least eight): sites may begin to glow as the sensor warms or exposures lengthen.
    Memory is bounded by the stretch.
    """

    def __init__(self) -> None:
        self._recent: deque[Sites] = deque(maxlen=WINDOW)
        self._unjudged = 0
        self._hot: Sites = np.zeros(0, np.uint32)

    def add(self, sites: Sites) -> None:
        """Take note of the sites that stood out in the next frame."""
        self._recent.append(sites)
        self._unjudged += 1
        if self._unjudged == WINDOW:
            self._judge()

    def hot(self, photosites: int) -> Sites:
        """Return the hot sites, sorted; none where they would be over 0.2 % of all `photosites`.

        So many at once are no faults of single sites but something about the picture.
        """
        if self._unjudged and len(self._recent) >= LEAST_FRAMES:
            self._judge()
        return self._hot if len(self._hot) <= _MOST_OF_SENSOR * photosites else self._hot[:0]

    def _judge(self) -> None:
        sites, counts = np.unique(np.concatenate(self._recent), return_counts=True)
        again = sites[counts >= math.ceil(_SHARE * len(self._recent))]
        self._hot, self._unjudged = np.union1d(self._hot, again), 0
