"""The network, cached and with time-outs: orbits, ephemerides, bodies and stars in a cone."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "client": ["ReplyCache", "RequestPolicy", "age_words", "plain"],
        "cone_queries": ["gaia_stars", "known_bodies"],
        "ephemeris_queries": ["horizons_ephemeris"],
        "orbit_queries": ["fetch_orbits", "sbdb_orbit"],
    },
)
