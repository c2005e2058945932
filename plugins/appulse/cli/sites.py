"""``--site`` of every command: a code, coordinates, or the name of a site of the settings file."""

from appulse.errors import SiteError


def site_of(text, more=()):
    """The place that ``--site`` means.

    Parameters
    ----------
    text : str
        A name of the settings file (or of `more`), an MPC code, ``LON,LAT,HEIGHT`` or ``geocentre``. A name
        that the user has given wins over a code of the same letters.
    more : sequence of SiteSettings
        Sites that are known besides: those of a campaign. They win over the settings file.

    Returns
    -------
    Site

    Raises
    ------
    SiteError
        None of these; the known names are listed.
    InputError
        The settings file cannot be used.

    Examples
    --------
    >>> site_of("X05").code
    'X05'
    """
    from appulse.formats.settings import read_settings, settings_path
    from appulse.observers.site import Site

    words = str(text).strip()
    if words.count(",") == 2:
        return Site.parse(words)  # nobody needs a readable settings file to give coordinates
    known = {one.name: one for one in (*read_settings().sites, *more)}
    match = named(known, words)
    if match is not None:
        return match.named_place
    try:
        return Site.parse(words)
    except SiteError as error:
        names = ", ".join(known)
        where = f"the settings file ({settings_path()})"
        told = f"sites known by name: {names}" if names else f"no site has a name in {where}"
        raise SiteError(f"{error}; {told}") from None


def named(known, name):
    """The entry of that name, capitals or not; None where there is none.

    Examples
    --------
    >>> named({"Home": 1, "home": 2}, "home"), named({"Home": 1}, "HOME"), named({}, "home")
    (2, 1, None)
    """
    if name in known:
        return known[name]
    return next((one for key, one in known.items() if key.lower() == name.lower()), None)
