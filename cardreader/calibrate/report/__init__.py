"""The validation report of a study: what was found, in words, tables and figures."""
