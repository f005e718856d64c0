"""Order, interval, pauses and missing places of photos, from their clock times and file numbers alone.

All times are seconds of one camera's clock, which may count whole seconds only (`step_s` = 1). Pure
functions on small arrays.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

PAUSE_S = 60.0  # a pause over this, or over PAUSE_INTERVALS intervals if longer, ends a sequence
PAUSE_INTERVALS = 10.0
LONGEST_INTERVAL_S = 600.0  # photos further apart than this are single photos, however regular
ZONE_STEP_S = 900.0  # time zones differ by whole quarters of an hour
MOST_ZONE_STEPS = 104  # from UTC-12 to UTC+14
_WINDOW = 8  # photos on each side of a place that tell its local interval

Times = NDArray[np.float64]
Way = Callable[[int, int], float]  # metres between the photos of two places; NaN where unknown


def unknown_way(i: int, j: int) -> float:
    """Return what is known of a way without positions."""
    return np.nan


def file_number(stem: str) -> tuple[str, int, int] | None:
    """Split a file's stem into its pattern, its number and how many digits that has.

    The number is the last run of digits, a copy's mark such as "(1)" aside; other digits (a time stamp)
    become "#" in the pattern, so that all files of one camera share it. None where there is no digit.
    """
    plain = re.sub(r"[\s_-]*(\(\d+\)|copy)$", "", stem, flags=re.IGNORECASE)
    match = re.fullmatch(r"(.*?)(\d+)(\D*)", plain)
    if match is None:
        return None
    pattern = re.sub(r"\d+", "#", match[1]) + "|" + match[3]
    return pattern.lower(), int(match[2]), len(match[2])


def unwrap_numbers(numbers: NDArray[np.int64], digits: int) -> NDArray[np.int64]:
    """Continue file numbers that start again after 9999 (for 4 digits), given in order of time.

    Counters go on with 0001 or with 0000; both become 10000, so that a step of 1 means the next photo.
    """
    counts = 10**digits if bool(np.any(numbers == 0)) else 10**digits - 1
    jumps = np.diff(numbers, prepend=numbers[:1])
    turns = np.cumsum((jumps < -counts // 2).astype(np.int64) - (jumps > counts // 2).astype(np.int64))
    continued: NDArray[np.int64] = numbers + turns * counts
    return continued


def interval_of(gaps_s: Times, step_s: float) -> float:
    """Estimate the interval [s] from the gaps between photos, some of which may be missing.

    The mean of the gaps that agree with the median within a quarter or the clock's step, so 2, 2, 2, 3
    of a whole-second clock become 2.25 and not 2. Needs at least one gap.
    """
    centre = float(np.median(gaps_s))
    for _ in range(2):
        near = np.abs(gaps_s - centre) <= max(step_s, 0.25 * centre) + 1e-9
        if not near.any():
            break
        centre = float(gaps_s[near].mean())
    return centre if centre > 0.0 else max(step_s, 1e-3)


def spread_of(gaps_s: Times, interval_s: float) -> float:
    """Return the robust standard deviation [s] of gaps about the interval: 1.4826 times the MAD."""
    return float(1.4826 * np.median(np.abs(gaps_s - interval_s))) if gaps_s.size else 0.0


def _regular_interval(gaps_s: Times, step_s: float) -> float | None:
    """The interval of a few gaps, or None where they show no rhythm."""
    if gaps_s.size < 3:
        return None
    interval = interval_of(gaps_s, step_s)
    regular = spread_of(gaps_s, interval) <= 0.25 * interval + step_s and interval <= LONGEST_INTERVAL_S
    return interval if regular else None


def order_photos(
    clock_s: Times, numbers: NDArray[np.int64] | None, step_s: float, way_m: Way = unknown_way
) -> tuple[NDArray[np.intp], list[int]]:
    """Return the order in which the photos were made, and the places in it before which the clock jumped.

    That is the order of time, and of file numbers within one instant. Where consecutive numbers show
    that the clock was changed in flight (at most three times), it is the order of the numbers.
    `numbers` must have been continued by `unwrap_numbers`; `way_m` tells the way between two photos.
    """
    if numbers is None:
        return np.argsort(clock_s, kind="stable"), []
    by_time = np.lexsort((numbers, clock_s))
    if np.unique(numbers).size < numbers.size:
        return by_time, []
    by_number = np.argsort(numbers, kind="stable")
    gaps, steps = np.diff(clock_s[by_number]), np.diff(numbers[by_number])

    def travel(i: int) -> float:
        return relative_way(lambda a, b: way_m(int(by_number[a]), int(by_number[b])), i, gaps.size)

    jumps = [
        int(i) + 1
        for i in np.flatnonzero(((gaps < 0.0) | (gaps > PAUSE_S)) & (steps == 1))
        if _flight_goes_on(gaps, int(i), step_s) and not travel(int(i)) > 3.0
    ]
    backwards = np.flatnonzero(gaps < 0.0) + 1
    if 0 < len(jumps) <= 3 and set(backwards.tolist()) <= set(jumps):
        return by_number, jumps
    return by_time, []


def relative_way(way_m: Way, i: int, gaps: int) -> float:
    """Return the way flown in gap `i` over the usual one around it; NaN where positions do not tell.

    A usual way under half a metre is lost in the receiver's noise and tells nothing.
    """
    around = [k for k in range(i - _WINDOW // 2, i + _WINDOW // 2 + 1) if 0 <= k < gaps and k != i]
    usual = float(np.median([way_m(k, k + 1) for k in around])) if around else np.nan
    return way_m(i, i + 1) / usual if usual > 0.5 else np.nan


def _flight_goes_on(gaps: Times, i: int, step_s: float) -> bool:
    """Whether gap `i` may be a change of the clock in flight: the rhythm is the same before and after,
    and the clock went back, or forward by whole quarters of an hour (time zones)."""
    sides = [side[side >= 0.0] for side in (gaps[max(0, i - _WINDOW) : i], gaps[i + 1 : i + 1 + _WINDOW])]
    length = min(side.size for side in sides)
    if not length:
        return False
    interval, other = (interval_of(side, step_s) for side in sides)
    if abs(interval - other) > 0.1 * interval + 2.0 * step_s / length:
        return False
    if gaps[i] < 0.0:
        return True
    quarters = round((gaps[i] - interval) / ZONE_STEP_S)
    off = abs(gaps[i] - interval - quarters * ZONE_STEP_S)
    return bool(1 <= quarters <= MOST_ZONE_STEPS and off <= step_s + 0.3 * interval)


def mend_strangers(
    clock_s: Times, numbers: NDArray[np.int64] | None, step_s: float
) -> tuple[Times, list[int]]:
    """Give photos that tell a wholly wrong time the one that their file numbers tell; also return which.

    Such photos, at most eight in a row, lie by their consecutive numbers between two that are as far apart
    in time as their number asks, and over a minute outside of the time between these. `numbers` must have
    been continued by `unwrap_numbers`.
    """
    if numbers is None or np.unique(numbers).size < numbers.size:
        return clock_s, []
    order = np.argsort(numbers, kind="stable")
    told, steps = clock_s[order], np.diff(numbers[order])
    gaps = np.diff(told)
    strangers: list[int] = []
    for i, j in pairwise(np.flatnonzero(np.abs(gaps) > PAUSE_S).tolist()):
        count = j - i  # photos between gaps i and j, counted from 1 after photo i
        before, after, inner = told[i], told[j + 1], told[i + 1 : j + 1]
        around = np.concatenate((gaps[max(0, i - _WINDOW) : i], gaps[j + 1 : j + 1 + _WINDOW]))
        around = around[(around >= 0.0) & (around <= PAUSE_S)]
        if count > _WINDOW or not around.size or np.any(steps[i : j + 1] != 1):
            continue
        usual = (count + 1) * interval_of(around, step_s)
        outside = (inner < before - PAUSE_S) | (inner > after + PAUSE_S)
        if abs(after - before - usual) <= 0.5 * usual + step_s and outside.all():
            told[i + 1 : j + 1] = np.linspace(before, after, count + 2)[1:-1]
            strangers += range(i + 1, j + 1)
    mended = clock_s.copy()
    mended[order] = told
    return mended, [int(place) for place in order[strangers]]


def mend_clock(clock_s: Times, jumps: list[int], step_s: float) -> Times:
    """Shift the times after each place where the clock jumped, as if one interval had passed."""
    gaps = np.diff(clock_s)
    for place in jumps:
        around = np.concatenate(
            (gaps[max(0, place - 1 - _WINDOW) : place - 1], gaps[place : place + _WINDOW])
        )
        around = around[(around >= 0.0) & (around <= PAUSE_S)]
        gaps[place - 1] = interval_of(around, step_s) if around.size else step_s
    return np.concatenate((clock_s[:1], clock_s[0] + np.cumsum(gaps)))


def cut_sequences(clock_s: Times, numbers: NDArray[np.int64] | None, step_s: float) -> list[slice]:
    """Cut the ordered photos at pauses and where the interval changes for good."""
    gaps = np.diff(clock_s)
    cuts = [0]
    for i in np.flatnonzero((gaps > PAUSE_S) | (gaps < 0.0)):
        sides = (
            _regular_interval(gaps[max(0, i - _WINDOW) : i], step_s),
            _regular_interval(gaps[i + 1 : i + 1 + _WINDOW], step_s),
        )
        longest = max(PAUSE_S, PAUSE_INTERVALS * min((s for s in sides if s is not None), default=0.0))
        if not 0.0 <= gaps[i] <= longest:
            cuts.append(int(i) + 1)
    cuts.append(clock_s.size)
    pieces: list[slice] = []
    for start, stop in pairwise(cuts):
        inner = _interval_changes(gaps[start : stop - 1], _rates(gaps, numbers, start, stop), step_s)
        ends = [start, *(start + place for place in inner), stop]
        for a, b in pairwise(ends):
            pieces += _without_loose_ends(gaps, numbers, a, b, step_s)
    return pieces


def _without_loose_ends(
    gaps: Times, numbers: NDArray[np.int64] | None, start: int, stop: int, step_s: float
) -> list[slice]:
    """Cut off the single shots before and after a flight: few, out of its rhythm, and a pause away.

    Consecutive numbers across the pause say that nothing was lost in it; without numbers it must be
    longer.
    """
    inner = gaps[start : stop - 1]
    if inner.size < 2 * _WINDOW:
        return [slice(start, stop)]
    interval = interval_of(inner, step_s)
    steps = np.full(inner.size, 0) if numbers is None else np.diff(numbers[start:stop])
    pause = ((steps == 1) & (inner > 3.0 * interval + step_s)) | (
        (steps == 0) & (inner > 5.0 * interval + step_s)
    )
    rhythm = np.abs(inner - interval) <= 0.25 * interval + 0.5 * step_s
    head, tail = 0, inner.size
    for i in np.flatnonzero(pause):
        if i < _WINDOW and np.count_nonzero(rhythm[:i]) * 2 <= i:
            head = int(i) + 1
        if i >= inner.size - _WINDOW and np.count_nonzero(rhythm[i + 1 :]) * 2 <= inner.size - i - 1:
            tail = min(tail, int(i))
    ends = sorted({start, start + head, start + tail + 1, stop})
    return [slice(a, b) for a, b in pairwise(ends)]


def _rates(gaps: Times, numbers: NDArray[np.int64] | None, start: int, stop: int) -> Times:
    """Seconds per file number, so that lost photos do not look like another interval."""
    part = gaps[start : stop - 1]
    if numbers is None:
        return part
    steps = np.diff(numbers[start:stop])
    return part / np.where((steps >= 1) & (steps <= 5), steps, 1)


def _interval_changes(gaps: Times, rates: Times, step_s: float) -> list[int]:
    """Places (index of the photo that begins the new rhythm) where the interval changes by 1.4 or more."""
    if gaps.size < 2 * _WINDOW:
        return []
    likely = _medians_differ(gaps) & _medians_differ(rates)
    places: list[int] = []
    i = _WINDOW
    while i <= gaps.size - _WINDOW:
        windows = ((values[i - _WINDOW : i], values[i : i + _WINDOW]) for values in (gaps, rates))
        if likely[i - _WINDOW] and all(_differs(before, after, step_s) for before, after in windows):
            old, new = (interval_of(side, step_s) for side in (gaps[i - _WINDOW : i], gaps[i : i + _WINDOW]))
            # the turn lies where most gaps on either side keep to their rhythm
            near = range(i - 2, min(i + _WINDOW // 2, gaps.size) + 1)
            i = max(
                near,
                key=lambda k: _in_rhythm(gaps[k - _WINDOW : k], old) + _in_rhythm(gaps[k : k + _WINDOW], new),
            )
            places.append(i + 1)
            i += _WINDOW
        else:
            i += 1
    return places


def _medians_differ(values: Times) -> NDArray[np.bool_]:
    """Whether the medians of the windows before and after each place, from `_WINDOW` on, differ by a fifth.

    The usual answer, no, is had for all places of a card at once.
    """
    medians = np.median(np.lib.stride_tricks.sliding_window_view(values, _WINDOW), axis=1)
    before, after = medians[:-_WINDOW], medians[_WINDOW:]
    return np.asarray(np.maximum(before, after) >= 1.2 * np.minimum(before, after))


def _in_rhythm(gaps: Times, interval_s: float) -> int:
    return int(np.count_nonzero(np.abs(gaps - interval_s) <= 0.25 * interval_s))


def _differs(before: Times, after: Times, step_s: float) -> bool:
    a, b = _regular_interval(before, step_s), _regular_interval(after, step_s)
    if a is None or b is None:
        return False
    # a whole-second clock makes window means uncertain by its step over their length
    return abs(a - b) > 0.4 * min(a, b) + 2.0 * step_s / _WINDOW


def places_between(
    clock_s: Times,
    interval_s: float,
    step_s: float,
    numbers: NDArray[np.int64] | None,
    way_m: Way = unknown_way,
) -> NDArray[np.int64]:
    """Count the intervals that each gap between neighbouring photos stands for (1: none missing).

    Where the clock is coarse a gap is measured between the rhythms of eight photos before and after it,
    which evens out whole seconds; without numbers that needs an interval of at least two steps of the
    clock. `numbers` are the continued file numbers: they decide where the gap allows it, and consecutive
    ones across a gap under 2.5 intervals mean that the camera was late, not that a photo is missing.
    `way_m` tells the way between two photos: consecutive numbers and no longer way than usual mean a
    hover or a stepped clock.
    """
    gaps = np.diff(clock_s)
    ratios = gaps / interval_s
    steps = np.zeros(gaps.size, dtype=np.int64) if numbers is None else np.diff(numbers)
    doubtful = np.flatnonzero((ratios > 1.5) | ((ratios > 1.3) & (steps > 1)))
    sure = gaps > interval_s + max(step_s, 0.5 * interval_s)
    counts = np.where(sure, np.floor(ratios + 0.5), 1.0).astype(np.int64)
    window = _WINDOW if step_s > 0.2 * interval_s else 2
    for _ in range(3):  # the rhythm around one gap depends on what was decided about its neighbours
        places = np.concatenate(([0], np.cumsum(counts)))
        phases = clock_s - places * interval_s
        for i in doubtful:
            before, after = phases[max(0, i + 1 - window) : i + 1], phases[i + 1 : i + 1 + window]
            ratio = counts[i] + float(after.mean() - before.mean()) / interval_s
            count = max(1, int(np.floor(ratio + 0.5)))
            if steps[i] == 1:
                stayed = relative_way(way_m, int(i), gaps.size) < 1.5
                count = 1 if ratio < 2.5 or stayed else count
            elif steps[i] > 1 and abs(gaps[i] - steps[i] * interval_s) <= step_s + 0.3 * interval_s:
                count = int(steps[i])
            counts[i] = count
    return counts


def first_interval(gaps_s: Times, numbers: NDArray[np.int64] | None, step_s: float) -> float:
    """Estimate the interval [s] from the gaps between which, by the file numbers, none is missing."""
    if numbers is None:
        return interval_of(gaps_s, step_s)
    steps = np.diff(numbers)
    values, times = np.unique(steps, return_counts=True)
    return interval_of(gaps_s[steps == values[np.argmax(times)]], step_s)


def refined_interval(gaps_s: Times, counts: NDArray[np.int64], interval_s: float, step_s: float) -> float:
    """Return the mean interval [s] over all gaps that are whole multiples of the first estimate."""
    good = np.abs(gaps_s - counts * interval_s) <= 0.5 * interval_s + step_s
    if not good.any() or gaps_s[good].sum() <= 0.0:
        return interval_s
    return float(gaps_s[good].sum() / counts[good].sum())
