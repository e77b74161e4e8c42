"""The blurred opacity of several lumens in one plane: the mean of a maximum.

Coplanar lumens share the longer of their chords, so the unblurred opacity of their union is the maximum of the single
ones. Seen through a blur of SD sigma, two fields with local gradients differ by a normal variable whose mean is the
difference of the blurred fields and whose SD is ``sigma |grad f - grad g|``; the mean of their maximum is then
``g + d Phi(d/s) + s phi(d/s)`` (Clark CE, Operations Research 1961;9:145-162).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


def blurred_union(values: Array, gradients: Array, sigma: float) -> tuple[Array, Array]:
    """Union of blurred fields and the share of each in it.

    Parameters
    ----------
    values : ndarray, shape (L, P)
        Blurred opacity of each limb at each pixel; 0 where the limb is absent.
    gradients : ndarray, shape (L, P, 2)
        Their gradients over the plane.
    sigma : float
        Blur, px.

    Returns
    -------
    union : ndarray, shape (P,)
        Blurred opacity of the union.
    share : ndarray, shape (L, P)
        Derivative of the union with respect to each limb's opacity.
    """
    from scipy.special import ndtr

    union = values[0].copy()
    gradient = gradients[0].copy()
    share = np.zeros_like(values)
    share[0] = 1.0
    for i in range(1, len(values)):
        only = (union <= 0) & (values[i] > 0)
        both = np.flatnonzero((union > 0) & (values[i] > 0))
        d = union[both] - values[i][both]
        spread = sigma * np.linalg.norm(gradient[both] - gradients[i][both], axis=1) + 1e-6
        z = d / spread
        p = ndtr(z)
        union[both] = values[i][both] + d * p + spread * np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi)
        gradient[both] = p[:, None] * gradient[both] + (1 - p)[:, None] * gradients[i][both]
        share[:i, both] *= p
        share[:i, only] = 0.0
        share[i][both] = 1 - p
        share[i][only] = 1.0
        union[only] = values[i][only]
        gradient[only] = gradients[i][only]
    return union, share
