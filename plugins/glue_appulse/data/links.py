"""Links between frames and overlays: batched, star-shaped, and such that glue can save them."""

import inspect

from glue.core.link_helpers import LinkSame

from glue_appulse.data.kinds import FRAME, RESIDUALS, all_of, kind_of
from glue_appulse.host import breathe

#: Celestial frames whose right ascension and declination are ICRF's to 0.03 arcsec, which is what a
#: selection needs; drawing never goes through these links.
EQUATORIAL = ("ICRS", "FK5")


def sky_ids(data) -> tuple:
    """Longitude and latitude components of a data set on the sky."""
    if data.ndim == 2 and data.coords is not None:
        wcs = data.coords.wcs
        ids = data.world_component_ids
        return ids[data.ndim - 1 - wcs.lng], ids[data.ndim - 1 - wcs.lat]
    if hasattr(data, "center_x_id"):
        return data.center_x_id, data.center_y_id
    if kind_of(data) == RESIDUALS:
        return data.id["ra_obs"], data.id["dec_obs"]
    return data.id["RA"], data.id["Dec"]


def is_equatorial(data) -> bool:
    """Whether a frame's WCS runs in right ascension and declination of ICRS or FK5 J2000."""
    from astropy.wcs.utils import wcs_to_celestial_frame

    frame = wcs_to_celestial_frame(data.coords)
    return frame.name.upper() in EQUATORIAL and getattr(frame, "equinox", None) in (None, "J2000.000")


def links_between(frame, other) -> list:
    """Links that make two data sets one sky."""
    from glue.plugins.coordinate_helpers.link_helpers import ICRS_to_Galactic

    mine, its = sky_ids(frame), sky_ids(other)
    both = [is_equatorial(frame), kind_of(other) != FRAME or is_equatorial(other)]
    if all(both):
        return [LinkSame(a, b) for a, b in zip(mine, its, strict=True)]
    if both[0]:
        return [ICRS_to_Galactic(cids1=list(mine), cids2=list(its))]
    if both[1]:
        return [ICRS_to_Galactic(cids1=list(its), cids2=list(mine))]
    return [LinkSame(a, b) for a, b in zip(mine, its, strict=True)]


def _linked(data_collection):
    """Pairs of data sets that already have a link between them."""
    pairs = set()
    for link in data_collection.external_links:
        ends = [getattr(link, "data1", None), getattr(link, "data2", None)]
        if None in ends:
            continue
        pairs.add(frozenset(map(id, ends)))
    return pairs


def frame_links(data_collection) -> list:
    """Links that are missing between the frames of a collection: each to the first of them."""
    frames = all_of(data_collection, FRAME)
    have = _linked(data_collection)
    return [
        link
        for frame in frames[1:]
        if frozenset((id(frames[0]), id(frame))) not in have
        for link in links_between(frames[0], frame)
    ]


def link_overlays(data_collection, overlays: list, frames: list | None = None):
    """Link overlays to frames, all in one go: glue looks through every link again after each addition."""
    frames = all_of(data_collection, FRAME) if frames is None else frames
    have = _linked(data_collection)
    missing = [(frame, overlay) for overlay in overlays for frame in frames
               if frozenset((id(frame), id(overlay))) not in have]  # fmt: skip
    data_collection.add_link([link for pair in missing for link in links_between(*pair)])


def link_overlay(data_collection, overlay, frames: list | None = None):
    """Link an overlay to frames."""
    link_overlays(data_collection, [overlay], frames)


# --- glue's search for what its data sets can derive from their links, in one pass

# glue-core looks through all links again for every component it finds, gathers them anew for every data set,
# and searches anew after each link of a data set that goes: for a night that grows with the cube of its
# frames and overlays (sixty frames and three overlays: half a minute; the 35th track: a second). The search
# below visits each link once and finds the same components by ways of the same length. It takes the place of
# glue's only as long as that is the one known to be slow; a glue that brings its own is left alone.
KNOWN_SLOW = {
    "discover_links": "for link in accessible_links(cids, links):",
    "update_externally_derivable_components": "discover_links(data, self._links | self._inverse_links)",
    "remove": "msg = DataCollectionDeleteMessage(self, data)\n            self.hub.broadcast(msg)",
    "extend": "for d in data:\n                self.append(d)\n        self._sync_link_manager()",
}


class LinkWeb:
    """Links of a collection, looked through once for all its data sets."""

    def __init__(self, links):
        self.links = list(links)
        inputs = [set(link.get_from_ids()) for link in self.links]
        self._missing = [len(ids) for ids in inputs]
        self._users = {}
        for i, ids in enumerate(inputs):
            for cid in ids:
                self._users.setdefault(cid, []).append(i)

    def discover(self, data) -> dict:
        """Links by which a data set derives components, each by a shortest way."""
        missing = self._missing.copy()
        reached = set(data.main_components + data.coordinate_components)
        chosen, fresh = {}, list(reached)
        opened = [i for i, count in enumerate(missing) if count == 0]
        while fresh or opened:
            for cid in fresh:
                for i in self._users.get(cid, ()):
                    missing[i] -= 1
                    if missing[i] == 0:
                        opened.append(i)
            fresh = []
            for i in opened:
                target = self.links[i].get_to_id()
                if target not in reached:
                    reached.add(target)
                    chosen[target] = self.links[i]
                    fresh.append(target)
            opened = []
        return chosen


def discover_links(data, links) -> dict:
    """Links by which a data set derives components, each by a shortest way."""
    return LinkWeb(links).discover(data)


def update_derivable(manager, data=None):
    """What glue's link manager does after each change of its links, the links gathered once."""
    from glue.core.component import DerivedComponent
    from glue.core.data import BaseCartesianData
    from glue.core.link_manager import equivalent_pixel_cids

    if manager.data_collection is None and data is None:
        return
    collection = [data] if manager.data_collection is None else manager.data_collection
    every = [each for each in collection if isinstance(each, BaseCartesianData)]
    links = manager._links
    # in an order that stays: which of two ways as short is taken must not change from time to time
    web = LinkWeb(sorted(links | {link.inverse for link in links if link.inverse is not None}, key=_order))
    for each in every:
        derived = {cid: DerivedComponent(each, link) for cid, link in web.discover(each).items()}
        each._set_externally_derivable_components(derived)
    for each in every:
        aligned = {}
        for other in every:
            order = None if each is other or _apart(each, other) else equivalent_pixel_cids(other, each)
            if order is not None:
                aligned[other] = order
        each._set_pixel_aligned_data(aligned)


def _apart(target, reference) -> bool:
    """Whether two data sets of ours have no pixels in common: one computes the other's, or cannot tell."""
    if kind_of(target) is None or kind_of(reference) is None:
        return False
    # a pixel that is computed, as through two WCS, is never taken for one of the data set's own
    ways = map(reference._get_external_link, target.pixel_component_ids)
    return any(way is None or not way.identity for way in ways)


def _order(link):
    return [cid.uuid for cid in (*link.get_from_ids(), link.get_to_id())], id(link)


def remove_data(collection, data):
    """What glue's collection does when a data set goes, its links removed all in one go."""
    from glue.core.data import Data
    from glue.core.message import DataCollectionDeleteMessage
    from glue.core.registry import Registry

    if data not in collection._data:
        return
    collection._data.remove(data)
    Registry().unregister(data, Data)
    # glue's link manager would hear of it first, and search anew after each of these
    gone = [link for link in collection._link_manager._external_links
            if any(cid in link and cid.parent is data for cid in data.components)]  # fmt: skip
    if gone:
        collection._link_manager.remove_link(gone)
    if collection.hub:
        collection.hub.broadcast(DataCollectionDeleteMessage(collection, data))


def extend(collection, data):
    """What glue's collection does when data sets come, with time for the window between some of them."""
    with collection._ignore_link_manager_update():
        for each in list(data):
            collection.append(each)
            breathe(f"adding {each.label}")
    collection._sync_link_manager()


def install() -> bool:
    """Put the search into glue, where glue's is the slow one."""
    from glue.core import DataCollection, link_manager

    ours = {
        "discover_links": (link_manager, discover_links),
        "update_externally_derivable_components": (link_manager.LinkManager, update_derivable),
        "remove": (DataCollection, remove_data),
        "extend": (DataCollection, extend),
    }
    done = [_put(place, name, function) for name, (place, function) in ours.items()]
    return all(done)


def _put(place, name, function) -> bool:
    theirs = getattr(place, name)
    if theirs is function:
        return True
    try:
        source = inspect.getsource(theirs)
    except OSError:
        return False
    if KNOWN_SLOW[name] not in source:
        return False
    setattr(place, name, function)
    return True
