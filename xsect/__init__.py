"""xsect measures cross-sections of resistance and projection welds in calibrated micrographs.

Lengths are µm, areas µm², fractions 0 to 1. Pixel positions are (x, y) = (column, row) with the centre of
the first pixel at (0, 0), unless a docstring says otherwise.
"""

__version__ = "0.1.0"
