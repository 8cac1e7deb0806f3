"""Messages on disk until they are delivered."""
