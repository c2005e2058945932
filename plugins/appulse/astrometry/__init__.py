"""Bodies and stars measured on frames: fits, the plate check, O-C, error budget, verdict, improved orbits."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "budget": ["THREE_SIGMA_CHI2", "error_budget"],
        "detection": ["detect_stars", "one_level", "survey_frame"],
        "elsewhere": ["night_questions"],
        "identity": ["identify"],
        "observations": ["observation_residuals", "observer_of"],
        "orbit_fit": ["improve_orbit"],
        "first_orbit": ["FirstOrbit", "first_orbit"],
        "pair_night": ["settled"],
        "parallax": ["ParallaxFit", "distance_by_parallax"],
        "plate": ["check_plate", "zero_point"],
        "prediction": ["Prediction"],
        "psf": ["PSF", "Trail", "pixel_image"],
        "residual": ["Residual", "measure", "residual_table"],
        "short_arc": ["Sighting"],
        "sites_verdict": ["SitesVerdict", "judge_sites", "site_offset"],
        "sky": ["SkyMesh", "sky_mesh"],
        "stamp": ["frame_noise"],
        "total_magnitude": ["TotalMagnitude", "total_magnitude"],
        "verdict": ["judge"],
    },
)
