"""``appulse predict``: an ephemeris table."""

import argparse
from pathlib import Path

from appulse.cli import common
from appulse.errors import DesignationError, TimeError

_EXAMPLES = """\
examples:
  one night from a listed observatory, every ten minutes, out of the bundled starter orbits
    appulse predict --body 7 --from 2027-05-04T18:00 --to 2027-05-05T04:00 --step 10m --site YOUR_CODE
  your own orbit table and your own place (longitude east of Greenwich is positive)
    appulse predict --orbits mine.csv --times moments.txt --site 20.5,-23,1250 --out mine.ecsv

The places are astrometric, ICRF. Rates are in arcsec/h, the one in RA times cos(Dec). sigma_major,
sigma_minor and sigma_pa (1-sigma, arcsec and degrees) stand where the orbit has a covariance. sun_pa is the
position angle of the antisolar direction, antivelocity_pa that of the negative heliocentric velocity,
plane_elevation the observer's height above the orbit plane. A comet's mag is its total magnitude, with
sigma_mag; nuclear_mag stands where M2 is known.
"""

DECIMALS = {
    "ra": 10, "dec": 10, "ra_rate": 5, "dec_rate": 5, "rate": 5, "motion_pa": 4, "phase": 4, "elongation": 4,
    "delta": 10, "r": 10, "sun_pa": 4, "antivelocity_pa": 4, "plane_elevation": 4, "mag": 3, "sigma_mag": 2,
    "nuclear_mag": 3, "sigma_major": 5, "sigma_minor": 5, "sigma_pa": 3,
}  # fmt: skip
"""Decimals written: 1e-10 degrees is 0.4 microarcsec, 1e-10 au is 15 m."""

MAX_ROWS = 5_000_000


def add_parser(subparsers) -> None:
    """Register the command and its options."""
    parser = subparsers.add_parser(
        "predict",
        description="Where bodies stand at given times, seen from a site: an ephemeris as an ECSV table.",
        epilog=_EXAMPLES,
    )
    common.add_orbit_options(parser)
    times = parser.add_argument_group("times (UTC), in one of two ways")
    times.add_argument("--times", type=Path, metavar="FILE", help="one ISO time a line")
    times.add_argument("--from", dest="begin", metavar="T", help="first time, e.g. 2027-05-04T18:00:00")
    times.add_argument("--to", dest="end", metavar="T", help="last time")
    times.add_argument("--step", metavar="D", help="30s, 10m, 2h or 1d")
    common.add_site_option(parser, required=True)
    common.add_output_options(parser, out_help="the table to write", default="appulse-predict.ecsv")
    common.add_progress_option(parser)


def run(args: argparse.Namespace) -> int:
    """Predict and write the table."""
    from appulse.bodies import predict
    from appulse.formats import check_free, site_of, write_table

    check_free((), args.overwrite, tables=[args.out])
    site = site_of(args.site)
    times = common.requested_times(args)
    if len(times) == 0:
        raise TimeError(f"{args.times} holds no time: write one UTC ISO time a line, as 2027-05-04T22:36:00")
    orbits = common.select_orbits(common.load_orbits(args.orbits), args.body)
    rows = len(orbits) * len(times)
    if rows > MAX_ROWS:
        asked = f"{len(orbits)} bodies at {len(times)} times"
        raise DesignationError(f"{asked} are {rows} rows, at most {MAX_ROWS}: name some with --body")
    with common.progress_of(args) as progress:
        progress(f"predicting {len(orbits)} x {len(times)} places", 0, 0)
        table = plain_table(predict(orbits, times, site))
    table.meta["provenance"] = _provenance(args.orbits, orbits)
    for words in table.meta.get("notes", ()):
        common.note(words)
    write_table(table, args.out, args.overwrite)
    given = "the given site" if site.name in ("", "site") else site.name
    bodies = "1 body" if len(orbits) == 1 else f"{len(orbits)} bodies"
    print(f"{args.out}: {bodies} at {len(times)} times, seen from {site.code or given}")
    return 0


def plain_table(predicted):
    """An ephemeris as columns of numbers and words, rounded to what they are good for."""
    import numpy as np
    from astropy.table import Table

    times = predicted["time"].utc.copy()
    times.precision = 6
    table = Table(predicted)
    table.replace_column("time", times.isot)
    table["time"].description = "UTC"
    for name, decimals in DECIMALS.items():
        if name in table.colnames:
            # np.round on a masked Quantity loses the mask; on the plain column it does not.
            table[name][:] = np.round(table[name], decimals)
    return table


def _provenance(path, orbits) -> dict:
    """Program, versions, and which orbits of which epochs were used."""
    from appulse.formats import file_sha256, provenance

    used = {"file": "bundled starter set" if path is None else path.name, "bodies": len(orbits)}
    if path is not None:
        used["sha256"] = file_sha256(path)
    if len(orbits) <= 1000:
        used["epochs_jd_tdb"] = sorted({float(orbit.epoch_jd_tdb) for orbit in orbits})[:20]
    return provenance(orbits=used)
