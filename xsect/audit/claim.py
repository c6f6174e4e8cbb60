"""Claim: what the supplier says of the sample, read from a TOML file and checked."""

from __future__ import annotations

import hashlib
import tomllib
from dataclasses import dataclass, field
from pathlib import Path

from xsect.quantities import QUANTITIES

U_STATED = 0.02
"""Relative standard uncertainty given to a stated reading: two readers differ by 2 to 5 % on a clear section
(common practice; value from memory)."""


class ClaimError(ValueError):
    """A claim file that cannot be used; one line a problem."""


@dataclass(frozen=True)
class Claim:
    """What is claimed of the sample; None where nothing is.

    ``reliability`` (share of conforming welds) at ``confidence``; ``lot_size``, inspection ``level`` and ``aql``
    (% nonconforming) of an attributes plan; ``sampled_over_days``: days over which the sections are said to have
    been taken; ``u_stated``: relative standard uncertainty of a stated value; ``process_sd``: the process's own
    standard deviation of a quantity, from earlier lots (µm, µm², fraction). ``source`` names the document.
    """

    source: str = ""
    reliability: float | None = None
    confidence: float = 0.95
    lot_size: int | None = None
    level: str = "II"
    aql: float | None = None
    sampled_over_days: int | None = None
    u_stated: float = U_STATED
    process_sd: dict[str, float] = field(default_factory=dict)
    file: str = ""
    sha256: str = ""


NOTHING = Claim()
"""No claim at all."""


def load_claim(path: str | Path) -> Claim:
    """Read and check a claim file; raise ClaimError, one line a problem, that names file, key, value and rule."""
    from typing import Annotated

    from pydantic import ConfigDict, Field, TypeAdapter, ValidationError, create_model

    path = Path(path)
    level = Annotated[str, Field(pattern=r"^(S-[1-4]|I{1,3})$")]
    share = Annotated[float, Field(gt=0, lt=1)]
    size = Annotated[float, Field(gt=0, allow_inf_nan=False)]
    schema = create_model(
        "Claim",
        __config__=ConfigDict(strict=True, extra="forbid"),
        source=(str, ""),
        reliability=(share | None, None),
        confidence=(share, 0.95),
        lot_size=(Annotated[int, Field(ge=2)] | None, None),
        level=(level, "II"),
        aql=(size | None, None),
        sampled_over_days=(Annotated[int, Field(ge=1)] | None, None),
        u_stated=(Annotated[float, Field(gt=0, lt=0.5)], U_STATED),
        process_sd=(dict[str, size], {}),
    )
    try:
        content = path.read_bytes()
        document = tomllib.loads(content.decode("utf-8-sig"))
        checked = TypeAdapter(schema).validate_python(document).model_dump()
    except OSError as error:
        raise ClaimError(f"{path}: cannot be read: {error.strerror}") from None
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise ClaimError(f"{path.name}: not valid TOML: {error}") from None
    except ValidationError as error:
        lines = [
            f"{path.name}: {'.'.join(map(str, item['loc']))} = {item['input']}: {item['msg']}"
            for item in error.errors()
        ]
        raise ClaimError("\n".join(lines)) from None
    for name in checked["process_sd"]:
        if name not in QUANTITIES or QUANTITIES[name].unit == "word":
            raise ClaimError(f"{path.name}: process_sd.{name}: not a quantity that is a number")
    _check_plan(path, checked["aql"], checked["lot_size"])
    return Claim(**checked, file=path.name, sha256=hashlib.sha256(content).hexdigest())


def _check_plan(path: Path, aql: float | None, lot_size: int | None) -> None:
    from xsect.audit.sampling import AQLS

    if aql is not None and aql not in AQLS:
        known = ", ".join(f"{one:g}" for one in AQLS)
        raise ClaimError(f"{path.name}: aql = {aql:g}: must be one of {known}")
    if aql is not None and lot_size is None:
        raise ClaimError(f"{path.name}: aql = {aql:g}: must come with lot_size")
