"""Designations of deep-sky objects: how they are shown, and how they are looked up."""

import re

_PARTS = re.compile(r"([A-Za-z]+)\s*0*(\d.*)")
_ALIASES = {"MESSIER": "M", "CALDWELL": "C", "MELOTTE": "MEL", "BARNARD": "B", "COLLINDER": "CL", "CR": "CL"}


def shown(identifier):
    """A designation as it is written: a blank after the letters, no leading zeros.

    Parameters
    ----------
    identifier : str

    Returns
    -------
    str

    Examples
    --------
    >>> shown("NGC0224"), shown("Mel022"), shown("ESO056-115"), shown("M031")
    ('NGC 224', 'Mel 22', 'ESO 56-115', 'M 31')
    """
    match = _PARTS.fullmatch(identifier.strip())
    return f"{match[1]} {match[2]}" if match else identifier.strip()


def key(text):
    """What two spellings of one name have in common.

    Parameters
    ----------
    text : str

    Returns
    -------
    str

    Examples
    --------
    >>> {key(text) for text in ("NGC 224", "ngc224", "Ngc 0224")}
    {'NGC224'}
    >>> key("Messier 31") == key("m031"), key("rho Oph Nebula")
    (True, 'RHOOPHNEBULA')
    """
    packed = re.sub(r"[\s_'’.]+", "", text).upper()
    match = _PARTS.fullmatch(packed)
    if match is None:
        return packed
    return f"{_ALIASES.get(match[1], match[1])}{match[2]}"
