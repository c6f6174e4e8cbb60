"""Pages of numbers that benches write: each keeps to its own heading."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path


def put(path: Path, heading: str, lines: Iterable[str]) -> None:
    """Replace what stands below a second-level heading of a page, or add both at its end."""
    text = path.read_text(encoding="utf-8") if path.exists() else ""
    before, found, after = text.partition(f"## {heading}\n")
    rest = after.partition("\n## ")
    tail = f"\n## {rest[2]}" if rest[1] else ""
    start = before if found else (text.rstrip("\n") + "\n\n" if text else "")
    path.write_text(f"{start}## {heading}\n\n" + "\n".join(lines) + "\n" + tail, encoding="utf-8")
