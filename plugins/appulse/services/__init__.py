"""The network, cached and with time-outs: orbits, ephemerides, bodies and stars in a cone."""
