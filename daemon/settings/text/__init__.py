"""TOML as text, and what people mean by it: line numbers, literals, dates, and lines that are not TOML."""
