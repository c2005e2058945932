"""Minor bodies: designations, orbits and their readers, ephemerides, photometry, who is in a field."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "carried": ["carried_records"],
        "comet_tail": ["FAN_AGES_D", "FAN_BETAS", "CometTail", "comet_tail", "dust_fans", "law_lengths_km"],
        "catalogue": ["OrbitCatalogue"],
        "designations": ["normalise", "pack", "read_name"],
        "ephemeris": ["NBodyEphemeris", "predict"],
        "field_search": ["bodies_in_field", "may_be_bright"],
        "kernels": [
            "EARTH", "Kernels", "MOON", "SUN", "adopt_kernels", "choose_kernels", "chosen_kernels",
            "default_kernels",
        ],
        "known_bodies": ["MeasuredDiameter", "body_label", "measured_diameter"],
        "outgassing": ["is_comet", "rests_on_jd"],
        "orbit": ["NonGrav", "Orbit", "STATE_NAMES"],
        "photometry": ["UpdatedLaw", "magnitude", "updated_law"],
        "readers": ["starter_orbits", "read_orbits"],
        "readers.json_orbits": ["COMET_UNIT", "orbit_from_json"],
        "readers.orbit_files": ["join_orbits", "own_orbits", "own_orbits_path"],
        "readers.orbit_table": ["orbit_table"],
        "readers.orbit_text": ["to_float"],
        "tabulated": ["TabulatedEphemeris"],
        "uncertainty": ["typical_sigma"],
    },
)
