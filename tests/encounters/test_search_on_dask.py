"""The search on a Dask cluster, where the package is installed: the same passes in the same order."""

import numpy as np
import pytest
from astropy.time import Time

from appulse.bodies.readers import starter_orbits
from appulse.catalogues.deepsky import Outline
from appulse.encounters.passes import PassSearch, find_passes, on_dask
from appulse.encounters.targets import Targets
from appulse.errors import InputError
from appulse.observers.site import Site


@pytest.mark.filterwarnings("ignore")
def test_a_cluster_gives_equal_results(monkeypatch):
    distributed = pytest.importorskip("distributed", reason="Dask is absent: pip install distributed")
    monkeypatch.setattr("appulse.encounters.passes.CHUNK", 4)
    rng = np.random.default_rng(3)
    places = zip(rng.uniform(0, 360, 2000), rng.uniform(-25, 25, 2000), strict=True)
    targets = Targets.from_outlines(Outline(f"T{i}", "point", ra, dec) for i, (ra, dec) in enumerate(places))
    search = PassSearch(targets, Time("2027-05-01"), Time("2027-06-15"), Site.geocentre(), 20.0)
    catalogue = starter_orbits().take(np.arange(12))
    here = find_passes(catalogue, search)
    with distributed.LocalCluster(n_workers=1, processes=False, dashboard_address=None) as cluster:
        there = find_passes(catalogue, search, run=on_dask(cluster.scheduler_address))
    assert len(here) > 3
    assert [one.id for one in here] == [one.id for one in there]
    assert [one.separation_arcsec for one in here] == [one.separation_arcsec for one in there]


def test_an_address_without_a_scheduler_is_named():
    pytest.importorskip("distributed", reason="Dask is absent: pip install distributed")
    nowhere = on_dask("nowhere")
    with pytest.raises(InputError, match="no Dask cluster at 'nowhere'"):
        list(nowhere(len, [()]))
