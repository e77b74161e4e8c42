"""One bifurcation before, after and later: gain, residual stenosis, loss, and what exceeds measurement error.

Works on the millimetres of readings that are kept, as :mod:`qca.sizing` does; nothing here sees an image.
"""
