"""TOML as text, and what people mean by it: lines, literals, dates, and lines that are no TOML."""
