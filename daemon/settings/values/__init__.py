"""The kinds of value that an option can hold."""
