"""``appulse orbits``: what orbits are at hand, bring more in, fetch newer ones."""

import argparse
from pathlib import Path

from appulse.cli import common
from appulse.errors import DesignationError, InputError

_EXAMPLES = """\
examples:
  what is at hand without a file: the bundled orbits and your own collection
    appulse orbits list
  what is in a file; what is called so
    appulse orbits list MPCORB.DAT.gz --find iris
  bring bodies of a file into your own collection, or into a table of their own
    appulse orbits import CometEls.txt --body 24P,88P
    appulse orbits import MPCORB.DAT.gz --body 1585 --out mine.ecsv
  fetch newer orbits, with their covariance, from JPL's Small-Body Database (goes online)
    appulse orbits update --body 7,24P
  a comet as JPL Horizons has it on a night, its forces up to then included (no covariance)
    appulse orbits update --body 24P --source horizons --epoch 2027-05-04 --out night.ecsv

Of a body in both, your own collection is taken before the bundled orbit. Files that are read: the orbit table
of `appulse guide tables`, MPCORB and MPC comet lines, mpc_orb.json, JPL SBDB JSON and rows of its
query service (JSON, CSV), orbit files of the European services (OEF2.0: .ke0, .ke1), JPL's lists.
"""

MAX_BODIES = 20_000
MAX_UPDATE = 500


def add_parser(subparsers) -> None:
    """Register the command and its three actions."""
    parser = subparsers.add_parser(
        "orbits",
        description="List, import and update the orbits that the other commands use.",
        epilog=_EXAMPLES,
    )
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    listing = actions.add_parser("list", help="print the orbits of a file, or those at hand")
    listing.add_argument("file", nargs="?", type=Path, metavar="FILE", help="an orbit file, as --orbits")
    common.add_orbit_options(listing)
    listing.add_argument("--find", metavar="TEXT", help="only bodies whose designation or name contains this")
    listing.add_argument("--lines", type=int, default=40, metavar="N", help="at most N lines (40; 0: all)")
    bring = actions.add_parser("import", help="bring orbits of files into your collection or a table")
    bring.add_argument("files", nargs="+", type=Path, metavar="FILE", help="orbit file of any known kind")
    update = actions.add_parser("update", help="fetch newer orbits (goes online)")
    update.add_argument(
        "--source", choices=("sbdb", "mpc", "horizons"), default="sbdb",
        help="JPL SBDB (default), the MPC, or the state that JPL Horizons gives for --epoch",
    )
    update.add_argument("--epoch", metavar="UTC", help="with --source horizons: a moment near your night")
    update.add_argument("--orbits", type=Path, metavar="FILE", help="a file whose bodies are fetched anew")
    for action in (bring, update):
        action.add_argument("--body", metavar="NAME,...", help="only these; several with commas")
        action.add_argument(
            "--out", type=Path, metavar="FILE.ecsv", help="a table instead of your own collection"
        )
        action.add_argument("--overwrite", action="store_true", help="replace an output that exists already")
    for action in (listing, bring, update):
        common.add_progress_option(action)


def run(args: argparse.Namespace) -> int:
    """Do what is asked."""
    return {"list": _list, "import": _import, "update": _update}[args.action](args)


def _read(args, paths) -> list:
    """The orbits of files, or those at hand for None; all of the MPC's take half a minute."""
    with common.progress_of(args) as progress:
        progress("reading orbits", 0, 0)
        return [common.load_orbits(path) for path in paths]


def _list(args) -> int:
    import numpy as np

    if args.file and args.orbits:
        raise InputError(f"two files, {args.file} and {args.orbits}: list them one by one")
    (catalogue,) = _read(args, [args.file or args.orbits])
    rows = np.arange(len(catalogue))
    names = common.split_names(args.body)
    if names is not None:
        rows = np.array([catalogue.row_of(name) for name in names])
    if args.find:
        rows = rows[_contains(catalogue, args.find)[rows]]
        if not rows.size:
            raise DesignationError(f"none of the {len(catalogue)} orbits has {args.find!r} in its name")
    shown = rows if args.lines <= 0 else rows[: args.lines]
    print(f"{'body':32} {'epoch':10} {'q au':>9} {'e':>9} {'i deg':>8} {'H/M1':>6} {'sigma':7} source")
    for row in shown:
        print(_line(catalogue, int(row)))
    more = f", {len(rows) - len(shown)} more: --lines 0" if len(shown) < len(rows) else ""
    print(f"{len(rows)} of {len(catalogue)} orbits{more}")
    return 0


def _contains(catalogue, text):
    """Mask of the bodies whose name or designation contains a text, whatever its case."""
    import numpy as np

    found = np.zeros(len(catalogue), dtype=bool)
    for column in (catalogue.name, catalogue.designation):
        found |= np.char.find(np.char.lower(column), text.lower()) >= 0
    return found


def _line(catalogue, row) -> str:
    import numpy as np
    from astropy.time import Time

    from appulse.bodies import typical_sigma

    orbit = catalogue.orbit(row)
    elements, code = orbit.elements, orbit.uncertainty_code
    day = Time(orbit.epoch_jd_tdb, format="jd", scale="tdb").iso[:10]
    bright = orbit.m1 if orbit.h is None else orbit.h
    typical = typical_sigma(orbit)
    stated = f"U={code}" if code else "unknown" if np.isnan(typical) else f'{typical:g}"'
    sigma = "matrix" if orbit.covariance is not None else stated
    magnitude = "-" if bright is None else f"{bright:.2f}"
    shape = f"{elements.q:9.5f} {elements.e:9.6f} {elements.i:8.3f}"
    return f"{orbit.label[:32]:32} {day:10} {shape} {magnitude:>6} {sigma:7} {orbit.source[:60]}"


def _import(args) -> int:
    from appulse.bodies import OrbitCatalogue
    from appulse.formats import check_free

    if args.out:
        check_free((), args.overwrite, tables=[args.out])
    parts = _read(args, args.files)
    catalogue = parts[0] if len(parts) == 1 else OrbitCatalogue.concatenate(parts)
    names = common.split_names(args.body)
    if names is not None:
        catalogue = OrbitCatalogue.from_orbits([catalogue.select(name) for name in names])
    if len(catalogue) > MAX_BODIES:
        raise InputError(
            f"{len(catalogue)} orbits are too many for a table (at most {MAX_BODIES}): name some with "
            "--body, or give the file itself to --orbits of the other commands"
        )
    _keep(catalogue, args)
    return 0


def _update(args) -> int:
    from appulse.bodies import own_orbits
    from appulse.formats import check_free
    from appulse.observers import parse_utc
    from appulse.services import fetch_orbits

    if args.out:
        check_free((), args.overwrite, tables=[args.out])
    epoch = parse_utc(args.epoch) if args.epoch else None
    names = common.split_names(args.body)
    if names is None:
        at_hand = common.load_orbits(args.orbits) if args.orbits else own_orbits()
        if at_hand is None:
            raise InputError("your own collection is empty: name bodies with --body, or a file with --orbits")
        names = at_hand.designation.tolist()
    if len(names) > MAX_UPDATE:
        raise InputError(
            f"{len(names)} bodies are too many to ask for one by one (at most {MAX_UPDATE}): use --body"
        )
    with common.progress_of(args) as progress:
        fetched = fetch_orbits(names, source=args.source, epoch=epoch, progress=progress)
    for place, reason in fetched.rejected:
        common.note(f"{names[place - 1]}: {reason}")
    _keep(fetched, args)
    return 1 if fetched.rejected else 0


def _keep(catalogue, args) -> None:
    """Write a table, or put the orbits in front of the user's own collection."""
    from appulse.bodies import join_orbits, orbit_table, own_orbits, own_orbits_path
    from appulse.formats import lock_of, write_table

    plural = "orbit" if len(catalogue) == 1 else "orbits"
    if args.out:
        write_table(orbit_table(catalogue), args.out, args.overwrite)
        print(f"{args.out}: {len(catalogue)} {plural}")
        return
    catalogue = _with_names(catalogue)
    # Two imports at once would each write what it read before the other wrote: one waits for the other.
    with lock_of(own_orbits_path()):
        before = own_orbits()
        together = catalogue if before is None else join_orbits(catalogue, before)
        write_table(orbit_table(together), own_orbits_path(), overwrite=True)
    print(f"{own_orbits_path()}: {len(catalogue)} {plural} brought in, {len(together)} in your collection")


def _with_names(catalogue):
    """Names from what is at hand for orbits that came without, so that 'Eros' is still known afterwards."""
    from dataclasses import replace

    from appulse.bodies import OrbitCatalogue, starter_orbits

    if all(catalogue.name != ""):
        return catalogue
    known, orbits = starter_orbits(), []
    for orbit in catalogue:
        rows = known.rows_of(orbit.designation) if not orbit.name else ()
        orbits.append(replace(orbit, name=known.name_of(int(rows[0]))) if len(rows) == 1 else orbit)
    return OrbitCatalogue.from_orbits(orbits, source=catalogue.source, source_date=catalogue.source_date)
