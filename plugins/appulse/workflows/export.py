"""What a measured night leaves in a folder: tables, observations to send on, pictures, evidence sheets.

The observations go out in the exchange formats: ADES as PSV and XML, and 80 columns.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any

from appulse.errors import DesignationError, InputError, SiteError
from appulse.formats import AdesHeader
from appulse.workflows.judging import judgement, suspicions, unmeasured, write_judgement
from appulse.workflows.measuring import FailedFrame, MeasuredNight, measured_frames
from appulse.workflows.sources import BodySource, StarSource

FAR_FROM_STATION_KM = 1.0
"""A frame's own site farther than this from the station's is worth a word."""

OTHER_LIGHT_MAG = 0.5
"""Stars that differ by more than this from their catalogue's band are seen in another (common practice, no
source)."""

OBSERVATION_FILES = {"psv": "residuals.psv", "xml": "residuals.xml", "obs80": "residuals.txt"}
"""Exchange format to the file's name."""

SHEET_FILES = {"evidence": "evidence.html", "pdf": "evidence.pdf"}
EXTRAS = (*OBSERVATION_FILES, *SHEET_FILES, "pictures")
"""What may be written beside the table and the verdict."""

LARGEST_TRACKS = 40
"""More tracks than this make a picture illegible; bodies that were seen come first."""


@dataclass(frozen=True)
class AdesChoice:
    """What the user wants in the observations that are written."""

    header: AdesHeader = field(default_factory=AdesHeader)
    disclose_site: bool = False  # the coordinates of a site without a code may go out
    band: str | None = None  # of the measured magnitudes; none: G where the stars are Gaia's
    with_residuals: bool = False  # O-C beside the places: for exchange, not for submission

    @property
    def mode(self) -> str:
        """The standard's word for the detector.

        Examples
        --------
        >>> AdesChoice(AdesHeader(detector="cooled CMOS")).mode, AdesChoice().mode
        ('CMO', 'CCD')
        """
        return "CMO" if "cmo" in (self.header.detector or "").lower() else "CCD"

    def with_scale(self, scales) -> "AdesChoice":
        """The same with the frames' pixel scale (arcsec), where they share one.

        Examples
        --------
        >>> AdesChoice().with_scale([3.6001, 3.5999]).header.pixel_scale
        3.6
        """
        rounded = {float(f"{scale:.3g}") for scale in scales}
        if len(rounded) != 1:
            return self
        return replace(self, header=replace(self.header, pixel_scale=rounded.pop()))


def write_observations(kinds, table, frames, choice: AdesChoice, out: Path, overwrite: bool):
    """Write the measured places of a residual table; returns the paths, and notes on what is left out."""
    options, notes = observation_options(table, {frame.name: frame.observer for frame in frames}, choice)
    choice = choice.with_scale(frame.pixel_scale for frame in frames)
    written = [
        write_observation_file(kind, table, out / name, choice, options, overwrite)
        for kind, name in OBSERVATION_FILES.items()
        if kind in kinds
    ]
    return written, notes


def write_observation_file(kind: str, table, path: Path, choice: AdesChoice, options: dict, overwrite: bool):
    """Write one of :data:`OBSERVATION_FILES`, with the options of :func:`observation_options`."""
    from appulse.formats import write_ades_psv, write_ades_xml

    if kind == "obs80":
        return _write_obs80(table, choice, options, path, overwrite)
    write = {"psv": write_ades_psv, "xml": write_ades_xml}[kind]
    return write(
        table, path, choice.header, with_residuals=choice.with_residuals, overwrite=overwrite, **options
    )


def observation_options(table, observers: dict, choice: AdesChoice) -> tuple[dict, tuple[str, ...]]:
    """Options of :func:`appulse.formats.ades.build.build_blocks`, and what stays a draft or is left out.

    Parameters
    ----------
    table : Table
        Residual table; ``meta['ades_code']`` names the star catalogue.
    observers : dict of str to Site or SpacecraftVector
        By the frames' names.
    choice : AdesChoice

    Returns
    -------
    options : dict
    notes : tuple of str

    Examples
    --------
    >>> from appulse.formats.residual_table import make_table
    >>> options, notes = observation_options(make_table([]), {}, AdesChoice())
    >>> options["mode"], notes
    ('CCD', ())
    """
    known = {name: from_the_earth(observer) for name, observer in observers.items()}
    if not choice.disclose_site:
        # A site without a code is left out altogether: what is not handed on cannot be written. Where a
        # spacecraft was is nobody's home.
        known = {name: there for name, there in known.items() if there.code is not None or in_space(there)}
    finished = [there.code is not None or not in_space(there) for there in known.values()]
    notes: tuple[str, ...] = ()
    if choice.header.mpc_code is None and sum(finished) < len(observers):
        notes += ("the observations are a draft (station XXX): no MPC code; give --station",)
    notes += _far_station(list(observers.values()), choice)
    options = {"observers": known, "disclose_site": choice.disclose_site, "mode": choice.mode}
    catalogue = str(table.meta.get("ades_code") or "UNK")
    band = choice.band or ("G" if catalogue.startswith("Gaia") else None)
    unlike = _typical_error(table) if choice.band is None and band else 0.0
    if unlike > OTHER_LIGHT_MAG:
        notes += (
            f"magnitudes are left out: good to {unlike:.1f} mag only (frames in other light than {band}, or "
            "images unlike the model); give --band to write them",
        )
    elif band:
        options |= {"band": band, "phot_cat": catalogue if catalogue != "UNK" else None}
    elif not all(table["mag_obs"].mask):
        notes += ("magnitudes are left out: the star table's band is not known; give --band",)
    return options, notes


def in_space(observer) -> bool:
    """Whether an observer is a spacecraft's vector."""
    return hasattr(observer, "position_au")


def from_the_earth(observer):
    """A spacecraft's vector as ADES has it: from the Earth's centre; other observers as they are."""
    # ADES knows one origin of ICRF_AU and ICRF_KM, the Earth's centre (ctr 399): a vector from the Sun or the
    # barycentre is carried over by the planetary ephemeris.
    import numpy as np

    from appulse.bodies import EARTH, SUN, default_kernels
    from appulse.observers import tdb_days

    if getattr(observer, "origin", "earth") == "earth":
        return observer
    places, speeds = default_kernels().major(np.atleast_1d(tdb_days(observer.time)))
    here = {"sun": (places[0, SUN], speeds[0, SUN]), "ssb": (np.zeros(3), np.zeros(3))}[observer.origin]
    shift, drift = here[0] - places[0, EARTH], here[1] - speeds[0, EARTH]
    return replace(
        observer, origin="earth", position_au=observer.position_au + shift,
        velocity_au_d=observer.velocity_au_d + drift, span_s=observer.span_s,
    )  # fmt: skip


def _typical_error(table) -> float:
    """Typical error of the magnitudes, which is that of single stars about the zero point."""
    import numpy as np

    sigmas = np.ma.masked_invalid(np.ma.asarray(table["sigma_mag"], dtype=float)).compressed()
    return float(np.median(sigmas)) if len(sigmas) else 0.0


def _far_station(observers, choice: AdesChoice) -> tuple[str, ...]:
    """A note where a station is not where the frames were taken, by their own word."""
    import numpy as np

    from appulse.observers import Site

    if choice.header.mpc_code is None or all(in_space(observer) for observer in observers):
        return ()
    try:
        station = Site.from_mpc_code(choice.header.mpc_code)
    except SiteError as error:
        return (f"--station: {error}",)
    places = [observer.itrs_m for observer in observers if hasattr(observer, "itrs_m")]
    away = [float(np.linalg.norm(np.subtract(place, station.itrs_m))) / 1e3 for place in places]
    if away and max(away) > FAR_FROM_STATION_KM:
        return (f"station {station.code} is {max(away):.0f} km from where the frames say they were taken",)
    return ()


def _write_obs80(table, choice: AdesChoice, options, path: Path, overwrite: bool) -> Path:
    """Lines of 80 columns under the header words that go with them."""
    from appulse.formats import build_blocks, format_obs80, from_ades, write_text

    text = ""
    for block in build_blocks(table, choice.header, **options):
        lines = _head80(choice.header, block.rows[0]["stn"], block.rows[0].get("astCat", "UNK"))
        for row in block.rows:
            lines += format_obs80(from_ades(row, *_packed(row)))
        text += "".join(f"{line}\n" for line in lines)
    return write_text(path, text, overwrite)


def _head80(header, station, catalogue) -> list[str]:
    telescope = None
    if header.design:
        telescope = f"{header.aperture_m:g}-m {header.design} + {header.detector}"
    words = (
        ("COD", station), ("CON", header.submitter), ("OBS", ", ".join(header.observers)),
        ("MEA", ", ".join(header.measurers)), ("TEL", telescope),
        ("NET", catalogue if catalogue != "UNK" else None),
    )  # fmt: skip
    return [f"{name} {' '.join(text.split())}"[:80] for name, text in words if text]


def _packed(row) -> tuple[str, str]:
    """Columns 1-5 and 6-12: number, and provisional or temporary designation."""
    from appulse.bodies import pack

    if "permID" in row:
        return pack(row["permID"])[:5], pack(row["permID"])[5:]
    if "provID" in row:
        packed = pack(row["provID"])
        return (f"    {packed[0]}", packed[1:]) if len(packed) == 8 else ("", packed)
    try:
        return ("", pack(row["trkSub"])[:7])
    except DesignationError:
        return "", row["trkSub"][:7]

# --- a night


@dataclass(frozen=True)
class NightOutputs:
    """Where the results of a night go."""

    out: Path  # folder
    kinds: frozenset[str] = frozenset()  # out of :data:`EXTRAS`, beside the table and the verdict
    # what the observations say of observer, telescope and site
    ades: AdesChoice = field(default_factory=AdesChoice)
    overwrite: bool = False

    def picture(self, frame: Path) -> Path:
        """Where the picture of a frame goes."""
        return self.out / f"{_stem(Path(frame))}.png"

    def paths(self, frames: Iterable[Path]) -> list[Path]:
        """Every file that may be written; refused where two frames would share one."""
        frames = [Path(frame) for frame in frames]
        names = {**OBSERVATION_FILES, **SHEET_FILES}
        paths = [self.out / "residuals.ecsv", self.out / "verdict.yaml"]
        paths += [self.out / name for kind, name in names.items() if kind in self.kinds]
        if "pictures" in self.kinds:
            paths += [self.picture(frame) for frame in frames]
        names = {frame.name for frame in frames}
        if len(set(paths)) < len(paths) or (self.kinds and len(names) < len(frames)):
            raise InputError(
                "two frames of the same name would share a picture and a place in the sheets: measure them "
                "in two runs"
            )
        return paths


@dataclass(frozen=True)
class SavedNight:
    """A night that was measured and written."""

    night: MeasuredNight
    # Table or None: the residual table; None where no frame could be used: then nothing is written
    table: Any = None
    written: tuple[Path, ...] = ()
    notes: tuple[str, ...] = ()  # what was left out, and why


def measure_to_folder(
    frames: Iterable[Path], bodies: BodySource, stars: StarSource, outputs: NightOutputs, *,
    each: Callable | None = None, reading: dict | None = None, progress=None, cancelled=None, workers=None,
    **options,
) -> SavedNight:  # fmt: skip
    """Measure a night and write its table, verdict and whatever else is wanted: all of it or nothing.

    Parameters
    ----------
    frames : iterable of Path
    bodies : BodySource
    stars : StarSource
    outputs : NightOutputs
    each, reading, progress, cancelled, workers, **options
        Of :func:`appulse.workflows.measure_night`.

    Returns
    -------
    SavedNight

    Raises
    ------
    InputError
        If two frames would share an output, or positions hold for one frame only.
    OutputExistsError
        If an output exists and may not be replaced; before anything is measured.
    """
    from appulse.formats import check_free, together, write_bytes

    frames = list(frames)
    check_free(outputs.paths(frames), outputs.overwrite)
    written, measured, failed = [], [], []
    with together():
        for result in measured_frames(
            frames, bodies, stars, reading=reading, progress=progress, cancelled=cancelled,
            workers=workers, draw=frame_drawer(bodies, outputs.kinds), **options,
        ):  # fmt: skip
            if each is not None:
                each(result)
            if isinstance(result, FailedFrame):
                failed.append(result)
                continue
            # Full pictures go to the disk at once: a night of them would fill the memory.
            pictures = dict(result.pictures)
            if "picture" in pictures:
                path = outputs.picture(result.frame.path)
                written.append(write_bytes(path, pictures.pop("picture"), outputs.overwrite))
            measured.append(replace(result, pictures=pictures))
        night = MeasuredNight(tuple(measured), tuple(failed), len(frames))
        if not measured:
            return SavedNight(night)
        if progress is not None:
            progress("writing tables and sheets", 0, 0)
        about = night_provenance(night, bodies, stars, **(reading or {}), **options)
        return save_night(night, outputs, about, tuple(written))


def save_night(night: MeasuredNight, outputs: NightOutputs, provenance: dict, written=()) -> SavedNight:
    """Write table, verdict, observations and sheets of a measured night.

    Parameters
    ----------
    night : MeasuredNight
        Of one usable frame or more.
    outputs : NightOutputs
    provenance : dict
        From :func:`night_provenance`.
    written : tuple of Path
        What stands there already.

    Returns
    -------
    SavedNight
    """
    from appulse.astrometry import residual_table
    from appulse.formats import together, write_residuals

    table = residual_table(night.residuals, provenance)
    verdict, out, overwrite = night.verdict, outputs.out, outputs.overwrite
    if night.residuals:
        table.meta["verdict"] = unmeasured(night.residuals) if verdict is None else verdict.sentence
    written, notes = list(written), ()
    with together():
        written.append(write_residuals(table, out / "residuals.ecsv", overwrite))
        judged = judgement(verdict, night.residuals, night.identities)
        written.append(write_judgement(judged, out / "verdict.yaml", overwrite))
        wanted = outputs.kinds & set(OBSERVATION_FILES)
        if wanted and verdict is None:
            notes = (
                "no observation to send on: no body was measured, so psv, xml and obs80 are not written",
            )
        elif wanted:
            more, notes = write_observations(wanted, table, night.frames, outputs.ades, out, overwrite)
            written += more
        written += _write_sheets(night, table, outputs)
    return SavedNight(night, table, tuple(written), notes)


def night_provenance(night: MeasuredNight, bodies: BodySource, stars: StarSource, **options) -> dict:
    """Programs, frames, orbits, stars and options of a night; never a private site's coordinates."""
    from appulse.formats import provenance

    kept = {"body": "all" if bodies.names is None else ",".join(bodies.names)}
    for name, value in options.items():
        if name != "site" and value is not None:
            kept[name] = value if isinstance(value, bool | int | float) else str(value)
    own_stars = [] if stars.path is None else [stars.path.name]
    codes = set(night.catalogues.values())
    return provenance(
        frames=night.frames, orbits=bodies.describe(),
        stars=", ".join(dict.fromkeys([*night.catalogues, *own_stars])), options=kept,
        ades_code=codes.pop() if len(codes) == 1 else "UNK",
        stations={frame.name: frame.observer.code for frame in night.frames if frame.observer.code},
    )  # fmt: skip


def frame_drawer(bodies: BodySource, kinds) -> Callable | None:
    """What draws a frame as it is wanted: its own picture, a smaller one for the sheet; None for neither."""
    wanted = {"pictures": "picture", "evidence": "small", "pdf": "small"}
    names = sorted({wanted[kind] for kind in kinds if kind in wanted})
    if not names:
        return None
    return partial(_drawn, bodies=bodies, names=names)


def _drawn(frame, residuals, bodies: BodySource, names) -> dict[str, bytes]:
    """Pictures of a frame by name."""
    from appulse.reports import annotated_pictures

    return annotated_pictures(frame, names, **overlays_of(frame, bodies, residuals))


def overlays_of(frame, bodies: BodySource, residuals) -> dict:
    """Tracks of the measured bodies, outlines and residuals of one frame, as pictures take them."""
    from appulse.catalogues import objects_near
    from appulse.overlays import track_in_frame

    ordered = sorted(residuals, key=lambda residual: not residual.seen)[:LARGEST_TRACKS]
    found = [track_in_frame(frame, bodies.ephemeris, residual.designation) for residual in ordered]
    return {
        "tracks": [track for track in found if track is not None],
        "outlines": objects_near(*frame.centre, frame.radius_deg),
        "residuals": [residual.row() for residual in residuals],
    }


def _write_sheets(night: MeasuredNight, table, outputs: NightOutputs) -> list[Path]:
    """The evidence sheet of a night, as a page, as a document to print, or both."""
    failed = {failure.name: failure.reason.removeprefix(f"{failure.name}: ") for failure in night.failed}
    notes = [f"{name} could not be used: {why}" for name, why in failed.items()]
    shared = {
        "pictures": {
            result.name: result.pictures["small"] for result in night.measured if "small" in result.pictures
        },
        "shapes": {frame.name: frame.shape for frame in night.frames},
        "verdict": night.verdict or (unmeasured(night.residuals) if night.residuals else None),
        "provenance": dict(table.meta),
        "notes": notes + suspicions(night.residuals, night.identities),
        "frame_notes": {result.name: list(result.notes) for result in night.measured},
    }
    return write_sheets(outputs.kinds, outputs.out, night.residuals, overwrite=outputs.overwrite, **shared)


def write_sheets(kinds, out: Path, residuals, **shared) -> list[Path]:
    """Write the evidence on some residuals as a page, as a document to print, or both."""
    if not set(kinds) & set(SHEET_FILES):
        return []  # drawing takes a second to load, and what writes a PDF half of one
    from appulse import reports

    writers = {"evidence": "write_evidence", "pdf": "evidence_pdf"}
    return [
        getattr(reports, writers[kind])(out / name, residuals, **shared)
        for kind, name in SHEET_FILES.items()
        if kind in kinds
    ]


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
