"""Measured places as ADES observations: which fields, with how many decimals, under which header."""

import re
from dataclasses import dataclass

import numpy as np
from astropy.time import Time

from appulse import __version__
from appulse.constants import AU_KM
from appulse.errors import InputError, SiteError, TableError
from appulse.formats.ades.files import AdesBlock, ades_psv, ades_xml
from appulse.formats.output import write_text
from appulse.observers import quiet_erfa

NOT_GIVEN = "not given"
# The standard demands an aperture (above 0, below 100 000 m): one that nobody takes for a telescope's.
NO_APERTURE = "99999"
# Station of a draft: the file is valid, and nobody can take it for a finished one.
DRAFT_STATION = "XXX"


@dataclass(frozen=True)
class AdesHeader:
    """Who measured, where and with what. Whatever is None is marked as not given in the file.

    Attributes
    ----------
    mpc_code : str or None
        Overrides the code of the frames' site.
    observatory, submitter, institution : str or None
    observers, measurers : tuple of str
    telescope, design, detector : str or None
    aperture_m, f_ratio, pixel_scale : float or None
        Metres; f/D; arcsec per pixel.
    comments : tuple of str
        Lines of at most 100 characters.
    """

    mpc_code: str | None = None
    observatory: str | None = None
    submitter: str | None = None
    institution: str | None = None
    observers: tuple = ()
    measurers: tuple = ()
    telescope: str | None = None
    design: str | None = None
    detector: str | None = None
    aperture_m: float | None = None
    f_ratio: float | None = None
    pixel_scale: float | None = None
    comments: tuple = ()


def header_context(header, station, plate):
    """Header elements of one station's observations, all that the standard demands."""
    observatory = [("mpcCode", station)]
    if header.observatory:
        observatory.append(("name", _text(header.observatory)))
    submitter = [("name", _text(header.submitter))]
    if header.institution:
        submitter.append(("institution", _text(header.institution)))
    context = [("observatory", observatory), ("submitter", submitter)]
    if header.observers:
        context.append(("observers", [("name", _text(name)) for name in header.observers]))
    measurers = header.measurers or (None,)
    return [
        *context,
        ("measurers", [("name", _text(name)) for name in measurers]),
        ("telescope", _telescope(header)),
        ("software", [("astrometry", f"appulse {__version__}")]),
        ("comment", [("line", _text(line)) for line in _comments(header, station, plate)]),
    ]


def _text(text, most=100):
    """One line without the marks that the format uses itself."""
    return " ".join(str(text).replace("|", "/").split())[:most] if text else NOT_GIVEN


def _number(value):
    return f"{value:.4g}"[:6] if value < 1000 else f"{value:.0f}"


def _telescope(header):
    parts = [
        ("design", _text(header.design, 35)),
        ("aperture", _number(header.aperture_m) if header.aperture_m else NO_APERTURE),
        ("detector", _text(header.detector, 25)),
    ]
    if header.telescope:
        parts.insert(0, ("name", _text(header.telescope)))
    if header.f_ratio:
        parts.append(("fRatio", _number(header.f_ratio)))
    if header.pixel_scale:
        parts.append(("pixelScale", _number(header.pixel_scale)))
    return parts


def _comments(header, station, plate):
    needed = {
        "submitter": header.submitter, "measurers": header.measurers, "telescope design": header.design,
        "aperture": header.aperture_m, "detector": header.detector,
    }  # fmt: skip
    lines = []
    missing = [name for name, value in needed.items() if not value]
    if missing:
        lines.append(f"not given: {', '.join(missing)}; complete before use")
    if station == DRAFT_STATION:
        lines.append("draft: station XXX stands for an observatory code that was not given")
    if plate == "taken off":
        lines.append("places: the stars' own offset is taken off where stars were measured (astCat not UNK)")
    else:
        lines.append("places: by the frames' own plate solutions")
    return lines + list(header.comments)


ROVING_STATION = "247"

_PERM = re.compile(r"\((\d+)\)(?:\s.*)?|(\d+)(?:\s+[^\d\s]+(?:\s.*)?)?")
_COMET_PERM = re.compile(r"(\d+[IPD](?:-[A-Z]{1,2})?)(?:/.*)?")
_PROV = re.compile(r"(?:\d{4} [A-HJ-Y][A-HJ-Z]\d*|A[89]\d\d [A-HJ-Y][A-HJ-Z]|\d{4} (?:P-L|T-[123])|"
                   r"[ADCPX]/\d{4} [A-Z]{1,2}\d*(?:-[A-Z])?)")  # fmt: skip


def build_blocks(
    table, header=None, *, observers=None, disclose_site=False, with_residuals=False, plate="taken off",
    ast_cat=None, mode="CCD", band=None, phot_cat=None, orbit_id="user",
):  # fmt: skip
    """Header and fields of each station's observations.

    Parameters
    ----------
    table : Table
        Residual table.
    header : AdesHeader, optional
    observers : Site, SpacecraftVector or dict of frame name to one of them, optional
        Without them, and without a code in the header, the station is ``XXX``: a draft.
    disclose_site : bool
        Whether the coordinates of a site without an MPC code may be written (station 247, roving).
    with_residuals : bool
        Adds O-C and sigmas; such a file is for exchange, not for submission.
    plate : {'taken off', 'as solved'}
        Whether the stars' own offset is taken off the place, where it was measured; its error is then added.
    ast_cat : str, optional
        The standard's code of the star catalogue; by default that in ``table.meta['ades_code']``, else UNK.
    mode : str
        Detector, ``CCD`` or ``CMO``.
    band, phot_cat : str, optional
        Band of ``mag_obs`` and the catalogue it rests on; without a band no magnitude is written.
    orbit_id : str
        Name of the orbit, with residuals; at most 25 characters.

    Returns
    -------
    list of AdesBlock

    Raises
    ------
    TableError
        Nothing was measured.
    SiteError
        A private site and `disclose_site` is false.
    InputError
        `plate` is none of the two.
    """
    if plate not in ("taken off", "as solved"):
        raise InputError(f"plate={plate!r}: 'taken off' or 'as solved' is allowed")
    header = header or AdesHeader()
    measured = [row for row in table if not _missing(row, "ra_obs") and not _missing(row, "dec_obs")]
    if not measured:
        raise TableError("no body was measured, so there is no observation to write; see the column 'flag'")
    catalogue = ast_cat or table.meta.get("ades_code") or "UNK"
    stations = {}
    temporary = {}
    for row in measured:
        observer = observers.get(str(row["frame"])) if isinstance(observers, dict) else observers
        place = _station(header, observer, row, disclose_site)
        fields = _identity(str(row["designation"]), temporary) | {"mode": mode} | place
        fields |= _measurement(row, plate, catalogue)
        fields |= _extras(row, band, phot_cat)
        if with_residuals:
            fields |= _residual(row, plate, orbit_id)
        stations.setdefault(place["stn"], []).append(fields)
    return [AdesBlock(header_context(header, station, plate), rows) for station, rows in stations.items()]


def write_ades_psv(table, path, header=None, *, overwrite=False, **options):
    """Write measured places of a residual table as ADES PSV.

    Parameters
    ----------
    table : Table
        :mod:`appulse.formats.residual_table`; rows without a measured place are left out.
    path : path
    header : AdesHeader, optional
        Who, where and with what; what is not given is marked as such in the file.
    overwrite : bool
    **options
        As `build_blocks`: `observers`, `disclose_site`, `with_residuals`...

    Returns
    -------
    Path

    Raises
    ------
    TableError
        Nothing was measured.
    SiteError
        A private site whose coordinates may not be written.
    OutputExistsError, InputError
        As :func:`appulse.formats.output.write_text`.
    """
    return write_text(path, ades_psv(build_blocks(table, header, **options)), overwrite)


def write_ades_xml(table, path, header=None, *, overwrite=False, **options):
    """The same as :func:`write_ades_psv`, as XML."""
    return write_text(path, ades_xml(build_blocks(table, header, **options)), overwrite)


def _missing(row, name):
    if name not in row.colnames or np.ma.is_masked(row[name]):
        return True
    return not np.isfinite(float(row[name]))


def _value(row, name):
    return None if _missing(row, name) else float(row[name])


def decimals_for(sigma, most):
    """Decimals whose last unit is at most a tenth of sigma."""
    if sigma is None or not sigma > 0:
        return most
    return int(np.clip(np.ceil(-np.log10(sigma / 10.0) - 1e-9), 0, most))


def _fixed(value, width):
    """Digits of a positive number, no exponent, in so many characters; None where it does not fit."""
    for decimals in range(min(width - 2, 4), -1, -1):
        text = f"{value:.{decimals}f}"
        if len(text) <= width and float(text) > 0:
            return text
    return None


def _station(header, observer, row, disclose):
    code = header.mpc_code or (None if observer is None else observer.code)
    if observer is not None and hasattr(observer, "position_au"):
        return {"stn": code or DRAFT_STATION} | _spacecraft(observer, row)
    if observer is not None and (code is None or (code == ROVING_STATION and disclose)):
        if not disclose:
            raise SiteError(
                f"site {observer.name!r} has no MPC code, so its coordinates would be written into the file: "
                "allow that (disclose_site=True), or give a code in the header (mpc_code; XXX for a draft)"
            )
        lon, lat, height = observer.geodetic
        pos = {"pos1": f"{lon % 360.0:.6f}", "pos2": f"{lat:+.6f}", "pos3": f"{height:.1f}"}
        return {"stn": ROVING_STATION, "sys": "WGS84", "ctr": "399"} | pos
    return {"stn": code or DRAFT_STATION}


def _spacecraft(observer, row):
    if observer.origin != "earth":
        raise SiteError(
            f"{observer.name}: its vector is relative to the {observer.origin}; ADES wants it from the "
            "Earth's centre: give the frame an observer with origin 'earth'"
        )
    position, _ = observer.posvel_au(Time(str(row["time"]), scale="utc"))
    km = np.asarray(position).reshape(-1, 3)[0] * AU_KM
    # The field holds so many digits: metres to ten million kilometres, beyond that parts of au.
    near = np.max(np.abs(km)) < 1e7
    texts = [f"{v:+.4f}" if near else f"{v / AU_KM:+.10f}" for v in km]
    place = {f"pos{i}": text for i, text in enumerate(texts, start=1)}
    return {"sys": "ICRF_KM" if near else "ICRF_AU", "ctr": "399"} | place


def _identity(designation, temporary):
    """permID, provID or a temporary name of eight characters, each its own body's."""
    words = " ".join(designation.split())
    for pattern, name in ((_PROV, "provID"), (_COMET_PERM, "permID"), (_PERM, "permID")):
        found = pattern.fullmatch(words)
        if found:
            return {name: next((group for group in found.groups() if group), found.group())}
    # Eight characters tell bodies apart only by chance: a second one of the same eight gets a number.
    short = re.sub(r"[^-A-Za-z0-9_]", "", words)[:8] or "body"
    taken = {name: text for text, name in temporary.items()}
    while taken.get(short, words) != words:
        short = f"{short[:5]}{len(temporary):03d}"
    temporary[words] = short
    return {"trkSub": short}


def _measurement(row, plate, catalogue):
    ra, dec = float(row["ra_obs"]), float(row["dec_obs"])
    sigma_ra, sigma_dec = _value(row, "sigma_ra"), _value(row, "sigma_dec")
    corr = _value(row, "corr_ra_dec")
    offset_ra, offset_dec = _value(row, "plate_dra"), _value(row, "plate_ddec")
    on_stars = plate == "taken off" and offset_ra is not None and offset_dec is not None
    if on_stars:
        # The covariance is of the place alone; the plate's error adds to both variances and to no covariance.
        dec -= offset_dec / 3600.0
        ra -= offset_ra / 3600.0 / np.cos(np.radians(dec))
        covariance = None if corr is None or sigma_ra is None else corr * sigma_ra * sigma_dec
        sigma_ra = _hypot(sigma_ra, _value(row, "sigma_plate_ra"))
        sigma_dec = _hypot(sigma_dec, _value(row, "sigma_plate_dec"))
        corr = None if covariance is None else covariance / (sigma_ra * sigma_dec)
    fields = _when(row, min((s for s in (sigma_ra, sigma_dec) if s is not None), default=None))
    # RA itself needs more decimals than RA times cos Dec has, near a pole many more.
    cosine = max(np.cos(np.radians(dec)), 1e-6)
    places = decimals_for(None if sigma_ra is None else sigma_ra / 3600.0 / cosine, 9)
    ra_text = f"{ra % 360.0:.{places}f}"
    fields["ra"] = ra_text if float(ra_text) < 360.0 else f"{0.0:.{places}f}"
    fields["dec"] = f"{dec:+.{decimals_for(None if sigma_dec is None else sigma_dec / 3600.0, 9)}f}"
    for name, sigma in (("rmsRA", sigma_ra), ("rmsDec", sigma_dec)):
        if sigma is not None:
            fields[name] = _fixed(sigma, 7)
    if corr is not None and sigma_ra is not None:
        fields["rmsCorr"] = f"{np.clip(corr, -0.9999, 0.9999):+.4f}"
    # A place on no catalogue's system carries no catalogue's name.
    fields["astCat"] = catalogue if on_stars else "UNK"
    return {name: text for name, text in fields.items() if text is not None}


def _hypot(value, other):
    if value is None:
        return None
    return float(np.hypot(value, other or 0.0))


def _when(row, sigma):
    """obsTime with the decimals that its own error, or else the body's motion, deserves."""
    sigma_time, rate = _value(row, "sigma_time"), _value(row, "rate")
    needed = sigma_time
    if needed is None and sigma is not None and rate:
        # Without a stated error: the time in which the body moves by the error of its place.
        needed = min(sigma * 3600.0 / rate, 1.0)
    places = decimals_for(needed, 6 if needed else 3)
    with quiet_erfa():
        time = Time(str(row["time"]).rstrip("Z"), scale="utc")
        text = Time(time, precision=places).isot
    fields = {"obsTime": f"{text}Z"}
    if sigma_time:
        fields["rmsTime"] = _fixed(sigma_time, 8)
    return fields


def _extras(row, band, phot_cat):
    fields = {}
    magnitude = _value(row, "mag_obs")
    if magnitude is not None and band:
        fields["mag"] = f"{magnitude:.2f}"
        if _value(row, "sigma_mag"):
            fields["rmsMag"] = _fixed(_value(row, "sigma_mag"), 6)
        fields["band"] = band
        if phot_cat:
            fields["photCat"] = phot_cat
        if _value(row, "aperture"):
            # "Photometric aperture radius in arcseconds": adesmaster.xml of the standard (version 2022).
            fields["photAp"] = _fixed(_value(row, "aperture"), 6)
    snr, exposure, stars = (_value(row, name) for name in ("snr", "exposure", "n_stars"))
    if snr is not None and snr > 0:
        fields["logSNR"] = f"{np.log10(snr):.2f}"
    if exposure:
        fields["exp"] = _fixed(exposure, 6)
    if stars:
        fields["nStars"] = f"{stars:.0f}"
    if _value(row, "rms_stars"):
        fields["rmsFit"] = _fixed(_value(row, "rms_stars"), 6)
    if "note_codes" in row.colnames and str(row["note_codes"]):
        fields["notes"] = str(row["note_codes"])[:6]
    flag = " ".join(str(row["flag"]).replace("|", "/").split())
    if flag:
        fields["remarks"] = flag[:300]
    return {name: text for name, text in fields.items() if text is not None}


def _residual(row, plate, orbit_id):
    corrected = plate == "taken off" and not _missing(row, "dra_plate")
    names = ("dra_plate", "ddec_plate") if corrected else ("dra_cosdec", "ddec")
    res_ra, res_dec = (_value(row, name) for name in names)
    fields = _measurement(row, plate, "UNK")
    if res_ra is None or res_dec is None or "rmsRA" not in fields or "rmsDec" not in fields:
        return {}
    residual = {
        "orbProd": f"appulse {__version__}", "orbID": orbit_id[:25], "resRA": _signed(res_ra),
        "resDec": _signed(res_dec), "selAst": "a", "sigRA": fields["rmsRA"], "sigDec": fields["rmsDec"],
    }  # fmt: skip
    if "rmsCorr" in fields:
        residual["sigCorr"] = fields["rmsCorr"]
    if "rmsTime" in fields:
        residual["sigTime"] = fields["rmsTime"]
    return residual


def _signed(value):
    """At most seven characters with the sign."""
    return next(t for d in (4, 3, 2, 1, 0) if len(t := f"{value:+.{d}f}") <= 7 or d == 0)
