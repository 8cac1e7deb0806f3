"""The types that travel and the rules on them that need no weather, no disk and no words."""
