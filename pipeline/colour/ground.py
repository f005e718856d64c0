"""What a change of the light's colour does to coloured ground, and how far off a rendering of it looks.

A surface is known by its camera RGB under one light. Under another light the camera sees what its own
colour matrices say of that surface, adapted (Bradford) as `pipeline.colour.camera` does it. So a ratio
measured on coloured ground can be told as the change of the neutral, which differs by some per cent.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.colour.camera import CameraColour, camera_to_xyz_d50

Floats = NDArray[np.float64]

_STEP_EV = 0.02


def against_green(ev: Floats) -> Floats:
    """Return red and blue less green (..., 2) of values per channel (..., 3) in EV."""
    return np.asarray(ev[..., [0, 2]] - ev[..., 1:2])


def with_green(red_blue_ev: Floats) -> Floats:
    """Return values per channel (..., 3) in EV of red and blue against green (..., 2)."""
    red, blue = np.moveaxis(red_blue_ev, -1, 0)
    return np.stack([red, np.zeros_like(red), blue], axis=-1)


@dataclass(frozen=True)
class LightsAbout:
    """The light where a neutral is grey, and lights a small step off it to both sides in red and in blue.

    `to_xyz` (3, 3) leads from camera RGB to XYZ in the one, `back` (4, 3, 3) from XYZ to camera RGB in the
    others.
    """

    to_xyz: Floats
    back: Floats


def lights_about(colour: CameraColour, neutral: ArrayLike) -> LightsAbout:
    """Return the lights about the one where the camera RGB `neutral` (3,) is grey."""
    here = np.asarray(neutral, dtype=np.float64)
    steps = np.array([[1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]]) * _STEP_EV
    lights = camera_to_xyz_d50(colour, here * 2.0 ** with_green(steps))
    return LightsAbout(camera_to_xyz_d50(colour, here), np.asarray(np.linalg.inv(lights), np.float64))


def ground_response(lights: LightsAbout, ground: ArrayLike) -> Floats:
    """Return the matrices (..., 2, 2) from a small change of the neutral to that of the ground's camera RGB.

    Both changes are of red and blue against green, in EV. `ground` (..., 3) is the camera RGB of the ground
    in the middle one of `lights`. NaN for a colour that the camera's matrices give no light to be seen in.
    """
    surface = np.asarray(ground, dtype=np.float64) @ lights.to_xyz.T
    shown = np.stack([surface @ matrix.T for matrix in lights.back], axis=-2)
    seen = against_green(np.log2(np.where(shown > 0.0, shown, np.nan)))
    change = np.stack([seen[..., 0, :] - seen[..., 1, :], seen[..., 2, :] - seen[..., 3, :]], axis=-1)
    return np.asarray(change / (2.0 * _STEP_EV))


def ground_delta_e(
    colour: CameraColour, neutral: ArrayLike, ground: ArrayLike, used_ev: Floats, seen_ev: Floats
) -> Floats:
    """Return the CIEDE2000 (n,) between the ground as rendered and as it would be without deviations.

    `used_ev` (n, 2) is how far the neutral in use stands from `neutral` (3,), `seen_ev` (n, 2) how far
    the camera RGB of the ground stands from `ground` (3,), red and blue against green in EV. Lightness
    is held equal: it is the deflicker's. NaN gives NaN. Source: CIE 142:2001, in scikit-image.
    """
    from skimage.color import deltaE_ciede2000, xyz2lab  # a tenth of a second, wanted in one stage alone

    here, at_rest = np.asarray(neutral, dtype=np.float64), np.asarray(ground, dtype=np.float64)
    known = np.isfinite(np.concatenate([used_ev, seen_ev], axis=1)).all(axis=1)
    out = np.full(len(used_ev), np.nan)
    if not known.any():
        return out
    matrices = camera_to_xyz_d50(colour, here * 2.0 ** with_green(used_ev[known]))
    rendered = (matrices @ (at_rest * 2.0 ** with_green(seen_ev[known]))[..., np.newaxis])[..., 0]
    meant = camera_to_xyz_d50(colour, here) @ at_rest
    rendered *= (meant[1] / rendered[:, 1])[:, np.newaxis]
    one, two = (xyz2lab(xyz, illuminant="D50") for xyz in (meant, rendered))
    out[known] = deltaE_ciede2000(np.broadcast_to(one, two.shape), two)
    return out
