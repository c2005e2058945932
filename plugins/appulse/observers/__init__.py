"""Where and when the camera stood: sites, spacecraft, time scales, the orientation of the Earth."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "earth": ["accuracy_note", "itrs_to_gcrs"],
        "site": ["Site", "SpacecraftVector", "sites_named"],
        "timescales": ["parse_utc", "quiet_erfa", "read_times_file", "tdb_days", "tt_jd"],
    },
)
