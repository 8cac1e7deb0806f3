"""One look at everything and the decision."""
