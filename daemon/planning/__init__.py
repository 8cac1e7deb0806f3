"""From weather, ground and crop to what can be done with each field on each day."""
