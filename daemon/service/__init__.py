"""The process that runs for years: rounds, status, heartbeat."""
