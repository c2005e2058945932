"""Where a frame was taken from: its own site keywords in their many spellings, or a spacecraft's vector.

A wrong sign of the longitude moves an asteroid at 1 au by up to 17 arcsec, silently; so whatever in the
header depends on the longitude (sidereal time, hour angle) is held against it, and Sun and field against the
horizon.
"""

import re
from dataclasses import dataclass

import erfa
import numpy as np
from astropy.time import Time

from appulse.errors import FrameSiteError, SiteError
from appulse.frames.header import Card, Cards, parse_angle
from appulse.numerics import radec_from_unit
from appulse.observers import Site, SpacecraftVector, quiet_erfa, sites_named, tt_jd

# Slack of sidereal time, degrees: of date against J2000, start against middle of the exposure, rounding.
LST_SLACK_DEG = 3.0


def sidereal_deg(time: Time, lon_deg: float = 0.0) -> float:
    """Local mean sidereal time, degrees; UT1 taken as UTC (good to 15 arcsec)."""
    with quiet_erfa():
        utc = time.utc
        turned = erfa.gmst06(utc.jd1, utc.jd2, *tt_jd(utc))
    return float((np.degrees(turned) + lon_deg) % 360.0)


def check_rotation(
    cards: Cards, site: Site, mid: Time | None, span_s: float = 0.0, field_ra_deg: float | None = None
) -> None:
    """Hold sidereal time and hour angle of the header against longitude and time."""
    if mid is None or site.is_geocentre:
        return
    slack_deg = LST_SLACK_DEG + 15.0 * span_s / 7200.0
    lon, lat, height = site.geodetic
    for said, wanted_deg in _sidereal_statements(cards, field_ra_deg):
        off = _wrapped(wanted_deg - sidereal_deg(mid, lon))
        if abs(off) <= slack_deg:
            continue
        # The longitude by which the statement would hold; if it is ours mirrored, the sign is the mistake.
        other = _wrapped(wanted_deg - sidereal_deg(mid))
        if abs(_wrapped(other + lon)) <= slack_deg:
            raise FrameSiteError(
                f"{cards.name}: the longitude {lon:+.5f} east ({site.source}) contradicts the header's own "
                f"{said}, by which the site lies at {other:+.1f}: the sign is wrong. Give "
                f"--site={-lon:.5f},{lat:.5f},{height:.0f}"
            )
        raise FrameSiteError(
            f"{cards.name}: the longitude {lon:+.5f} east ({site.source}) and the time contradict the "
            f"header's own {said}, by {off / 15:+.2f} h: give --site LON,LAT,HEIGHT or, if the time is "
            "local, --time UTC"
        )


def _sidereal_statements(cards: Cards, field_ra_deg: float | None) -> list[tuple[str, float]]:
    found = []
    sidereal = _hours(cards.find("LST", "LST-OBS", "ST", "SIDTIME", "LMST"))
    if sidereal is not None and 0.0 <= sidereal[1] < 24.0:
        found.append((f"sidereal time ({sidereal[0]})", sidereal[1] * 15.0))
    # Sexagesimal text is in hours; a bare number may be in degrees, and tells nothing.
    angle = _hours(cards.find("HA", "TELHA", "HOURANG"))
    telescope_ra = _hours(cards.find("RA", "TELRA", "OBJCTRA"))
    ra_deg = field_ra_deg if telescope_ra is None else telescope_ra[1] * 15.0
    if angle is not None and abs(angle[1]) <= 24.0 and ra_deg is not None:
        found.append((f"hour angle ({angle[0]})", angle[1] * 15.0 + ra_deg))
    return found


def _hours(card: Card | None) -> tuple[Card, float] | None:
    hours = None if card is None or ":" not in str(card.value) else parse_angle(card.value)
    return None if hours is None else (card, hours)


def _wrapped(angle_deg: float) -> float:
    return (angle_deg + 180.0) % 360.0 - 180.0


def daylight_notes(site, mid: Time, ra_deg: float, dec_deg: float) -> list[str]:
    """What cannot be if time and site are right: the Sun up, the field below the horizon."""
    if not isinstance(site, Site) or site.is_geocentre:
        return []
    lon, lat, _ = site.geodetic
    with quiet_erfa():
        earth_h, _ = erfa.epv00(*tt_jd(mid))
    sun = radec_from_unit(-np.asarray(earth_h["p"]))  # seen from the Earth: the other way
    lst = sidereal_deg(mid, lon)
    remedy = "if the time is local, give --time UTC; if the place is wrong, --site"
    notes = []
    sun_up, field_up = (_altitude_deg(lst - ra, dec, lat) for ra, dec in (sun, (ra_deg, dec_deg)))
    if sun_up > 0.0:
        notes.append(
            f"the Sun stood {sun_up:.0f} degrees above the horizon of the site at this time: {remedy}"
        )
    if field_up < -1.0:
        notes.append(
            f"the field stood {-field_up:.0f} degrees below the horizon of the site at this time: {remedy}"
        )
    return notes


def _altitude_deg(hour_angle_deg: float, dec_deg: float, lat_deg: float) -> float:
    hour_angle, dec, lat = np.radians([hour_angle_deg, dec_deg, lat_deg])
    return float(
        np.degrees(np.arcsin(np.sin(lat) * np.sin(dec) + np.cos(lat) * np.cos(dec) * np.cos(hour_angle)))
    )


LATITUDE_KEYS = (
    "SITELAT", "SITE-LAT", "SITE_LAT", "OBS-LAT", "OBS_LAT", "LAT-OBS", "LATITUDE", "OBSLAT", "GEOLAT",
    "TELLAT", "LAT",
)  # fmt: skip
LONGITUDE_KEYS = (
    "SITELONG", "SITELON", "SITE-LON", "SITE_LON", "OBS-LONG", "OBS_LONG", "LONG-OBS", "LONGITUD",
    "LONGITUDE", "OBSLONG", "OBSLON", "GEOLON", "GEOLONG", "TELLONG", "LONG", "LON",
)  # fmt: skip
HEIGHT_KEYS = (
    "SITEELEV", "SITEALT", "SITE-ELE", "SITE_ALT", "OBS-ELEV", "OBS_ELEV", "ALT-OBS", "ELEVATIO", "OBSALT",
    "GEOELEV", "TELALT", "HEIGHT", "ALTITUDE",
)  # fmt: skip
CODE_KEYS = ("MPCCODE", "MPC-CODE", "MPC_CODE", "OBSCODE", "OBS-CODE", "IAUCODE", "IAU-CODE", "OBSERVCO")
# TELESCOP names an instrument, never a place: two telescopes of one site would be two sites.
UNNAMED = "site of the frame"

_WEST = re.compile(r"\bwest\b|\bW\s*\+|\+\s*W\b", re.IGNORECASE)
_WEST_NEGATIVE = re.compile(r"west\W*(is\W*)?(neg|-|\(-)|(neg\w*|-)\W*west|east\W*(is\W*)?(pos|\+)|\+\W*east",
                            re.IGNORECASE)  # fmt: skip
_POINTING = re.compile(
    r"\b(object|target|telescope|pointing|field|sun|moon|horizon|refraction|deg|degrees?)\b", re.IGNORECASE
)
_LENGTH = re.compile(r"\[?\b(m|metres?|meters?|km|kilomet(er|re)s?|ft|feet|foot)\b\]?|sea", re.IGNORECASE)
ANGLE_OR_HEIGHT = ("TELALT", "ALTITUDE", "OBSALT", "SITEALT", "SITE_ALT")
"""Altitude is a height or an angle: these keywords are used for both."""
NAME_KEYS = ("TELESCOP", "OBSERVAT", "SITENAME", "SITE", "OBSVTORY", "ORIGIN")
MOST_OFFERED = 3
EARTH_RADIUS_M = (6_330_000.0, 6_420_000.0)
# Two statements of the site that differ by less are one: 5 km move a body at 1 au by 7 mas.
SAME_SITE_M = 5_000.0


@dataclass(frozen=True)
class Siting:
    """What was found about the observer."""

    # problem: Why there is none.

    observer: Site | SpacecraftVector | None
    notes: tuple[str, ...] = ()
    problem: FrameSiteError | None = None


def read_observer(
    cards: Cards, mid: Time | None, site=None, *, span_s: float = 0.0, field_ra_deg: float | None = None
) -> Siting:
    """The observer of a frame: given, spacecraft, or site from the header."""
    if site is not None:
        return _given(cards, mid, Site.parse(site) if isinstance(site, str) else site)
    notes: tuple[str, ...] = ()
    try:
        craft = _spacecraft(cards, mid)
        if craft is not None:
            how = "heliocentric vector of the header, at mid-exposure"
            return Siting(craft, (f"taken from space ({craft.name}): {how}",))
        found, notes = _header_site(cards)
        if found is None:
            raise FrameSiteError(
                f"{cards.name}: the header does not say where the frame was taken (OBSGEO-X/Y/Z, SITELAT and "
                f"SITELONG, MPCCODE ...): give --site CODE or --site LON,LAT,HEIGHT{_offered(cards)}"
            )
        check_rotation(cards, found, mid, span_s, field_ra_deg)
    except FrameSiteError as problem:
        return Siting(None, notes, problem)
    return Siting(found, notes)


def _given(cards: Cards, mid: Time | None, site) -> Siting:
    other = read_observer(cards, mid)
    notes = ["site as given"]
    if isinstance(other.observer, Site) and isinstance(site, Site) and not site.is_geocentre:
        apart_m = _apart_m(other.observer, site)
        if apart_m > SAME_SITE_M:
            notes = [f"site as given; the header's own lies {apart_m / 1000:.0f} km away and is ignored"]
    elif other.observer is not None:
        notes = [f"site as given; the header's own ({other.observer.name}) is ignored"]
    return Siting(site, tuple(notes))


def _apart_m(a: Site, b: Site) -> float:
    return float(np.linalg.norm(np.subtract(a.itrs_m, b.itrs_m)))


# --- spacecraft


def _spacecraft(cards: Cards, mid: Time | None) -> SpacecraftVector | None:
    """Heliocentric vector of a spacecraft, au and au/d, J2000 axes."""
    places = [cards.number(f"SUN2SC{axis}") for axis in "XYZ"]
    if any(place is None for place in places):
        return None
    speeds = [cards.number(f"SCVEL{axis}") for axis in "XYZ"]
    if any(speed is None for speed in speeds):
        raise FrameSiteError(
            f"{cards.name}: a spacecraft's place (SUN2SCX ...) without its velocity (SCVELX ...): give the "
            "observer"
        )
    if mid is None:
        raise FrameSiteError(
            f"{cards.name}: a spacecraft's vector without a time it belongs to: give the time with --time"
        )
    position = tuple(value for value, _ in places)
    if not 0.2 < float(np.linalg.norm(position)) < 100.0:
        raise FrameSiteError(
            f"{cards.name}: SUN2SCX/Y/Z {position} is not a place in au from the Sun: correct it, or give "
            "the observer"
        )
    name = cards.text("TELESCOP") or "spacecraft"
    return SpacecraftVector(name, mid, position, tuple(value for value, _ in speeds), origin="sun")


# --- sites on the ground


def _header_site(cards: Cards) -> tuple[Site | None, tuple[str, ...]]:
    """All statements of the site, which must be one, and notes."""
    name = cards.text("OBSERVAT", "SITENAME", "SITE", "OBSVTORY") or UNNAMED
    statements = (
        (_geocentric(cards, name), ()),
        _from_keys(cards, name, ("OBSGEO-L",), ("OBSGEO-B",), ("OBSGEO-H",)),
        _code(cards),
        _from_keys(cards, name, LONGITUDE_KEYS, LATITUDE_KEYS, HEIGHT_KEYS),
    )
    found = [site for site, _ in statements if site is not None]
    for other in found[1:]:
        apart_m = _apart_m(found[0], other)
        if apart_m > SAME_SITE_M:
            words = [
                f"{site.source} (longitude {site.geodetic[0]:.4f}, latitude {site.geodetic[1]:.4f})"
                for site in (found[0], other)
            ]
            raise FrameSiteError(
                f"{cards.name}: two sites, {apart_m / 1000:.0f} km apart: {words[0]} and {words[1]}: say "
                "which with --site LON,LAT,HEIGHT"
            )
    return found[0] if found else None, tuple(note for _, notes in statements for note in notes)


def _geocentric(cards: Cards, name: str) -> Site | None:
    parts = [cards.number(f"OBSGEO-{axis}") for axis in "XYZ"]
    if any(part is None for part in parts) or not any(value for value, _ in parts):
        return None
    xyz = np.array([value * _metres(card) for value, card in parts])
    if not EARTH_RADIUS_M[0] < float(np.linalg.norm(xyz)) < EARTH_RADIUS_M[1]:
        raise FrameSiteError(
            f"{cards.name}: OBSGEO-X/Y/Z lies {np.linalg.norm(xyz) / 1000:.0f} km from the Earth's centre, "
            "not on the ground (metres are expected): give --site LON,LAT,HEIGHT"
        )
    return Site(name, None, tuple(xyz), "OBSGEO-X/Y/Z of the header")


def _code(cards: Cards) -> tuple[Site | None, tuple[str, ...]]:
    card = cards.find(*CODE_KEYS)
    if card is None:
        return None, ()
    # A card may hold the number of the code, without its leading zeros.
    number = isinstance(card.value, int) and not isinstance(card.value, bool)
    try:
        return Site.from_mpc_code(f"{card.value:03d}" if number else str(card.value)), ()
    except SiteError as error:
        return None, (f"{card.key} = {card.value!r} not used: {error}",)


def _offered(cards: Cards) -> str:
    """Sites of the MPC's list that a name in the header may mean, to choose from: never taken unasked."""
    for card in cards.all(*NAME_KEYS):
        found = sites_named(str(card.value))
        if card.key == "TELESCOP" and any(site.code == str(card.value).strip() for site in found):
            continue  # a type of telescope, spelt as some site's code
        if found and all(_apart_m(found[0], site) <= SAME_SITE_M for site in found):
            found = found[:1]  # telescopes of one mountain
        if found and len(found) <= MOST_OFFERED:
            listed = " or ".join(f"--site {site.code} ({site.name})" for site in found)
            return f"; {card.key} = {str(card.value)!r} may mean {listed}"
    return ""


def _from_keys(cards: Cards, name: str, lon_keys, lat_keys, height_keys) -> tuple[Site | None, tuple]:
    lon_card, lat_card = cards.find(*lon_keys), cards.find(*lat_keys)
    if lon_card is None or lat_card is None:
        alone = lon_card or lat_card
        return None, (f"{alone.key} stands alone: no site from it",) if alone else ()
    lon, lat = _angle(cards, lon_card), _angle(cards, lat_card)
    # There is sea at (0, 0).
    if lon == 0.0 and lat == 0.0:
        keys = f"{lon_card.key} and {lat_card.key}"
        return None, (f"{keys} are both 0, as where no site was ever set",)
    lon, east_notes = _east(cards, lon_card, lon)
    lon = (lon + 180.0) % 360.0 - 180.0 if -360.0 <= lon <= 360.0 else lon
    height_m, height_notes = _height(cards, height_keys)
    keys = f"{lon_card.key}, {lat_card.key}"
    try:
        site = Site.from_geodetic(lon, lat, height_m, name=name, source=f"{keys} of the header")
    except SiteError as error:
        raise FrameSiteError(f"{cards.name}: {keys}: {error}; give --site LON,LAT,HEIGHT") from error
    return site, (*east_notes, *height_notes)


def _angle(cards: Cards, card: Card) -> float:
    value = parse_angle(card.value)
    if value is None:
        raise FrameSiteError(
            f"{cards.name}: {card.key} = {card.value!r} is not an angle (degrees, or sexagesimal as "
            "+46:52:00.4): give --site LON,LAT,HEIGHT"
        )
    return value


def _east(cards: Cards, card: Card, lon: float) -> tuple[float, tuple[str, ...]]:
    """East-positive longitude, by the words of the card's comment, and a note where it was turned."""
    counted_west = _WEST.search(card.comment) and not _WEST_NEGATIVE.search(card.comment)
    if not counted_west or str(card.value)[-1:] in "WwEe":
        return lon, ()
    # "west" and a minus sign: a west that counts negative, or an east written twice over?
    if lon < 0.0:
        raise FrameSiteError(
            f"{cards.name}: {card.key} = {card.value!r} is negative, and its comment says west "
            f"({card.comment!r}): either may mean east. Give --site LON,LAT,HEIGHT (east positive)"
        )
    return -lon, (f"{card.key} = {card.value} counted to the west by its comment: {-lon:g} to the east",)


def _height(cards: Cards, keys) -> tuple[float, tuple[str, ...]]:
    for card in cards.all(*keys):
        if card.key in ANGLE_OR_HEIGHT and _is_pointing(cards, card):
            continue
        value = parse_angle(card.value)
        if value is not None:
            return value * _metres(card), ()
    return 0.0, ("height of the site unknown: sea level taken (1 km moves a body at 1 au by 1.4 mas)",)


def _is_pointing(cards: Cards, card: Card) -> bool:
    """Whether an altitude is the angle of the pointing, by its comment or an azimuth beside it."""
    if _LENGTH.search(card.comment):
        return False
    if _POINTING.search(card.comment) or ":" in str(card.value):
        return True
    value = parse_angle(card.value)
    beside = card.key == "TELALT" and cards.find("TELAZ", "AZIMUTH", "TELAZIM", "AZ") is not None
    return beside and value is not None and -90.0 <= value <= 90.0


def _metres(card: Card) -> float:
    if re.search(r"\[?\bkm\b\]?|kilomet", card.comment, re.IGNORECASE):
        return 1000.0
    return 0.3048 if re.search(r"\b(ft|feet|foot)\b", card.comment, re.IGNORECASE) else 1.0
