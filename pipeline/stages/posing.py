"""The poses that pairs allow, found beside the measuring.

Finding them holds the interpreter, measuring hardly does. So a worker that finds poses while another measures
costs it nothing, but several that find poses hinder one another.
"""

from __future__ import annotations

from concurrent.futures import Executor, Future
from dataclasses import dataclass

from pipeline.corrections import LensDistortion
from pipeline.geometry.lens import Lens, lens_of
from pipeline.geometry.pose import Pose
from pipeline.measure.look import PairFigures
from pipeline.measure.turning import MATCH_NOISE_PX, poses_of, straightened
from pipeline.sequence import Frame, Sequence


@dataclass(frozen=True)
class Sight:
    """What poses are found with: focal length and size of the photos in px, and their lens, where known."""

    focal_px: float
    size: tuple[int, int]
    lens: Lens | None

    @property
    def noise_px(self) -> float:
        """Standard deviation of a matched feature's place."""
        return MATCH_NOISE_PX * max(1.0, max(self.size) / 1000.0)


class PosesBegun:
    """Poses that the workers find as soon as a pair is measured, where a tag tells the focal length.

    Where none does it is found from all pairs, and their poses only then.
    """

    def __init__(self, sequence: Sequence, lens: LensDistortion | None, executor: Executor) -> None:
        size = (sequence.width, sequence.height)
        self._sight = None if sequence.focal_px is None else Sight(sequence.focal_px, size, lens_of(lens))
        self._frames, self._executor = sequence.frames, executor
        self._found: dict[tuple[int, int], Future[list[Pose]]] = {}

    def begin(self, pair: PairFigures) -> None:
        """Have a worker find the poses of a pair."""
        if self._sight is not None:
            self._found[pair.i, pair.j] = self._executor.submit(_poses, pair, self._frames, self._sight)

    def known(self, sight: Sight) -> dict[tuple[int, int], Future[list[Pose]]]:
        """Return the poses begun with, by the frames of their pair; none where the camera sees otherwise."""
        return self._found if self._sight == sight else {}


def poses_of_all(
    pairs: list[PairFigures], frames: tuple[Frame, ...], sight: Sight, begun: PosesBegun | None
) -> list[list[Pose]]:
    """Return the poses of each of the straight `pairs`: those `begun` with, and the others found now."""
    known = {} if begun is None else begun.known(sight)
    return [
        known[pair.i, pair.j].result()
        if (pair.i, pair.j) in known
        else poses_of(pair, frames, sight.focal_px, sight.size, sight.noise_px)
        for pair in pairs
    ]


def _poses(measured: PairFigures, frames: tuple[Frame, ...], sight: Sight) -> list[Pose]:
    pair = measured if sight.lens is None else straightened(measured, sight.lens, sight.size)
    return poses_of(pair, frames, sight.focal_px, sight.size, sight.noise_px)
