"""How strongly water and iodine weaken X-rays.

Rows of the NIST tables (Hubbell JH, Seltzer SM, Tables of X-Ray Mass Attenuation Coefficients, NIST Standard Reference
Database 126), total attenuation with coherent scattering. Between rows the coefficient is a straight line in the
double logarithm, as the tables recommend; iodine's K edge is a row of its own.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

ENERGY_KEV = (30.0, 33.169, 33.169, 40.0, 50.0, 60.0, 80.0, 100.0)
"""Photon energies of the rows, keV; the iodine K edge appears from below and from above."""

IODINE_CM2_PER_G = (8.561, 6.553, 35.82, 22.10, 12.32, 7.579, 3.510, 1.942)
"""Mass attenuation of iodine, cm2/g, NIST SRD 126."""

WATER_ENERGY_KEV = (30.0, 40.0, 50.0, 60.0, 80.0, 100.0)
"""Photon energies of the water rows, keV."""

WATER_CM2_PER_G = (0.3756, 0.2683, 0.2269, 0.2059, 0.1837, 0.1707)
"""Mass attenuation of liquid water, cm2/g, NIST SRD 126."""

_LOWEST_KEV, _HIGHEST_KEV = ENERGY_KEV[0], ENERGY_KEV[-1]


def _interpolate(energy_kev: float, rows_kev: tuple[float, ...], rows: tuple[float, ...]) -> float:
    if not _LOWEST_KEV <= energy_kev <= _HIGHEST_KEV:
        msg = f"energy_kev must lie between {_LOWEST_KEV:g} and {_HIGHEST_KEV:g}, not {energy_kev!r}"
        raise ValueError(msg)
    grid: npt.NDArray[np.float64] = np.log(np.asarray(rows_kev))
    last = int(np.clip(np.searchsorted(np.asarray(rows_kev), energy_kev, side="right"), 1, len(rows) - 1))
    share = (np.log(energy_kev) - grid[last - 1]) / (grid[last] - grid[last - 1])
    return float(np.exp((1 - share) * np.log(rows[last - 1]) + share * np.log(rows[last])))


def iodine_cm2_per_g(energy_kev: float) -> float:
    """Mass attenuation coefficient of iodine.

    Parameters
    ----------
    energy_kev : float
        Photon energy, 30 to 100 keV. At the K edge itself the value above the edge is given.

    Returns
    -------
    float
        cm2/g.

    Raises
    ------
    ValueError
        Outside the table.

    Examples
    --------
    >>> iodine_cm2_per_g(60.0)
    7.579
    """
    return round(_interpolate(energy_kev, ENERGY_KEV, IODINE_CM2_PER_G), 12)


def water_cm2_per_g(energy_kev: float) -> float:
    """Mass attenuation coefficient of liquid water, cm2/g; see `iodine_cm2_per_g`."""
    return round(_interpolate(energy_kev, WATER_ENERGY_KEV, WATER_CM2_PER_G), 12)


def contrast_per_mm(iodine_mg_per_ml: float, energy_kev: float) -> float:
    """Attenuation that dissolved iodine adds to the water it replaces.

    Parameters
    ----------
    iodine_mg_per_ml : float
        Iodine in the lumen, mg/ml: the agent's concentration times its dilution by blood.
    energy_kev : float
        Effective photon energy, keV.

    Returns
    -------
    float
        1/mm. 350 mg/ml at 60 keV give 0.265.
    """
    return iodine_mg_per_ml / 1000.0 * iodine_cm2_per_g(energy_kev) / 10.0


def water_per_mm(energy_kev: float) -> float:
    """Attenuation of water of density 1 g/ml, 1/mm."""
    return water_cm2_per_g(energy_kev) / 10.0
