"""The sections of the settings file: each option with its kind, default and meaning."""
