"""``appulse movers``: what else moves in the frames."""

import argparse
from pathlib import Path

from appulse.cli import common
from appulse.errors import AppulseError, InputError

_EXAMPLES = """\
examples:
  whatever moves across a night's frames; known bodies out of the bundled orbits are named
    appulse movers night/*.fits --out movers.ecsv
  known bodies out of a large orbit file, your own stars, the single sightings too
    appulse movers night/*.fits --orbits MPCORB.DAT.gz --stars gaia.ecsv --sightings seen.ecsv --out m.ecsv
  only slow ones, and surer
    appulse movers night/*.fits --max-rate 60 --min-snr 8 --out slow.ecsv

Three frames or more of one field are needed, taken while a body moves by some pixels. The table has
a row for each mover: its name or 'unknown', rate, direction, magnitude, the frames it was seen on. An
unknown one is not yet a discovery: ask 'appulse online bodies' about it. In a crowded field or a long night
only the brighter sources are tried, and that is said: a lower --max-rate goes deeper.
"""

DECIMALS = {
    "ra": 7, "dec": 7, "rate": 3, "motion_pa": 2, "sigma_rate": 3, "mag": 2, "sigma_mag": 2, "snr": 1,
    "chi2_per_dof": 2,
}  # fmt: skip
SEEN = ("mover", "designation", "frame", "time", "x", "y", "ra", "dec", "sigma_ra", "sigma_dec", "mag",
        "sigma_mag", "snr", "flag")  # fmt: skip
CONFIRMED = 3
LINES = 30


def add_parser(subparsers) -> None:
    """Register the command and its options."""
    parser = subparsers.add_parser(
        "movers",
        description="Find what moves in a straight line across three or more frames, and name what is known.",
        epilog=_EXAMPLES,
    )
    parser.add_argument("frames", nargs="+", metavar="FRAME", help="FITS files (.fits, .fits.gz, .fits.fz)")
    parser.add_argument(
        "--orbits", type=Path, metavar="FILE", help="known bodies; the bundled ones stand beside"
    )
    parser.add_argument(
        "--stars", type=Path, metavar="TABLE", help="reference stars; bundled ones if left out"
    )
    group = parser.add_argument_group("what counts as a mover")
    group.add_argument(
        "--max-rate", type=float, default=600.0, metavar="ARCSEC/H", help="fastest motion (600)"
    )
    group.add_argument("--min-frames", type=int, metavar="N", help="sightings that make a line (3, or half)")
    group.add_argument("--min-snr", type=float, default=5.0, metavar="X", help="faintest sighting (5)")
    parser.add_argument("--sightings", type=Path, metavar="FILE.ecsv", help="every single sighting, measured")
    common.add_frame_options(parser)
    common.add_output_options(parser, out_help="the table to write, e.g. movers.ecsv")


def run(args: argparse.Namespace) -> int:
    """Find movers and write them.

    Returns
    -------
    int
        1 if some frames could not be used.

    Raises
    ------
    InputError
        If fewer than three frames can be used, or an option makes no sense.
    OutputExistsError
        If an output exists and ``--overwrite`` was not given.
    """
    from appulse.astrometry.movers import find_movers
    from appulse.formats.output import check_free, write_table

    _check(args)
    outputs = [path for path in (args.out, args.sightings) if path is not None]
    check_free(outputs, args.overwrite)
    paths = common.expand_frames(args.frames)
    frames, plates, known = _look(paths, args)
    threshold = _threshold(frames, plates, args)
    options = {"max_rate": args.max_rate, "min_frames": args.min_frames, "threshold": threshold}
    movers = find_movers(frames, plates, predicted=known, **options)
    seen = [_measure(one, frames, plates) for one in common.progress(movers, "measuring")]
    movers, seen = _confirmed(movers, seen)
    table = movers_table(movers, seen, frames)
    table.meta.update(_provenance(frames, plates, args))
    write_table(table, args.out, args.overwrite)
    if args.sightings is not None:
        write_table(sightings_table(movers, seen), args.sightings, args.overwrite)
    _print(table, known, frames)
    for path in outputs:
        print(path)
    return 1 if len(frames) < len(paths) else 0


def _check(args) -> None:
    if not args.max_rate > 0:
        raise InputError(f"--max-rate {args.max_rate:g}: arcsec/h above zero are needed")
    if not args.min_snr >= 3:
        raise InputError(f"--min-snr {args.min_snr:g}: below 3 everything moves; 3 or more is needed")
    if args.min_frames is not None and args.min_frames < 3:
        raise InputError(
            f"--min-frames {args.min_frames}: two points are always on a line; 3 or more is needed"
        )


def _threshold(frames, plates, args) -> float:
    """As given, or higher where there are too many sources to try all pairs of them; that is said."""
    from appulse.astrometry.movers import workable_threshold

    if len(frames) < 3:
        return args.min_snr
    threshold = workable_threshold(frames, plates, max_rate=args.max_rate, threshold=args.min_snr)
    if threshold > args.min_snr:
        common.note(
            f"so many sources that only those above S/N {threshold:.1f} are tried at up to {args.max_rate:g} "
            "arcsec/h: a lower --max-rate or fewer frames go deeper"
        )
    return threshold


def _look(paths, args):
    """Frames without their pixels, their plates, and the known bodies on each."""
    from appulse.astrometry.plate import check_plate
    from appulse.catalogues.bundled_stars import bundled_stars
    from appulse.catalogues.stars import read_star_table
    from appulse.cli.pipeline import STAR_MARGIN_DEG
    from appulse.cli.surroundings import Surroundings
    from appulse.frames.reading import read_frame

    options = common.frame_options(args)
    stars = None if args.stars is None else read_star_table(args.stars)
    around = Surroundings(None if args.orbits is None else common.load_orbits(args.orbits))
    frames, plates, known = [], [], []
    for path in common.progress(paths, "looking"):
        try:
            frame = read_frame(path, **options)
            nearby = stars or bundled_stars(*frame.centre, frame.radius_deg + STAR_MARGIN_DEG)
            plates.append(check_plate(frame, nearby))
            known.append(
                [row for row in around.bodies(frame) if frame.contains(row["ra"].value, row["dec"].value)]
            )
        except common.FRAME_ERRORS as error:
            common.frame_failed(path, error)
            del plates[len(frames) :]
            continue
        frame.release()
        frames.append(frame)
    return frames, plates, known


def _measure(mover, frames, plates) -> list:
    """Each sighting fitted with the trail that its motion makes: (frame's index, Residual)."""
    from appulse.astrometry.residuals import measure

    found = []
    for k, x, y in mover.sightings:
        frame = frames[k]
        try:
            found.append((k, measure(frame, _expected(mover, frame, x, y), plates[k], at_pixel=(x, y))))
        except AppulseError as error:
            common.note(f"{frame.name}: {error}")
        frame.release()
    return found


def _confirmed(movers, seen):
    """Those that a careful fit shows on three frames at least: knots of a nebula are no dots."""
    kept = [
        (mover, found)
        for mover, found in zip(movers, seen, strict=True)
        if mover.designation or sum(one.seen for _, one in found) >= CONFIRMED
    ]
    if len(kept) < len(movers):
        common.note(
            f"{len(movers) - len(kept)} more lines dropped: a careful fit finds no dot at their sightings"
        )
    return [mover for mover, _ in kept], [found for _, found in kept]


def _expected(mover, frame, x, y):
    """A prediction at a sighting with the mover's own motion, for the shape of its trail."""
    import numpy as np

    from appulse.astrometry.prediction import Prediction

    ra, dec = (float(v) for v in frame.to_sky(x, y))
    pa = np.radians(mover.motion_pa)
    return Prediction(
        mover.designation or "unknown", ra, dec, mover.rate * np.sin(pa), mover.rate * np.cos(pa)
    )


def movers_table(movers, seen, frames):
    """Movers with magnitudes and the names of their frames.

    Parameters
    ----------
    movers : list of Mover
    seen : list of list of (int, Residual)
    frames : list of SolvedFrame

    Returns
    -------
    Table
        Columns of :func:`appulse.astrometry.movers.mover_table`, and ``mover`` (a number), ``mag``,
        ``sigma_mag`` (masked where unknown) and ``seen_on``.
    """
    import numpy as np
    from astropy.table import MaskedColumn, Table

    from appulse.astrometry.movers import mover_table

    table = Table(mover_table(movers))
    table.add_column(np.arange(1, len(movers) + 1), 0, "mover")
    light = np.array([_brightness(found) for found in seen], dtype=float).reshape(-1, 2)
    for k, name in enumerate(("mag", "sigma_mag")):
        unknown = ~np.isfinite(light[:, k])
        table[name] = MaskedColumn(np.where(unknown, 0.0, light[:, k]), mask=unknown, unit="mag")
    table["seen_on"] = [" ".join(frames[k].name for k, _, _ in one.sightings) for one in movers]
    for name, decimals in DECIMALS.items():
        if len(table):
            table[name][:] = np.round(table[name], decimals)
    return table


def _brightness(found) -> tuple[float, float]:
    """Median magnitude of the sightings and its error from their scatter and sigmas."""
    import numpy as np

    values = np.array([one.mag_obs for _, one in found if np.isfinite(one.mag_obs)])
    if not len(values):
        return np.nan, np.nan
    sigmas = np.array([one.sigma_mag for _, one in found if np.isfinite(one.mag_obs)])
    scatter = float(np.std(values, ddof=1)) if len(values) > 1 else 0.0
    return float(np.median(values)), max(scatter, float(np.median(sigmas))) / len(values) ** 0.5


def sightings_table(movers, seen):
    """Every sighting, the plate's offset taken off where stars allowed.

    Parameters
    ----------
    movers : list of Mover
    seen : list of list of (int, Residual)

    Returns
    -------
    Table
    """
    import numpy as np
    from astropy.table import MaskedColumn, Table

    rows = []
    for number, (mover, found) in enumerate(zip(movers, seen, strict=True), start=1):
        for _, one in found:
            ra, dec, sigma = _place(one)
            head = (number, mover.designation or "unknown", one.frame, one.time)
            rows.append((*head, one.x, one.y, ra, dec, *sigma, one.mag_obs, one.sigma_mag, one.snr, one.flag))
    table = Table()
    units = {"x": "pix", "y": "pix", "ra": "deg", "dec": "deg", "sigma_ra": "arcsec", "sigma_dec": "arcsec",
             "mag": "mag", "sigma_mag": "mag"}  # fmt: skip
    for k, name in enumerate(SEEN):
        values = [row[k] for row in rows]
        if name in ("designation", "frame", "time", "flag"):
            table[name] = np.array(values, dtype=str)
        elif name == "mover":
            table[name] = np.array(values, dtype=int)
        else:
            numbers = np.array(values, dtype=float)
            gone = ~np.isfinite(numbers)
            numbers = np.round(np.where(gone, 0.0, numbers), 8 if name in ("ra", "dec") else 4)
            table[name] = MaskedColumn(numbers, mask=gone, unit=units.get(name))
    return table


def _place(one):
    import numpy as np

    if not np.isfinite(one.plate_offset).all():
        return one.ra_obs, one.dec_obs, one.sigma_sky
    east, north = one.plate_offset
    sigma = np.sqrt(np.diag(one.covariance + one.plate_covariance))
    return (
        one.ra_obs - east / 3600 / np.cos(np.radians(one.dec_obs)),
        one.dec_obs - north / 3600,
        tuple(sigma),
    )


def _provenance(frames, plates, args) -> dict:
    from appulse.formats.provenance import provenance

    options = {"max_rate": args.max_rate, "min_frames": args.min_frames, "min_snr": args.min_snr}
    stars = ", ".join(dict.fromkeys(plate.catalogue for plate in plates))
    orbits = "bundled starter set" if args.orbits is None else args.orbits.name
    return provenance(frames=frames, orbits=orbits, stars=stars, options=options)


def _print(table, known, frames) -> None:
    from appulse.bodies.designations import normalise

    unknown = sum(name == "unknown" for name in table["designation"])
    print(f"{len(table)} movers in {len(frames)} frames, {unknown} of them unknown")
    for row in table[:LINES]:
        light = "-" if getattr(row["mag"], "mask", False) is not False else f"{row['mag']:.1f}"
        print(
            f"  {row['mover']:3d} {row['designation']!s:14} {row['rate']:8.2f} arcsec/h at "
            f"{row['motion_pa']:5.1f} degrees, mag {light:>5}, {row['frames']} frames, S/N {row['snr']:.0f}"
        )
    if len(table) > LINES:
        print(f"  and {len(table) - LINES} more")
    found = {normalise(str(name)) for name in table["designation"]}
    missed = {str(row["designation"]): row for rows in known for row in rows}
    for name, row in missed.items():
        if normalise(name) not in found:
            light = row["mag"]
            light = "unknown" if getattr(light, "mask", False) else f"{getattr(light, 'value', light):.1f}"
            print(f"  not found: {name}, predicted in the frames, mag {light}")
