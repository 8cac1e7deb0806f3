"""Faults put in on purpose, by the thousand: what the program withstands, counted."""
