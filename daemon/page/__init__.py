"""The status page: what is advised today, what comes, and whether all is well."""
