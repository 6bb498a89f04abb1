"""One module a schema revision, in order."""
