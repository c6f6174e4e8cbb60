"""Plating."""
from __future__ import annotations
from dataclasses import dataclass
import numpy as np
from numpy.typing import NDArray
@dataclass(frozen=True)
class Plating:
    thickness: NDArray[np.float64]
def read_plating(*a): return None
