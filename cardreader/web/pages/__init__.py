"""The pages, one module a subject; each holds a ``router``."""
