"""From frames to residuals and back to the user: the chain that ``residuals`` and ``demo`` share.

frames --> read --> places at mid-exposure --> stars, plate check --> measure --> tables, pictures, sheet
"""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from appulse.cli import common
from appulse.cli.ades_outputs import KINDS, AdesChoice
from appulse.cli.batch import closing_count, frame_by_frame
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
    ades: AdesChoice = field(default_factory=AdesChoice)
    min_snr: float | None = None

    def picture(self, frame: Path) -> Path:
        """Where the picture of a frame goes."""
        return self.out / f"{_stem(frame)}.png"

    def outputs(self) -> list[Path]:
        """Every file that the run may write.

        Raises
        ------
        InputError
            If two frames have the same name, which the outputs could not tell apart.
        """
        paths = [self.out / "residuals.ecsv", self.out / "verdict.yaml"]
        names = {**KINDS, "evidence": "evidence.html", "pdf": "evidence.pdf"}
        paths += [self.out / name for kind, name in names.items() if kind in self.extras]
        if "pictures" in self.extras:
            paths += [self.picture(frame) for frame in self.frames]
        names = [frame.name for frame in self.frames]
        if len(set(paths)) < len(paths) or (self.extras and len(set(names)) < len(names)):
            raise InputError(
                "two frames of the same name would share a picture and a place in the sheets: measure them "
                "in two runs"
            )
        return paths


@dataclass
class Outcome:
    """What came of a plan."""

    frames: list = field(default_factory=list)
    residuals: list = field(default_factory=list)
    identities: list = field(default_factory=list)
    failed: dict[Path, str] = field(default_factory=dict)
    written: list[Path] = field(default_factory=list)
    pictures: dict[str, bytes] = field(default_factory=dict)
    notes: dict[str, list] = field(default_factory=dict)
    catalogues: dict[str, str] = field(default_factory=dict)
    table: Any = None
    verdict: Any = None

    @property
    def exit_code(self) -> int:
        """0: all frames measured; 1: some failed; 2: not one could be used."""
        return 0 if not self.failed else 1 if self.frames else 2

    def add(self, frame, plate, found, identities) -> None:
        """Keep what was found on a frame."""
        self.frames.append(frame)
        self.residuals += found
        self.identities += identities
        self.catalogues[plate.catalogue] = plate.ades_code
        self.notes[frame.name] = list(dict.fromkeys((*frame.notes, *plate.notes)))

    def say_count(self) -> None:
        """The last word on stderr about a batch: how many frames were measured, which were not, and why."""
        seen = {one.frame for one in self.residuals if one.seen}
        empty = [frame.name for frame in self.frames if frame.name not in seen]
        total = len(self.frames) + len(self.failed)
        if total > 1:
            common.say(closing_count(total, self.failed, empty))


class Places:
    """Where bodies should be, from orbits or from a table of positions."""

    def __init__(self, plan: Plan):
        from appulse.bodies.ephemeris import NBodyEphemeris
        from appulse.bodies.tabulated import TabulatedEphemeris

        common.one_source(plan.orbits, plan.positions)
        self.names = common.split_names(plan.body)
        self.orbits, self.catalogue = None, None
        if plan.positions is not None:
            self.engine = TabulatedEphemeris.from_table(plan.positions)
            _refuse_second_moment(plan)
            self.source = plan.positions.name
        else:
            self.catalogue = common.load_orbits(plan.orbits)
            self.orbits = common.select_orbits(self.catalogue, plan.body)
            self.engine = NBodyEphemeris(self.orbits)
            self.source = "bundled starter set" if plan.orbits is None else plan.orbits.name
        self.engine.rows(self.names)  # a name that is not there is one error, not one for each frame

    def describe(self) -> dict:
        """Source, epochs and engine, for the provenance."""
        words = {"file": self.source, "engine": str(getattr(self.engine, "engine", "N-body"))}
        catalogue = getattr(self.engine, "catalogue", None)
        if catalogue is not None and len(catalogue) <= 100:
            epochs = catalogue.epoch_jd_tdb
            words["epochs_jd_tdb"] = {catalogue.label(i): float(epochs[i]) for i in range(len(catalogue))}
            words["sources"] = sorted({str(orbit.source) for orbit in catalogue if orbit.source})
        return words

    def surroundings(self):
        """What else may be in the frames: the other bodies of the same source, and the bundled ones."""
        from appulse.cli.surroundings import Surroundings

        return Surroundings(self.catalogue, self.engine if self.catalogue is None else None)

    def in_frame(self, frame):
        """Rows of the ephemeris at mid-exposure: the bodies named, or all that fall in the frame."""
        from appulse.bodies.field_search import bodies_in_field

        mid, observer = frame.exposure.mid, frame.observer
        if self.names is not None:
            return self.engine.at(mid, observer, bodies=self.names)
        if self.orbits is None:
            rows = self.engine.at(mid, observer)
        else:
            circle = (*frame.centre, frame.radius_deg)
            rows = bodies_in_field(self.orbits, mid, observer, *circle, uncertainty=True)
        return rows[frame.contains(rows["ra"].value, rows["dec"].value)]


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
    from appulse.formats.output import check_free, together, write_bytes

    check_free(plan.outputs(), plan.overwrite)
    places = Places(plan)
    stars = None if plan.stars is None else read_star_table(plan.stars)
    around = places.surroundings()
    outcome = Outcome()

    def measure_one(path: Path):
        return _measure_frame(path, plan, places, around, stars)

    with together():
        for frame, *found, drawn in frame_by_frame(plan.frames, "measuring", measure_one, outcome.failed):
            outcome.add(frame, *found)
            if "picture" in drawn:
                path = plan.picture(frame.path)
                outcome.written.append(write_bytes(path, drawn["picture"], plan.overwrite))
            if "small" in drawn:
                outcome.pictures[frame.name] = drawn["small"]
        if outcome.frames:
            _write(plan, places, outcome)
    return outcome


def _measure_frame(path: Path, plan: Plan, places: Places, around, stars):
    """Read one frame, check its plate, measure its bodies, draw what the plan wants of it."""
    from appulse.astrometry.plate import check_plate
    from appulse.astrometry.residual import measure
    from appulse.catalogues.stars import bundled_stars
    from appulse.cli.pictures import draw
    from appulse.frames.reading import read_frame

    frame = read_frame(path, **plan.frame_options)
    rows = places.in_frame(frame)
    if stars is None:
        stars = bundled_stars(*frame.centre, frame.radius_deg + STAR_MARGIN_DEG)
    plate = check_plate(frame, stars)
    found = [measure(frame, row, plate, min_snr=plan.min_snr) for row in rows]
    identities = around.identify(frame, found)
    drawn = draw(frame, places, found, plan.extras)
    for words in dict.fromkeys((*frame.notes, *plate.notes)):
        common.note(f"{frame.name}: {words}")
    frame.release()
    return frame, plate, found, identities, drawn


def _write(plan: Plan, places: Places, outcome: Outcome) -> None:
    """The table, and the sheets that were asked for."""
    from appulse.astrometry.residual import residual_table
    from appulse.astrometry.verdict import judge
    from appulse.cli.ades_outputs import write_observations
    from appulse.cli.judgement import judgement, write_judgement
    from appulse.formats.residual_table import write_residuals

    outcome.table = residual_table(outcome.residuals, _provenance(plan, places, outcome))
    measured = any(one.seen for one in outcome.residuals)
    if measured:
        outcome.verdict = judge(outcome.residuals)
        outcome.table.meta["verdict"] = outcome.verdict.sentence
    outcome.written.append(write_residuals(outcome.table, plan.out / "residuals.ecsv", plan.overwrite))
    told = judgement(outcome.verdict, outcome.residuals, outcome.identities)
    outcome.written.append(write_judgement(told, plan.out / "verdict.yaml", plan.overwrite))
    if measured and plan.extras & set(KINDS):
        made = (outcome.table, outcome.frames, plan.ades, plan.out, plan.overwrite)
        outcome.written += write_observations(plan.extras, *made)
    elif plan.extras & set(KINDS):
        common.note("no observation to send on: no body was measured, so psv, xml and obs80 are not written")
    if plan.extras & {"evidence", "pdf"}:
        from appulse.cli.pictures import write_sheets

        outcome.written += write_sheets(plan, outcome)


def _provenance(plan: Plan, places: Places, outcome: Outcome) -> dict:
    """Programs, frames, orbits, stars and options; never a private site's coordinates."""
    from appulse.formats.provenance import provenance

    options = {name: str(value) for name, value in plan.frame_options.items() if name != "site"}
    if plan.min_snr is not None:
        options["min_snr"] = plan.min_snr
    codes = set(outcome.catalogues.values())
    own_stars = [] if plan.stars is None else [plan.stars.name]
    return provenance(
        frames=outcome.frames,
        orbits=places.describe(),
        stars=", ".join(dict.fromkeys([*outcome.catalogues, *own_stars])),
        options={"body": plan.body, **options},
        ades_code=codes.pop() if len(codes) == 1 else "UNK",
        stations={frame.name: frame.observer.code for frame in outcome.frames if frame.observer.code},
    )


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
    >>> _stem(Path("night/f1.fits.gz")), _stem(Path("f1"))
    ('f1', 'f1')
    """
    name = path.name
    for suffix in (".gz", ".fz", ".bz2"):
        name = name.removesuffix(suffix)
    return name.rpartition(".")[0] or name
