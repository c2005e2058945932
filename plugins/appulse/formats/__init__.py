"""Tables, settings, observations and provenance in and out; every file is written here."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "array_cache": ["cache_folder", "cached_arrays"],
        "ades.build": ["AdesHeader", "build_blocks", "write_ades_psv", "write_ades_xml"],
        "obs80": ["format_obs80", "from_ades"],
        "observation_table": ["read_observations"],
        "locks": ["lock_of"],
        "output": ["check_free", "replacing", "together", "write_bytes", "write_table", "write_text"],
        "png": ["NO_FILTER", "dots_per_inch", "encode_png"],
        "provenance": ["file_sha256", "provenance"],
        "residual_table": ["COLUMNS", "make_table", "read_residuals", "write_residuals"],
        "shared_night": [
            "SharedPlace", "is_shared", "read_shared", "rounded_vectors", "rounding_km", "shared_table",
        ],
        "settings": [
            "InstrumentSettings", "PRIVATE_SOURCE", "SiteSettings", "named", "read_instruments",
            "read_settings", "read_sites", "settings_path", "site_of", "window_shape",
        ],
        "tables": [
            "angle_column", "find_column", "known_column", "number_column", "read_table", "require_columns",
            "sexagesimal", "text_column",
        ],
        "yamlfile": ["Fields", "Located", "Problems", "load_yaml", "short"],
    },
)
