"""One module a schema step, in order."""
