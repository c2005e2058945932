"""The quick search through links against glue's own."""

import numpy as np
import pytest
from glue.core import Data, DataCollection, link_manager
from glue.core.component_link import ComponentLink
from glue.core.link_helpers import LinkSame
from glue_worlds import make_frame, make_track

from glue_appulse import host
from glue_appulse.data import links as link_module

SLOW = getattr(link_manager, "discover_links", None)


@pytest.fixture
def theirs():
    """glue's own link manager, as it is installed."""
    from importlib import util

    spec = util.find_spec("glue.core.link_manager")
    fresh = util.module_from_spec(spec)
    spec.loader.exec_module(fresh)
    return fresh


@pytest.fixture
def slow(theirs):
    """glue's own search."""
    return theirs.discover_links


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


def test_the_manager_knows_the_same_pixels_and_components_as_glues_own(theirs):
    from glue_appulse.data.links import frame_links, link_overlay

    # two frames with one WCS are aligned pixel by pixel through a link of the user's
    frames = [make_frame(f"f{i}", shape=(20, 30), seed=i) for i in range(3)]
    tracks = [make_track(), make_track("b")]
    collection = DataCollection([*frames, *tracks])
    collection.add_link(frame_links(collection))
    for track in tracks:
        link_overlay(collection, track)
    pixels = zip(frames[0].pixel_component_ids, frames[1].pixel_component_ids, strict=True)
    collection.add_link([LinkSame(*pair) for pair in pixels])

    def known(update):
        update(collection._link_manager)
        return [({cid: cid.parent.label for cid in one.externally_derivable_components},
                 {other.label: order for other, order in one.pixel_aligned_data.items()})
                for one in collection]  # fmt: skip

    ours = known(link_module.update_derivable)
    assert ours == known(theirs.LinkManager.update_externally_derivable_components)
    assert ours[0][1] == {"f1": [0, 1]}
    assert len(ours[-1][0]) > 10


def test_pairs_whose_pixels_are_computed_are_not_compared_one_by_one(monkeypatch):
    frames = [make_frame(f"f{i}", shape=(20, 30), seed=i) for i in range(4)]
    collection = DataCollection(frames)
    collection.add_link(link_module.frame_links(collection))
    compared, theirs = [], link_manager.equivalent_pixel_cids
    monkeypatch.setattr(link_manager, "equivalent_pixel_cids",
                        lambda *pair: compared.append(pair) or theirs(*pair))  # fmt: skip
    link_module.update_derivable(collection._link_manager)
    assert not compared
    assert len(frames[0].externally_derivable_components) > 0


def test_the_window_lives_while_data_sets_come_and_the_links_are_those_of_one_go(monkeypatch):
    assert link_module.install()
    n, breaths = 9, []
    monkeypatch.setattr(host, "let_live", breaths.append)

    def linked(collection, add):
        frames = [make_frame(f"f{i}", shape=(20, 30), seed=i) for i in range(n)]
        add(collection, frames)
        collection.add_link(link_module.frame_links(collection))
        return [sorted((cid.parent.label, cid.label) for cid in one.externally_derivable_components)
                for one in collection]  # fmt: skip

    pieces = linked(DataCollection(), DataCollection.extend)
    assert len(breaths) == n
    assert pieces == linked(DataCollection(), lambda collection, every: [collection.append(d) for d in every])
    assert len(breaths) == n


def test_a_data_set_that_goes_costs_one_search(monkeypatch):
    link_module.install()
    first, others = Data(label="first", x=[1.0]), [Data(label=f"d{i}", y=[2.0]) for i in range(4)]
    collection = DataCollection([first, *others])
    collection.add_link([LinkSame(first.id["x"], other.id["y"]) for other in others])
    searches = []
    monkeypatch.setattr(link_manager.LinkManager, "update_externally_derivable_components",
                        lambda manager, data=None: searches.append(len(manager._external_links)))  # fmt: skip
    collection.remove(first)
    assert searches == [0]


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
