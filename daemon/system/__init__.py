"""What touches the machine and knows nothing of farms: clock, SQLite, secrets, locks, logs, service manager."""
