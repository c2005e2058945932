"""Observations of a run in the exchange formats: ADES as PSV and XML, and 80 columns."""

from dataclasses import dataclass, field, replace
from pathlib import Path

from appulse.cli import common
from appulse.errors import DesignationError, SiteError
from appulse.formats.ades.build import AdesHeader

FAR_FROM_STATION_KM = 1.0
"""A frame's own site farther than this from the station's is worth a word."""

OTHER_LIGHT_MAG = 0.5
"""Stars that differ by more than this from their catalogue's band are seen in another (common practice, no
source)."""

KINDS = {"psv": "residuals.psv", "xml": "residuals.xml", "obs80": "residuals.txt"}
"""Word of ``--also`` to the file's name."""


@dataclass(frozen=True)
class AdesChoice:
    """What the user wants in the observations that are written.

    Attributes
    ----------
    header : AdesHeader
    disclose_site : bool
        The coordinates of a site without a code may go out.
    band : str or None
        Of the measured magnitudes; none: G where the stars are Gaia's.
    with_residuals : bool
        O-C beside the places: for exchange, not for submission.
    """

    header: AdesHeader = field(default_factory=AdesHeader)
    disclose_site: bool = False
    band: str | None = None
    with_residuals: bool = False

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


def write_observations(kinds, table, frames, choice: AdesChoice, out: Path, overwrite: bool) -> list[Path]:
    """Write the measured places.

    Parameters
    ----------
    kinds : iterable of str
        Of :data:`KINDS`.
    table : Table
        Residual table; ``meta['ades_code']`` names the star catalogue.
    frames : sequence of SolvedFrame
    choice : AdesChoice
    out : Path
        Folder.
    overwrite : bool

    Returns
    -------
    list of Path

    Raises
    ------
    OutputExistsError
        If one exists and may not be replaced.
    """
    from appulse.formats.ades.files import write_ades_psv, write_ades_xml

    options = block_options(table, frames, choice)
    choice = choice.with_scale(frame.pixel_scale for frame in frames)
    written = []
    for kind, write in (("psv", write_ades_psv), ("xml", write_ades_xml)):
        if kind in kinds:
            more = {"with_residuals": choice.with_residuals, "overwrite": overwrite}
            written.append(write(table, out / KINDS[kind], choice.header, **options, **more))
    if "obs80" in kinds:
        written.append(_write_obs80(table, choice, options, out / KINDS["obs80"], overwrite))
    return written


def block_options(table, frames, choice: AdesChoice) -> dict:
    """Options of :func:`appulse.formats.ades.build.build_blocks`; says what stays a draft or is left out.

    Parameters
    ----------
    table : Table
    frames : sequence of SolvedFrame
    choice : AdesChoice

    Returns
    -------
    dict
    """
    known = {frame.name: from_the_earth(frame.observer) for frame in frames}
    if not choice.disclose_site:
        # A site without a code is left out altogether: what is not handed on cannot be written. Where a
        # spacecraft was is nobody's home.
        known = {name: one for name, one in known.items() if one.code is not None or in_space(one)}
    finished = [one.code is not None or not in_space(one) for one in known.values()]
    if choice.header.mpc_code is None and sum(finished) < len(frames):
        common.note("the observations are a draft (station XXX): no MPC code; give --station")
    _compare_sites(frames, choice)
    options = {"observers": known, "disclose_site": choice.disclose_site, "mode": choice.mode}
    catalogue = str(table.meta.get("ades_code") or "UNK")
    band = choice.band or ("G" if catalogue.startswith("Gaia") else None)
    unlike = _colours(table) if choice.band is None and band else 0.0
    if unlike > OTHER_LIGHT_MAG:
        common.note(
            f"magnitudes are left out: good to {unlike:.1f} mag only (frames in other light than {band}, or "
            "images unlike the model); give --band to write them"
        )
    elif band:
        options |= {"band": band, "phot_cat": catalogue if catalogue != "UNK" else None}
    elif not all(table["mag_obs"].mask):
        common.note("magnitudes are left out: the star table's band is not known; give --band")
    return options


def in_space(observer) -> bool:
    """Whether an observer is a spacecraft's vector."""
    return hasattr(observer, "position_au")


def from_the_earth(observer):
    """A spacecraft's vector as the standard has it: from the Earth's centre; other observers as they are.

    Parameters
    ----------
    observer : Site or SpacecraftVector

    Returns
    -------
    Site or SpacecraftVector

    Notes
    -----
    ADES knows one origin of ICRF_AU and ICRF_KM, the Earth's centre (``ctr`` 399), so a vector from the Sun
    or the barycentre is carried over by the planetary ephemeris.
    """
    import numpy as np

    from appulse.bodies.kernels import EARTH, SUN, default_kernels
    from appulse.observers.timescales import tdb_days

    if getattr(observer, "origin", "earth") == "earth":
        return observer
    places, speeds = default_kernels().major(np.atleast_1d(tdb_days(observer.time)))
    here = {"sun": (places[0, SUN], speeds[0, SUN]), "ssb": (np.zeros(3), np.zeros(3))}[observer.origin]
    shift, drift = here[0] - places[0, EARTH], here[1] - speeds[0, EARTH]
    return replace(
        observer, origin="earth", position_au=observer.position_au + shift,
        velocity_au_d=observer.velocity_au_d + drift, span_s=observer.span_s,
    )  # fmt: skip


def _colours(table) -> float:
    """Typical error of the magnitudes, which is that of single stars about the zero point."""
    import numpy as np

    sigmas = np.ma.masked_invalid(np.ma.asarray(table["sigma_mag"], dtype=float)).compressed()
    return float(np.median(sigmas)) if len(sigmas) else 0.0


def _compare_sites(frames, choice: AdesChoice) -> None:
    """A station whose place is not where the frames were taken, by their own word, is worth a note."""
    import numpy as np

    from appulse.observers.site import Site

    if choice.header.mpc_code is None or all(in_space(frame.observer) for frame in frames):
        return
    try:
        station = Site.from_mpc_code(choice.header.mpc_code)
    except SiteError as error:
        common.note(f"--station: {error}")
        return
    places = [frame.observer.itrs_m for frame in frames if hasattr(frame.observer, "itrs_m")]
    away = [float(np.linalg.norm(np.subtract(place, station.itrs_m))) / 1e3 for place in places]
    if away and max(away) > FAR_FROM_STATION_KM:
        common.note(f"station {station.code} is {max(away):.0f} km from where the frames say they were taken")


def _write_obs80(table, choice: AdesChoice, options, path: Path, overwrite: bool) -> Path:
    """Lines of 80 columns under the header words that go with them."""
    from appulse.formats.ades.build import build_blocks
    from appulse.formats.obs80 import format_obs80, from_ades
    from appulse.formats.output import write_text

    text = ""
    for _, rows in build_blocks(table, choice.header, **options):
        lines = _head80(choice.header, rows[0]["stn"], rows[0].get("astCat", "UNK"))
        for row in rows:
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
    from appulse.bodies.designations import pack

    if "permID" in row:
        return pack(row["permID"])[:5], pack(row["permID"])[5:]
    if "provID" in row:
        packed = pack(row["provID"])
        return (f"    {packed[0]}", packed[1:]) if len(packed) == 8 else ("", packed)
    try:
        return ("", pack(row["trkSub"])[:7])
    except DesignationError:
        return "", row["trkSub"][:7]
