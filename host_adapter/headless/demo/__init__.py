"""The demo: an invented shoot as real files, and the whole job done on it."""
