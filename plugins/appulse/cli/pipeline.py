"""From frames to residuals and back to the user: the chain that ``residuals`` and ``demo`` share.

    frames --> read --> places at mid-exposure --> stars, plate check --> measure --> tables, pictures, sheet
"""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from appulse.errors import InputError

STAR_MARGIN_DEG = 0.02
"""Stars are fetched a little past the corners of a frame."""


@dataclass(frozen=True)
class Plan:
    """What to measure, with what, and where the results go."""

    frames: list[Path]
    body: str
    out: Path
    orbits: Path | None = None
    positions: Path | None = None
    stars: Path | None = None
    overwrite: bool = False
    extras: frozenset = frozenset()
    frame_options: dict = field(default_factory=dict)

    def outputs(self) -> dict[str, Path]:
        """Every file that the run will write, by kind; pictures by frame."""
        paths = {"residuals": self.out / "residuals.ecsv"}
        if "psv" in self.extras:
            paths["psv"] = self.out / "residuals.psv"
        if "evidence" in self.extras:
            paths["evidence"] = self.out / "evidence.html"
        if "pictures" in self.extras:
            paths |= {f"picture {path}": self.out / f"{_stem(path)}.png" for path in self.frames}
        doubled = len(set(paths.values())) < len(paths)
        if doubled:
            raise InputError("two frames would give pictures of the same name: measure them in two runs")
        return paths


@dataclass
class Outcome:
    """What came of a plan."""

    residuals: list = field(default_factory=list)
    failed: list[Path] = field(default_factory=list)
    written: list[Path] = field(default_factory=list)
    table: Any = None


def _stem(path: Path) -> str:
    """File name without .fits, .gz, .fz."""
    name = path.name
    for suffix in (".gz", ".fz", ".bz2"):
        name = name.removesuffix(suffix)
    return name.rpartition(".")[0] or name
