"""What else could be the dot: other known bodies, catalogue objects and stars at a measured place."""

from appulse.cli import common
from appulse.errors import AppulseError

LARGE_CATALOGUE = 100_000
"""A file of more orbits than this holds the bundled ones too."""


class Surroundings:
    """Known bodies and objects of each frame; a run looks them up once for all its places.

    Parameters
    ----------
    catalogue : OrbitCatalogue or None
        Orbits of the run; the bundled ones are put beside. None: the bundled ones alone.
    table : TabulatedEphemeris or None
        Positions of the run.
    """

    def __init__(self, catalogue=None, table=None):
        from appulse.bodies.readers import starter_orbits
        from appulse.bodies.readers.orbit_files import join_orbits

        self.table = table
        if catalogue is None:
            self.catalogue = starter_orbits()
        elif len(catalogue) > LARGE_CATALOGUE:
            self.catalogue = catalogue
        else:
            self.catalogue = join_orbits(catalogue, starter_orbits())

    def bodies(self, frame) -> list:
        """Rows of the ephemerides of all known bodies in a frame at its middle.

        Parameters
        ----------
        frame : SolvedFrame

        Returns
        -------
        list of rows
        """
        from appulse.bodies.field_search import bodies_in_field

        mid, observer = frame.exposure.mid, frame.observer
        rows = []
        try:
            rows += list(bodies_in_field(self.catalogue, mid, observer, *frame.centre, frame.radius_deg))
        except AppulseError as error:
            common.note(f"{frame.name}: other known bodies were not looked up: {error}")
        if self.table is not None:
            rows += list(self.table.at(mid, observer))
        return rows

    def identify(self, frame, residuals) -> list:
        """What speaks for and against each residual of a frame being its body.

        Parameters
        ----------
        frame : SolvedFrame
        residuals : sequence of Residual
            All of that frame.

        Returns
        -------
        list of Identity
        """
        from appulse.astrometry.identity import identify
        from appulse.bodies.designations import normalise
        from appulse.catalogues.deepsky import objects_near

        if not residuals:
            return []
        bodies = {normalise(str(row["designation"])): row for row in self.bodies(frame)}
        objects = objects_near(*frame.centre, frame.radius_deg)
        found = []
        for one in residuals:
            own = self._names(one.designation)
            others = [row for name, row in bodies.items() if name not in own]
            found.append(identify(one, predictions=others, objects=objects))
        return found

    def _names(self, designation: str) -> set:
        """What a body is called: the same one may stand in a table and in the orbits by different names."""
        from appulse.bodies.designations import normalise

        rows = self.catalogue.rows_of(designation)
        return {normalise(designation), *(normalise(str(self.catalogue.designation[row])) for row in rows)}
