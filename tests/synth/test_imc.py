"""Intermetallic layers as drawn: Cu3Sn against the copper, Cu6Sn5 over it, the rest tin.

Coverage is exact for edges along the pixel grid, so areas of noise-free drawings add up to rounding.
"""

import numpy as np
import pytest

from tests.synth.test_geometry import PLAIN
from xsect.synth import imc
from xsect.synth.coverage import cover
from xsect.synth.design import Plating
from xsect.synth.profile import unroll


@pytest.mark.parametrize("cu3sn", [0.0, 0.8])
def test_shares_of_the_compounds(cu3sn: float) -> None:
    design = PLAIN.__class__(
        **{**vars(PLAIN), "plating": Plating(8.0, 8.0, fill=1.2, reaction=3.0, cu3sn=cu3sn)}
    )
    cov = cover(design, unroll(design))
    assert (cov.cu3sn <= cov.reaction + 1e-6).all()
    # on a level stretch of both faces: the compounds' thicknesses are as designed, in px, twice
    column = cov.u.shape[1] // 50
    for share, thickness in ((cov.cu3sn, cu3sn), (cov.reaction, 3.0)):
        assert float(share[:, column].sum()) == pytest.approx(
            2 * thickness / design.um_per_px, rel=0.02, abs=1e-6
        )


def test_scallops_leave_the_mean() -> None:
    u = np.linspace(0, 2000, 400_001)
    layer = imc.thickness(Plating(9.0, 9.0, reaction=2.0, scallop=0.5), u)
    assert float(layer.mean()) == pytest.approx(2.0, rel=1e-3)
    assert 2.4 < float(layer.max()) <= 3.0


def test_inner_compound_is_thin() -> None:
    assert imc.inner_thickness(1.0) == 0
    assert 0 < imc.inner_thickness(3.0) < 1.0
