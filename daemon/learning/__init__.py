"""What came of the odds and of the samples, and what it teaches."""
