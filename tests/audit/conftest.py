"""Three drawn sections of one design, as a supplier would send them."""

from pathlib import Path

import cv2
import numpy as np
import pytest

from xsect.synth.demo import draw_weld
from xsect.synth.demo_scenes import Weld

WELDS = (
    Weld("A", "jpg", 905, 900, 5, 73, tilt_deg=0.9),
    Weld("B", "jpg", 905, 910, 5, 73, tilt_deg=0.9),
    Weld("C", "jpg", 905, 920, 5, 73, tilt_deg=0.9, etched=True),
)


@pytest.fixture(scope="session")
def sections() -> list[np.ndarray]:
    """RGB pictures of three specimens whose geometry is the same to the micrometre: only their texture differs."""
    return [draw_weld(weld, 900 + number)[0] for number, weld in enumerate(WELDS)]


@pytest.fixture(scope="session")
def files(sections: list[np.ndarray], tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    folder = tmp_path_factory.mktemp("sections")
    paths = []
    for weld, pixels in zip(WELDS, sections, strict=True):
        paths.append(folder / f"{weld.section}.jpg")
        cv2.imwrite(str(paths[-1]), pixels[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 90])
    return paths
