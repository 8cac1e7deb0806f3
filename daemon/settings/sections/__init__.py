"""The tables of the settings file, one module each."""
