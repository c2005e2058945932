"""Floats and arrays only: two-body motion, the N-body integrator, the sphere, robust statistics."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "distributions": ["chi2_isf", "chi2_sf", "f_isf", "normal_isf", "normal_sf", "poisson_sf"],
        "dop853": ["Dop853Step", "STAGES", "interpolate", "step_factor", "tableau"],
        "filters": ["block_means", "box_mean", "lowest", "separable_filter"],
        "kepler": ["ECLIPTIC_TO_ICRF", "elements_from_state", "state_from_elements"],
        "mesh": ["between"],
        "nbody": ["Forces", "MAJOR_ROWS", "NonGravArrays"],
        "robust": [
            "MAD_TO_SIGMA", "clipped_sigma", "extra_scatter", "likely_scatter", "mad_sigma", "weighted_lstsq"
        ],
        "sphere": [
            "SkyPlane", "along_great_circles", "axes_from_radec", "ellipse_from_cov", "offsets_rad",
            "radec_from_unit", "separation_rad", "tangent_axes", "unit_from_radec",
        ],
    },
)
