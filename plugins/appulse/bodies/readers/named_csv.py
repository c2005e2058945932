"""CSV lists with the MPC's own column names (``Principal_desig, H, G, Epoch, a, e, i, Node, Peri, M``...)."""

import csv
import io

import numpy as np

from appulse.bodies.designations import read_name
from appulse.bodies.elements import perihelion_elements
from appulse.bodies.orbits import OrbitCatalogue
from appulse.bodies.readers.text import none_usable, to_float
from appulse.errors import DesignationError

NEEDED = ("Epoch", "a", "e", "i", "Node", "Peri", "M")


def read_named_csv(text, path):
    """Read such a list.

    Parameters
    ----------
    text : str
    path : path-like

    Returns
    -------
    OrbitCatalogue
        Elements ecliptic J2000, epochs JD as printed.

    Raises
    ------
    OrbitError
        No line is a usable orbit.

    Examples
    --------
    >>> text = "Number,Name,Principal_desig,H,G,Epoch,a,e,i,Node,Peri,M,U\\n" + (
    ...     "(433),Eros,A898 PA,10.38,0.15,2461000.5,1.458121,0.222836,10.82847,304.2701,178.92976,310.55,0")
    >>> read_named_csv(text, "list.csv").label(0)
    '(433) Eros'
    """
    rows, rejected = [], []
    reader = csv.DictReader(io.StringIO(text))
    for row in reader:
        line = reader.line_num
        cut = None in row or None in row.values()
        if cut or any(row[key] == "" for key in NEEDED):
            rejected.append(
                (
                    line,
                    f"{row.get('Principal_desig') or row.get('Number') or '?'!r} was cut or lacks elements",
                )
            )
            continue
        try:
            identity = _identity(row)
        except DesignationError as error:
            rejected.append((line, str(error)))
            continue
        rows.append((line, identity, row))
    if not rows:
        raise none_usable(path, "line of elements", rejected)
    return _catalogue(rows, rejected, path)


def _identity(row):
    """Designation, name and other designations."""
    number, principal = (row.get("Number") or "").strip("() "), (row.get("Principal_desig") or "").strip()
    other = read_name(principal).designation if principal else ""
    designation = str(int(number)) if number.isdigit() else other
    if not designation:
        raise DesignationError(f"{principal!r} is no designation")
    return (
        designation,
        (row.get("Name") or "").strip(),
        tuple(one for one in (other,) if one and one != designation),
    )


def _catalogue(rows, rejected, path):
    column = lambda key: np.array([to_float(row.get(key) or "x") for _, _, row in rows])  # noqa: E731
    epoch = column("Epoch")
    angles = [column(key) for key in ("e", "i", "Node", "Peri")]
    elements, problems = perihelion_elements(epoch, *angles, a=column("a"), m=column("M"))
    rejected += [(rows[k][0], f"{rows[k][1][0]!r}: {why}") for k, why in problems.items()]
    good = np.flatnonzero(problems.keep(len(rows)))
    if not good.size:
        raise none_usable(path, "line of elements", sorted(rejected))
    designation, name, aliases = zip(*(rows[k][1] for k in good), strict=True)
    return OrbitCatalogue(
        np.array(designation), epoch[good], elements=elements[good], name=np.array(name),
        number=[int(d) if d.isdigit() else 0 for d in designation], h=column("H")[good], g=column("G")[good],
        uncertainty_code=np.array([(rows[k][2].get("U") or "").strip() for k in good]),
        extras={k: {"aliases": one} for k, one in enumerate(aliases) if one}, rejected=sorted(rejected),
        source=f"MPC, {getattr(path, 'name', path)}",
    )  # fmt: skip
