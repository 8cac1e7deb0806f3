"""One module for each source of weather, and what files with CF names need."""
