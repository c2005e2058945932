"""From frames to residuals and back to the user: the chain that ``residuals`` and ``demo`` share.

    frames --> read --> places at mid-exposure --> stars, plate check --> measure --> tables, pictures, sheet
"""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from appulse.cli import common
from appulse.errors import InputError, TableError

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

    def picture(self, frame: Path) -> Path:
        """Where the picture of a frame goes."""
        return self.out / f"{_stem(frame)}.png"

    def outputs(self) -> list[Path]:
        """Every file that the run may write.

        Raises
        ------
        InputError
            If two frames would have pictures of the same name.
        """
        paths = [self.out / "residuals.ecsv"]
        if "psv" in self.extras:
            paths.append(self.out / "residuals.psv")
        if "evidence" in self.extras:
            paths.append(self.out / "evidence.html")
        if "pictures" in self.extras:
            paths += [self.picture(frame) for frame in self.frames]
        if len(set(paths)) < len(paths):
            raise InputError("two frames of the same name would share a picture: measure them in two runs")
        return paths


@dataclass
class Outcome:
    """What came of a plan."""

    frames: list = field(default_factory=list)
    residuals: list = field(default_factory=list)
    failed: list[Path] = field(default_factory=list)
    written: list[Path] = field(default_factory=list)
    table: Any = None

    @property
    def exit_code(self) -> int:
        """0: all frames measured; 1: some failed; 2: not one could be used."""
        return 0 if not self.failed else 1 if self.frames else 2


class Places:
    """Where bodies should be, from orbits or from a table of positions."""

    def __init__(self, plan: Plan):
        from appulse.bodies.ephemeris import NBodyEphemeris
        from appulse.bodies.tabulated import TabulatedEphemeris

        if plan.orbits is not None and plan.positions is not None:
            raise InputError("--orbits and --positions are two sources of the same places: give one of them")
        self.names = common.split_names(plan.body)
        if plan.positions is not None:
            self.engine = TabulatedEphemeris.from_table(plan.positions)
            _refuse_second_moment(plan)
            self.source = plan.positions.name
        else:
            self.engine = NBodyEphemeris(common.select_orbits(common.load_orbits(plan.orbits), plan.body))
            self.source = "bundled starter set" if plan.orbits is None else plan.orbits.name
        self.engine.rows(self.names)  # a name that is not there is one error, not one for each frame

    def in_frame(self, frame):
        """Rows of the ephemeris at mid-exposure: the bodies named, or all that fall in the frame."""
        rows = self.engine.at(frame.exposure.mid, frame.observer, bodies=self.names)
        return rows if self.names is not None else rows[frame.contains(rows["ra"].value, rows["dec"].value)]


def run(plan: Plan) -> Outcome:
    """Measure every frame that can be used and write the outputs; one line on stderr for each that cannot.

    Raises
    ------
    InputError
        If orbits, positions, stars or a body's name cannot be used: no frame would fare better.
    OutputExistsError
        If an output exists and may not be replaced.
    """
    from appulse.catalogues.stars import read_star_table
    from appulse.formats.output import check_free

    check_free(plan.outputs(), plan.overwrite)
    places = Places(plan)
    stars = None if plan.stars is None else read_star_table(plan.stars)
    outcome = Outcome()
    for path in plan.frames:
        try:
            _measure_frame(path, plan, places, stars, outcome)
        except common.FRAME_ERRORS as error:
            common.frame_failed(path, error)
            outcome.failed.append(path)
    if outcome.frames:
        _write(plan, places, outcome)
    return outcome


def _refuse_second_moment(plan: Plan) -> None:
    """Places without a time belong to one frame; with more of them nobody knows to which."""
    from appulse.formats.tables import find_column, read_table

    if len(plan.frames) > 1 and find_column(read_table(plan.positions), "time", "utc", "date") is None:
        raise TableError(
            f"{plan.positions} has no column 'time', so it is good for one frame, and {len(plan.frames)} are "
            "named: add the times, or measure frame by frame"
        )


def _stem(path: Path) -> str:
    """File name without .fits, .gz, .fz.

    Examples
    --------
    >>> _stem(Path("night/m1.fits.gz")), _stem(Path("m1"))
    ('m1', 'm1')
    """
    name = path.name
    for suffix in (".gz", ".fz", ".bz2"):
        name = name.removesuffix(suffix)
    return name.rpartition(".")[0] or name
