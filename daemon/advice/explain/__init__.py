"""Why: the numbers behind the advice, where they come from and what would change it."""
