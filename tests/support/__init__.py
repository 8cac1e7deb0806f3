"""What many tests share: invented farms, weather, a hand clock, records of real hours."""
