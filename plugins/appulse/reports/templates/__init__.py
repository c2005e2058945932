"""Templates of the sheets; read as files, never imported."""
