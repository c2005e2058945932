"""Fields, kinds and blocks of ADES, the exchange format of astrometric observations (version 2022).

Source: the IAU's astrometry data exchange standard, version 2022; field names and order as in its schema.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from appulse.errors import TableError

VERSION = "2022"
KINDS = ("optical", "offset", "occultation", "radar", "opticalResidual", "radarResidual")
_NAMES = """
    permID provID artSat trkSub obsID obsSubID trkID trkMPC mode stn trx rcv sys ctr pos1 pos2 pos3 vel1
    vel2 vel3 posCov11 posCov12 posCov13 posCov22 posCov23 posCov33 prog obsTime rmsTime obsCenter raStar
    decStar ra dec deltaRA deltaDec dist pa rmsRA rmsDec rmsDist rmsPA rmsCorr doppler rmsDoppler delay
    rmsDelay astCat mag rmsMag band fltr photCat photAp nucMag logSNR shapeOcc seeing exp rmsFit com frq
    nStars ref disc subFrm subFmt precTime precRA precDec uncTime notes remarks orbProd orbID resRA resDec
    selAst sigRA sigDec sigCorr sigTime biasRA biasDec biasTime photProd resMag selPhot sigMag biasMag
    photMod resDelay selDelay sigDelay resDoppler selDoppler sigDoppler deprecated localUse
"""
FIELDS = tuple(_NAMES.split())
"""Every field, in an order that the sequences of all kinds of observation agree with."""
ORDER = {name: place for place, name in enumerate(FIELDS)}


@dataclass
class AdesBlock:
    """Observations that share a header.

    Attributes
    ----------
    context : list of (str, str or list of (str, str))
        Header elements in order: a text, or name and text of each part, e.g.
        ``("observatory", [("mpcCode", "X05")])``. Empty where the file has none.
    rows : list of dict
        Field name to text; empty fields are left out.
    kind : str
        One of :data:`KINDS`.
    """

    context: list = field(default_factory=list)
    rows: list = field(default_factory=list)
    kind: str = "optical"


def ordered(names):
    """Field names in the standard's order.

    Raises
    ------
    TableError
        A field that ADES does not know.

    Examples
    --------
    >>> ordered({"ra", "permID", "stn"})
    ['permID', 'stn', 'ra']
    """
    unknown = sorted(set(names) - set(FIELDS))
    if unknown:
        raise TableError(f"ADES has no field {unknown[0]!r}; allowed: {', '.join(FIELDS)}")
    return sorted(names, key=ORDER.__getitem__)
