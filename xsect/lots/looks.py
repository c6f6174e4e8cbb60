"""Looks: values of sections that were measured again and again, and what their spread says."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class SectionLooks:
    """One section: its value as it is, the scattering part of its standard uncertainty, and its values looked at again.

    ``refused`` counts looks in which the quantity was not measured; ``by_hand`` is the value that an analyst read, NaN
    where the lot sheet states none.
    """

    lot: str
    section: str
    value: float
    u: float
    values: tuple[float, ...]
    refused: int
    by_hand: float = math.nan

    @property
    def sd(self) -> float:
        """Standard deviation over the looks, NaN below two."""
        return float(np.std(self.values, ddof=1)) if len(self.values) > 1 else math.nan

    @property
    def offset(self) -> float:
        """Mean over the looks minus the value as it is, NaN where there is none."""
        return float(np.mean(self.values)) - self.value if self.values else math.nan


@dataclass(frozen=True)
class SelfStudy:
    """The study: its sections, the pooled standard deviation over looks with its freedom, what was stated for it.

    ``stated`` is the root mean square of the sections' uncertainties without the scale's part; ``skipped`` are sections
    in whose picture as it is the quantity was not measured.
    """

    quantity: str
    looks: int
    sections: tuple[SectionLooks, ...]
    skipped: tuple[str, ...]
    sd: float
    dof: int
    stated: float

    @property
    def sd_bound(self) -> float:
        """What the standard deviation is below with 95 % confidence (chi-square)."""
        from scipy.special import chdtri

        return self.sd * math.sqrt(self.dof / float(chdtri(self.dof, 0.95)))


def pooled(quantity: str, looks: int, sections: Sequence[SectionLooks], skipped: Sequence[str]) -> SelfStudy:
    """Pool the sections' standard deviations; ValueError where fewer than two sections have two values."""
    often = [one for one in sections if len(one.values) > 1]
    if len(often) < 2:
        raise ValueError(f"{quantity} was measured again in {len(often)} sections: a study needs 2")
    dof = sum(len(one.values) - 1 for one in often)
    sd = math.sqrt(sum((len(one.values) - 1) * one.sd**2 for one in often) / dof)
    stated = math.sqrt(sum(one.u**2 for one in often) / len(often))
    return SelfStudy(quantity, looks, tuple(sections), tuple(skipped), sd, dof, stated)
