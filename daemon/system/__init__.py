"""Code that touches the machine and knows nothing of farms: clock, SQLite, secrets, lock, logs, service manager."""
