"""From the photos of a card to sequences: which belong together, in which order, with which gaps."""

from __future__ import annotations

import math
from collections import defaultdict
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from pipeline.card import brackets, timeline
from pipeline.card.draft import CardPhoto, Draft, Slot
from pipeline.card.panorama import stands_still, turns_round
from pipeline.card.sequencing import build_sequence, positions_m, tell_apart
from pipeline.measure.exposure import captured_ev
from pipeline.sequence import LeftAside, PhotoFacts, Sequence

_NEAR_NUMBERS = 20  # file numbers this close may tell the place of a photo without a time
_UNTIMED_INTERVAL_S = 1.0
_NO_PLACE = "no capture time, and its file number fits no sequence"


def assemble(photos: list[CardPhoto]) -> tuple[list[Sequence], list[LeftAside]]:
    """Group photos into sequences, in order of their start; also return those without a place.

    Photos belong together by kind, camera, lens, focal length and picture size, and by time and
    interval; folders and names serve only to order photos that time does not order, and to place those
    without a readable time.
    """
    groups: dict[tuple[object, ...], list[CardPhoto]] = defaultdict(list)
    for photo in photos:
        if photo.facts is not None:
            groups[_group_key(photo.facts)].append(photo)
    drafts: list[Draft] = []
    homeless = [photo for photo in photos if photo.facts is None]
    for group in groups.values():
        timed = [photo for photo in group if photo.clock_s is not None]
        untimed = [photo for photo in group if photo.clock_s is None]
        for stream in _streams(timed):
            drafts += _drafts(stream)
        if timed:
            homeless += untimed
        else:
            drafts += _untimed_drafts(untimed)
    # what a run of torn photos alone says of itself is not to be trusted, its names are
    homeless += [photo for draft in drafts if not draft.usable for photo in draft.photos]
    drafts = [draft for draft in drafts if draft.usable]
    homeless = _place_by_number(drafts, homeless)
    drafts = sorted(drafts, key=lambda d: (d.slots[0].clock_s, d.first.file))
    aside = [LeftAside(file=p.file, why=p.trouble or _NO_PLACE, trouble=True) for p in homeless]
    for draft in drafts:
        draft.round_view = turns_round(_attitudes(draft)) and stands_still(
            positions_m([photo.facts for photo in draft.photos])
        )
    return tell_apart([build_sequence(draft) for draft in drafts]), aside


def _attitudes(draft: Draft) -> NDArray[np.float64]:
    """Yaw and pitch of the camera [degrees] (n, 2), NaN where unknown."""
    facts = [photo.facts for photo in draft.photos]
    told = [(None, None) if f is None else (f.yaw_deg, f.pitch_deg) for f in facts]
    return np.array([[np.nan if angle is None else angle for angle in pair] for pair in told])


def _group_key(facts: PhotoFacts) -> tuple[object, ...]:
    focal = None if facts.focal_mm is None else round(facts.focal_mm, 1)
    return facts.kind, facts.camera, facts.serial, facts.lens, focal, facts.width, facts.height


def _streams(photos: list[CardPhoto]) -> list[list[CardPhoto]]:
    """Split the photos of one camera model that cannot come from one flight of one camera.

    By folder, where two such cameras flew at once: file numbers then often run backwards in order of
    time, but not within the folders. By the pattern of the names, where many photos of another pattern
    were taken at the same instant: edited versions.
    """
    by_folder: dict[str, list[CardPhoto]] = defaultdict(list)
    by_name: dict[str, list[CardPhoto]] = defaultdict(list)
    for photo in photos:
        by_folder[photo.folder].append(photo)
        by_name[photo.numbered[0] if photo.numbered else ""].append(photo)
    if len(by_folder) > 1 and _disorder(photos) > 0.2:
        parts = list(by_folder.values())
        if max(_disorder(part) for part in parts) < 0.05:
            return parts
    if len(by_name) > 1 and _versions(photos) > 0.2:
        return list(by_name.values())
    return [photos] if photos else []


def _versions(photos: list[CardPhoto]) -> float:
    """Share of steps, in order of time, between two names of one instant with one number but two patterns."""
    pairs = list(pairwise(sorted(photos, key=_by_time)))
    alike = 0
    for one, other in pairs:
        a, b = one.numbered, other.numbered
        if a is not None and b is not None and one.clock_s == other.clock_s:
            alike += a[1] == b[1] and a[0] != b[0]
    return alike / max(len(pairs), 1)


def _disorder(photos: list[CardPhoto]) -> float:
    """Share of steps, in order of time, in which the file number does not grow."""
    numbers = _numbers(sorted(photos, key=_by_time))
    if numbers is None or numbers.size < 2:
        return 0.0
    return float(np.mean(np.diff(numbers) <= 0))


def _by_time(photo: CardPhoto) -> tuple[float, int, str]:
    number = -1 if photo.numbered is None else photo.numbered[1]
    return photo.clock_s or 0.0, number, photo.file


def _numbers(photos: list[CardPhoto]) -> NDArray[np.int64] | None:
    """The continued file numbers of photos in order of time; None unless all names follow one pattern."""
    named = [photo.numbered for photo in photos]
    patterns = {(name[0], name[2]) if name is not None else None for name in named}
    if len(patterns) != 1 or None in patterns:
        return None
    numbers = np.array([name[1] for name in named if name is not None], dtype=np.int64)
    return timeline.unwrap_numbers(numbers, named[0][2] if named[0] is not None else 0)


def _drafts(photos: list[CardPhoto]) -> list[Draft]:
    """Cut the timed photos of one camera into sequences, each exposure of a bracketed flight its own."""
    photos = sorted(photos, key=_by_time)
    clock, zone_s = _clock(photos)
    drafts: list[Draft] = []
    plain: list[CardPhoto] = []
    for piece in brackets.at_pauses(clock):
        part = photos[piece]
        offsets = brackets.bracket_offsets(_exposures_ev(part))
        if offsets is None:
            plain += part
            continue
        split = brackets.exposures(offsets)
        for offset, places in split:
            for draft in _cut([part[i] for i in places]):
                draft.warnings.append(
                    f"the flight was bracketed and split into {len(split)} sequences, one for each "
                    f"exposure; this one is at {offset:+.1f} EV from the middle"
                )
                drafts.append(draft)
    if plain:
        drafts += _cut(plain)
    for draft in drafts:
        draft.zone_s = zone_s
    return drafts


def _exposures_ev(photos: list[CardPhoto]) -> NDArray[np.float64]:
    """What the exposure of each photo lets in [EV], NaN where its tags do not say."""
    known = (captured_ev(f.shutter_s, f.aperture, f.iso) for f in (p.facts for p in photos) if f is not None)
    return np.array([np.nan if ev is None else ev for ev in known], dtype=np.float64)


def _cut(photos: list[CardPhoto]) -> list[Draft]:
    """Cut photos in order of time into sequences and find the missing places."""
    clock, _ = _clock(photos)
    step = _clock_step(photos, clock)
    numbers = _numbers(photos)
    clock, wrong = timeline.mend_strangers(clock, numbers, step)
    strangers = [photos[i].file for i in wrong]
    order, jumps = timeline.order_photos(clock, numbers, step, _ways(photos))
    photos, clock = [photos[i] for i in order], clock[order]
    numbers = None if numbers is None else numbers[order]
    before = clock
    if jumps:
        clock = timeline.mend_clock(clock, jumps, step)
    drafts = []
    for piece in timeline.cut_sequences(clock, numbers, step):
        part = None if numbers is None else numbers[piece]
        draft = _draft(photos[piece], clock[piece], part, step)
        draft.warnings += [
            f"the camera's clock jumped by {_hours(before[place] - before[place - 1])} before "
            f"{photos[place].file}; later times were shifted"
            for place in jumps
            if piece.start < place < piece.stop
        ]
        files = {photo.file for photo in photos[piece]}
        draft.warnings += [
            f"{file} tells a time far from that of its neighbours; it stands where its file number belongs"
            for file in strangers
            if file in files
        ]
        drafts.append(draft)
    return drafts


def _hours(seconds: float) -> str:
    sign, whole = "-" if seconds < 0.0 else "+", abs(round(seconds))
    return f"{sign}{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def _ways(photos: list[CardPhoto]) -> timeline.Way:
    """Return what tells the way between two photos [m], worked out only where it is asked for."""

    def way_m(i: int, j: int) -> float:
        _, place = positions_m([photos[i].facts, photos[j].facts])
        return math.nan if place is None or photos[i].facts is None else math.hypot(*place)

    return way_m


def _clock(photos: list[CardPhoto]) -> tuple[NDArray[np.float64], float | None]:
    """Capture times, of UTC and with the zone where every photo names it, else as the camera showed them."""
    facts = [photo.facts for photo in photos if photo.facts is not None]
    zones = [fact.zone_s for fact in facts]
    zone_s = None if None in zones else zones[0]
    return np.array(
        [(f.clock_s or 0.0) + (f.zone_s or 0.0 if zone_s is None else 0.0) for f in facts]
    ), zone_s


def _clock_step(photos: list[CardPhoto], clock: NDArray[np.float64]) -> float:
    if np.all(clock == np.floor(clock)):
        return 1.0  # also where the fraction is always written as 00
    return max(photo.facts.clock_step_s for photo in photos if photo.facts is not None)


def _draft(
    photos: list[CardPhoto], clock: NDArray[np.float64], numbers: NDArray[np.int64] | None, step: float
) -> Draft:
    facts = next((p.facts for p in photos if p.whole and p.facts), photos[0].facts)
    assert facts is not None  # only photos with facts come here
    if len(photos) == 1:
        return Draft(facts, 0.0, [Slot(float(clock[0]), photos[0])], [])
    gaps = np.diff(clock)
    interval = timeline.first_interval(gaps, numbers, step)
    counts = np.ones(gaps.size, dtype=np.int64)
    if timeline.spread_of(gaps, interval) <= 0.25 * interval + step:  # no rhythm, no missing beat
        counts = timeline.places_between(clock, interval, step, numbers, _ways(photos))
    interval = timeline.refined_interval(gaps, counts, interval, step)
    slots = [Slot(float(clock[0]), photos[0])]
    for i, count in enumerate(counts):
        slots += [Slot(float(clock[i] + gaps[i] * k / count), None) for k in range(1, count)]
        slots.append(Slot(float(clock[i + 1]), photos[i + 1]))
    return Draft(facts, interval, slots, [])


def _untimed_drafts(photos: list[CardPhoto]) -> list[Draft]:
    """Sequences of photos without any time: by folder and file number, a number for each interval."""
    runs: dict[tuple[str, str], list[CardPhoto]] = defaultdict(list)
    for photo in photos:
        runs[photo.folder, photo.numbered[0] if photo.numbered else ""].append(photo)
    drafts = []
    for run in runs.values():
        run.sort(key=lambda photo: (photo.numbered[1] if photo.numbered else -1, photo.file))
        numbers = np.array([p.numbered[1] if p.numbered else i for i, p in enumerate(run)], dtype=np.int64)
        if np.any(np.diff(numbers) <= 0):
            numbers = np.arange(len(run), dtype=np.int64)
        clock = (numbers * _UNTIMED_INTERVAL_S).astype(np.float64)
        ends = [0, *(np.flatnonzero(np.diff(numbers) > timeline.PAUSE_INTERVALS) + 1), len(run)]
        for start, stop in pairwise(ends):
            draft = _draft(run[start:stop], clock[start:stop], None, _UNTIMED_INTERVAL_S)
            draft.timed = False
            draft.warnings.append(
                "no photo tells when it was taken: they stand in the order of their file numbers, and the "
                "interval is taken as 1 s"
            )
            drafts.append(draft)
    return drafts


def _place_by_number(drafts: list[Draft], photos: list[CardPhoto]) -> list[CardPhoto]:
    """Put photos without a time where their file numbers belong; return those that fit nowhere."""
    left: list[CardPhoto] = []
    ordered = sorted(photos, key=_by_time)
    for photo in ordered:
        if photo.numbered is None or not any(_put(draft, photo, forward=True) for draft in drafts):
            left.append(photo)
    # once more from behind, for runs of such photos before the first photo of a sequence
    left = [
        photo
        for photo in reversed(left)
        if photo.numbered is None or not any(_put(draft, photo, forward=False) for draft in drafts)
    ]
    return left[::-1]


def _put(draft: Draft, photo: CardPhoto, forward: bool) -> bool:
    """Put a photo into a missing place of the draft, or at its end (forward) or start, if it fits there."""
    if photo.kind != draft.facts.kind or photo.numbered is None:
        return False
    places = {
        _steps(photo, slot.photo): place
        for place, slot in enumerate(draft.slots)
        if slot.photo is not None and slot.photo.folder == photo.folder
    }
    places.pop(None, None)
    near = sorted((step for step in places if step is not None and abs(step) <= _NEAR_NUMBERS), key=abs)
    for step in near:
        target = places[step] + step
        if 0 <= target < len(draft.slots) and draft.slots[target].photo is None:
            draft.slots[target].photo = photo
            return True
    edge = len(draft.slots) - 1 if forward else 0
    step = 1 if forward else -1
    if places.get(step) == edge:
        slot = Slot(draft.slots[edge].clock_s + step * draft.interval_s, photo)
        draft.slots.insert(edge + 1 if forward else 0, slot)
        return True
    return False


def _steps(photo: CardPhoto, other: CardPhoto) -> int | None:
    """How many file numbers `photo` comes after `other`; None where their names differ otherwise."""
    a, b = photo.numbered, other.numbered
    if a is None or b is None or (a[0], a[2]) != (b[0], b[2]):
        return None
    return a[1] - b[1]
