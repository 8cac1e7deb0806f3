"""What the farmer noted: kept on disk, read as cuts, looks and samples, and laid over the settings."""
