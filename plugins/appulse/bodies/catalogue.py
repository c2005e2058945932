"""The catalogue of one to a million orbits, as arrays, and how a body is found in it.

A catalogue keeps what every body has (designation, epoch, elements or state, H, G) in arrays, and what few
have (covariance, non-gravitational terms) in a dictionary by row. An :class:`~appulse.bodies.orbit.Orbit` is
made when asked for.
"""

import contextlib
import difflib
import operator

import numpy as np

from appulse.bodies.designations import pack, read_name
from appulse.bodies.orbit import (
    RADIANS,
    Orbit,
    make_label,
    rotate,
    states_icrf,
)
from appulse.errors import DesignationError, OrbitError
from appulse.numerics import ECLIPTIC_TO_ICRF, elements_from_state

# Up to here every name is compared for the nearest ones.
FEW = 30_000


def _hint(catalogue, text: str):
    """Why a body is missing, or what might have been meant."""
    writings = {repr(str(text)), repr(read_name(text).designation)}
    # A mere name has no packed form.
    with contextlib.suppress(DesignationError):
        writings.add(repr(pack(text)))
    for line, reason in catalogue.rejected:
        if any(writing in reason for writing in writings):
            return f"; line {line} was skipped: {reason}"
    if len(catalogue) > FEW:
        return ": check the spelling, or use a number or designation"
    labels = [catalogue.label(row) for row in range(len(catalogue))]
    words = [word for word in (*labels, *catalogue.name.tolist()) if word]
    near = difflib.get_close_matches(str(text), words, n=3, cutoff=0.6)
    if near:
        return f"; near: {', '.join(near)}"
    return f" ({', '.join(labels[:4])}{', ...' if len(labels) > 4 else ''})"


def text_at(column: np.ndarray, row: int) -> str:
    """One row of a str or bytes column, without decoding the whole of it."""
    return str(column[row : row + 1].astype(str)[0])


def _equals(column: np.ndarray, text: str):
    """Rows of a str or bytes column equal to a text."""
    if column.dtype.kind == "S":
        return column == text.encode("ascii", "replace")
    return column == text


_NUMBERS = ("h", "g", "m1", "k1")
_COLUMNS = ("designation", "name", "number", "epoch_jd_tdb", *_NUMBERS, "uncertainty_code")
_UNCOMMON = (
    "aliases", "covariance", "covariance_names", "g1", "g2", "g12", "m2", "k2", "pc", "m1_sigma", "nongrav",
    "source", "source_date",
)  # fmt: skip


class OrbitCatalogue:
    """Orbits as a structure of arrays.

    Parameters
    ----------
    designation : (n,) array of str (or ASCII bytes)
    epoch_jd_tdb : (n,) array, JD TDB
    elements : (n, 6) array, optional
        q (au), e, i, node, peri (degrees, ecliptic J2000), tp (JD TDB), checked beforehand.
    state : (n, 6) array, optional
        Heliocentric, ICRF axes, au and au/d. One of the two is needed; the other follows on demand.
    name : (n,) array of str, optional
    number : (n,) array of int, optional
        0 where a body has none.
    h, g, m1, k1 : (n,) arrays, optional
        NaN stands for 'not given'; :meth:`orbit` turns it into None.
    uncertainty_code : (n,) array of str, optional
    extras : dict of int -> dict, optional
        Row -> further attributes of that row's :class:`Orbit`.
    rejected : sequence of (int, str), optional
        Lines of the file that could not be used, and why.
    source, source_date : str, optional
        Of all rows, where a row's extras say nothing else.

    Examples
    --------
    >>> angles = {"i": 5, "node": 260, "peri": 145}
    >>> first = Orbit.from_elements("7", 2461000.5, q=1.8, e=0.2, tp=2461050.5, **angles, name="Iris")
    >>> catalogue = OrbitCatalogue.from_orbits([first])
    >>> len(catalogue), catalogue.select("iris").label, catalogue.select("00007").label
    (1, '(7) Iris', '(7) Iris')
    """

    def __init__(
        self, designation, epoch_jd_tdb, *, elements=None, state=None, name=None, number=None, h=None, g=None,
        m1=None, k1=None, uncertainty_code=None, extras=None, rejected=(), source="", source_date="",
    ):  # fmt: skip
        if (elements is None) == (state is None):
            raise OrbitError("a catalogue needs either elements or states")
        n = len(designation)
        nothing = np.broadcast_to(np.nan, (n,))
        self._designation = np.asarray(designation)
        self._name = np.broadcast_to(np.array("", dtype="U1"), (n,)) if name is None else np.asarray(name)
        self.number = np.zeros(n, dtype=np.int64) if number is None else np.asarray(number, dtype=np.int64)
        self.epoch_jd_tdb = np.asarray(epoch_jd_tdb, dtype=float)
        self._elements = None if elements is None else np.asarray(elements, dtype=float)
        self._state = None if state is None else np.asarray(state, dtype=float)
        self.h, self.g, self.m1, self.k1 = (
            nothing if column is None else np.asarray(column, dtype=float) for column in (h, g, m1, k1)
        )
        blank = np.broadcast_to(np.array("", dtype="U1"), (n,))
        self._uncertainty_code = blank if uncertainty_code is None else np.asarray(uncertainty_code)
        self.extras = dict(extras or {})
        self.rejected = list(rejected)
        # Rows of joined catalogues point at their source; a text per row would weigh more than the orbits.
        self._sources, self._source_index = [(source, source_date)], np.zeros(n, dtype=np.uint16)

    @classmethod
    def from_orbits(cls, orbits, *, rejected=(), source="", source_date=""):
        """A catalogue of at least one :class:`~appulse.bodies.orbit.Orbit`."""
        orbits = list(orbits)
        if not orbits:
            raise OrbitError("an empty list of orbits: at least one body is needed")

        def column(key):
            return [np.nan if getattr(o, key) is None else getattr(o, key) for o in orbits]

        extras = {row: more for row, o in enumerate(orbits) if (more := _uncommon(o))}
        return cls(
            np.array([o.designation for o in orbits]), [o.epoch_jd_tdb for o in orbits],
            state=np.array([o.state for o in orbits]), name=np.array([o.name for o in orbits]),
            number=[o.number or 0 for o in orbits], **{key: column(key) for key in _NUMBERS},
            uncertainty_code=np.array([o.uncertainty_code or "" for o in orbits]), extras=extras,
            rejected=rejected, source=source, source_date=source_date,
        )  # fmt: skip

    @classmethod
    def concatenate(cls, catalogues):
        """Several catalogues as one, rows in order; sources move to the rows."""
        catalogues = list(catalogues)
        if not catalogues:
            raise OrbitError("no catalogue to join")
        extras, sources, index, start = {}, [], [], 0
        for part in catalogues:
            extras |= {start + row: more for row, more in part.extras.items()}
            index.append(part._source_index + len(sources))
            sources += part._sources
            start += len(part)
        together = {key: np.concatenate([getattr(part, key) for part in catalogues]) for key in _COLUMNS}
        joined = cls(
            together.pop("designation"), together.pop("epoch_jd_tdb"), extras=extras,
            state=np.concatenate([part.state for part in catalogues]),
            rejected=[item for part in catalogues for item in part.rejected], **together,
        )  # fmt: skip
        joined._sources, joined._source_index = sources, np.concatenate(index)
        return joined

    @property
    def source(self):
        """Where the rows come from: one text, or several joined by semicolons."""
        return "; ".join(dict.fromkeys(text for text, _ in self._sources if text))

    @property
    def source_date(self):
        """Date of the sources, joined likewise."""
        return "; ".join(dict.fromkeys(date for _, date in self._sources if date))

    def __len__(self):
        return len(self._designation)

    def __iter__(self):
        return (self.orbit(row) for row in range(len(self)))

    def __getitem__(self, key):
        """One :class:`Orbit` for an integer; a catalogue for a slice, a mask or an array of rows."""
        try:
            return self.orbit(operator.index(key))
        except TypeError:
            return self.take(np.arange(len(self))[key])

    def __repr__(self):
        source = self.source or "sources by row"
        return f"<OrbitCatalogue: {len(self)} orbits, {len(self.rejected)} lines rejected, {source}>"

    @property
    def designation(self):
        """(n,) array of str."""
        # A million names as bytes take a quarter of the memory; text is made when asked for.
        return self._designation.astype(str)

    @property
    def name(self):
        """(n,) array of str, empty where a body has no name."""
        return self._name.astype(str)

    @property
    def uncertainty_code(self):
        """(n,) array of str: the MPC's U, empty where none is given."""
        return self._uncertainty_code.astype(str)

    @property
    def state(self):
        """(n, 6) array, au and au/d: heliocentric, ICRF axes, each at its own epoch."""
        if self._state is None:
            # In pieces, so that the working arrays stay small beside the catalogue itself.
            step = 100_000
            self._state = np.empty_like(self._elements)
            for at in range(0, len(self), step):
                part = slice(at, at + step)
                self._state[part] = states_icrf(self._elements[part], self.epoch_jd_tdb[part])
        return self._state

    @property
    def elements(self):
        """(n, 6) array: q (au), e, i, node, peri (degrees, ecliptic J2000), tp (JD TDB)."""
        if self._elements is None:
            found = elements_from_state(rotate(self._state, ECLIPTIC_TO_ICRF.T), self.epoch_jd_tdb)
            self._elements = np.array(found).T / RADIANS
        return self._elements

    def orbit(self, row: int):
        """The record of one row; IndexError where there is none."""
        if not -len(self) <= row < len(self):
            raise IndexError(f"row {row} of a catalogue of {len(self)} orbits")
        row = row % len(self)
        source, date = self._sources[self._source_index[row]]
        more = {"source": source, "source_date": date} | self.extras.get(row, {})
        for key in _NUMBERS:
            value = float(getattr(self, key)[row])
            more[key] = value if np.isfinite(value) else None
        state = (
            states_icrf(self._elements[row], self.epoch_jd_tdb[row])[0]
            if self._state is None
            else self._state[row]
        )
        return Orbit(
            designation=text_at(self._designation, row), state=state,
            epoch_jd_tdb=float(self.epoch_jd_tdb[row]),
            name=text_at(self._name, row), number=int(self.number[row]) or None,
            uncertainty_code=text_at(self._uncertainty_code, row) or None, **more,
        )  # fmt: skip

    def take(self, rows: np.ndarray):
        """A catalogue of some rows, in the order given."""
        rows = np.asarray(rows, dtype=np.int64)
        extras = {new: self.extras[int(old)] for new, old in enumerate(rows) if int(old) in self.extras}
        key, values = ("elements", self._elements) if self._state is None else ("state", self._state)
        columns = {name: getattr(self, name)[rows] for name in _NUMBERS}
        taken = OrbitCatalogue(
            self._designation[rows], self.epoch_jd_tdb[rows], name=self._name[rows], number=self.number[rows],
            uncertainty_code=self._uncertainty_code[rows], extras=extras, rejected=self.rejected,
            **columns, **{key: values[rows]},
        )  # fmt: skip
        taken._sources, taken._source_index = self._sources, self._source_index[rows]
        return taken

    def moved(self, rows: np.ndarray, epoch_jd_tdb: np.ndarray, state: np.ndarray):
        """A catalogue of all rows, some of them with their states at other epochs."""
        everyone = self.take(np.arange(len(self)))
        states, epochs = self.state.copy(), self.epoch_jd_tdb.copy()
        states[rows], epochs[rows] = state, epoch_jd_tdb
        everyone._state, everyone._elements, everyone.epoch_jd_tdb = states, None, epochs
        return everyone

    def label(self, row: int):
        """How one writes the body of a row: '(7) Iris', 'C/2023 A3 (Name)'."""
        number = int(self.number[row]) or None
        return make_label(text_at(self._designation, row), number, self.name_of(row))

    def name_of(self, row: int):
        """The name in a row, empty where there is none."""
        return text_at(self._name, row)

    def rows_of(self, text: str):
        """Rows (k,) that a number, designation (packed or readable) or name means."""
        wanted = read_name(text)
        plain = " ".join(str(text).split())
        # What stands in the list exactly as typed is meant, whatever else it could be read as.
        found = _equals(self._designation, plain)
        if wanted.number is not None:
            found |= self.number == wanted.number
        elif wanted.designation:
            found |= _equals(self._designation, wanted.designation)
            for row, more in self.extras.items():
                found[row] |= wanted.designation in more.get("aliases", ())
        else:
            found |= _equals(self._name, plain)
            if not found.any():
                for column in (self.name, self.designation):
                    found |= np.char.lower(column) == plain.lower()
        # 73P where only its fragments are listed.
        if wanted.kind == "numbered comet" and not found.any():
            found |= np.char.startswith(self.designation, wanted.designation + "-")
        return np.flatnonzero(found)

    def select(self, text):
        """The one orbit that a number, designation or name means; DesignationError for none or several."""
        return self.orbit(self.row_of(text))

    def row_of(self, text: str):
        """The row of the one orbit that a number, designation or name means; raises as :meth:`select`."""
        rows = self.rows_of(text)
        if len(rows) == 1:
            return int(rows[0])
        if len(rows):
            listed = ", ".join(f"{self.label(row)} (epoch {self.epoch_jd_tdb[row]:.1f})" for row in rows[:4])
            more = f" and {len(rows) - 4} more" if len(rows) > 4 else ""
            raise DesignationError(
                f"{text!r} means {len(rows)} bodies: {listed}{more}; use a number or designation"
            )
        raise DesignationError(
            f"{text!r} is not among the {len(self)} orbits at hand{_hint(self, text)}. Add its orbit: "
            "'appulse orbits import' from a file, 'appulse orbits update' from a service"
        )


def _uncommon(orbit):
    """The attributes of a record that have no column of their own."""
    values = {key: getattr(orbit, key) for key in _UNCOMMON}
    empty = (None, "", ())
    return {key: v for key, v in values.items() if isinstance(v, np.ndarray) or v not in empty}
