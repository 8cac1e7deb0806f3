"""One bounded request: client, cache and quota."""
