"""Minor bodies: designations, orbits and their readers, ephemerides, photometry, who is in a field."""
