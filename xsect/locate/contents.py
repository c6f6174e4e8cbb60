"""Contents: what is in the joint and about it, once the joint itself is located."""

from __future__ import annotations

from dataclasses import dataclass

from xsect.capture.micrograph import Micrograph
from xsect.locate.flaws import Flaws, find_flaws, to_picture
from xsect.locate.layers import SurfaceLayers, read_surfaces
from xsect.locate.nugget import Nugget, find_nuggets
from xsect.locate.section import Located


@dataclass(frozen=True)
class Contents:
    """Nuggets from left to right, flaws (None where there is no bond), and the layers on plated facing surfaces."""

    nuggets: tuple[Nugget, ...]
    flaws: Flaws | None
    surfaces: tuple[SurfaceLayers, ...]


def find_contents(located: Located, micrograph: Micrograph, *, view: str, fused: bool = False) -> Contents:
    """Look into the joint. ``view``: brightfield or backscatter, which decides what a shade means. ``fused``: the
    weld should be."""
    nuggets = find_nuggets(located, micrograph, expected=fused)
    outlines = tuple(to_picture(one.outline, located) for one in nuggets if one.likely)
    return Contents(nuggets, find_flaws(located, micrograph, outlines), read_surfaces(located, view))
