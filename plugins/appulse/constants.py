"""Constants of the trade, with the unit in the name and the source beside."""

AU_KM = 149_597_870.7
"""Astronomical unit, km. IAU 2012 Resolution B2 (exact)."""

C_KM_S = 299_792.458
"""Speed of light, km/s. BIPM SI Brochure (exact)."""

DAY_S = 86_400.0
"""Julian day, s (exact)."""

C_AU_DAY = C_KM_S * DAY_S / AU_KM
"""Speed of light, au/d. From the two above."""

LIGHT_TIME_S_AU = AU_KM / C_KM_S
"""Light time for one au, s: 499.004783836..."""

OBLIQUITY_J2000_ARCSEC = 84_381.448
"""Obliquity that defines the ecliptic J2000 axes of the orbit catalogues, arcsec. IAU 1976 (Lieske et
al. 1977, A&A 58, 1), as used by JPL Horizons and the MPC for their 'ecliptic J2000' frame."""

J2000_JD = 2_451_545.0
"""Epoch J2000.0, JD TT."""

MJD_ZERO_JD = 2_400_000.5
"""Modified Julian Date zero point, JD."""

GM_SUN = 2.959_122_082_841_195_6e-4
"""GM of the Sun, au^3/d^2. Header of JPL DE440 (Park et al. 2021, AJ 161, 105). The MPC's k^2
differs from it by 5e-12."""

GM_SUN_KM3_S2 = 132_712_440_041.279
"""The same in km^3/s^2 (Park et al. 2021, table 2)."""

GM_EARTH_KM3_S2 = 398_600.4355
"""GM of the Earth without the Moon, km^3/s^2. Header of JPL DE440."""

GAUSS_K = 0.017_202_098_95
"""Gaussian gravitational constant, au^1.5 / d. IAU 1976; the MPC's elements are defined with it."""

ARCSEC_PER_RAD = 206_264.806_247_096_36
"""Arcseconds per radian."""

FWHM_PER_SIGMA = 2.354_820_045_030_949_3
"""Full width at half maximum of a Gaussian in units of its sigma, 2 sqrt(2 ln 2)."""
