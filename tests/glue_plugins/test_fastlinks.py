"""The quick search through links against glue's own."""

import numpy as np
import pytest
from glue.core import Data, DataCollection, link_manager
from glue.core.component_link import ComponentLink
from glue.core.link_helpers import LinkSame
from glue_worlds import make_frame, make_track

from glue_appulse.data import links as link_module

SLOW = getattr(link_manager, "discover_links", None)


@pytest.fixture
def slow(monkeypatch):
    """glue's own search."""
    from importlib import util

    spec = util.find_spec("glue.core.link_manager")
    fresh = util.module_from_spec(spec)
    spec.loader.exec_module(fresh)
    return fresh.discover_links


def steps(chosen, known):
    """How many links each component is away from what is known."""
    depth = dict.fromkeys(known, 0)
    while any(cid not in depth for cid in chosen):
        for cid, link in chosen.items():
            if cid not in depth and all(one in depth for one in link.get_from_ids()):
                depth[cid] = 1 + max([depth[one] for one in link.get_from_ids()], default=0)
    return depth


@pytest.mark.parametrize("seed", range(8))
def test_random_webs_give_the_same_components_by_ways_as_short(slow, seed):
    rng = np.random.default_rng(seed)
    data = [Data(label=f"d{i}", a=[1.0], b=[2.0], c=[3.0]) for i in range(6)]
    every = [cid for one in data for cid in one.main_components]
    links = []
    for _ in range(14):
        ends = rng.choice(len(every), size=rng.integers(2, 4), replace=False)
        using = (lambda x: x) if len(ends) == 2 else (lambda x, y: x + y)
        links.append(ComponentLink([every[i] for i in ends[:-1]], every[ends[-1]], using))
    for one in data:
        ours, theirs = link_module.discover_links(one, links), slow(one, links)
        known = one.main_components + one.coordinate_components
        assert steps(ours, known) == steps(theirs, known)


def test_frames_and_overlays_derive_the_same(slow):
    from glue_appulse.data.links import frame_links, link_overlay

    frames, track = [make_frame(f"f{i}", shape=(20, 30), seed=i) for i in range(4)], make_track()
    collection = DataCollection([*frames, track])
    collection.add_link(frame_links(collection))
    link_overlay(collection, track)
    links = collection._link_manager._links | collection._link_manager._inverse_links
    for one in collection:
        assert set(link_module.discover_links(one, links)) == set(slow(one, links))


def test_it_is_in_place_only_where_glue_is_the_slow_one(monkeypatch):
    assert link_module.install()
    monkeypatch.setattr(link_manager, "discover_links", lambda data, links: {})
    assert not link_module.install()


def test_links_of_a_data_set_removed_are_forgotten():
    link_module.install()
    first, second = Data(label="first", x=[1.0]), Data(label="second", y=[2.0])
    collection = DataCollection([first, second])
    collection.add_link(LinkSame(first.id["x"], second.id["y"]))
    assert second.id["y"] in first.externally_derivable_components
    collection.remove(second)
    assert second.id["y"] not in first.externally_derivable_components
