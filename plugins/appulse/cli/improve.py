"""``appulse improve``: correct an orbit by measured places."""

import argparse
from pathlib import Path

from appulse.cli import common
from appulse.errors import InputError

_EXAMPLES = """\
examples:
  the night's own residuals, taken at a private place (it goes nowhere)
    appulse improve measured/residuals.ecsv --body 7 --orbits mine.ecsv --site -70.8,-23,2400 --out b.ecsv
  the verdict said that the clock was late by 95 s: put the times right first
    appulse improve measured/residuals.ecsv --body 7 --orbits mine.ecsv --clock-offset 95 --out b.ecsv
  observations of others, ADES or 80 columns
    appulse improve published.psv --body 433 --orbits mine.ecsv --out better.ecsv

The orbit's covariance is the prior: without one the places must carry all six elements alone, at least 6 over
10 days. What an arc cannot carry is refused, and so is a night whose verdict is a wrong clock or another
body. The result is an orbit table with its new covariance: give it to --orbits of the other commands.
"""

LEAST_GAIN = 0.9
ODD_CHANCE = 1e-4
NIGHT_D = 2.0


def add_parser(subparsers) -> None:
    """Register the command and its options."""
    parser = subparsers.add_parser(
        "improve",
        description="Correct an orbit by measured places, with its covariance as prior; say what it gains.",
        epilog=_EXAMPLES,
    )
    parser.add_argument(
        "places", type=Path, metavar="FILE", help="residuals.ecsv of ours, ADES (PSV, XML) or 80 columns"
    )
    common.add_orbit_options(parser, body_required=True)
    common.add_site_option(parser)
    parser.add_argument(
        "--clock-offset", type=float, default=0.0, metavar="SECONDS", help="true minus recorded time (0)"
    )
    parser.add_argument("--anyway", action="store_true", help="fit although the verdict is against the clock")
    common.add_output_options(parser, out_help="the orbit table to write, e.g. better.ecsv")


def run(args: argparse.Namespace) -> int:
    """Fit and write.

    Raises
    ------
    InputError
        If the places cannot carry the fit, gain nothing, or something else is wrong with them.
    OutputExistsError
        If the output exists and ``--overwrite`` was not given.
    """
    from appulse.astrometry.orbit_fit import improve_orbit
    from appulse.bodies.catalogue import OrbitCatalogue
    from appulse.bodies.readers.orbit_table import orbit_table
    from appulse.cli.measured_places import read_places, with_clock
    from appulse.formats.output import check_free, write_table
    from appulse.formats.settings import site_of

    check_free([args.out], args.overwrite)
    orbit = _orbit(args)
    site = None if args.site is None else site_of(args.site)
    residuals, observers = read_places(args.places, orbit, site)
    if args.clock_offset:
        residuals = [with_clock(one, args.clock_offset) for one in residuals]
    if not args.anyway:
        _refuse_other_causes(residuals, observers)
    fit = improve_orbit(orbit, residuals, observers)
    _refuse_no_gain(fit)
    table = orbit_table(OrbitCatalogue.from_orbits([fit.orbit]))
    table.meta.update(_about(args, orbit, fit))
    write_table(table, args.out, args.overwrite)
    _report(orbit, fit, residuals[-1].mid, observers[-1])
    print(args.out)
    return 0


def _orbit(args):
    names = common.split_names(args.body)
    if names is None or len(names) != 1:
        raise InputError(f"--body {args.body!r}: one body is improved at a time; name it")
    return common.load_orbits(args.orbits).select(names[0])


def _refuse_other_causes(residuals, observers) -> None:
    """One night of one place: its verdict tells whether the orbit is to blame."""
    from appulse.astrometry.verdict import judge

    days = [one.mid.jd for one in residuals]
    if max(days) - min(days) > NIGHT_D or len({str(one.name) for one in observers}) > 1:
        return
    verdict = judge(residuals)
    if verdict.cause == "clock":
        raise InputError(
            f"the verdict on these places: {verdict.sentence} An orbit fitted to them would carry that "
            f"error: give --clock-offset {verdict.clock_offset_s:.1f}, or --anyway"
        )
    if verdict.cause == "not this body":
        raise InputError(f"the verdict on these places: {verdict.sentence} --anyway fits them nevertheless")
    if verdict.cause in ("clock or orbit", "can't tell"):
        common.note(f"the orbit takes the blame for what may not be its fault: {verdict.sentence}")


def _refuse_no_gain(fit) -> None:
    import numpy as np

    if np.isfinite(fit.gain).all() and float(np.min(fit.gain)) > LEAST_GAIN:
        raise InputError(f"{fit.sentence} Nothing is written: give more places, or better ones")


def _about(args, orbit, fit) -> dict:
    from appulse.formats.provenance import file_sha256, provenance

    source = "bundled starter set" if args.orbits is None else args.orbits.name
    told = {"file": source, "epoch_jd_tdb": float(orbit.epoch_jd_tdb), "source": str(orbit.source)}
    options = {"clock_offset_s": args.clock_offset, "anyway": args.anyway}
    places = {args.places.name: file_sha256(args.places)}
    return provenance(orbits=told, options=options, improved=fit.sentence, places=places)


def _report(orbit, fit, time, observer) -> None:
    """What was gained: in the fit's own words, and as ellipses on the sky at the last place and later."""
    import numpy as np
    from astropy.time import TimeDelta
    from scipy import stats

    print(fit.sentence)
    if np.isfinite(fit.correction_sigmas) and stats.chi2.sf(fit.correction_sigmas**2, 6) < ODD_CHANCE:
        common.note(
            "the correction is far beyond what the old orbit's covariance allows: mistrust one of the two"
        )
    print(f"{'predicted place, 1 sigma, arcsec':34} {'before':>18} {'after':>18}")
    for words, days in (
        ("at the last measured place", 0.0),
        ("30 days later", 30.0),
        ("a year later", 365.0),
    ):
        then = time + TimeDelta(days, format="jd")
        print(f"  {words:32} {_ellipse(orbit, then):>18} {_ellipse(fit.orbit, then):>18}")


def _ellipse(orbit, time) -> str:
    """Axes of the ellipse as seen from the Earth's centre."""
    from appulse.bodies.ephemeris import NBodyEphemeris
    from appulse.errors import AppulseError
    from appulse.observers.site import Site

    if orbit.covariance is None:
        return "not known"
    try:
        row = NBodyEphemeris([orbit]).at(time, Site.geocentre())[0]
    except AppulseError:
        return "out of reach"
    return f"{row['sigma_major'].value:.3f} x {row['sigma_minor'].value:.3f}"
