"""Tables, settings, observations and provenance in and out; every file is written here."""
