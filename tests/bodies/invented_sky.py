"""Invented catalogues of every kind of body."""

import numpy as np

from appulse.bodies.catalogue import OrbitCatalogue

EPOCH_JD = 2_461_000.5
CATALOGUE_MIX = (0.85, 0.03, 0.03, 0.03, 0.05, 0.01)
"""Main belt, Cybeles and Hildas, Trojans, near-Earth, Mars crossers, comets with open orbits among them."""
HARD_MIX = (0.4, 0.1, 0.1, 0.2, 0.15, 0.05)


def invented_catalogue(count, mix=CATALOGUE_MIX, seed=1):
    """Orbits at one epoch, drawn at random; Trojans at any distance from Jupiter, to make it hard."""
    rng = np.random.default_rng(seed)
    parts = [int(share * count) for share in mix]
    parts[0] += count - sum(parts)

    def by_axis(n, low, high, top):
        e = rng.uniform(0, top, n)
        return rng.uniform(low, high, n) * (1 - e), e

    kinds = [by_axis(parts[0], 2.1, 3.3, 0.3), by_axis(parts[1], 3.3, 4.1, 0.25)]
    kinds.append(by_axis(parts[2], 5.1, 5.3, 0.15))
    kinds.append((rng.uniform(0.3, 1.3, parts[3]), rng.uniform(0.1, 0.8, parts[3])))
    kinds.append((rng.uniform(1.3, 1.7, parts[4]), rng.uniform(0.1, 0.6, parts[4])))
    kinds.append((rng.uniform(0.5, 40.0, parts[5]), rng.uniform(0.0, 1.2, parts[5])))
    q, e = (np.concatenate([kind[i] for kind in kinds]) for i in (0, 1))
    period = np.where(e < 1, 365.25 * (q / np.where(e < 1, 1 - e, 1.0)) ** 1.5, 20_000.0)
    elements = np.column_stack(
        [q, e, rng.rayleigh(8, count) % 180, rng.uniform(0, 360, count), rng.uniform(0, 360, count),
         EPOCH_JD + rng.uniform(-0.5, 0.5, count) * np.minimum(period, 20_000.0)]
    )  # fmt: skip
    names = np.char.add("S", np.arange(count).astype(str))
    return OrbitCatalogue(
        names, np.full(count, EPOCH_JD), elements=elements, h=rng.uniform(10, 20, count),
        g=np.full(count, 0.15),
    )  # fmt: skip
