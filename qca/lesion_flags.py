"""What a limb's narrowing is flagged for."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from qca.lumen.stenosis import Stenosis

Array = npt.NDArray[np.float64]

_NEARLY_CLOSED = 90.0
"""Diameter stenosis, percent, that is taken for an occlusion where nothing is seen. Own choice: of 600 limbs drawn with
lesions of up to 80 % five have intervals that reach it, of 11 drawn with 95 % and more all."""


def lesion_codes(
    stenosis: Stenosis, position: Array, point_codes: Sequence[Sequence[str]], *, blur_fwhm: float, tree: bool
) -> list[str]:
    """Tell the flags of a limb's narrowing.

    Parameters
    ----------
    stenosis : Stenosis
        Its numbers, px.
    position : ndarray, shape (N,)
        Arc length along the limb, px, evenly spaced.
    point_codes : sequence of sequence of str
        Flags along the limb, N of them.
    blur_fwhm : float
        Full width at half maximum of the blur, px.
    tree : bool
        Whether the limb begins at a bifurcation.

    Returns
    -------
    list of str
        Codes.
    """
    codes: list[str] = []
    lesion = (position >= stenosis.lesion_start) & (position <= stenosis.lesion_end)
    lost = any("unseen" in point_codes[k] for k in np.flatnonzero(lesion).tolist())
    if lost and stenosis.ds_percent + 1.96 * stenosis.ds_sd_percent >= _NEARLY_CLOSED:
        codes.append("maybe_occluded")
    if stenosis.mld < blur_fwhm:
        codes.append("below_resolution")
    if position[-1] - position[0] < 3 * stenosis.reference:
        codes.append("limb_short")
    if stenosis.ends_at_end and stenosis.lesion_length > 0:
        codes.append("lesion_at_edge")
    if stenosis.starts_at_mouth and stenosis.lesion_length > 0:
        codes.append("ostial" if tree else "lesion_at_edge")
    return codes
