"""Weather from any source as one Dataset: same names, units and time labels."""
